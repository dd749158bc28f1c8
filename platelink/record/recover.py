"""Closing a run that a crash left open, from what is stored and what the device still knows. Pure.

Such a run ends ``interrupted``, whatever the sums say: nobody watched it. Its reason tells how
much dose is known and from where, so that a person can judge the plate; ``recovered`` gives the
same as numbers, for a plate that goes on with the remainder.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from pydantic import JsonValue

from platelink.contract.runs import uncertain_in
from platelink.events.event import E, EventName, read
from platelink.events.light import Armed, Doubted, Held, LampOff, Restarted
from platelink.events.unit import DeviceRestarted, LinkUp
from platelink.ledger.by import to_ms
from platelink.record.account import DeviceAccount, OrderLight, last_value, light_of
from platelink.record.stored import WITHOUT_LIGHT, OpenRun
from platelink.record.unwatched import (
    POWER_CUT_UNSEEN_S,
    afterglow_s,
    gap_s,
    greatest_rate,
    implausible_mj_cm2,
    lit_s,
    longest_s,
    number,
)
from platelink.runs import RunEnd, RunEvent

_DARK = (EventName.LAMP_OFF, EventName.HELD)
"""Events that say: the light ordered before is over."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """What is known of the light of a run left open."""

    dose_mj_cm2: float | None
    """The least that has fallen; None when nothing tells."""
    uncertain_mj_cm2: float
    """No more than this can have fallen unseen on top."""
    light_s: float | None
    """Seconds of it, all stretches; None on a unit that switches its own lamps."""
    lamp_on: bool
    """The device says so of this run's order: there is more to come."""
    boot_known: bool
    """The device has not started anew since."""
    doubtful_mj_cm2: float = 0.0
    """So much of the dose may not have fallen."""


@dataclass(frozen=True, slots=True)
class _Found:
    """What the device tells of the run's newest order."""

    orders: list[int]
    boot_known: bool
    light: OrderLight | None
    never_taken: bool
    """The newest order did not reach it."""
    what: str


def close_open_run(
    run: OpenRun,
    events: Sequence[RunEvent],
    account: DeviceAccount | None,
    *,
    entry_id: str,
    at_utc: datetime,
    computer_restarted: bool = False,
) -> RunEnd:
    """The end of an exposure's run left open; arguments as for ``recovered``. ValueError: it is a
    plate's or a bake's, which goes on.

    Orders given in the run are read from its events (``order`` in their data), the device's boot
    from the newest ``boot_id`` in events or conditions. The gap is by the computer's clock."""
    if run.kind in WITHOUT_LIGHT:
        raise ValueError(f"run {run.start.run_id} is of a {run.kind}: it is resumed, not closed")
    found = _find(run, events, account)
    known = recovered(run, events, account, at_utc=at_utc, computer_restarted=computer_restarted)
    stored, light, away_s = last_value(run.last, "dose_mj_cm2"), found.light, gap_s(run, at_utc)
    data: dict[str, JsonValue] = {
        "stored_dose_mj_cm2": stored,
        "after_last_sample_mj_cm2": light.after_last_sample_mj_cm2 if light else None,
        "uncertain_mj_cm2": known.uncertain_mj_cm2,
        "doubtful_mj_cm2": known.doubtful_mj_cm2,
        "gap_s": away_s,
        "orders": list(found.orders),
        "device": found.what,
    }
    alone = light if len(found.orders) == 1 else None
    return RunEnd(
        id=entry_id,
        run_id=run.start.run_id,
        unit=run.start.unit,
        at_utc=at_utc,
        state="interrupted",
        reason=(
            f"recording stopped in mid-run and began again {away_s:.1f} s later; "
            f"{stored or 0.0:.2f} mJ/cm² until the last stored sample; {found.what}; "
            f"{known.dose_mj_cm2 or 0.0:.2f} mJ/cm² are known{_more(known)}, "
            "judge the plate before use"
        ),
        dose_mj_cm2=known.dose_mj_cm2,
        device_dose_mj_cm2=alone.dose_mj_cm2 if alone else None,
        light_s=alone.light_s if alone else None,
        samples=run.samples,
        events=run.events,
        data=data,
    )


def given_by(end: RunEnd | None) -> tuple[float, float, float]:
    """Dose of an exposure that has ended, how much more may have fallen unseen, and how much of it
    may not have fallen, mJ/cm²; none of an exposure that never began."""
    if end is None:
        return 0.0, 0.0, 0.0
    less = number(end.data.get("doubtful_mj_cm2"))
    return end.dose_mj_cm2 or 0.0, uncertain_in(end), less or 0.0


