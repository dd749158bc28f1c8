"""The keeper: acknowledged means on disk; units hear what is here; no message ends it."""

from __future__ import annotations

import json
import random
import time
from pathlib import Path

import pytest
from fleet.fleet_copies import SITE, UNIT, contents, published, unit_journal
from fleet.fleet_links import Script, Scripted
from publish import hostile
from publish import publish_samples as ps

from platelink.fleet.copies import Copies, files_of
from platelink.fleet.intake import Good, judge
from platelink.fleet.keep import Keeper, KeepSettings, KeepStatus
from platelink.fleet.opened import seal_text
from platelink.publish import links, teller
from platelink.publish.broker import Acknowledged, BrokerSettings, ConnectionLost, Received
from platelink.publish.messages import HeldEntries
from platelink.publish.repair import Held, Repair
from platelink.publish.topics import Topics
from platelink.record.errors import JournalFull
from platelink.runs import AnyEntry

TOPICS = Topics(SITE, UNIT)


def message(entry: AnyEntry, mid: int) -> Received:
    return Received(TOPICS.of(entry), entry.model_dump_json().encode(), mid, 1)


@pytest.fixture
def entries(tmp_path: Path) -> list[AnyEntry]:
    return published(unit_journal(tmp_path / "journal.sqlite"))


def keeper(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: Script) -> Keeper:
    monkeypatch.setattr(links, "link_to", script)
    return Keeper(KeepSettings(BrokerSettings("broker.example"), tmp_path / "fleet", "a1"))


def held_of(link: Scripted) -> HeldEntries:
    topic, payload = link.published[-1]
    assert topic == TOPICS.held("fleet-a1")
    return HeldEntries.model_validate_json(payload)


