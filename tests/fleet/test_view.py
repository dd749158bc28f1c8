"""What is said of each unit: each sign has a world in which it would be false, and is not said."""

from __future__ import annotations

import pytest
from fleet.fleet_words import DARK, LIT, SITE, T0, World, without, word

from platelink.fleet import view
from platelink.fleet.view import Presence, counted, own_clock
from platelink.publish.messages import LAST_WORD
from platelink.publish.topics import Topics


def test_a_unit_that_speaks_is_online_and_its_light_is_told() -> None:
    world = World()
    world.hear(word(at_s=1.0), at=1.0)
    assert (world.row().presence, world.row().lit, world.row().since_utc_s) == (
        "online",
        True,
        None,
    )
    world.hear(word(at_s=3.0, order=(100, 2), detail=DARK), at=3.0)
    assert (world.row().lit, world.row().was_lit) == (False, False)


def test_light_that_is_not_known_is_neither_lit_nor_dark() -> None:
    world = World()
    for number, light in enumerate(("unknown", "bright", None, 7), 1):
        world.hear(word(order=(100, number), detail=LIT | {"light": light}))
        assert world.row().lit is None


def test_an_old_word_at_the_broker_does_not_make_a_unit_that_is_gone_lit() -> None:
    """The broker was killed with the unit: it has 'online, lit', and no last will."""
    world = World()
    world.hear(word(at_s=-600.0), retained=True)
    row = world.row(at=1.0)
    assert (row.presence, row.lit, row.was_lit, row.held) == (Presence.UNSURE, None, True, None)
    row = world.row(at=51.0)
    assert (row.presence, row.lit, row.since_utc_s) == (Presence.SILENT, None, T0 - 600.0)


def test_a_word_found_at_the_broker_counts_until_the_next_one_is_due() -> None:
    world = World()
    world.hear(word(at_s=-15.0), retained=True)
    assert world.row(at=1.0).lit is True
    assert world.row(at=6.0).presence is Presence.UNSURE
    world.hear(word(at_s=6.5, order=(100, 2), detail=DARK), at=6.5)
    assert (world.row().presence, world.row().lit) == (Presence.ONLINE, False)


def test_a_word_from_the_future_tells_nothing_of_the_present() -> None:
    """Its clock is ahead, so it may be any age."""
    world = World()
    world.hear(word(at_s=3600.0), retained=True)
    assert world.row().presence is Presence.UNSURE
    assert world.row().clock_s == 3600.0


def test_a_unit_that_breaks_its_promise_is_silent_since_it_was_heard() -> None:
    world = World()
    world.hear(word(at_s=5.0), at=5.0)
    assert world.row(at=55.0).lit is True
    row = world.row(at=55.1)
    assert (row.presence, row.lit, row.was_lit, row.since_utc_s) == ("silent", None, True, T0 + 5.0)


def test_waiting_longer_ends_when_of_every_unit_it_is_known_whether_it_is_there() -> None:
    world = World()
    world.hear(word("a", at_s=0.0), "a")
    world.hear(word("b", at_s=-999.0), "b", retained=True)
    assert not world.fleet.settled(now=1.0, utc_s=T0 + 1.0)
    world.hear(word("b", order=(100, 2), at_s=-979.0), "b", at=20.0)
    assert world.fleet.settled(now=20.0, utc_s=T0 + 20.0)


def test_a_quiet_unit_that_keeps_its_promise_stays_online() -> None:
    world = World()
    for number in range(1, 40):
        at = 20.0 * number
        world.hear(word(at_s=at, order=(100, number), detail=DARK), at=at)
        assert world.row(at=at + 19.9).presence is Presence.ONLINE


def test_while_this_program_is_deaf_no_unit_is_called_silent() -> None:
    world = World()
    world.hear(word(at_s=1.0), at=1.0)
    world.fleet.lost()
    assert world.row(at=40.0).presence is Presence.ONLINE
    assert world.row(at=400.0).presence is Presence.UNSURE
    world.fleet.connected(now=500.0)
    assert world.row(at=549.0).presence is Presence.UNSURE
    assert world.row(at=551.0).presence is Presence.SILENT