def told_late(
    run: OpenRun, events: Sequence[RunEvent], account: DeviceAccount, *, at_utc: datetime
) -> Recovered | None:
    """The light of a run that has ended without the device's account of its newest order; None
    where ``account`` is not that, or tells nothing new."""
    armed = _armed(events)
    if armed is None or account.order != armed.order or account.boot_id != _boot_id(run, events):
        return None
    known = recovered(run, events, account, at_utc=at_utc)
    return None if known.lamp_on or known.dose_mj_cm2 is None else known


def recovered(
    run: OpenRun,
    events: Sequence[RunEvent],
    account: DeviceAccount | None,
    *,
    at_utc: datetime,
    computer_restarted: bool = False,
) -> Recovered:
    """The light of a run left open; ``events`` are all of its events, ``account`` is None when the
    device does not answer.

    ``computer_restarted``: since the run was recorded. When the device has started anew too, the
    power was cut, and the light ended with it; else it may have burned on until the device did."""
    found = _find(run, events, account)
    armed = _armed(events)
    lit = armed is not None if found.orders else bool(last_value(run.last, "counting"))
    lit = lit or found.orders != _orders(events)  # the device knows of more than the record
    if found.light is not None:
        unseen_s = 0.0 if found.light.after_last_sample_mj_cm2 <= 0.0 else afterglow_s(run)
    elif not lit or found.never_taken:
        unseen_s = 0.0
    elif account is not None and not found.boot_known and computer_restarted:
        unseen_s = POWER_CUT_UNSEEN_S
    else:
        unseen_s = longest_s(run, events, armed, at_utc, over=account is not None)
    more_mj_cm2, less_mj_cm2 = _doubt(run, events, found.light)
    if found.light is not None:
        more, less = implausible_mj_cm2(run, events, found.light)
        more_mj_cm2, less_mj_cm2 = more_mj_cm2 + more, less_mj_cm2 + less
    dose_mj_cm2 = _dose(run, events, found.light)
    return Recovered(
        dose_mj_cm2=dose_mj_cm2,
        uncertain_mj_cm2=more_mj_cm2
        + (found.light.since_close_mj_cm2 if found.light is not None else 0.0)
        + (unseen_s * greatest_rate(run, events, armed, unseen_s) if unseen_s else 0.0),
        doubtful_mj_cm2=min(less_mj_cm2, dose_mj_cm2 or 0.0),
        light_s=_light_s(run, events, found.light) if found.orders else None,
        lamp_on=account is not None and account.lamp_on and found.light is not None,
        boot_known=found.boot_known,
    )


def _find(run: OpenRun, events: Sequence[RunEvent], account: DeviceAccount | None) -> _Found:
    orders, boot_id = _orders(events), _boot_id(run, events)
    newest = orders[-1] if orders else _order_before(run)
    light, never_taken, boot_known = None, False, False
    if account is None:
        what = "the device did not answer"
    elif account.boot_id != boot_id:
        what = "the device has restarted since; its sums are lost"
    else:
        boot_known = True
        if newest is not None and account.order > newest:  # numbers of orders rise
            light, given = light_of(run, events, account), bool(orders)
            orders.append(account.order)
            if given and light is not None and light.after_last_sample_mj_cm2 <= 0.0:
                light = None  # what the one before gave is not told by this one
            what = f"its order {account.order} is not recorded; " + _by_the_device(account, light)
        elif not orders:
            what = "no light was ordered"
        elif account.order < orders[-1]:
            what = f"the device's newest order is {account.order}, this run's was {orders[-1]}"
            never_taken = not _lamp_was_on(events)  # else it has forgotten it
        elif not account.lamp_on and account.open_count == account.close_count:
            what = "the device took its order and gave no light by it"
            never_taken = True
        else:
            light = light_of(run, events, account)
            what = _by_the_device(account, light)
    return _Found(orders, boot_known, light, never_taken, what)


def _by_the_device(account: DeviceAccount, light: OrderLight | None) -> str:
    lamp = (
        "the lamp is still on under its order"
        if account.lamp_on
        else f"the device closed its order by {account.closed_by}"
    )
    if light is None:
        return f"{lamp}, but no calibration was recorded to compute its dose"
    return (
        f"{lamp}, {light.after_last_sample_mj_cm2:.2f} mJ/cm² after that sample and "
        f"{light.dose_mj_cm2:.2f} in the whole order by its own sums"
    )


