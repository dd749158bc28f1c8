"""No message ends the recorder, and none of one unit takes anything from another."""

from __future__ import annotations

import math
import random
import re
from datetime import timedelta

import pytest
from publish import publish_samples as ps
from publish.hostile import HUGE, message

from platelink.publish import recorder as module
from platelink.publish.broker import BrokerSettings, Received
from platelink.publish.recorder import Recorder, RecorderSettings
from platelink.publish.store import StoreSettings
from platelink.publish.topics import Topics
from platelink.runs import AnyEntry

HOUR_MS = 3_600_000
VICTIM, OTHER = Topics(ps.SITE, ps.UNIT), Topics(ps.SITE, "unit-2")
LINE = re.compile(r"(platelink\S*(?:\\ \S*)*) ([A-Za-z_]\w*=[^ ,]+(?:,[A-Za-z_]\w*=[^ ,]+)*) (\d+)")


class Clock:
    """The recorder's."""

    def __init__(self) -> None:
        self.utc_ms, self.now = ps.AT_MS + 60_000, 0.0

    def time_ns(self) -> int:
        return self.utc_ms * 1_000_000

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        raise AssertionError("nothing is to be waited for")


@pytest.fixture
def clock(monkeypatch):
    clock = Clock()
    monkeypatch.setattr(module, "time", clock)
    return clock


@pytest.fixture
def recorder(tmp_path, clock):
    store, broker = StoreSettings("http://127.0.0.1:1"), BrokerSettings("broker.example")
    recorder = Recorder(RecorderSettings(broker, store, tmp_path / "recorder.db"))
    yield recorder
    recorder.close()


def give(recorder: Recorder, *messages: tuple[str, bytes]) -> None:
    """What came is in the journal, or a dead letter: both are acknowledged."""
    received = [Received(topic, payload, n, 1) for n, (topic, payload) in enumerate(messages, 1)]
    assert recorder._keep(received)


def sent(entry: AnyEntry, topics: Topics = VICTIM, **changed: object) -> tuple[str, bytes]:
    entry = entry.model_copy(update={"unit": topics.unit})
    topic = topics.of(entry)
    return topic, entry.model_copy(update=changed).model_dump_json(warnings=False).encode()


def lines(recorder: Recorder, topics: Topics = VICTIM) -> list[str]:
    text = recorder._journal.lines_of(recorder._journal.rows())
    return [one for one in text.split("\n") if f"unit={topics.unit}," in one]


def alone(recorder_path, entries: list[AnyEntry]) -> list[str]:
    """The lines of these entries where nobody else sends anything."""
    store, broker = StoreSettings("http://127.0.0.1:1"), BrokerSettings("broker.example")
    recorder = Recorder(RecorderSettings(broker, store, recorder_path))
    give(recorder, *(sent(entry) for entry in entries))
    found = lines(recorder)
    recorder.close()
    return found


@pytest.mark.parametrize("changed", [
    {"first_sample": 2**63}, {"first_sample": 2**53}, {"first_sample": HUGE},
    {"at_utc_ms": (HUGE,) * 5}, {"at_utc_ms": (-HUGE,) * 5}, {"at_utc_ms": (2**63,) * 5},
    {"ticks": (HUGE,) * 5}, {"ticks": (2**64,) * 5}, {"values": {"dose_mj_cm2": (HUGE,) * 5}},
], ids=lambda changed: next(iter(changed)))  # fmt: skip
def test_numbers_without_bounds_are_dead_letters(recorder, changed):
    give(recorder, sent(ps.start()), sent(ps.samples(2, 0, 5), **changed))
    give(recorder, sent(ps.samples(3, 0, 5)))
    counts = recorder.status().counts
    assert (counts.received, counts.dead_letters, counts.duplicates) == (3, 1, 0)
    assert len(lines(recorder)) == 6


@pytest.mark.parametrize("entry", [
    ps.end(2, 5).model_copy(update={"samples": HUGE}), ps.end(2, 5).model_copy(update={"gaps": -1}),
    ps.end(2, 5).model_copy(update={"events": 2**63}),
    ps.event(2).model_copy(update={"ticks": 2**64}),
    ps.start().model_copy(update={"step": "s" * 201}),
    ps.event(2).model_copy(update={"name": "n" * 201}),
    ps.event(2).model_copy(update={"id": "i" * 201}),
], ids=lambda entry: entry.kind)  # fmt: skip
def test_whatever_becomes_a_number_or_a_tag_is_bounded(recorder, entry):
    give(recorder, sent(entry))
    assert recorder.status().counts.dead_letters == 1


def test_an_id_counts_only_with_its_site_and_unit(recorder):
    """Another unit says the ids that the victim will say next."""
    run = ps.whole_run(2, 5)
    give(recorder, *(sent(entry, OTHER) for entry in run))
    give(recorder, *(sent(entry, Topics("other-site", ps.UNIT)) for entry in run))
    give(recorder, *(sent(entry) for entry in run))
    counts = recorder.status().counts
    assert (counts.received, counts.duplicates) == (21, 0)
    of_site = [one for one in lines(recorder) if f"site={ps.SITE}," in one]
    assert len(of_site) == len(lines(recorder, OTHER)) == 14
    give(recorder, *(sent(entry) for entry in run))
    assert recorder.status().counts.duplicates == 7


def ahead(block: AnyEntry, hours: float) -> dict[str, object]:
    return {"at_utc_ms": tuple(t + round(hours * HOUR_MS) for t in block.at_utc_ms)}


