"""From moves to messages: what is told once, what is gathered, what outlasts crashes and faults."""

from __future__ import annotations

from datetime import time
from pathlib import Path

import pytest
from alerts.alert_world import DAY, MAIL, MINUTE, PUSH, Journal, World, settings, titles
from alerts.test_duty import ms

from platelink.alerts.occurrence import Now
from platelink.alerts.outbox import Way
from platelink.control.alarm.states import Act, AlarmState
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreUnavailable


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "alerts.sqlite"


def world(path: Path, *ways: Way, **more) -> World:
    return World(path, settings(*ways, **more)).start()


def test_an_alarm_goes_out_once_by_each_way(path: Path) -> None:
    one = world(path, MAIL, PUSH)
    one.alarm()
    assert one.run(69) == []
    assert sorted(way for way, _ in one.run(3)) == [MAIL, PUSH]
    assert one.run(2000) == []


def test_a_way_that_is_down_is_tried_ever_more_slowly_and_loses_nothing(path: Path) -> None:
    one = world(path, MAIL, PUSH)
    one.down.add(MAIL)
    one.alarm()
    assert titles(one.run(80)) == ["unit-1: contact lost"]  # by push
    one.run(3600)
    assert 8 <= one.tries - 1 <= 16  # 5, 10, 20 ... 600 s
    one.alarm("gauge silent")
    one.run(120)
    one.down.clear()
    ((_, message),) = (got for got in one.run(700) if got[0] == MAIL)
    assert message.title == "unit-1: contact lost and one more"
    assert "Sent again: a try before may have reached you." in message.body
    assert "gauge silent" in message.body


def test_a_flood_of_a_hundred_alarms_makes_one_message_that_says_so(path: Path) -> None:
    one = world(path)
    for i in range(100):
        one.alarm(f"alarm {i}")
    taken = one.run(3600)
    assert titles(taken) == ["unit-1: flood, 100 alarms"]
    assert "Flood: 100 alarms in one message." in taken[0][1].body
    assert "and 85 more" in taken[0][1].body
    assert len(taken[0][1].body.encode()) < 3500


def test_a_flood_that_goes_on_makes_few_messages(path: Path) -> None:
    """An alarm each ten seconds, for twenty minutes: each is told, few messages tell them."""
    one = world(path)
    for i in range(120):
        one.alarm(f"alarm {i}")
        one.now = Now(one.now.steady_ms + 10_000, one.now.utc_ms + 10_000)
        one.step()
    one.run(1300)
    assert len(one.taken) <= 14
    assert one.store is not None and one.store.waiting() == []


def test_repeats_of_an_alarm_are_gathered(path: Path) -> None:
    one = world(path)
    for _ in range(5):
        begin = one.now.utc_ms
        one.alarm()
        one.run(75)
        one.over(since_ms=begin)
        one.run(15)
    one.run(1200)
    assert titles(one.taken) == ["unit-1: contact lost", "unit-1: contact lost (over)"]
    assert "4 times since Mon 2 Mar, 10:01." in one.taken[1][1].body


def test_another_alarm_does_not_wait_for_the_repeats_of_one(path: Path) -> None:
    one = world(path)
    one.alarm()
    one.run(80)
    one.alarm()
    one.alarm("light still on")
    assert titles(one.run(72)) == ["unit-1: contact lost and one more"]


def test_the_end_is_told_where_it_is_wanted_and_where_the_alarm_was(path: Path) -> None:
    one = world(path, MAIL, PUSH, over=["Ruth"])
    one.down.add(PUSH)
    begin = one.now.utc_ms
    one.alarm()
    one.run(180)
    one.over(since_ms=begin)
    taken = one.run(15)
    assert [(way, m.title) for way, m in taken] == [(MAIL, "unit-1: over: contact lost")]
    assert "contact lost is over after 3 min, since 10:03." in taken[0][1].body
    one.down.clear()
    late = one.run(700)
    assert [(way, m.title) for way, m in late] == [(PUSH, "unit-1: contact lost (over)")]


def test_an_end_while_its_alarm_is_under_way_is_told_after_it(path: Path) -> None:
    one = world(path, over=["Ruth"])
    begin = one.now.utc_ms
    one.alarm()
    one.run(69)
    sent = []
    one.send = sent.append  # a slow server
    one.run(5)
    one.over(since_ms=begin)
    one.run(5)
    assert len(sent) == 1
    one.teller.ended(sent[0], "", one.now)
    del one.send
    assert titles(one.run(15)) == ["unit-1: over: contact lost"]


