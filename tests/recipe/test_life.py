"""The life of a revision."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from platelink.recipe.life import MOVES, Revision, Signed, State, present, refusal, superseded
from recipe.make import T0

TO = st.lists(st.sampled_from(State), max_size=6)


def revision(number: int, *states: State) -> Revision:
    life = tuple(Signed(state, "A. Example", "because", T0) for state in (State.DRAFT, *states))
    return Revision("r", number, "0" * 64, life)


@given(TO)
def test_only_moves_of_the_table_are_made_and_retired_is_the_end(wanted: list[State]) -> None:
    one = revision(1)
    for to in wanted:
        if refusal(one, to) is None:
            one = revision(1, *(s.state for s in one.life[1:]), to)
    path = [signed.state for signed in one.life]
    assert all(after in MOVES[before] for before, after in pairwise(path))
    assert path in (
        [State.DRAFT],
        [State.DRAFT, State.APPROVED],
        [State.DRAFT, State.RETIRED],
        [State.DRAFT, State.APPROVED, State.RETIRED],
    )


def test_a_refusal_says_who_when_and_what_to_do() -> None:
    assert refusal(revision(2, State.RETIRED), State.APPROVED) == (
        "r@2 is retired since 2026-03-02 07:00 UTC, by A. Example; a retired revision stays so: "
        "to use it again, add its content as a new revision"
    )
    assert "it cannot be approved" in (refusal(revision(2, State.APPROVED), State.APPROVED) or "")


def test_one_revision_is_the_present_one() -> None:
    retired, approved, draft = (
        revision(1, State.RETIRED),
        revision(2, State.APPROVED),
        revision(3),
    )
    assert present([retired, approved, draft]) is approved
    assert present([retired, draft]) is draft
    assert present([retired]) is retired
    assert present([]) is None
    assert superseded([retired, approved, draft], draft) == (approved,)
    assert superseded([retired, approved], approved) == ()
