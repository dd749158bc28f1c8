"""How far a dose may be off, for people: three numbers, and the budget that two are from."""

from __future__ import annotations

import math

from platelink.cli.tables import Column, table, terminal_width
from platelink.contract.uncertainty import FEW_PCT, Uncertainty, UncertaintyLine

NOT_RECORDED = "not recorded with this run"


def expanded(u_pct: float) -> str:
    """U in two digits."""
    decimals = max(0, 1 - math.floor(math.log10(u_pct))) if u_pct > 0.0 else 0
    return f"±{u_pct:.{decimals}f} %"


def three_numbers(control_pct: float | None, stated: Uncertainty | None) -> list[tuple[str, str]]:
    """What is said of a dose; never one of them alone."""
    if control_pct is None:
        return []
    rows = [("control", f"{control_pct:+.3f} % of target, as this sensor reads")]
    if stated is None:
        return [*rows, ("plate to plate", NOT_RECORDED), ("against the meter", NOT_RECORDED)]
    rows += [
        ("plate to plate", f"{expanded(stated.plate_to_plate_pct)} (k = 2): plates of this unit, "
         f"place, month and calibration{_few(stated.plate_to_plate_holds_pct)}"),
        ("against the meter", f"{expanded(stated.against_meter_pct)} (k = 2): the reference meter "
         f"at the plate{_few(stated.against_meter_holds_pct)}"),
    ]  # fmt: skip
    if stated.assumed:
        rows.append(("assumed", f"{', '.join(stated.assumed)}: see [uncertainty]"))
    return rows


def _few(holds_pct: float) -> str:
    if holds_pct >= FEW_PCT:
        return ""
    return f"; it covers {holds_pct:.0f} % of cases only: it rests on few readings"


_HEADS = (
    Column("  LINE"), Column("VALUE", right=True), Column("DISTRIBUTION", spare=2),
    Column("SENSITIVITY", right=True, spare=3), Column("DOF", right=True, spare=3),
    Column("PLATES u", right=True), Column("METER u", right=True), Column("SOURCE"),
)  # fmt: skip


def budget_table(stated: Uncertainty) -> str:
    """Every line, and what they come to, in percent of the dose."""
    rows = [_row(line) for line in stated.lines]
    rows.append(
        _sum("combined, k = 1", stated, 1.0, (stated.plate_to_plate_dof, stated.against_meter_dof))
    )
    rows.append(_sum("U, k = 2", stated, stated.k, None))
    return table(_HEADS, rows, terminal_width())


def _row(line: UncertaintyLine) -> list[str]:
    of = "" if line.channel is None else f" {line.channel}"
    return [
        f"  {line.name}{of}",
        f"{line.value:.3g} {line.unit}".removesuffix(" 1"),
        line.distribution,
        f"{line.sensitivity:.3g}",
        _dof(line.dof),
        f"{line.plate_u_pct:.3f} %",
        f"{line.u_pct:.3f} %",
        line.source,
    ]


def _sum(
    name: str, stated: Uncertainty, k: float, dofs: tuple[float | None, float | None] | None
) -> list[str]:
    share = k / stated.k
    plate, meter = (share * u for u in (stated.plate_to_plate_pct, stated.against_meter_pct))
    dof = " / ".join(map(_dof, dofs)) if dofs else ""
    return [f"  {name}", "", "", "", dof, f"{plate:.3f} %", f"{meter:.3f} %", ""]


def _dof(dof: float | None) -> str:
    return "∞" if dof is None else f"{dof:.0f}"
