"""What differs between two recipes, step by step, in words and units. Pure.

Steps, stages, points and checks are known by their names, so that one that moved is told as moved
and not as another. Nothing is told exactly when both have the same content.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from pydantic.fields import FieldInfo

from platelink.contract.words import ChangeKind
from platelink.forms.keys import Section
from platelink.forms.walk import typed_of, unit_of
from platelink.forms.write import typed
from platelink.recipe.model import Recipe
from platelink.units import TEMPERATURE

_SUFFIXES = ("_kpa_per_min", "_kj_mol", "_mj_cm2", "_mw_cm2", "_kpa", "_pct", "_um", "_c", "_s")


class Change(NamedTuple):
    """One difference."""

    step: str
    """Name of the step in the newer recipe, or in the older one if it is gone; empty for the recipe
    as a whole."""
    kind: ChangeKind
    text: str

    def __str__(self) -> str:
        return f"step {self.step}: {self.text}" if self.step else self.text


def diff(old: Recipe, new: Recipe) -> tuple[Change, ...]:
    """Every difference, in the order of the newer recipe; what is gone comes first."""
    whole = tuple(Change("", "changed", text) for text in _changed(old, new, leave={"step"}))
    return (*whole, *(Change(name, kind, text) for name, kind, text in _listed(old.step, new.step)))


def facts(section: Section) -> Iterator[tuple[str, str]]:
    """(what it is, value) of every value that is set, without name and kind."""
    for name, field in type(section).model_fields.items():
        value = getattr(section, name)
        if name in ("name", "kind") or value is None or value == ():
            continue
        if isinstance(value, Section):
            yield from ((f"{_label(name)} {label}", text) for label, text in facts(value))
        elif isinstance(value, tuple) and isinstance(value[0], Section):
            for one in value:
                inner = ", ".join(f"{label} {text}" for label, text in facts(one))
                yield f"{_label(name)} {one.name}", inner
        else:
            yield _label(name), _shown(field, value)


def _listed(
    old: Sequence[Section], new: Sequence[Section]
) -> Iterator[tuple[str, ChangeKind, str]]:
    """(name, kind, text) of the differences of two lists of named sections."""
    pairs = _pairs(old, new)
    kept_old, kept_new = {i for i, _ in pairs}, {j for _, j in pairs}
    for i, one in enumerate(old):
        if i not in kept_old:
            yield _name(one), "removed", f"removed ({_summary(one)})"
    moved = {j for _, j in pairs} - set(_rising([j for _, j in pairs]))
    before = {j: i for i, j in pairs}
    for j, one in enumerate(new):
        where = f"after {_name(new[j - 1])}" if j else "at the beginning"
        if j not in kept_new:
            yield _name(one), "added", f"added {where} ({_summary(one)})"
            continue
        was = old[before[j]]
        if _name(was) != _name(one):
            yield _name(one), "renamed", f"was named {_name(was)}"
        if j in moved:
            yield _name(one), "moved", f"moved, now {where}"
        for text in _changed(was, one, leave={"name"}):
            yield _name(one), "changed", text


def _pairs(old: Sequence[Section], new: Sequence[Section]) -> list[tuple[int, int]]:
    """Indices of what is the same entry in both, in the order of ``old``: of one name and kind, or
    else alike in everything but the name."""
    places = {(_name(one), type(one)): j for j, one in enumerate(new)}
    keys = [(_name(one), type(one)) for one in old]
    pairs = {i: places[key] for i, key in enumerate(keys) if key in places}
    free = [j for j in range(len(new)) if j not in set(pairs.values())]
    for i, one in enumerate(old):
        if i not in pairs:
            like = next((j for j in free if _but_name(new[j]) == _but_name(one)), None)
            if like is not None:
                pairs[i] = like
                free.remove(like)
    return sorted(pairs.items())


def _rising(places: Sequence[int]) -> list[int]:
    """The longest run of places that keeps its order: the others have moved."""
    best: list[list[int]] = []
    for place in places:
        longest = max((run for run in best if run[-1] < place), key=len, default=[])
        best.append([*longest, place])
    return max(best, key=len, default=[])


def _changed(old: Section, new: Section, *, leave: set[str]) -> Iterator[str]:
    """Texts of the keys that differ between two sections of one kind."""
    for name, field in type(new).model_fields.items():
        was, now = getattr(old, name), getattr(new, name)
        if name in leave or was == now:
            continue
        label = _label(name)
        if isinstance(was, Section) and isinstance(now, Section):
            yield from (f"{label} {text}" for text in _changed(was, now, leave=set()))
        elif _sections(was) or _sections(now):
            yield from (f"{label} {one}: {text}" for one, _, text in _listed(was, now))
        else:
            share = _share(field, was, now)
            yield f"{label} {_shown(field, was)} → {_shown(field, now)}{share}"


def _sections(value: object) -> bool:
    return isinstance(value, tuple) and any(isinstance(one, Section) for one in value)


def _share(field: FieldInfo, was: Any, now: Any) -> str:
    """How much more or less, where a share has a meaning."""
    quantity = typed_of(field)
    if quantity is None or quantity.quantity is TEMPERATURE or not was or now is None:
        return ""
    return f" ({100.0 * (now / was - 1.0):+.3g} %)"


def _shown(field: FieldInfo, value: Any) -> str:
    quantity = typed_of(field)
    if value is None:
        return "none"
    if isinstance(value, Section):
        return ", ".join(f"{label} {text}" for label, text in facts(value))
    if isinstance(value, tuple):
        return "; ".join(value) or "none"
    if quantity is not None:
        return typed(quantity.quantity, value, symbol=True)
    if isinstance(value, str):
        return f'"{" ".join(value.split())}"' if " " in value or "\n" in value else value
    return f"{value:.10g} {unit_of(field)}".rstrip()


def _summary(section: Section) -> str:
    kind = getattr(section, "kind", None)
    return ", ".join([*([kind] if kind else []), *(f"{a} {b}" for a, b in facts(section))])


def _label(name: str) -> str:
    suffix = next((s for s in _SUFFIXES if name.endswith(s)), "")
    return name.removesuffix(suffix).replace("_", " ")


def _name(section: Section) -> str:
    return str(getattr(section, "name", ""))


def _but_name(section: Section) -> dict[str, Any]:
    return section.model_dump(exclude={"name"})
