"""Who may be connected: nobody who does something is kept out by those who do nothing."""

from __future__ import annotations

import random
from collections import Counter

from platelink.serving.seats import Seat, Seats


def full(most: int = 4, guests: str = "aaab") -> tuple[Seats, list[Seat], list[Seat]]:
    """Seats that are taken, the seats, and those that were closed since."""
    seats, closed = Seats(most), []
    taken = [seats.take(guest) for guest in guests]
    for seat in taken:
        assert seat is not None
        seat.close = lambda seat=seat: closed.append(seat)
    return seats, taken, closed


def test_whoever_comes_has_the_oldest_seat_of_who_has_the_most() -> None:
    seats, taken, closed = full()
    assert seats.take("b") is not None
    assert closed == [taken[0]] and len(seats) == 4
    taken[1].kept = True
    assert seats.take("c") is not None
    assert closed == [taken[0], taken[2]]


def test_a_seat_on_which_something_is_done_is_kept() -> None:
    seats, taken, closed = full()
    for seat in taken:
        seat.kept = True
    assert seats.take("c") is None and closed == []
    taken[3].kept = False
    assert seats.take("c") is not None
    assert closed == [taken[3]]


def test_a_seat_that_was_left_is_free_and_left_once() -> None:
    seats, taken, closed = full()
    seats.leave(taken[0])
    seats.leave(taken[0])
    assert (len(seats), seats.of("a")) == (3, 2)
    assert seats.take("z") is not None
    assert closed == []


def test_one_who_comes_is_never_turned_away_by_a_crowd_that_says_nothing() -> None:
    """Any order of coming, asking, being answered and leaving, from seeds."""
    for seed in range(200):
        chance = random.Random(seed)
        seats, here = Seats(8), []
        for _ in range(200):
            match chance.randrange(4):
                case 0 if here:
                    seats.leave(here.pop(chance.randrange(len(here))))
                case 1 if here and sum(seat.kept for seat in here) < 7:
                    chance.choice(here).kept = True
                case 2 if here:
                    chance.choice(here).kept = False
                case _:
                    seat = seats.take(chance.choice("abc"))
                    assert seat is not None  # fewer than all are kept
                    seat.close = lambda seat=seat, here=here: here.remove(seat)
                    here.append(seat)
            assert len(seats) == len(here) <= 8
            assert Counter(s.guest for s in here) == {
                g: seats.of(g) for g in {s.guest for s in here}
            }