def test_who_was_removed_or_has_left_gets_nothing_that_waits(path: Path) -> None:
    one = world(path, MAIL, PUSH)
    one.down |= {MAIL, PUSH}
    one.alarm()
    one.run(100)
    one.stop()
    one.settings = settings(MAIL)
    one.down.clear()
    one.start()
    assert {way for way, _ in one.taken} == {MAIL}
    one.gone = lambda person: "this person is closed"
    one.alarm("gauge silent")
    assert one.run(200) == []
    assert one.store.waiting() == []


def test_a_clock_set_back_repeats_and_delays_nothing(path: Path) -> None:
    one = world(path)
    one.alarm()
    one.run(30)
    one.now = Now(one.now.steady_ms, one.now.utc_ms - 60 * MINUTE)
    assert titles(one.run(45)) == ["unit-1: contact lost"]
    one.stop()
    one.start()
    assert one.run(1000) == []


def test_the_first_start_beside_an_old_journal_tells_what_still_calls_only(path: Path) -> None:
    journal = Journal()
    one = World(path, settings(), journal)
    for i in range(20):
        begin = one.now.utc_ms
        one.alarm(f"old {i}")
        one.run(600)  # nobody is there to tell
        one.over(f"old {i}", since_ms=begin)
    one.alarm("gauge silent")
    one.now = Now(one.now.steady_ms + 3_600_000, one.now.utc_ms + 3_600_000)
    one.start()
    assert titles(one.run(100)) == ["unit-1: gauge silent"]


def test_a_journal_restored_from_a_backup_is_not_told_again(path: Path) -> None:
    """It has another id, ends earlier, and goes on with other entries under its old numbers."""
    one = world(path)
    for name in ("contact lost", "gauge silent", "light still on"):
        one.alarm(name)
        one.run(100)
    told = len(one.taken)
    assert told == 3
    one.journal = Journal("two", one.journal.moves[:2])
    assert one.run(1000) == []
    one.alarm("oven sensor lost")
    assert titles(one.run(100)) == ["unit-1: oven sensor lost"]


def test_a_journal_begun_anew_is_gone_on_with(path: Path) -> None:
    one = world(path)
    one.alarm()
    one.run(100)
    one.journal = Journal("fresh")
    one.run(5)
    one.alarm()
    one.run(700)
    assert titles(one.taken) == ["unit-1: contact lost"] * 2


def test_what_came_while_the_process_was_down_is_told_late(path: Path) -> None:
    one = world(path)
    one.stop()
    begin = one.now.utc_ms
    one.alarm()
    one.run(1200)
    one.over(since_ms=begin)
    one.run(600)
    one.start()
    ((_, message),) = one.run(15)
    assert message.title == "unit-1: contact lost (over)"
    assert "Since Mon 2 Mar, 10:00. Over after 20 min." in message.body


