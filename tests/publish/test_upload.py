"""Uploads in virtual time against a store that forgets, as the real one was seen to do."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from platelink.publish.upload import (
    AskStore,
    Confirm,
    Row,
    SetAside,
    Upload,
    UploadSettings,
    Write,
)


class ForgetfulStore:
    """Accepts rows at once, has them safe after 8 s, loses what is younger when it is killed.
    Its start time has whole seconds, like victoria-metrics' process_start_time_seconds."""

    def __init__(self, *, reports_start: bool = True) -> None:
        self.safe: set[int] = set()
        self.fresh: list[tuple[float, int]] = []
        self.running = True
        self.reports_start = reports_start
        self.begun_at = 0.0
        self.writes = 0
        self.bad: set[int] = set()

    def start(self) -> float | None:
        return float(int(self.begun_at)) if self.reports_start else None

    def accept(self, rows: tuple[Row, ...], now: float) -> None:
        self.settle(now)
        self.writes += 1
        self.fresh += [(now, row.number) for row in rows]

    def settle(self, now: float) -> None:
        self.safe |= {n for at, n in self.fresh if now - at >= 8.0}
        self.fresh = [(at, n) for at, n in self.fresh if now - at < 8.0]

    def kill(self, now: float) -> None:
        self.settle(now)
        self.fresh.clear()
        self.running = False

    def begin(self, now: float) -> None:
        self.running = True
        self.begun_at = now


class Bench:
    """An Upload, a store and a clock. Checks every confirmation at the moment it is made."""

    def __init__(self, store: ForgetfulStore, rows: int = 0, **limits: object) -> None:
        self.now = 0.0
        self.store = store
        self.upload = Upload(UploadSettings(**limits), rows=(), now=0.0)
        self.confirmed: list[int] = []
        self.aside: list[int] = []
        self.last = 0
        self.add(rows)

    def add(self, count: int, lines: int = 10) -> None:
        rows = [Row(self.last + i + 1, lines) for i in range(count)]
        self.last += count
        self.upload.add(rows, now=self.now)

    def run(self, seconds: float, step: float = 0.1) -> None:
        for _ in range(round(seconds / step)):
            self.now += step
            self.work()

    def work(self) -> None:
        for _ in range(1000):
            actions = self.upload.tick(now=self.now)
            if not actions:
                return
            for action in actions:
                self.do(action)
        raise AssertionError("the upload never comes to rest")

    def do(self, action: object) -> None:
        store, upload, now = self.store, self.upload, self.now
        match action:
            case AskStore() if not store.running:
                upload.store_lost("refused", now=now)
            case AskStore():
                for confirm in upload.store_seen(store.start(), now=now):
                    self.do(confirm)
            case Write() if not store.running:
                upload.write_lost("refused", now=now)
            case Write(rows) if store.bad & {r.number for r in rows}:
                for aside in upload.write_refused("400", now=now):
                    self.do(aside)
            case Write(rows):
                store.accept(rows, now)
                upload.written(now=now)
            case SetAside(row):
                self.aside.append(row.number)
            case Confirm(rows):
                store.settle(now)
                assert {r.number for r in rows} <= store.safe, "confirmed, but not kept"
                self.confirmed += [r.number for r in rows]


def test_rows_are_confirmed_after_the_hold_and_not_before():
    bench = Bench(ForgetfulStore(), rows=30, hold_s=15.0)
    bench.run(14.9)
    assert (bench.confirmed, bench.upload.unconfirmed) == ([], 30)
    bench.run(3.0)  # the first ones were written before the start time was well known: again
    bench.run(15.0)
    assert bench.confirmed == list(range(1, 31))
    assert bench.upload.unconfirmed == bench.upload.pending == 0


def test_small_amounts_wait_for_company_but_not_for_long():
    bench = Bench(ForgetfulStore(), flush_s=1.0, min_lines=100)
    bench.run(5.0)
    bench.add(1, lines=3)
    bench.work()
    assert bench.store.writes == 0
    bench.add(1, lines=97)
    bench.work()
    assert bench.store.writes == 1
    bench.add(1, lines=3)
    bench.run(0.9)
    assert bench.store.writes == 1
    bench.run(0.2)
    assert bench.store.writes == 2


def test_batches_are_bounded():
    bench = Bench(ForgetfulStore(), rows=25, max_lines=100)
    bench.work()
    assert bench.store.writes == 2  # 100 lines each; the last 50 wait
    bench.run(1.1)
    assert bench.store.writes == 3
    bench.add(1, lines=9999)  # one row is never parted
    bench.work()
    assert bench.store.writes == 4


def test_restart_of_the_store_sends_everything_unconfirmed_again():
    bench = Bench(ForgetfulStore(), rows=30)
    bench.run(4.0)
    assert bench.upload.unconfirmed == 30
    bench.store.kill(bench.now)
    bench.store.begin(bench.now)
    bench.run(40.0)
    assert bench.upload.store_restarts == 1
    assert sorted(bench.confirmed) == list(range(1, 31))
    assert bench.store.safe == set(range(1, 31))


