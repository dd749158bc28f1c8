"""What a process before us left: exposures are closed with the device's account, plates go on.

Decides and says; the shell writes. Times that the computer was down are by its own clock, the only
one that goes on meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

from platelink.control.procedure.plan import PlatePlan
from platelink.control.states import State
from platelink.daemon.core import CoreOutput, UnitCore, in_words
from platelink.daemon.journaling import from_ms
from platelink.daemon.recording import KEPT_ALARMS, KEPT_PLATE, RunClosed, StateKept
from platelink.link import messages as m
from platelink.recipe.load import from_content
from platelink.record.journal import Journal, OpenRun
from platelink.record.kept import Kept
from platelink.record.recover import DeviceAccount, close_open_run, given_by
from platelink.runs import RunEnd, RunStart

ASK_AGAIN_S = 1.0
WAIT_S = 30.0
"""How long a run left open waits for its device before it is closed without it."""
BOOT = "boot"


class Recovery:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(
        self, journal: Journal, next_id: Callable[[], str], *, boot_id: str, now: float
    ) -> None:
        """``next_id`` gives the id of the next entry to be written; ``boot_id`` is another after
        each start of the computer."""
        self._journal, self._next_id, self._boot_id = journal, next_id, boot_id
        runs = journal.open_runs()
        self._exposures = {r.start.run_id: r for r in runs if r.kind == "expose"}
        self._others = {r.start.run_id: r for r in runs if r.kind != "expose"}
        self._kept = journal.kept()
        self._by = now + WAIT_S
        self._ask_at = math.inf

    @property
    def waiting(self) -> bool:
        """Exposures are still open."""
        return bool(self._exposures)

    def next_deadline(self) -> float | None:
        """When to ask or to give up."""
        return min(self._by, self._ask_at) if self._exposures else None

    def ask_now(self, *, now: float) -> bool:
        """The device is to be asked for its account."""
        if now < self._ask_at:
            return False
        self._ask_at = math.inf
        return True

    def too_late(self, *, now: float) -> bool:
        """Nothing more is waited for."""
        return self.waiting and now >= self._by

    # --- exposures -------------------------------------------------------------------------

    def account(self, report: m.OrderReport, *, now: float) -> DeviceAccount | None:
        """The device's account; None while its order is open: that ends at its dose."""
        if report.state == m.OrderState.OPEN:
            self._ask_at = now + ASK_AGAIN_S
            self._by = max(self._by, self._ask_at + WAIT_S)
            return None
        return DeviceAccount(
            order=report.order,
            boot_id=report.boot_id,
            lamp_on=False,
            closed_by=in_words(m.CloseReason, report.close_reason),
            open_sum=report.open_sum,
            close_sum=report.close_sum,
            open_count=report.open_count,
            close_count=report.close_count,
        )

    def close(self, account: DeviceAccount | None, at_utc: datetime) -> Iterator[RunEnd]:
        """The end of every exposure left open, by what the device still knows. One at a time: each
        is to be written before the next is asked for."""
        while self._exposures:
            run_id, run = self._exposures.popitem()
            events = self._journal.events(run_id)
            yield close_open_run(
                run, events, account, entry_id=self._next_id(), at_utc=at_utc,
                computer_restarted=self._computer_restarted(),
            )  # fmt: skip

    def closed_all(self, at_utc_ms: int) -> StateKept:
        """No exposure is open any more: from now on this start of the computer is the known one.
        Not before, or a second crash would make a power cut forgotten."""
        return StateKept(at_utc_ms, {BOOT: self._boot_id})

    def _computer_restarted(self) -> bool:
        kept = self._kept.get(BOOT)
        return kept is not None and bool(self._boot_id) and kept.value != self._boot_id

    # --- plates ----------------------------------------------------------------------------

    def resume(self, core: UnitCore, *, now: float, at_utc_ms: int) -> Iterator[CoreOutput]:
        """Plates, bakes and alarms go on in the core; what cannot go on is closed and says why."""
        if not self.waiting:
            yield self.closed_all(at_utc_ms)
        alarms = self._kept.get(KEPT_ALARMS)
        if alarms is not None and isinstance(alarms.value, dict):
            down_s = _down_s(alarms, at_utc_ms)
            yield from core.watch.restore(alarms.value, down_s=down_s, now=now, at_utc_ms=at_utc_ms)
        for name in self._kept:
            plate = name.removeprefix(KEPT_PLATE)
            if name.startswith(KEPT_PLATE) and plate not in self._others:
                yield StateKept(at_utc_ms, {name: None})  # its run has ended
        for run in self._others.values():
            if run.kind == "plate":
                yield from self._resume_plate(core, run, now, at_utc_ms)
        resumed = {r for p in core.room.plates.values() for s in p.steps for r in s.runs}
        for run_id, run in self._others.items():
            if run.kind == "bake" and run_id not in resumed:
                yield _given_up(run, "its plate does not go on", at_utc_ms)

    def _resume_plate(
        self, core: UnitCore, run: OpenRun, now: float, at_utc_ms: int
    ) -> Iterator[CoreOutput]:
        plate = run.start.run_id
        kept = self._kept.get(KEPT_PLATE + plate)
        clock: dict[str, Any] = {"now": now, "at_utc_ms": at_utc_ms}
        if kept is None or not isinstance(kept.value, dict):
            yield _given_up(run, "nothing is kept of how far it was", at_utc_ms)
            return
        bakes = {
            run_id: int(other.last.ticks[-1]) if other.last else -1
            for run_id, other in self._others.items()
            if other.kind == "bake" and other.start.plate == plate
        }
        try:
            plan = plan_of(run.start)
            yield from core.resume_plate(
                plan, kept.value, bakes, down_s=_down_s(kept, at_utc_ms), **clock
            )
        except (KeyError, TypeError, ValueError) as error:
            yield StateKept(at_utc_ms, {KEPT_PLATE + plate: None})
            yield _given_up(run, f"what is kept of it cannot be read ({error})", at_utc_ms)
            return
        yield from self._already_ended(core, plate, clock)

    def _already_ended(
        self, core: UnitCore, plate: str, clock: dict[str, Any]
    ) -> Iterator[CoreOutput]:
        """The process ended between an exposure's end and the plate's knowing of it."""
        resumed = core.room.plates.get(plate)
        if resumed is None or not resumed.cut:
            return
        run_id = resumed.present.runs[-1]
        if run_id in self._exposures:
            return
        known = self._journal.run(run_id)
        end = known.end if known else None
        text = end.reason if end else "it had not begun"
        yield from core.exposure_recovered(run_id, *given_by(end), text, **clock)


def plan_of(start: RunStart) -> PlatePlan:
    """The plan of a plate from the start of its run. ValueError, KeyError or TypeError when it was
    written by a release that wrote it otherwise."""
    request: dict[str, Any] = dict(start.request)
    return PlatePlan(
        plate=start.run_id,
        recipe=from_content(request["recipe"]),
        revision=request["revision"],
        content_hash=request["hash"],
        who=start.operator or "",
        job=start.job,
        lot=request["lot"],
        area_cm2=request["area_cm2"],
        note=start.note,
        findings=tuple(request["findings"]),
    )


def _down_s(kept: Kept, at_utc_ms: int) -> float | None:
    """Seconds since it was kept; None when the computer's clock was set back meanwhile."""
    down_s = (from_ms(at_utc_ms) - kept.at_utc).total_seconds()
    return down_s if down_s >= 0.0 else None


def _given_up(run: OpenRun, why: str, at_utc_ms: int) -> RunClosed:
    reason = f"recording stopped and {run.kind} cannot go on: {why}; judge the plate"
    return RunClosed(run.start.run_id, at_utc_ms, State.ABORTED, reason, {})
