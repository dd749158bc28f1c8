"""The facts as Parquet files, for tools of one's own."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from platelink.extras import installing
from platelink.facts.ask import Facts, utc
from platelink.facts.derive import Json, spans_of
from platelink.facts.rows import made_rows, steps_of

_PAGE = 5_000
_MADE = ("run_id", "kind", "state", "verdict", "job", "note", "operator", "lot", "recipe",
         "revision", "lamp_set")  # fmt: skip
_LISTS = ("screens", "people", "alarms", "sensors", "calibrations", "defects", "deviations")
_STEP_TEXTS = ("step", "kind", "run_id", "state")
_STEP_NUMBERS = ("target_mj_cm2", "dose_mj_cm2", "off_pct", "uncertain_mj_cm2", "light_s",
                 "in_band_s", "pull_down_s")  # fmt: skip
_SPANS = tuple(
    f"{quantity}_{what}"
    for quantity in ("vacuum", "irradiance", "oven")
    for what in ("low", "high", "mean")
)


class NoParquetError(Exception):
    """What writes Parquet is not installed."""


def write(facts: Facts, directory: Path) -> dict[str, int]:
    """``made.parquet`` and ``steps.parquet``; rows of each. ``NoParquetError`` says what to
    install."""
    if find_spec("pyarrow") is None:
        raise NoParquetError(f"Parquet needs pyarrow; install it {installing('parquet')}")
    arrow = import_module("pyarrow")
    text, number, texts = arrow.string(), arrow.float64(), arrow.list_(arrow.string())
    made = arrow.schema(
        [("name", text), ("began_utc", text), ("off_pct", number)]
        + [(name, text) for name in _MADE]
        + [(name, texts) for name in _LISTS]
    )
    steps = arrow.schema(
        [("name", text), ("place", arrow.int64())]
        + [(name, text) for name in _STEP_TEXTS]
        + [(name, number) for name in (*_STEP_NUMBERS, *_SPANS)]
    )
    directory.mkdir(parents=True, exist_ok=True)
    pages = {"made.parquet": (made, _made(facts)), "steps.parquet": (steps, _steps(facts))}
    return {name: _write(directory / name, *of) for name, of in pages.items()}


def _write(path: Path, schema: Any, pages: Iterator[list[Json]]) -> int:
    arrow, written = import_module("pyarrow"), 0
    part = path.with_suffix(".part")
    with import_module("pyarrow.parquet").ParquetWriter(part, schema) as writer:
        for page in pages:
            writer.write_table(arrow.Table.from_pylist(page, schema=schema))
            written += len(page)
    part.replace(path)
    return written


def _pages(facts: Facts) -> Iterator[list[tuple[Any, ...]]]:
    after = -1
    while page := made_rows(facts.db, "number > ? ORDER BY number LIMIT ?", (after, _PAGE)):
        yield page
        after = page[-1][0]


def _made(facts: Facts) -> Iterator[list[Json]]:
    for page in _pages(facts):
        yield [
            {"name": name, "began_utc": utc(began_ms), "off_pct": off_pct}
            | {key: found.get(key) for key in (*_MADE, *_LISTS)}
            for _, name, began_ms, _, off_pct, found in page
        ]


def _steps(facts: Facts) -> Iterator[list[Json]]:
    for page in _pages(facts):
        yield [
            {"name": row[1], "place": place}
            | {key: step.get(key) for key in (*_STEP_TEXTS, *_STEP_NUMBERS)}
            | {
                f"{quantity}_{what}": getattr(span, what)
                for quantity, span in spans_of(step).items()
                for what in ("low", "high", "mean")
            }
            for row in page
            for place, step, _ in steps_of(facts.db, row[0])
        ]
