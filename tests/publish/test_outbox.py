"""The outbox in virtual time: no order of answers, losses and outages loses or reorders."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.publish import services
from platelink.publish.outbox import Connect, Drop, Outbox, OutboxSettings, OutboxState


def connected(cursor: int = 0, window: int = 4, **limits: float) -> Outbox:
    box = Outbox(OutboxSettings(window=window, **limits), cursor=cursor, now=0.0)
    assert box.tick(now=0.0) == (Connect(),)
    box.connected_to_broker(20, now=0.0)
    return box


def flowing(window: int = 4) -> Outbox:
    box = connected(window=window)
    box.sent(1, now=0.0)
    assert box.acknowledged(1, now=0.0)
    return box


def test_one_entry_goes_alone_before_the_window_opens():
    box = connected(window=4)
    assert box.free() == 1
    box.sent(1, now=0.0)
    assert box.free() == 0
    assert box.acknowledged(1, now=0.1)
    assert (box.free(), box.cursor, box.state) == (4, 1, OutboxState.FLOWING)


def test_window_is_never_larger_than_the_broker_allows():
    box = Outbox(OutboxSettings(window=16), cursor=0, now=0.0)
    box.tick(now=0.0)
    box.connected_to_broker(3, now=0.0)
    box.sent(1, now=0.0)
    box.acknowledged(1, now=0.0)
    assert box.free() == 3


def test_cursor_waits_for_the_first_missing_acknowledgement():
    box = flowing()
    for number in (2, 3, 5):  # numbers of a journal may have holes
        box.sent(number, now=0.0)
    assert not box.acknowledged(3, now=0.1)
    assert not box.acknowledged(5, now=0.1)
    assert box.cursor == 1
    assert box.acknowledged(2, now=0.2)
    assert (box.cursor, box.in_flight, box.delivered) == (5, 0, 4)


def test_after_a_loss_sending_begins_again_right_after_the_cursor():
    box = flowing()
    box.sent(2, now=0.0)
    box.sent(3, now=0.0)
    box.acknowledged(3, now=0.1)
    box.lost("connection lost: broken pipe", now=0.2)
    assert (box.sent_to(), box.in_flight, box.free()) == (0, 0, 0)
    assert box.reason == "connection lost: broken pipe"
    assert not box.acknowledged(2, now=0.3)  # of the old connection


def test_what_was_acknowledged_just_before_a_loss_is_sent_again():
    box = flowing()
    box.sent(2, now=4.0)
    assert box.acknowledged(2, now=4.0)
    box.sent(3, now=9.0)
    assert box.acknowledged(3, now=9.0)
    assert (box.cursor, box.sure) == (3, 1)
    box.lost("connection lost: killed", now=13.0)
    assert (box.cursor, box.sent_to()) == (1, 1)
    box.lost("once is enough", now=14.0)
    assert box.cursor == 1


def test_a_loss_that_is_noticed_late_still_takes_back_what_the_broker_may_have_lost():
    """The broker died right after its last answer; a silent line tells it a minute later."""
    box = flowing()
    box.sent(2, now=4.0)
    assert box.acknowledged(2, now=4.0)
    box.lost("no answer", now=4.0 + 60.0)
    assert box.sent_to() == 0


def test_what_every_recorder_has_held_for_some_time_is_not_sent_again():
    """A broker that is lost every few seconds: what is new gets through all the same."""
    box, number, now = Outbox(OutboxSettings(window=4), cursor=0, now=0.0), 0, 0.0
    sent: list[int] = []
    for _ in range(20):
        now += 1.0
        box.tick(now=now)
        box.connected_to_broker(20, now=now)
        box.held(box.cursor if not sent else max(sent), now=now)
        for _ in range(4):
            number = box.sent_to() + 1
            box.sent(number, now=now)
            assert box.acknowledged(number, now=now)
            sent.append(number)
        box.lost("killed", now=now + 0.5)
        now += 0.5 + 30.0 * (not sent)
    assert max(sent) >= 12  # four, for ever, without it
    assert sorted(set(sent)) == list(range(1, max(sent) + 1))
    box.held(10**9, now=now)
    assert box.sure <= box.cursor  # it never goes past what the broker has acknowledged


def test_what_recorders_have_only_just_held_is_sent_again():
    box = flowing()
    box.held(1, now=0.1)
    box.lost("killed", now=0.2)
    assert box.sent_to() == 0


def test_what_is_sent_again_covers_what_the_shipped_broker_has_not_saved():
    """It reckons the interval in whole seconds, and a save may be killed before its end."""
    shipped = services.broker_configuration(1, Path("data"))
    interval_s = float(re.search(r"^autosave_interval (\d+)$", shipped, re.M)[1])
    assert OutboxSettings().again_s >= 2 * (interval_s + 1)


def test_late_or_unknown_answers_change_nothing():
    box = flowing()
    assert not box.acknowledged(1, now=0.1)
    assert not box.acknowledged(99, now=0.1)
    box.undelivered(99, "nobody", now=0.1)
    assert (box.state, box.cursor) == (OutboxState.FLOWING, 1)


def test_nobody_subscribed_holds_and_probes_with_the_same_entry():
    box = connected(retry_first_s=0.5)
    box.sent(1, now=0.0)
    box.undelivered(1, "no subscriber", now=0.1)
    assert (box.state, box.free(), box.reason) == (OutboxState.HELD, 0, "no subscriber")
    assert box.tick(now=0.5) == () and box.free() == 0
    assert box.tick(now=0.6) == ()
    assert (box.state, box.free(), box.sent_to()) == (OutboxState.PROBING, 1, 0)
    box.sent(1, now=0.6)
    assert box.acknowledged(1, now=0.7)
    assert box.reason == ""


def next_try(box: Outbox, now: float) -> float:
    """When it asks for a connection, to half a second."""
    while box.tick(now=now) != (Connect(),):
        now += 0.5
    return now


def test_broker_away_for_an_hour_is_asked_with_growing_then_capped_pauses():
    box = Outbox(OutboxSettings(retry_first_s=0.5, retry_cap_s=30.0), cursor=7, now=0.0)
    now, tries = 0.0, []
    while now < 3600.0:
        tries.append(now := next_try(box, now))
        box.lost("connection refused", now=now)
    pauses = [b - a for a, b in itertools.pairwise(tries)]
    assert pauses[:7] == pytest.approx([0.5, 1, 2, 4, 8, 16, 30])
    assert set(pauses[7:]) == {30.0}
    now = next_try(box, now)
    box.connected_to_broker(20, now=now)
    box.sent(8, now=now)
    assert box.acknowledged(8, now=now)
    box.lost("connection lost", now=now)
    assert next_try(box, now) == now + 0.5  # the pauses begin anew


def test_silent_broker_is_left_at_the_limit_and_not_before():
    box = connected(acknowledge_limit_s=20.0)
    box.sent(1, now=5.0)
    assert box.tick(now=24.999) == ()
    (drop,) = box.tick(now=25.0)
    assert isinstance(drop, Drop)
    assert "20.0 s (limit 20 s) with 1 in flight" in drop.reason
    assert (box.state, box.sent_to()) == (OutboxState.WAITING, 0)


def test_connection_request_without_an_answer_is_given_up():
    box = Outbox(OutboxSettings(connect_limit_s=10.0), cursor=0, now=0.0)
    assert box.tick(now=0.0) == (Connect(),)
    assert box.tick(now=9.9) == ()
    assert box.tick(now=10.0) == (Drop("no answer to the connection request for 10 s"),)


def test_tick_early_or_twice_changes_nothing():
    box = Outbox(OutboxSettings(), cursor=0, now=5.0)
    assert box.tick(now=4.0) == ()
    assert box.tick(now=5.0) == (Connect(),)
    assert box.tick(now=5.0) == ()


def test_sending_out_of_turn_is_a_programmer_error():
    box = connected()
    with pytest.raises(ValueError, match="room"):
        box.sent(0, now=0.0)
    box.sent(1, now=0.0)
    with pytest.raises(ValueError, match="room 0"):
        box.sent(2, now=0.0)


class FakeBroker:
    """Takes what is sent over an unsure wire; keeps what it took, as a subscriber would see it."""

    def __init__(self) -> None:
        self.taken: list[int] = []
        self.answers: list[tuple[int, bool]] = []
        self.subscribed = True


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("send"), st.integers(1, 9)),
        st.tuples(st.just("answer"), st.integers(0, 20)),  # any order of answers
        st.tuples(st.just("repeat"), st.integers(0, 20)),  # an answer twice
        st.tuples(st.just("swallow"), st.integers(1, 5)),  # sent, then the wire breaks first
        st.tuples(st.just("lose"), st.integers(0, 0)),
        st.tuples(st.sampled_from(["subscribe", "unsubscribe"]), st.integers(0, 0)),
        st.tuples(st.just("wait"), st.integers(1, 60)),
        st.tuples(st.just("restart"), st.integers(0, 3)),  # process killed, cursor file lags
    ),
    max_size=60,
)


@settings(max_examples=300, deadline=None)
@given(steps=STEPS, total=st.integers(0, 60))
def test_any_order_of_answers_and_losses_loses_and_reorders_nothing(steps, total):
    journal = [2 * n + 1 for n in range(total)]  # with holes
    broker = FakeBroker()
    cursors = [0]
    now = 0.0
    box = Outbox(OutboxSettings(), cursor=0, now=now)

    def send(count: int, *, arrives: bool) -> None:
        for _ in range(min(count, box.free())):
            rest = [n for n in journal if n > box.sent_to()]
            if not rest:
                return
            box.sent(rest[0], now=now)
            if arrives and broker.subscribed:
                broker.taken.append(rest[0])
            if arrives:
                broker.answers.append((rest[0], broker.subscribed))

    def answer(place: int, *, keep: bool) -> None:
        if not broker.answers or not box.connected:
            return
        index = place % len(broker.answers)
        number, delivered = broker.answers[index] if keep else broker.answers.pop(index)
        if delivered:
            box.acknowledged(number, now=now)
        else:
            box.undelivered(number, "nobody", now=now)

    def work() -> None:
        for action in box.tick(now=now):
            broker.answers.clear()
            if isinstance(action, Connect):
                box.connected_to_broker(20, now=now)

    for kind, value in steps:
        work()
        match kind:
            case "send":
                send(value, arrives=True)
            case "answer":
                answer(value, keep=False)
            case "repeat":
                answer(value, keep=True)
            case "swallow":
                send(value, arrives=False)
                box.lost("wire cut", now=now)
                broker.answers.clear()
            case "lose":
                box.lost("wire cut", now=now)
                broker.answers.clear()
            case "subscribe":
                broker.subscribed = True
            case "unsubscribe":  # the broker's disk was wiped, say: the connection goes with it
                broker.subscribed = False
                box.lost("broker reset", now=now)
                broker.answers.clear()
            case "wait":
                now += value
            case "restart":
                saved = cursors[max(0, len(cursors) - 1 - value)]  # of the sure ones
                box = Outbox(OutboxSettings(), cursor=saved, now=now)
                broker.answers.clear()
        cursors.append(box.sure)
        # The cursor passes only what a subscriber has, all of it.
        assert {n for n in journal if n <= box.cursor} <= set(broker.taken)

    broker.subscribed = True
    for _ in range(20 * (total + 2)):  # then everything works again: it must come to an end
        work()
        send(99, arrives=True)
        while broker.answers and box.connected:
            answer(0, keep=False)
        if not journal or box.cursor == journal[-1]:
            break
        now += 1.0
    assert list(dict.fromkeys(broker.taken)) == journal


def test_a_backlog_goes_out_at_its_pace_and_what_is_new_at_once() -> None:
    box = connected(window=16)
    assert box.pace(now=0.0) == 16  # nothing is known of a backlog
    box.pending = 1001
    sent, now = 0, 0.0
    while now < 10.0:
        while min(box.free(), box.pace(now=now)) > 0:
            sent += 1
            box.sent(sent, now=now)
            box.acknowledged(sent, now=now)
        now += 0.003
    assert sent == pytest.approx(5000, abs=60)
    assert box.pace(now=1000.0) == 50  # no more after a pause
    box.pending = 1000
    assert box.pace(now=1000.0) == 16
