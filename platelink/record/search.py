"""Which runs are wanted, as one query over runs, their ends and their facts. Pure.

One implementation for service and command line: the same words find the same runs.
"""

from __future__ import annotations

from datetime import datetime
from typing import Literal, TypedDict

from platelink.ledger.by import to_ms
from platelink.record import facts
from platelink.runs import EndState

ENDED = ("complete", "stopped", "aborted", "interrupted")
_TEXTS = ("lot", "film", "recipe", "screen", "job", "note", "person", "was")
"""Facts that a search looks through; ``was``: what stood there before a correction."""
_COLUMNS = ("r.run_id", "r.step", "r.plate")


class Wanted(TypedDict, total=False):
    """Conditions that all must hold; None is no condition."""

    since: datetime | None
    """Begun then or later."""
    until: datetime | None
    """Begun before."""
    step: str | None
    state: EndState | Literal["open"] | None
    plate: str | None
    operator: str | None
    """Who began it."""
    lot: str | None
    film: str | None
    recipe: str | None
    """``plate-a`` is every revision, ``plate-a@2`` that one."""
    screen: str | None
    verdict: str | None
    alarm: str | None
    """Its name or its priority."""
    person: str | None
    """Who began it, or did anything to it."""
    search: str | None
    """Found in any of its texts; letters of either case are the same."""


_OF_PLATES: tuple[Literal["lot", "film", "recipe", "screen", "verdict"], ...] = (
    "lot", "film", "recipe", "screen", "verdict",
)  # fmt: skip
"""Facts that an exposure or a bake has from its plate."""


def query(wanted: Wanted, *, has_table: bool, limit: int) -> tuple[str, list[object]]:
    """SQL that gives ids of runs, newest first, and its values."""
    where, values = [], list[object]()

    def add(sql: str, *given: object) -> None:
        where.append(sql)
        values.extend(given)

    for sql, value in (
        ("r.started_ms >= ?", _ms(wanted.get("since"))),
        ("r.started_ms < ?", _ms(wanted.get("until"))),
        ("r.step = ?", wanted.get("step")),
        ("r.plate = ?", wanted.get("plate")),
        ("r.operator = ?", wanted.get("operator")),
    ):
        if value is not None:
            add(sql, value)
    state = wanted.get("state")
    if state == "open":
        add("e.state IS NULL")
    elif state is not None:
        add("e.state = ?", state)
    for name in _OF_PLATES:
        if (value := wanted.get(name)) is not None:
            add(f"(r.run_id IN ({_named(name)}) OR r.plate IN ({_named(name)}))", value, value)
    if (person := wanted.get("person")) is not None:
        add(f"r.run_id IN ({_named('person')})", person)
    if (alarm := wanted.get("alarm")) is not None:
        add(f"r.run_id IN ({_named('alarm')} UNION {_named('priority')})", alarm, alarm)
    if search := wanted.get("search"):
        add(*_search(search))
    with_facts = "" if has_table else f"WITH {facts.READ} "
    sql = (
        f"{with_facts}SELECT r.run_id FROM runs r {'' if state in ENDED else 'LEFT '}JOIN ends e "  # noqa: S608 -- only fixed text above is joined
        f"USING (run_id) WHERE {' AND '.join(where) or '1'} "
        "ORDER BY r.started_ms DESC, r.number DESC LIMIT ?"
    )
    return sql, [*values, limit]


def _ms(at: datetime | None) -> int | None:
    return None if at is None else to_ms(at)


def _named(name: str) -> str:
    return f"SELECT run_id FROM facts WHERE name = '{name}' AND value = ?"  # noqa: S608


def _search(text: str) -> tuple[str, ...]:
    """Each different text is looked at once: many runs share a lot, a job or a person."""
    names = ", ".join(f"'{name}'" for name in _TEXTS)
    different = f"SELECT DISTINCT name, value FROM facts WHERE name IN ({names}) LIMIT -1"  # noqa: S608
    found = (
        f"SELECT run_id FROM facts WHERE (name, value) IN (SELECT name, value FROM ({different}) "  # noqa: S608
        "WHERE instr(folded(value), ?) > 0)"
    )
    own = " OR ".join(f"instr(folded({column}), ?) > 0" for column in _COLUMNS)
    return f"({own} OR r.run_id IN ({found}))", *[text.casefold()] * (len(_COLUMNS) + 1)
