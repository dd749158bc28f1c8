"""What people read, in English and German; what is in it, and what never is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from alerts.alert_world import DAY, MINUTE, writer

from platelink.alerts.occurrence import Move, raised
from platelink.alerts.summary import AlarmSum, DueDate, Summary, alarm_sums, due_within, overlap_s
from platelink.alerts.summary_text import summary_message
from platelink.control.alarm.states import Act, AlarmState
from platelink.control.alarm.unit import UNIT_ALARMS
from platelink.ledger.by import from_ms
from platelink.web.texts import read_languages


def lost(at_ms: int = DAY, alarm="contact lost", **more):
    given = {"value": 41.25, "limit": 60.0, "unit": "kPa", "plates": ("P-17",)} | more
    return raised(Move(alarm, "high", AlarmState.UNACKNOWLEDGED, Act.RAISED, at_ms, **given), 0)


def test_an_alarm_in_english() -> None:
    message = writer().alarms([lost()], [], now_ms=DAY + 70_000, again=False)
    assert message.title == "unit-1: contact lost"
    assert message.body == (
        "contact lost (high priority)\n"
        "Since Mon 2 Mar, 10:00. Not over, nobody has acknowledged it.\n"
        "Measured 41.25 kPa, limit 60 kPa.\n"
        "Plates that it may concern: P-17\n"
        "Likely cause: the blanket or its seal leaks, or the pump has stopped\n"
        "Do: find the leak, then restart the exposure\n"
        "Acknowledge on the page: https://plates.example/alarms?alarm=contact%20lost\n"
        "\n"
        "As of Mon 2 Mar, 10:01.\n"
        "A message may come late, or not at all: it replaces no person at the unit.\n"
    )


def test_the_same_in_german() -> None:
    message = writer("de").alarms([lost()], [], now_ms=DAY + 70_000, again=True)
    assert message.title.startswith("unit-1: ") and "contact" not in message.title
    assert "Gemessen 41,25 kPa, Grenze 60 kPa." in message.body
    assert "Seit Mo., 2. März, 10:00." in message.body
    assert "Klischees, die es betreffen kann: P-17" in message.body
    assert "Auf der Seite quittieren: https://plates.example/alarms?alarm=" in message.body
    assert "Erneut gesendet" in message.body
    for english in (" the ", "Since", "Do:", "priority"):
        assert english not in message.body


@pytest.mark.parametrize("language", sorted(read_languages()))
def test_every_alarm_can_be_told_in_every_language_and_briefly(language: str) -> None:
    for definition in UNIT_ALARMS:
        one = lost(alarm=definition.name, unit=definition.unit)
        message = writer(language).alarms([one], [], now_ms=DAY, again=False)
        assert len(message.title) <= 60, message.title
        assert len(message.body.encode()) < 1500
        assert "{" not in message.body


def test_how_it_stands_is_told_as_it_is() -> None:
    def body(*moves: Move) -> str:
        one = lost()
        for move in moves:
            one.follow(move)
        return writer().alarms([one], [], now_ms=DAY + MINUTE, again=False).body

    over = Move("contact lost", "high", AlarmState.RETURNED_UNACKNOWLEDGED, Act.CLEARED,
                DAY + 180_000, since_ms=DAY)  # fmt: skip
    assert "Over after 3 min." in body(over)
    latched = replace(over, to=AlarmState.LATCHED_UNACKNOWLEDGED, act=Act.CLEARED_LATCHED)
    assert "Over after 3 min. It must be acknowledged and reset." in body(latched)
    seen = Move("contact lost", "high", AlarmState.ACKNOWLEDGED, Act.ACKNOWLEDGED, DAY, who="Omar")
    assert "Acknowledged by Omar." in body(seen)
    shelved = Move("contact lost", "high", AlarmState.SHELVED, Act.SHELVED, DAY, who="Omar")
    assert "Kept quiet since by a person, or by another alarm." in body(shelved)


def test_without_a_page_there_is_no_link_and_without_a_value_none() -> None:
    one = lost(value=None, limit=None, unit="", plates=())
    body = writer(page=None).alarms([one], [], now_ms=DAY, again=False).body
    assert "http" not in body and "Measured" not in body and "Plates" not in body


def test_one_that_this_release_does_not_know_is_told_as_it_is() -> None:
    message = writer("de").alarms([lost(alarm="tank empty")], [], now_ms=DAY, again=False)
    assert message.title == "unit-1: tank empty"


def test_more_than_three_are_listed_with_one_link() -> None:
    alarms = [lost(DAY + i * MINUTE, d.name) for i, d in enumerate(UNIT_ALARMS[:5])]
    message = writer().alarms(alarms, [], now_ms=DAY, again=False)
    assert message.title == "unit-1: contact lost and 4 more"
    assert "10:00 · contact lost · Not over" in message.body
    assert message.body.count("https://") == 1
    assert "Flood" not in message.body


SUMMARY = Summary(
    DAY - 24 * 60 * MINUTE, DAY, complete=14, good=12, rejected=1, broken_off=1, held_s=1_260.0,
    alarms=(AlarmSum("contact lost", 3, 440.0), AlarmSum("broker down", 0, 86_400.0)),
    burn_h=412.4, lamps_until_ms=DAY + 40 * 86_400_000, due=(DueDate("vacuum", "2026-03-20"),),
)  # fmt: skip


def test_the_daily_summary() -> None:
    message = summary_message(writer(), SUMMARY, now_ms=DAY, again=False)
    assert message.title == "unit-1: 14 plates, 12 good, 1 rejected"
    assert message.body.split("\n\nAs of")[0] == (
        "From Sun 1 Mar, 10:00 to Mon 2 Mar, 10:00.\n"
        "14 plates complete: 12 good, 1 rejected, 1 not inspected.\n"
        "One plate broken off.\n"
        "Held: 21 min in all.\n"
        "\n"
        "Alarms, and how long each stood:\n"
        "- contact lost: 3 times, 7 min\n"
        "- broker down: from before, 24 h\n"
        "\n"
        "Lamps: 412 h burned; they are expected to be too weak from Sat 11 Apr on.\n"
        "Calibration of vacuum: due on 20 Mar 2026.\n"
        "\n"
        "All records: https://plates.example/history"
    )


def test_a_day_of_nothing_in_german() -> None:
    empty = Summary(DAY - 1, DAY, 0, 0, 0, 0, 0.0, (), None, None, ())
    message = summary_message(writer("de"), empty, now_ms=DAY, again=False)
    assert message.title == "unit-1: 0 Klischees, 0 gut"
    assert "Kein Alarm." in message.body and "Über sie ist nichts bekannt" in message.body


def test_alarms_are_summed_within_the_time_only() -> None:
    before, within, open_one = lost(DAY - 5 * MINUTE), lost(DAY + MINUTE), lost(DAY + 8 * MINUTE)
    before.stood_until_ms = DAY + 2 * MINUTE
    within.stood_until_ms = DAY + 3 * MINUTE
    (found,) = alarm_sums([before, within, open_one], DAY, DAY + 10 * MINUTE)
    assert found == AlarmSum("contact lost", 2, 120.0 + 120.0 + 120.0)
    assert overlap_s([(0, 5_000), (8_000, None)], 2_000, 10_000) == 5.0
    today = from_ms(DAY).date()
    dates = [("vacuum", today), ("oven", today.replace(year=2030))]
    assert due_within(dates, today, 30) == (DueDate("vacuum", "2026-03-02"),)