def test_a_last_will_takes_the_light_away_and_a_late_one_does_not() -> None:
    world = World()
    world.hear(word(order=(100, 3)))
    world.hear(word(order=(100, LAST_WORD), state="offline"), at=9.0)
    row = world.row()
    assert (row.presence, row.lit, row.since_utc_s) == (Presence.OFFLINE, None, T0 + 9.0)
    assert row.was_lit and row.alarms is not None  # what it said last stays known
    world.hear(word(order=(101, 1), at_s=12.0), at=12.0)
    world.hear(word(order=(100, LAST_WORD), state="offline"), at=13.0)
    assert (world.row().presence, world.row().lit, world.row().twins) == ("online", True, False)


def test_of_a_last_will_found_at_the_broker_nobody_knows_since_when() -> None:
    """Its time is that of its connection's beginning."""
    world = World()
    world.hear(word(order=(100, LAST_WORD), state="offline", at_s=-9e5), retained=True)
    assert (world.row().presence, world.row().since_utc_s) == (Presence.OFFLINE, None)


def test_a_unit_of_which_the_broker_has_no_status_but_a_checkpoint_is_offline() -> None:
    world = World()
    topic = Topics(SITE, "unit-7").checkpoint
    world.fleet.hear(topic, b"a note", retained=True, now=0.0, utc_s=T0)
    assert (world.row().unit, world.row().presence) == ("unit-7", Presence.OFFLINE)


def test_a_status_that_is_taken_away_ends_what_it_said() -> None:
    world = World()
    world.hear(word(at_s=1.0), at=1.0)
    world.hear(b"", at=2.0)
    assert (world.row().presence, world.row().lit) == (Presence.OFFLINE, None)
    world.hear(word(at_s=3.0, order=(100, 2)), at=3.0)
    assert world.row().presence is Presence.ONLINE


# --- held, alarms, overdue ----------------------------------------------------------------------


def test_a_status_that_had_gone_before_anybody_looked_is_a_unit_that_is_not_there() -> None:
    """A cluster keeps an empty word in its place; one that is not kept tells of nothing."""
    world = World()
    world.hear(b"", "b")
    assert world.fleet.rows(now=0.0, utc_s=T0) == ()
    world.hear(b"", retained=True)
    row = world.row()
    assert (row.presence, row.lit, row.was_lit) == (Presence.OFFLINE, None, False)
    world.hear(word())
    assert world.row().presence is Presence.ONLINE


def test_held_exposure_and_held_plate_are_both_held() -> None:
    world = World()
    plate = {"plate": "P-1", "step": "bake", "step_state": "held", "overdue": True}
    for number, (detail, held) in enumerate((
        (LIT, False), (DARK | {"exposure": "held"}, True), (DARK | {"plates": [plate]}, True),
        ({}, None),
    ), 1):  # fmt: skip
        world.hear(word(order=(100, number), detail=detail))
        assert world.row().held is held


def test_alarms_are_told_with_priority_and_stay_told_as_the_last_word() -> None:
    worst = {"name": "contact lost", "priority": "high", "next_act": "find the leak"}
    alarms = {"unacknowledged": 2, "acknowledged": 1, "worst": worst}
    world = World()
    world.hear(word(at_s=0.0, detail=LIT | {"alarms": alarms, "overdue": ["plate P-1: rinse"]}))
    told = world.row().alarms
    assert told is not None
    assert (told.unacknowledged, told.name, told.priority) == (2, "contact lost", "high")
    assert world.row().overdue == ("plate P-1: rinse",)
    assert world.row(at=600.0).alarms == told and world.row().presence is Presence.SILENT


def test_what_an_older_release_does_not_tell_is_not_known_which_is_not_none() -> None:
    world = World()
    old = {"link": "online", "exposure": None, "light": "on", "problem": ""}
    keys = ("renewed_s", "behind_s", "journal", "entries")
    world.hear(without(word(at_s=0.0, detail=old), *keys))
    row = world.row()
    assert (row.presence, row.lit) == (Presence.ONLINE, True)
    assert (row.alarms, row.overdue, row.journal) == (None, None, None)
    assert world.row(at=51.0).lit is None


def test_a_newer_release_may_say_more() -> None:
    world = World()
    payload = word(at_s=0.0, detail=LIT | {"aura": {"colour": [1, {}]}})
    world.hear(payload.replace(b'{"format":1,', b'{"format":1,"mood":"fine",'))
    assert (world.row().lit, world.fleet.refused) == (True, 0)