def test_a_time_far_ahead_waits_and_moves_nothing(recorder, clock):
    first, wild, last = ps.samples(2, 0, 5), ps.samples(3, 5, 5), ps.samples(4, 10, 5)
    give(recorder, sent(ps.start()), sent(first), sent(wild, **ahead(wild, 47.0)), sent(last))
    expected = [ps.AT_MS + 50 * i for i in (*range(5), *range(10, 15))]
    assert [int(one.rsplit(" ", 1)[1]) for one in lines(recorder)[1:]] == expected
    assert recorder.status().counts.early == 1 and "1 ahead of time" in recorder.status().text()
    give(recorder, sent(wild, **ahead(wild, 47.0)))
    assert recorder.status().counts.duplicates == 1
    clock.utc_ms += round(45.9 * HOUR_MS)
    clock.now += 100.0
    recorder._tend()
    assert recorder.status().counts.early == 1
    clock.utc_ms += round(0.2 * HOUR_MS)
    clock.now += 100.0
    recorder._tend()
    assert recorder.status().counts.early == 0
    times = [int(one.rsplit(" ", 1)[1]) for one in lines(recorder)[1:]]
    late = ps.AT_MS + 47 * HOUR_MS
    assert times == [*expected, *(late + 50 * i for i in range(5, 10))]


def test_a_time_some_minutes_ahead_moves_nothing(recorder):
    """So much two clocks may differ: it does not wait."""
    first, wild, last = ps.samples(2, 0, 5), ps.samples(3, 5, 5), ps.samples(4, 10, 5)
    give(recorder, sent(ps.start()), sent(first), sent(wild, **ahead(wild, 0.5)), sent(last))
    times = [int(one.rsplit(" ", 1)[1]) for one in lines(recorder)[1:]]
    assert times[10:] == [ps.AT_MS + 50 * i for i in range(10, 15)]
    assert times[5:10] == [ps.AT_MS + HOUR_MS // 2 + 50 * i for i in range(5, 10)]


def test_a_recorder_whose_clock_is_not_set_takes_nothing(recorder, clock):
    clock.utc_ms = 3_000_000
    assert not recorder._keep([Received(*sent(ps.start()), 1, 1)])
    assert "set the clock" in recorder.status().journal_problem
    clock.utc_ms = ps.AT_MS
    give(recorder, sent(ps.start()))
    assert len(lines(recorder)) == 1


def test_an_entry_from_before_there_were_any_goes_aside(recorder):
    give(recorder, sent(ps.start(at=ps.AT - timedelta(days=365 * 40))))
    assert recorder.status().counts.dead_letters == 1


@pytest.mark.parametrize("place", ["judge", "points_of"])
def test_any_exception_in_one_message_is_its_own_dead_letter(recorder, monkeypatch, place):
    """What nobody has thought of: the others of its batch are taken all the same."""
    from platelink.publish import recorder_journal

    home = module if place == "judge" else recorder_journal
    whole = getattr(home, place)

    def failing(*given, **more):
        if b"light_on" in given[1] if place == "judge" else given[0].kind == "event":
            raise MemoryError("x" * 5000)
        return whole(*given, **more)

    monkeypatch.setattr(home, place, failing)
    give(recorder, sent(ps.start()), sent(ps.event(2)), sent(ps.samples(3, 0, 5)))
    counts = recorder.status().counts
    assert (counts.received, counts.dead_letters) == (3, 1)
    assert len(lines(recorder)) == 6
    monkeypatch.setattr(home, place, whole)
    give(recorder, sent(ps.event(2)))  # mended, and sent again: nothing of it was remembered
    assert len(lines(recorder)) == 7


def storm(recorder: Recorder, clock: Clock, path, *, seed: int, count: int) -> None:
    """``count`` hostile messages of unit-2 among the victim's own."""
    rng = random.Random(seed)
    victim = [e for run in range(3) for e in ps.whole_run(4, 5, first=1 + 9 * run, run=f"r{run}")]
    basis = [ps.start(), ps.channels(), ps.samples(3, 0, 8), ps.event(4), ps.event(5, run=None),
             ps.end(6, 8)]  # fmt: skip
    size = 100
    given = 0
    for batch in range(0, count, size):
        messages = [message(rng.choice(basis), "unit-2", rng) for _ in range(size)]
        upto = len(victim) * (batch + size) // count
        for entry in victim[given:upto]:
            messages.insert(rng.randrange(size), sent(entry))
        # The victim's are in their order: insertions at random places would change it.
        own = iter([sent(entry) for entry in victim[given:upto]])
        messages = [next(own) if topic.startswith(VICTIM.base) else (topic, payload)
                    for topic, payload in messages]  # fmt: skip
        given = upto
        give(recorder, *messages)
        clock.now += 11.0
        clock.utc_ms += 11_000
        recorder._tend()
        for one in lines(recorder, OTHER):
            found = LINE.fullmatch(one)
            assert found, one[:300]
            values = [float(pair.partition("=")[2]) for pair in found[2].split(",")]
            assert all(math.isfinite(value) for value in values)
            assert ps.AT_MS - 10**12 <= int(found[3]) <= clock.utc_ms + 2 * HOUR_MS
        others = [r for r in recorder._journal.rows()
                  if "unit=unit-2," in recorder._journal.lines_of([r])]  # fmt: skip
        recorder._journal.confirm(others)
    assert lines(recorder) == alone(path, victim)
    counts = recorder.status().counts
    assert counts.received == count + len(victim)
    print(f"\n{count} hostile messages, seed {seed}: {counts}")


def test_hostile_messages_end_nothing_and_change_nothing(recorder, clock, tmp_path):
    storm(recorder, clock, tmp_path / "alone.db", seed=1, count=4000)


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("seed", range(10))
def test_a_hundred_thousand_hostile_messages(recorder, clock, tmp_path, seed):
    storm(recorder, clock, tmp_path / "alone.db", seed=100 + seed, count=10_000)