def test_entries_that_tell_no_alarm_are_not_written_down_one_by_one(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An exposure writes entries each second; a memory card is not to be written as often."""
    one = world(path)
    bomb = Bomb(monkeypatch, Killed())
    one.journal.moves_after = lambda number, limit: ([], one.journal.last_number())
    one.journal.last_number = lambda: one.now.steady_ms // 1000 - DAY // 1000
    one.run(100)
    assert bomb.count == 0
    one.now = Now(one.now.steady_ms + 30_000_000, one.now.utc_ms + 30_000_000)
    one.run(10)
    assert 0 < bomb.count < 6


# --- the daily summary ----------------------------------------------------------------------------


def test_a_summary_is_sent_once_a_day_also_when_nobody_was_there(path: Path) -> None:
    one = world(path, summary_at=time(6))
    assert one.run(100) == []  # the day before is not ours to tell
    for days in (1, 2, 5):
        one.stop()
        at = ms("2026-03-02T10:00+01:00") + days * 86_400_000
        one.now = Now(one.now.steady_ms + 1, at)
        one.start()
        assert len(one.run(30)) == 1
        one.stop()
        one.start()
        assert one.run(30) == []
    assert titles(one.taken) == ["unit-1: 3 plates, 2 good, 1 rejected"] * 3
    assert "From Wed 4 Mar, 06:00 to Sat 7 Mar, 06:00." in one.taken[2][1].body


def test_a_clock_set_back_over_the_hour_of_the_summary_makes_no_second_one(path: Path) -> None:
    one = world(path, summary_at=time(6))
    one.now = Now(one.now.steady_ms, ms("2026-03-03T06:00:05+01:00"))
    assert len(one.run(30)) == 1
    one.now = Now(one.now.steady_ms, ms("2026-03-03T05:59:50+01:00"))
    assert one.run(60) == []
    one.now = Now(one.now.steady_ms, ms("2026-03-01T12:00+01:00"))
    assert one.run(60) == []


# --- kills and faults -----------------------------------------------------------------------------


class Killed(BaseException):
    """The process ends here."""


class Bomb:
    """Ends the process, or fails, before the n-th statement that writes."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
        self.left: int | None = None
        self.count = 0
        for name in ("execute", "execute_each"):
            monkeypatch.setattr(Database, name, self._counting(getattr(Database, name), error))

    def _counting(self, real, error: BaseException):
        def execute(database, *given):
            self.count += 1
            if self.left is not None:
                self.left -= 1
                if self.left == 0:
                    self.left = None
                    raise error
            return real(database, *given)

        return execute


def story(one: World) -> None:
    """Alarms of all kinds, a summary, a way that is down for a while."""
    begin = one.now.utc_ms
    one.alarm()
    one.run(75)
    one.down.add(PUSH)
    one.over(since_ms=begin)
    one.alarm("gauge silent")
    one.run(75)
    one.down.clear()
    one.now = Now(one.now.steady_ms, one.now.utc_ms + 86_400_000)
    one.run(15)


def act_rest(one: World) -> None:
    one.down.clear()
    one.run(100)
    one.now = Now(one.now.steady_ms, max(one.now.utc_ms, DAY + 86_400_000))
    one.run(1300)


def told_of(one: World, way: Way, words: str) -> int:
    return sum(words in m.title + m.body for got, m in one.taken if got == way)


def run_story(path: Path, bomb: Bomb, n: int | None, **how) -> World:
    told = settings(MAIL, PUSH, over=["Ruth"], summary_at=time(6))
    one = World(path, told, **how).start()
    bomb.count, bomb.left = 0, n
    story(one)
    act_rest(one)
    return one


def test_nothing_is_lost_and_nothing_told_twice_wherever_the_process_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before every statement that writes to its file, and so around every message, too. A message
    comes twice only where the process died between sending it and noting that; then it says so."""
    bomb = Bomb(monkeypatch, Killed())
    whole = run_story(tmp_path / "whole.sqlite", bomb, None)
    statements = bomb.count
    whole.stop()
    assert statements > 40
    twice = 0
    for n in range(1, statements + 1):
        one = run_story(tmp_path / f"{n}.sqlite", bomb, n, dies=(Killed,))
        for way in (MAIL, PUSH):
            for words in ("contact lost", "gauge silent", "3 plates, 2 good"):
                assert told_of(one, way, words) >= 1, (n, way, words)
        again = [m for _, m in one.taken if "Sent again" in m.body]
        bodies = [(way, m.body.partition("As of")[0]) for way, m in one.taken]
        doubled = len(bodies) - len(set(bodies))
        assert doubled <= 1 and doubled <= len(again), (n, titles(one.taken))
        twice += doubled
        one.stop()
    assert twice  # the window is there, and is what the documents say of it


def test_a_full_disk_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each statement fails once; the process goes on with what is in the file."""
    bomb = Bomb(monkeypatch, StoreUnavailable("no space left"))
    for n in range(1, 26):
        one = World(tmp_path / f"{n}.sqlite", settings(MAIL, PUSH), fails=(StoreUnavailable,))
        one.start()
        one.alarm()
        bomb.left = n
        one.run(110)
        assert bomb.left is None or n > 14
        assert {way for way, m in one.taken if "contact lost" in m.title} == {MAIL, PUSH}, n
        assert len(one.taken) <= 3, n
        bomb.left = None
        one.stop()


def test_acknowledged_is_told_as_such_when_it_waited(path: Path) -> None:
    one = world(path)
    one.down.add(MAIL)
    one.alarm()
    one.run(80)
    one.alarm(to=AlarmState.ACKNOWLEDGED, act=Act.ACKNOWLEDGED, who="Omar")
    one.down.clear()
    ((_, message),) = one.run(60)
    assert "Acknowledged by Omar." in message.body
