"""A unit takes what the shop sent, or refuses it: all of it or nothing, and says which and why.

Asked by the daemon's thread for what the broker has, and by ``platelink shop take`` for a file.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from platelink.calibrations.store import CalibrationStore
from platelink.distribution.calibrations import Fits, take_calibrations
from platelink.distribution.decide import Place, Taken, decided, target_of
from platelink.distribution.model import Distribution, People, Recipes, called
from platelink.distribution.people import take_sent_people
from platelink.distribution.recipes import take_recipes
from platelink.distribution.signed import Opened, opened
from platelink.distribution.taken import RefusedNow, State, TakenFile, TakenNow
from platelink.distribution.wrong import NotTaken
from platelink.evidence.keys import Verifier
from platelink.ledger.by import By
from platelink.ledger.errors import StoreError
from platelink.people.store import People as PeopleStore
from platelink.recipe.store import RecipeStore

NOTED_EVERY: Final = timedelta(minutes=1)
"""Refusals from one place become no more lines of the record: whoever may write to a broker must
not fill it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a unit knows of itself and of the shop."""

    place: Place
    keys: tuple[Verifier, ...]
    people_key: Callable[[], bytes | None]
    """Read when it is wanted; ``NotTaken`` says what is wrong with its file."""
    recipes: Path
    people: Path
    calibrations: Path
    fits: Fits


class Outcome(NamedTuple):
    """What became of it."""

    text: str
    taken: bool
    """False: refused. True, too, for what was taken before."""
    lines: tuple[str, ...] = ()
    """What is otherwise now."""


class Acceptor:
    """See the file's first lines. Any process; ``now_utc`` is the computer's clock."""

    def __init__(
        self, settings: Settings, file: TakenFile, now_utc: Callable[[], datetime]
    ) -> None:
        self._settings, self._file, self._now = settings, file, now_utc

    def take(self, source: str, data: bytes, *, lasts: bool = True) -> Outcome:
        """What came from a place, a topic or a file. Where it ``lasts``, as under a topic, it is
        shown that it is refused until something of that place is taken."""
        try:
            with self._file.locked():
                state = self._file.load()
                outcome, after = self._taken(state, source, data, lasts)
                if not lasts:
                    after = _no_more(after, source)
                if after != state:
                    self._file.save(after)
                return outcome
        except NotTaken as error:  # of the state's own file
            return Outcome(str(error), taken=False)
        except OSError as error:
            text = f"{self._file.path} cannot be written ({error.strerror}): nothing is taken"
            return Outcome(text, taken=False)

    def _taken(self, state: State, source: str, data: bytes, lasts: bool) -> tuple[Outcome, State]:
        what, found = source, None
        try:
            found = opened(data, self._settings.keys)
            what = called(found.one.kind, found.one.revision)
            skipped = decided(
                found, self._settings.place, _taken_now(state), state.seen, now_utc=self._now()
            )
            if skipped is None:
                return _known(state, found, what, lasts), _no_more(state, source)
            lines = self._apply(found)
        except (NotTaken, StoreError) as error:
            return self._refused(state, source, f"{what} was refused: {error}", found)
        return self._accepted(state, source, found, skipped, lines)

    def _accepted(
        self, state: State, source: str, found: Opened, skipped: Sequence[int],
        lines: tuple[str, ...],
    ) -> tuple[Outcome, State]:  # fmt: skip
        one, now = found.one, self._now()
        text = f"{called(one.kind, one.revision)} was taken: {'; '.join(lines) or 'nothing new'}"
        if skipped:
            numbers = ", ".join(map(str, skipped))
            text += f". Skipped: {numbers}, which never came here; this one is whole without them"
        text = text if len(text) <= 1000 else f"{text[:990]} ..."
        taken = TakenNow(
            revision=one.revision, sha256=found.sha256, key=found.key.text, at_utc=now,
            changed=len(lines),
        )  # fmt: skip
        after = _no_more(state, source).model_copy(update={
            "taken": state.taken | {one.kind: taken},
            "seen": state.seen | {target_of(one): found.sha256},
        })  # fmt: skip
        return Outcome(text, taken=True, lines=lines), after.with_note(
            text, now, taken=True, kind=one.kind, revision=one.revision, key=found.key.text
        )

    def _refused(
        self, state: State, source: str, text: str, found: Opened | None
    ) -> tuple[Outcome, State]:
        before, now = state.refused.get(source), self._now()
        outcome = Outcome(text, taken=False)
        if before is not None and before.text == text:
            return outcome, state
        # A clock that was set back must not silence what is refused.
        quiet = before is not None and timedelta(0) <= now - before.noted_utc < NOTED_EVERY
        noted = before.noted_utc if quiet and before is not None else now
        refused = RefusedNow(text=text, since_utc=now, noted_utc=noted)
        after = state.model_copy(update={"refused": state.refused | {source: refused}})
        if not quiet:
            if found is None:
                return outcome, after.with_note(text, now, taken=False)
            one, key = found.one, found.key.text
            after = after.with_note(
                text, now, taken=False, kind=one.kind, revision=one.revision, key=key
            )
        return outcome, after

    def _apply(self, found: Opened) -> tuple[str, ...]:
        one, settings = found.one, self._settings
        by = By(f"shop: {one.by}", self._now(), _why(one, found.key))
        if isinstance(one, Recipes):
            with RecipeStore.open(settings.recipes) as recipes:
                return take_recipes(recipes, one, by)
        if isinstance(one, People):
            with PeopleStore.open(settings.people) as people:
                return take_sent_people(people, one, by, settings.people_key())
        with CalibrationStore.open(settings.calibrations) as calibrations:
            return take_calibrations(calibrations, one, by, settings.fits, today=self._now().date())


def _known(state: State, found: Opened, what: str, lasts: bool) -> Outcome:
    """Of one that was taken before: a broker sends it again and means nothing by it, but who
    carries it here wants it to hold."""
    newest = state.taken[found.one.kind]
    if newest.sha256 == found.sha256:
        return Outcome(f"{what} holds here already", taken=True)
    text = (
        f"{what} was taken here before and does not hold now: revision {newest.revision} does, "
        f"since {newest.at_utc:%Y-%m-%d %H:%M} UTC. Nothing was changed; to go back, send the old "
        "content as a new revision"
    )
    return Outcome(text, taken=lasts)


def _why(one: Distribution, key: Verifier) -> str:
    return f"{one.why} ({called(one.kind, one.revision)}, key {key.id.hex()})"


def _taken_now(state: State) -> dict[str, Taken]:
    return {
        kind: Taken(revision=one.revision, sha256=one.sha256, key=one.key, at_utc=one.at_utc)
        for kind, one in state.taken.items()
    }


def _no_more(state: State, source: str) -> State:
    """Nothing of this place is refused at present."""
    before = state.refused.get(source)
    if before is None or not before.text:
        return state
    after = before.model_copy(update={"text": ""})
    return state.model_copy(update={"refused": state.refused | {source: after}})
