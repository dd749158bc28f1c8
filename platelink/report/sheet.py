"""What stands on the page of a sealed record: texts and curves, ready to set. Pure.

Times are UTC, quantities in the units that the record is in; nothing is left to the place where it
is printed, so that the same record gives the same page everywhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

from platelink.contract.base import Json
from platelink.contract.runs import Run
from platelink.contract.story import Mark
from platelink.record.stored import RunRecord
from platelink.record.story import planned, story_of
from platelink.report.drawn import Pane, drawn
from platelink.report.sealed import Curve, SealedRecord, read_table
from platelink.report.tables import Table, duration, number, tables_of, text, utc

_LEAST = {"irradiance_mw_cm2": 1.0, "vacuum_kpa": 10.0}
"""What an axis spans at least."""
_PANES = {
    "irradiance_mw_cm2": "irradiance, mW/cm²", "vacuum_kpa": "vacuum, kPa",
    "oven_c": "oven air, °C",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Figure:
    """A run's curves; ``panes`` names them from the top."""

    title: str
    panes: str
    svg: str


@dataclass(frozen=True, slots=True)
class SealTold:
    """What the seal's files say, as text."""

    sealed_utc: str
    leaf_sha256: str
    index: int
    log: str
    size: int
    root: str
    key: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """All of it. ``code`` is what the printed code says."""

    title: str
    verdict: str
    facts: tuple[tuple[str, str], ...]
    tables: tuple[Table, ...]
    figures: tuple[Figure, ...]
    seal: tuple[tuple[str, str], ...]
    verify: str
    code: str
    foot: str


def sheet_of(
    files: Mapping[str, bytes], record: bytes, seal: SealTold, *, beside: Sequence[Json] = (),
    address: str = "", release: str, removed: str = "",
) -> Sheet:  # fmt: skip
    """The page of a record and its tables by path. ``address``: where the unit's page is served.
    ``removed``: why tables are not there any more."""
    sealed = SealedRecord(record, beside)
    run = sealed.head
    story = story_of(sealed, run)
    parts = sealed.parts(sealed.name) if sealed.kind == "plate" else [run]
    marks = [(str(at), mark) for at, mark in enumerate(story.marks, 1)]
    return Sheet(
        title=text(f"{sealed.kind.capitalize()} {sealed.name}"),
        verdict=_verdict(run),
        facts=(*_facts(run), *((("curves", removed),) if removed else ())),
        tables=tables_of(run, parts, story, marks),
        figures=tuple(_figures(sealed, parts, files, marks)),
        seal=(
            ("sealed", utc(seal.sealed_utc)),
            ("leaf", f"{seal.index} of {seal.log}"),
            ("SHA-256", seal.leaf_sha256),
            ("checkpoint", f"{seal.size} leaves, root {seal.root}"),
            ("key", seal.key),
        ),
        verify=f"At the unit: platelink verify {text(sealed.name)}. Elsewhere: platelink bundle "
        "writes a folder that anybody verifies, with platelink or with sha256sum and openssl. The "
        "key must come by another way than this page.",
        code=_code(sealed.name, seal, address),
        foot=f"platelink {release}. Times are UTC. What counts is the sealed record; this page "
        "tells it, and can be made again from it.",
    )


def label_lines(told: Run) -> list[str]:
    """Of a plate's label: its name first."""
    facts = (
        told.run_id, told.recipe or "", f"job {told.job}" if told.job else "",
        f"lot {told.lot}" if told.lot else "", ", ".join(told.screens),
        f"{utc(told.begun_utc)} UTC, {told.unit}",
    )  # fmt: skip
    return [text(fact) for fact in facts if fact]


def _code(name: str, seal: SealTold, address: str) -> str:
    if address:
        return f"{address.rstrip('/')}/records/{quote(name, safe='')}?seal={seal.leaf_sha256}"
    return f"platelink verify {name}\nleaf {seal.index} of {seal.log}\nSHA-256 {seal.leaf_sha256}"


# --- head --------------------------------------------------------------------------------------


def _verdict(run: RunRecord) -> str:
    told = run.summary
    state = f"{told.state}: {told.reason}" if told.reason else told.state
    corrected = told.newest("verdict")
    return text(f"{corrected.now} (corrected; {state})" if corrected else state)


def _facts(run: RunRecord) -> Iterator[tuple[str, str]]:
    told, start = run.summary, run.start
    recipe = start.request.get("recipe")
    known = recipe if isinstance(recipe, dict) else {}
    screens = [step.get("screen") for step in planned(run)]
    facts = {
        "unit": told.unit, "recipe": told.recipe or known.get("id"),
        "title": known.get("title"), "SHA-256": _short(start.request.get("hash")),
        "job": told.job, "lot": told.lot, "film": told.film,
        "screens": ", ".join(str(s) for s in screens if s),
        "begun by": told.operator, "begun": utc(start.at_utc),
        "ended": utc(run.end.at_utc if run.end else None), "took": duration(told.took_s),
        "note": told.note,
    }  # fmt: skip
    yield from ((name, text(value)) for name, value in facts.items() if value)


def _short(sha256: object) -> str:
    """Enough of a sum to tell recipes from each other."""
    return f"{sha256[:16]}…" if isinstance(sha256, str) else ""


# --- curves ------------------------------------------------------------------------------------


def _figures(
    sealed: SealedRecord, parts: Sequence[RunRecord], files: Mapping[str, bytes],
    marks: Sequence[tuple[str, Mark]],
) -> Iterator[Figure]:  # fmt: skip
    for part in parts:
        run_id = part.start.run_id
        table = sealed.table_of(run_id)
        if table is None or table not in files:
            continue
        curve = read_table(files[table])
        names = [name for name in _PANES if name in curve.values and _wanted(name, part, curve)]
        if not names or not len(curve.at_utc_ms):
            continue
        begun_ms = part.start.at_utc.timestamp() * 1000.0
        own = [
            ((_ms(mark.at_utc) - begun_ms) / 1000.0, number)
            for number, mark in marks if mark.run_id == run_id
        ]  # fmt: skip
        bands = _bands(part, sealed.head)
        t_s, values = (curve.at_utc_ms - begun_ms) / 1000.0, curve.values
        svg = drawn(
            t_s, [Pane(values[n], *bands.get(n, (None, None)), _LEAST.get(n, 0.0)) for n in names],
            own,
        )  # fmt: skip
        panes = "; ".join(_PANES[name] for name in names)
        yield Figure(text(part.start.step), panes, svg)


def _wanted(name: str, part: RunRecord, curve: Curve) -> bool:
    return name != "oven_c" or part.start.run_kind == "bake"


def _bands(part: RunRecord, plate: RunRecord) -> dict[str, tuple[float | None, float | None]]:
    """Between which values oven and vacuum were to be."""
    if part.start.run_kind == "bake":
        asked = part.start.request
        return {"oven_c": (number(asked.get("low_c")), number(asked.get("high_c")))}
    for step in planned(plate):
        contact = step.get("contact")
        if step.get("name") == part.start.step and isinstance(contact, dict):
            band = number(contact.get("low_kpa")), number(contact.get("high_kpa"))
            return {"vacuum_kpa": band}
    return {}


def _ms(at_utc: str) -> float:
    return datetime.fromisoformat(at_utc).timestamp() * 1000.0