def test_what_is_acknowledged_is_kept_and_units_hear_of_it(
    entries: list[AnyEntry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    messages = [message(entry, n) for n, entry in enumerate(entries)]
    lost = messages.pop(10)
    script = Script(messages)
    worker = keeper(tmp_path, monkeypatch, script)
    worker.step()
    (link,) = script.made
    assert "platelink/v1/+/+/run/+/+" in link.filters and not any(
        "$share" in f for f in link.filters
    )
    while link.events:
        worker.step()
    assert link.acknowledged == messages
    assert worker.status().received == len(messages) and worker.status().problem == ""
    worker._teller._told_at = float("-inf")  # five seconds later
    worker._teller.took([(SITE, UNIT)])
    worker.step()
    held = held_of(link)
    assert (held.recorder, held.group) == ("fleet-a1", None)
    ((journal, ranges),) = held.journals.items()
    assert ranges == ((1, 10), (12, len(entries)))
    # the unit's publisher sends that one again
    repair = Repair(now=0.0)
    repair.heard(held.recorder, Held(held.group, ranges))
    for now in (10.0, 20.0):
        repair.tick(len(entries), now=now)
    assert repair.next() == 11
    link.events.append(lost)
    worker.step()
    worker.close()
    (path,) = files_of(tmp_path / "fleet", SITE, UNIT)
    assert contents(path)["entries"] == entries and journal == path.stem


def test_what_the_disk_does_not_take_is_not_acknowledged(
    entries: list[AnyEntry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = Script([message(entries[0], 1)], [message(entries[0], 1)])
    worker = keeper(tmp_path, monkeypatch, script)
    plain = Copies.take

    def full(self: Copies, messages: list[Good]) -> object:
        raise JournalFull("no space left")

    monkeypatch.setattr(Copies, "take", full)
    worker.step()
    worker.step()
    (link,) = script.made
    assert link.acknowledged == [] and link.closed
    assert "no space left" in worker.status().problem and not worker.status().connected
    monkeypatch.setattr(Copies, "take", plain)
    while len(script.made) < 2 or not script.made[1].acknowledged:
        worker.step()
    assert worker.status().problem == ""
    worker.close()


def test_a_broker_that_forbids_the_list_is_not_asked_again_and_again(
    entries: list[AnyEntry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = Script([message(entries[0], 1), Acknowledged(1, 0x87, "Not authorized")])
    worker = keeper(tmp_path, monkeypatch, script)
    for _ in range(5):
        worker.step()
    assert "right to write platelink/v1/+/+/held/+" in worker.status().problem
    assert len(script.made[0].acknowledged) == 1
    worker.close()


def test_a_list_that_reached_nobody_is_said_again(
    entries: list[AnyEntry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cluster without a leader for a while forbids nothing."""
    monkeypatch.setattr(teller, "TELL_S", 0.0)
    script = Script([message(entries[0], 1), Acknowledged(1, 0x88, "timeout")])
    worker = keeper(tmp_path, monkeypatch, script)
    for _ in range(5):
        worker.step()
    assert worker.status().problem == ""
    assert [topic for topic, _ in script.made[0].published] == 2 * [TOPICS.held("fleet-a1")]
    worker.close()


def test_a_lost_connection_is_made_again(
    entries: list[AnyEntry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = Script([ConnectionLost("killed")], [message(entries[0], 1)])
    worker = keeper(tmp_path, monkeypatch, script)
    deadline = time.monotonic() + 60.0
    while len(script.made) < 2 or not script.made[1].acknowledged:
        assert time.monotonic() < deadline
        worker.step()
    assert script.made[0].client_id == script.made[1].client_id  # the same session
    worker.close()


def test_the_head_of_the_log_of_seals_is_kept_and_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    note = b"platelink/invented-shop/unit-1/0a1b2c3d\n42\nAAAA\n"
    script = Script([
        Received(TOPICS.checkpoint, note, 1, 1), Received(TOPICS.checkpoint, b"", 2, 1),
        Received("platelink/v1/../x/checkpoint", note, 3, 1),
    ])  # fmt: skip
    worker = keeper(tmp_path, monkeypatch, script)
    for _ in range(5):
        worker.step()
    assert len(script.made[0].acknowledged) == 3
    assert "had 42 leaves" in seal_text(tmp_path / "fleet", (SITE, UNIT))
    assert sorted(p.name for p in tmp_path.rglob("checkpoint")) == ["checkpoint"]
    other = seal_text(tmp_path / "fleet", (SITE, "unit-2"))
    assert other.startswith("not compared") and "leaves" not in other
    worker.close()


# --- hostile ----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_no_message_ends_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """1,500 messages changed at random, by a seed; an honest unit's are all kept between them."""
    rng = random.Random(seed)
    run = ps.whole_run(3, 5)
    mixed: list[Received] = []
    for n in range(1500):
        topic, payload = hostile.message(rng.choice(run), "hostile", rng)
        mixed.append(Received(topic, payload, n, 1))
    honest = [Received(Topics(ps.SITE, ps.UNIT).of(e), e.model_dump_json().encode(), 9000 + n, 1)
              for n, e in enumerate(run)]  # fmt: skip
    for one in honest:
        mixed.insert(rng.randrange(len(mixed)), one)
    script = Script([])
    worker = keeper(tmp_path, monkeypatch, script)
    worker.step()
    (link,) = script.made
    monkeypatch.setattr(
        link, "poll",
        lambda _: [link.events.popleft() for _ in range(min(100, len(link.events)))],
    )  # fmt: skip
    link.events.extend(mixed)
    while link.events:
        worker.step()
    worker.close()
    assert len(link.acknowledged) == len(mixed)
    (path,) = files_of(tmp_path / "fleet", ps.SITE, ps.UNIT)
    kept = contents(path)["entries"]
    assert sorted(kept, key=lambda e: e.id) == sorted(run, key=lambda e: e.id)
    outside = [p for p in tmp_path.rglob("*") if p.is_file() and "fleet" not in p.parts]
    assert outside == []


@pytest.mark.parametrize(("change", "why"), [
    ({"id": "j-0"}, "no number of a journal"), ({"id": "../../x-3"}, "no number of a journal"),
    ({"id": "a b-3"}, "no number of a journal"), ({"id": "j"}, "no number of a journal"),
    ({"unit": "unit-9"}, "says unit"), ({"at_utc": "1960-01-01T00:00:00Z"}, "cannot be"),
    ({"at_utc": "9999-12-31T23:59:59Z"}, "cannot be"),
    ({"at_utc": "0001-01-01T00:00:00Z"}, "cannot be"),
    ({"format": 2}, "no entry"),
])  # fmt: skip
def test_what_is_no_entry_is_refused_with_the_reason(change: dict[str, object], why: str) -> None:
    entry = ps.event(3, run=None)
    topic = Topics(ps.SITE, ps.UNIT).of(entry)
    told = json.loads(entry.model_dump_json())
    judged = judge(topic, json.dumps(told | change).encode())
    assert isinstance(judged, str) and why in judged
    assert isinstance(judge(topic, json.dumps(told | {"more": 1}).encode()), Good)


def test_times_are_taken_as_they_are() -> None:
    """A recorder refuses them; a copy repeats what the unit wrote."""
    entry = ps.event(3, run=None).model_copy(update={"at_utc": ps.AT.replace(year=2999)})
    assert isinstance(
        judge(Topics(ps.SITE, ps.UNIT).of(entry), entry.model_dump_json().encode()), Good
    )


def test_its_status_counts_in_words_and_tells_what_is_the_matter_in_lines_of_their_own() -> None:
    said = KeepStatus(True, 1, 1, 0, "", "").text()
    assert said == "connected; 1 unit, 1 message received, 0 of them refused"
    told = KeepStatus(False, 2, 0, 0, "", "no broker").text().splitlines()
    assert told == ["not connected; 2 units, 0 messages received, 0 of them refused",
                    "problem: no broker"]  # fmt: skip