def test_a_status_of_a_format_to_come_is_said_to_be_one_and_nothing_of_before_stays_true() -> None:
    world = World()
    world.hear(word(at_s=0.0))
    world.hear(word(order=(100, 2)).replace(b'"format":1', b'"format":2'))
    row = world.row()
    assert (row.presence, row.lit) == (Presence.UNREADABLE, None)
    assert row.problem == "format 2, this program reads 1: update it"
    world.hear(word(at_s=0.0, order=(100, 3)))
    assert world.row().presence is Presence.ONLINE


# --- hostile ----------------------------------------------------------------------------------


@pytest.mark.parametrize("payload", [
    b"\xff\xfe", b"[]", b"null", b'{"format": {}}', b"{" * 50_000, b" " * 70_000,
    word(detail=LIT).replace(b'"online"', b'"lit"', 1), word("unit-2"),
    word(order=(100, 1)).replace(b'"sequence":1', b'"sequence":1e999'),
])  # fmt: skip
def test_what_is_no_status_is_counted_and_said(payload: bytes) -> None:
    world = World()
    world.hear(payload)
    assert world.fleet.refused == 1
    assert world.row().presence is Presence.UNREADABLE and world.row().problem
    assert len(world.fleet.last_refusal) < 600


@pytest.mark.parametrize("detail", [
    {"alarms": [], "plates": {}, "overdue": "all", "light": {}, "exposure": []},
    {"alarms": {"unacknowledged": -1, "worst": 7}, "plates": [1, {"plate": None}, []]},
    {"alarms": {"unacknowledged": True, "worst": {"priority": "top", "name": ["x"]}}},
    {"overdue": [1, None, {}], "plates": [{"plate": "x" * 300, "overdue": "yes"}] * 100},
])  # fmt: skip
def test_nonsense_inside_a_status_is_not_known_and_nothing_else(detail: dict[str, object]) -> None:
    world = World()
    world.hear(word(at_s=0.0, detail={}))
    world.hear(word(at_s=0.0, order=(100, 2), detail={"light": "on"} | detail))
    row = world.row()
    assert world.fleet.refused == 0 and not row.overdue
    assert not (row.alarms and row.alarms.priority)
    assert not (row.alarms and row.alarms.unacknowledged)
    assert len(row.plates) <= 50
    assert all(len(one.plate) <= 200 and not one.overdue for one in row.plates)


@pytest.mark.parametrize("topic", [
    "platelink/v1/a/b/c/status", "platelink/v1//b/status", "platelink/v1/a b/c/status",
    "other/a/b/status", "platelink/v1/a/b/held/x", "",
])  # fmt: skip
def test_other_topics_make_no_unit(topic: str) -> None:
    world = World()
    world.fleet.hear(topic, word(), retained=False, now=0.0, utc_s=T0)
    assert world.rows() == () and world.fleet.refused == 1


def test_made_up_names_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(view, "MOST_UNITS", 10)
    world = World()
    for number in range(15):
        world.hear(word(f"u{number}"), f"u{number}")
    assert len(world.rows()) == 10 and world.fleet.refused == 5


# --- two units of one name ------------------------------------------------------------------------


def test_two_units_that_speak_in_turn_under_one_name_are_seen() -> None:
    world = World()
    world.hear(word(order=(100, 1)))
    world.hear(word(order=(200, 1)))
    assert not world.row().twins
    world.hear(word(order=(100, 2)), at=5.0)
    assert world.row().twins
    assert not world.row(at=5.0 + view.TWINS_S + 1.0).twins


def test_two_units_that_take_the_session_from_each_other_are_seen_by_their_journals() -> None:
    world = World()
    for number, journal in enumerate(("a", "a", "b"), 100):
        world.hear(word(order=(number, 1), journal=journal))
        assert not world.row().twins  # a journal may be begun anew
    world.hear(word(order=(103, 1), journal="a"))
    assert world.row().twins


# --- clocks -----------------------------------------------------------------------------------