def test_second_process_within_the_same_second_is_not_mistaken_for_the_first():
    bench = Bench(ForgetfulStore(), rows=30)
    bench.run(0.3)
    assert bench.upload.unconfirmed == 30
    bench.store.kill(bench.now)
    bench.store.begin(bench.now)
    assert bench.store.start() == 0.0  # the same start time as before
    bench.run(40.0)
    assert bench.upload.store_restarts == 0
    assert sorted(bench.confirmed) == list(range(1, 31))


def test_store_away_for_an_hour_stops_nothing_and_loses_nothing():
    bench = Bench(ForgetfulStore())
    bench.store.kill(0.0)
    for _ in range(60):
        bench.add(60)
        bench.run(60.0, step=1.0)
    assert bench.upload.pending == 3600
    assert "refused" in bench.upload.problem
    bench.store.begin(bench.now)
    bench.run(60.0)
    assert sorted(bench.confirmed) == list(range(1, 3601))
    assert bench.upload.problem == ""


def test_bad_row_is_parted_from_the_good_ones_and_set_aside():
    bench = Bench(ForgetfulStore(), rows=33)
    bench.store.bad = {7, 20}
    bench.run(40.0)
    assert sorted(bench.aside) == [7, 20]
    assert sorted(bench.confirmed) == [n for n in range(1, 34) if n not in (7, 20)]


def test_a_store_that_refuses_everything_is_at_fault_and_no_row_goes_aside():
    """As behind a wrong path or a proxy: it answers, with 400 to each write."""
    bench = Bench(ForgetfulStore(), rows=200)
    bench.run(3.0)
    written = bench.upload.lines_written
    bench.store.bad = set(range(1, 1000))
    bench.add(300)
    bench.run(120.0)
    assert len(bench.aside) == 1  # what is one bad row at first, after it took others
    assert "400" in bench.upload.problem and "check [store] url" in bench.upload.problem
    assert bench.upload.pending == 299 and bench.upload.lines_written == written
    bench.store.bad = set(bench.aside)
    bench.run(120.0)
    assert sorted(bench.confirmed + bench.aside) == list(range(1, 501))
    assert len(bench.aside) == 1 and bench.upload.problem == ""


def test_a_store_that_never_took_anything_makes_no_row_bad():
    bench = Bench(ForgetfulStore(), rows=30)
    bench.store.bad = set(range(1, 31))
    bench.run(60.0)
    assert bench.aside == [] and bench.upload.pending == 30
    bench.store.bad = {1}  # the first of all: others are taken, then it is known
    bench.run(90.0)
    assert bench.aside == [1] and sorted(bench.confirmed) == list(range(2, 31))


def test_store_without_start_time_is_held_and_sent_again_after_a_lost_connection():
    store = ForgetfulStore(reports_start=False)
    bench = Bench(store, rows=30)
    bench.run(5.0)
    store.kill(bench.now)
    bench.add(1)
    bench.run(2.0)  # a write fails: whatever was unconfirmed is sent again
    store.begin(bench.now)
    bench.run(40.0)
    assert sorted(bench.confirmed) == list(range(1, 32))
    assert bench.upload.rows_written_again >= 30


def test_rule_restart_never_confirms_without_a_start_time():
    bench = Bench(ForgetfulStore(reports_start=False), rows=30, confirm="restart")
    bench.run(100.0)
    assert bench.confirmed == []
    assert "no start time" in bench.upload.problem


def test_start_of_the_recorder_sends_what_the_journal_still_has():
    upload = Upload(UploadSettings(), rows=[Row(4, 5), Row(9, 5)], now=50.0)
    assert upload.tick(now=50.0) == (AskStore(),)
    assert upload.store_seen(3.0, now=50.0) == ()
    assert upload.tick(now=50.0) == (Write((Row(4, 5), Row(9, 5))),)
    assert upload.tick(now=50.0) == ()  # one thing at a time


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("add"), st.integers(1, 40)),
        st.tuples(st.just("wait"), st.integers(1, 250)),  # tenths of a second
        st.tuples(st.just("kill"), st.integers(0, 30)),  # and start again so much later
    ),
    max_size=30,
)


@settings(max_examples=200, deadline=None)
@given(steps=STEPS)
@example(steps=[("add", 20), ("wait", 2), ("kill", 0), ("wait", 2), ("kill", 0)])
@example(steps=[("add", 5)] + [("wait", 5), ("kill", 3), ("add", 3)] * 9)
def test_whatever_is_confirmed_is_kept_however_the_store_is_killed(steps):
    bench = Bench(ForgetfulStore())
    for kind, value in steps:
        match kind:
            case "add":
                bench.add(value)
            case "wait":
                bench.run(value / 10)
            case "kill":
                bench.store.kill(bench.now)
                bench.run(value / 10)
                bench.store.begin(bench.now)
        bench.work()
    bench.run(90.0)
    assert sorted(bench.confirmed) == list(range(1, bench.last + 1))
    assert bench.store.safe == set(bench.confirmed)


@pytest.mark.parametrize("young_s", [0.0])
def test_the_forgetful_store_does_expose_a_missing_young_rule(young_s):
    """The test above can fail: without the rule for young stores it finds the hole."""
    bench = Bench(ForgetfulStore(), rows=30, young_s=young_s)
    bench.run(0.3)
    bench.store.kill(bench.now)
    bench.store.begin(bench.now)
    with pytest.raises(AssertionError, match="confirmed, but not kept"):
        bench.run(40.0)
