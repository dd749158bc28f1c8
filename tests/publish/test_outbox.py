"""The outbox in virtual time: no order of answers, losses and outages loses or reorders."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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
    assert box.room() == 1
    box.sent(1, now=0.0)
    assert box.room() == 0
    assert box.acknowledged(1, now=0.1)
    assert (box.room(), box.cursor, box.state) == (4, 1, OutboxState.FLOWING)


def test_window_is_never_larger_than_the_broker_allows():
    box = Outbox(OutboxSettings(window=16), cursor=0, now=0.0)
    box.tick(now=0.0)
    box.connected_to_broker(3, now=0.0)
    box.sent(1, now=0.0)
    box.acknowledged(1, now=0.0)
    assert box.room() == 3


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
    late = OutboxSettings().again_s + 0.1
    box.lost("connection lost: broken pipe", now=late)
    assert (box.sent_to(), box.in_flight, box.room()) == (1, 0, 0)
    assert box.reason == "connection lost: broken pipe"
    assert not box.acknowledged(2, now=late + 0.1)  # of the old connection


def test_what_was_acknowledged_just_before_a_loss_is_sent_again():
    box = flowing()
    box.sent(2, now=4.0)
    assert box.acknowledged(2, now=4.0)
    box.sent(3, now=8.0)
    assert box.acknowledged(3, now=8.0)
    assert box.cursor == 3
    box.lost("connection lost: killed", now=8.0 + OutboxSettings().again_s)
    assert (box.cursor, box.sent_to()) == (2, 2)
    box.lost("once is enough", now=9.0)
    assert box.cursor == 2


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
    assert (box.state, box.room(), box.reason) == (OutboxState.HELD, 0, "no subscriber")
    assert box.next_deadline() == pytest.approx(0.6)
    assert box.tick(now=0.5) == () and box.room() == 0
    assert box.tick(now=0.6) == ()
    assert (box.state, box.room(), box.sent_to()) == (OutboxState.PROBING, 1, 0)
    box.sent(1, now=0.6)
    assert box.acknowledged(1, now=0.7)
    assert box.reason == ""


def test_broker_away_for_an_hour_is_asked_with_growing_then_capped_pauses():
    box = Outbox(OutboxSettings(retry_first_s=0.5, retry_cap_s=30.0), cursor=7, now=0.0)
    now, tries = 0.0, []
    while now < 3600.0:
        assert box.tick(now=now) == (Connect(),)
        tries.append(now)
        box.lost("connection refused", now=now)
        deadline = box.next_deadline()
        assert deadline is not None
        now = deadline
    pauses = [b - a for a, b in itertools.pairwise(tries)]
    assert pauses[:7] == pytest.approx([0.5, 1, 2, 4, 8, 16, 30])
    assert set(pauses[7:]) == {30.0}
    assert box.tick(now=now) == (Connect(),)
    box.connected_to_broker(20, now=now)
    box.sent(8, now=now)
    assert box.acknowledged(8, now=now)
    box.lost("connection lost", now=now)
    assert box.next_deadline() == now + 0.5  # the pauses begin anew


def test_silent_broker_is_left_at_the_limit_and_not_before():
    box = connected(acknowledge_limit_s=20.0)
    box.sent(1, now=5.0)
    assert box.next_deadline() == 25.0
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
        for _ in range(min(count, box.room())):
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
                saved = cursors[max(0, len(cursors) - 1 - value)]
                box = Outbox(OutboxSettings(), cursor=saved, now=now)
                broker.answers.clear()
        cursors.append(box.cursor)
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