def _more(known: Recovered) -> str:
    more, less = known.uncertain_mj_cm2, known.doubtful_mj_cm2
    text = f", up to {more:.2f} more may have been given unseen" if more >= 0.005 else ""
    return text + (f", up to {less:.2f} of it may not have been given" if less >= 0.005 else "")


# --- dose and time -----------------------------------------------------------------------------


def _dose(run: OpenRun, events: Sequence[RunEvent], light: OrderLight | None) -> float | None:
    """By the last sample and the device, or as noted when a lamp went off after that sample."""
    stored = last_value(run.last, "dose_mj_cm2")
    known = [off.dose_mj_cm2 for off in _all(LampOff, events) if off.dose_mj_cm2 is not None]
    if stored is not None or light is not None:
        known.append((stored or 0.0) + (light.after_last_sample_mj_cm2 if light else 0.0))
    return max(known, default=None)


def _doubt(
    run: OpenRun, events: Sequence[RunEvent], light: OrderLight | None
) -> tuple[float, float]:
    """What fell unseen, and what of the dose did not fall, at most, while sensors and lamps did not
    agree: as told when it last rested, and of each order since, for as long as it grew."""
    more = less = 0.0
    since: dict[int, tuple[float, float]] = {}
    for event in events:
        rested = read(Held, event.name, event.data) or read(Restarted, event.name, event.data)
        if rested is not None and rested.uncertain_mj_cm2 is not None:
            more, less = rested.uncertain_mj_cm2, rested.doubtful_mj_cm2 or 0.0
            since.clear()
        told = read(Doubted, event.name, event.data)
        if told is not None:
            newest_ms = int(run.last.at_utc_ms[-1]) if run.last else 0
            grown_s = max(
                0.0, (newest_ms - to_ms(event.at_utc)) / 1000.0,
                light.light_s - told.light_s if light and told.order else 0.0,
            )  # fmt: skip
            since[told.order] = (
                told.uncertain_mj_cm2 + told.uncertain_mw_cm2 * grown_s,
                told.doubtful_mj_cm2 + told.doubtful_mw_cm2 * grown_s,
            )
    return more + sum(m for m, _ in since.values()), less + sum(n for _, n in since.values())


def _light_s(run: OpenRun, events: Sequence[RunEvent], light: OrderLight | None) -> float:
    before_s = sum(off.light_s or 0.0 for off in _all(LampOff, events))
    if _armed(events) is None:
        return before_s
    return before_s + (light.light_s if light else lit_s(run, events))


# --- events ------------------------------------------------------------------------------------


def _all(kind: type[E], events: Iterable[RunEvent]) -> Iterator[E]:
    found = (read(kind, event.name, event.data) for event in events)
    return (event for event in found if event is not None)


def _armed(events: Iterable[RunEvent]) -> Armed | None:
    """The order given and not yet known to be over."""
    armed = None
    for event in events:
        if event.name == EventName.ARMED:
            armed = read(Armed, event.name, event.data) or armed
        elif event.name in _DARK:
            armed = None
    return armed


def _lamp_was_on(events: Iterable[RunEvent]) -> bool:
    """Under the newest order."""
    on = False
    for event in events:
        on = event.name == EventName.LAMP_ON or (on and event.name != EventName.ARMED)
    return on


def _orders(events: Sequence[RunEvent]) -> list[int]:
    """Orders given in the run, oldest first."""
    return list(dict.fromkeys(armed.order for armed in _all(Armed, events) if armed.order > 0))


def _order_before(run: OpenRun) -> int | None:
    """The device's newest order before the run; None where an older release did not record it."""
    device = run.start.conditions.get("device")
    order = device.get("order") if isinstance(device, dict) else None
    return order if isinstance(order, int) else None


def _boot_id(run: OpenRun, events: Sequence[RunEvent]) -> int | None:
    """The device's boot in which the run was last seen."""
    device = run.start.conditions.get("device")
    newest = device.get("boot_id") if isinstance(device, dict) else None
    for event in events:
        seen = read(LinkUp, event.name, event.data) or read(DeviceRestarted, event.name, event.data)
        newest = seen.boot_id if seen is not None and seen.boot_id is not None else newest
    return newest if isinstance(newest, int) else None