def test_a_clock_that_is_ahead_is_shown_at_once_and_one_within_the_bound_is_not() -> None:
    for ahead_s, shown in ((10.0, None), (10.5, 10.5), (-10.0, None)):
        world = World()
        for number in range(1, 6):
            world.hear(word(order=(100, number), at_s=5.0 * number + ahead_s), at=5.0 * number)
        assert world.row().clock_s == pytest.approx(shown) if shown else world.row().clock_s is None


def test_a_clock_that_is_behind_is_shown_when_words_agree() -> None:
    world = World()
    world.hear(word(order=(100, 1), at_s=-120.0), at=0.0)
    assert world.row().clock_s is None
    world.hear(word(order=(100, 2), at_s=-100.5), at=20.0)
    assert world.row().clock_s == pytest.approx(-120.0)


def test_words_that_come_late_together_show_no_clock() -> None:
    """A network was away for five minutes: what waited comes at once."""
    world = World()
    for number in range(1, 8):
        world.hear(word(order=(100, number), at_s=-300.0 + 20.0 * number), at=0.1 * number)
    assert world.row().clock_s is None


def test_one_word_that_was_held_up_does_not_move_a_clock_that_is_right() -> None:
    world = World()
    for number, late_s in enumerate((0.1, 60.0, 0.3, 0.1), 1):
        at = 30.0 * number
        world.hear(word(order=(100, number), at_s=at - late_s), at=at)
    assert world.row().clock_s is None


def test_an_old_word_found_at_the_broker_shows_no_clock() -> None:
    world = World()
    world.hear(word(at_s=-86400.0), retained=True)
    world.hear(word(order=(100, 2), at_s=-86370.0), retained=True, at=30.0)
    assert world.row(at=31.0).clock_s is None


def test_where_most_units_agree_it_is_this_computers_clock() -> None:
    world = World()
    for name, ahead_s in (("a", 90.0), ("b", 91.0), ("c", 89.5), ("d", -2000.0)):
        world.hear(word(name, at_s=ahead_s), name)
    assert own_clock(world.rows()) == pytest.approx(90.0, abs=1.0)
    world.hear(word("a", order=(101, 1), at_s=0.0), "a", at=0.0)
    for name in ("e", "f", "g"):
        world.hear(word(name, at_s=0.0), name)
    assert own_clock(world.rows()) is None


# --- counts -----------------------------------------------------------------------------------


def test_signs_are_counted() -> None:
    world = World()
    world.hear(word("a", at_s=0.0), "a")
    world.hear(word("b", at_s=0.0, detail=DARK | {"overdue": ["calibration overdue"]}), "b")
    world.hear(word("c", order=(1, LAST_WORD), state="offline"), "c")
    world.hear(word("d", at_s=-999.0), "d", retained=True)
    assert dict(counted(world.rows())) == {"lit": 1, "overdue": 1, "offline": 1, "not known": 1}


def test_what_was_not_sent_is_told() -> None:
    world = World()
    world.hear(word(at_s=0.0, pending=4200, behind_s=604800.0, entries=9000, journal="j"))
    row = world.row()
    assert (row.pending, row.behind_s, row.entries, row.journal) == (4200, 604800.0, 9000, "j")


@pytest.mark.parametrize("at_utc", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_a_time_that_no_face_can_show_is_no_status(at_utc: str) -> None:
    """Of one unit; the others beside it are still shown."""
    world = World()
    world.hear(word())
    world.hear(word("unit-2", at_utc=at_utc), "unit-2", retained=True)
    rows = world.rows()
    assert [row.presence for row in rows] == [Presence.ONLINE, Presence.UNREADABLE]
    assert "cannot be" in rows[1].problem and rows[1].since_utc_s is None


@pytest.mark.parametrize("behind_s", [-5.0, 1e300])
def test_an_age_that_cannot_be_is_not_told(behind_s: float) -> None:
    world = World()
    world.hear(word(pending=3, behind_s=behind_s))
    assert (world.row().pending, world.row().behind_s) == (3, None)


def test_light_that_is_not_known_is_counted_beside_what_is_lit() -> None:
    world = World()
    world.hear(word())
    world.hear(word("unit-2", detail=LIT | {"light": "unknown"}), "unit-2")
    world.hear(word("unit-3", detail=DARK), "unit-3")
    assert dict(counted(world.rows())) == {"lit": 1, "light not known": 1}
