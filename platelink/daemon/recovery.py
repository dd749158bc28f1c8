"""What a process before us left: exposures are closed with the device's account, plates go on.

Decides and says; the shell writes. Times that the computer was down are by its own clock, the only
one that goes on meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from typing import TypeVar

from platelink.contract.wire import PlateToMake
from platelink.control.contact.past import Told
from platelink.control.light.request import ExposureStatus
from platelink.control.procedure.plan import PlatePlan
from platelink.control.states import State, Step
from platelink.daemon.requests import plan_of
from platelink.events.event import read
from platelink.events.security import Security
from platelink.events.unit import ComputerClockSet, DoseCorrected
from platelink.ledger.by import from_ms
from platelink.link import messages as m
from platelink.record.account import DeviceAccount
from platelink.record.contact import contact_in
from platelink.record.errors import JournalDamaged
from platelink.record.reader import JournalReader
from platelink.record.recover import close_open_run, given_by, recovered, told_late
from platelink.record.snapshots import Snapshot
from platelink.record.stored import OpenRun
from platelink.runs import RunEnd, RunEvent, RunStart
from platelink.unit.core import Core
from platelink.unit.device_events import in_words
from platelink.unit.outputs import (
    ALARMS_SNAPSHOT,
    CLOCK_SNAPSHOT,
    PLATE_SNAPSHOT,
    CoreOutput,
    DeviceReported,
    EventNoted,
    RunClosed,
    Snapshots,
)
from platelink.unit.stamp import Stamp

ASK_AGAIN_S = 0.25
"""While light is on: the dose that faces show is no older."""
DARK_WAIT_S = 5.0
"""After its close an order's light is waited for to go; a lamp that burns on is alarmed."""
ANSWER_S = 1.0
"""Then the newest account closes the run, unless a newer one comes so soon: light still falls."""
WAIT_S = 30.0
"""How long a run left open waits for its device before it is closed without it."""
BOOT = "boot"
CONFIG = "configuration"
_T = TypeVar("_T")


class Recovery:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(
        self, journal: JournalReader, next_id: Callable[[], str], *, boot_id: str, now: float,
        told: Callable[[str], None] = lambda _: None, config: str = "",
    ) -> None:  # fmt: skip
        """``next_id`` gives the id of the next entry to be written; ``boot_id`` is another after
        each start of the computer; ``told`` gets what cannot be read of what was left, which is
        then as if it were not there; ``config`` is the hash of the configuration."""
        self._config = config
        self._journal, self._next_id, self._boot_id = journal, next_id, boot_id
        runs = journal.open_runs()
        self._exposures = {r.start.run_id: r for r in runs if r.kind == "expose"}
        self._others = {r.start.run_id: r for r in runs if r.kind != "expose"}
        self._told = told
        self._snapshots = journal.snapshots(told)
        newest = self._read(lambda: journal.outbox_after(journal.last_number() - 1, 1))
        self._newest = next(iter(newest), None)
        self._by = now + WAIT_S
        self._dark_by = math.inf
        self._lit: DeviceAccount | None = None
        """The newest account of an open order."""
        self.newest: DeviceAccount | None = None
        """The newest account of a closed one, while it is not dark yet."""
        self._close_by = math.inf
        self._ask_at = math.inf

    def _read(self, look: Callable[[], list[_T]]) -> list[_T]:
        try:
            return look()
        except JournalDamaged as error:
            self._told(str(error))
            return []

    def _events(self, run_id: str) -> list[RunEvent]:
        return self._read(lambda: self._journal.events(run_id))

    @property
    def waiting(self) -> bool:
        """Exposures are still open."""
        return bool(self._exposures)

    def next_deadline(self) -> float:
        """When to ask or to give up."""
        return min(self._by if self._exposures else math.inf, self._ask_at)

    def ask_now(self, *, now: float) -> bool:
        """The device is to be asked for its account."""
        if now < self._ask_at:
            return False
        self._ask_at = math.inf
        return True

    def too_late(self, *, now: float) -> bool:
        """Nothing more is waited for but ``newest``."""
        return self.waiting and now >= self._by

    # --- exposures -------------------------------------------------------------------------

    def account(self, reported: DeviceReported, *, now: float) -> DeviceAccount | None:
        """The device's account; None while it is not dark after its close. While its order is open
        it is asked again, for no longer than it may give light; of one that it has forgotten since,
        what it said last."""
        lamp_on = reported.report.state == m.OrderState.OPEN
        if lamp_on:
            self._ask_at = now + ASK_AGAIN_S
            self._dark_by = min(self._dark_by, now + m.MAX_GUARD_TICKS * 1e-3)
            self._by = min(self._ask_at, self._dark_by) + WAIT_S
        account = _account(reported)
        if lamp_on:
            self._lit = account
            return account
        lit = self._lit
        if lit is not None and account.boot_id == lit.boot_id and account.order != lit.order:
            account = replace(lit, lamp_on=False)
        self._close_by = min(self._close_by, now + DARK_WAIT_S)
        if reported.dark or now >= self._close_by:
            return account
        self.newest = account
        self._ask_at, self._by = now + ASK_AGAIN_S, self._close_by + ANSWER_S
        return None

    def light(self, account: DeviceAccount, *, at: Stamp) -> ExposureStatus | None:
        """How far the exposure is whose light is on; None: it is none that was left open."""
        for run_id, run in self._exposures.items():
            events = self._events(run_id)
            known = recovered(run, events, account, at_utc=self._now_utc(at, run_id))
            target = run.start.target_dose_mj_cm2
            if known.lamp_on and target is not None:
                dose, light_s = known.dose_mj_cm2, known.light_s
                return ExposureStatus(
                    State.RUNNING, Step.LIGHT, math.nan if dose is None else dose, target,
                    math.nan, math.nan, math.nan if light_s is None else light_s, (), "",
                )  # fmt: skip
        return None

    def close(self, account: DeviceAccount | None, *, at: Stamp) -> Iterator[RunEnd]:
        """The end of every exposure left open, by what the device still knows. One at a time: each
        is to be written before the next is asked for."""
        while self._exposures:
            run_id, run = self._exposures.popitem()
            yield close_open_run(
                run, self._events(run_id), account, entry_id=self._next_id(),
                at_utc=self._now_utc(at, run_id), computer_restarted=self._computer_restarted(),
            )  # fmt: skip

    def late(self, reported: DeviceReported, core: Core, *, at: Stamp) -> Iterator[CoreOutput]:
        """The device's account of the newest run, which had to end without it: what is believed of
        its light is corrected, in the record and in the plate."""
        run = None if core.bed.exposing else self._journal.newest_exposure()
        if run is None or run.end is None or run.corrected is not None:
            return
        run_id, (dose, uncertain, _) = run.start.run_id, given_by(run.end)
        if uncertain and reported.report.state == m.OrderState.OPEN:
            self._ask_at = at.now + ASK_AGAIN_S
        known = told_late(
            self._journal.left(run_id), self._events(run_id), _account(reported),
            at_utc=from_ms(at.utc_ms),
        )  # fmt: skip
        if known is None or known.dose_mj_cm2 is None or known.uncertain_mj_cm2 >= uncertain:
            return
        new, unsure = known.dose_mj_cm2, known.uncertain_mj_cm2
        text = (
            f"the device's account came after the end of run {run_id}: {new:.1f} mJ/cm² fell, up "
            f"to {unsure:.1f} more unseen; believed were {dose:.1f}, up to {uncertain:.1f} more"
        )
        event = DoseCorrected(run_id, dose, uncertain, new, unsure)
        yield EventNoted(None, at.utc_ms, event, text)
        yield from core.exposure_recovered(run_id, new, unsure, known.doubtful_mj_cm2, text, at=at)

    def closed_all(self, at: Stamp) -> Snapshots:
        """No exposure is open any more: from now on this start of the computer is the known one,
        and so is its clock. Not before, or a second crash would make a power cut forgotten."""
        return Snapshots(at.utc_ms, {BOOT: self._boot_id, CLOCK_SNAPSHOT: at.ahead_ms})

    def _computer_restarted(self) -> bool:
        snapshot = self._snapshots.get(BOOT)
        return snapshot is not None and bool(self._boot_id) and snapshot.value != self._boot_id

    # --- time ------------------------------------------------------------------------------

    def _now_utc(self, at: Stamp, run_id: str | None = None) -> datetime:
        """Now, by the clock as the process before us knew it, and in a run as it was at its begin:
        set since then, it would tell wrong durations. After a start of the computer there is no
        other clock than the present one."""
        clock = self._snapshots.get(CLOCK_SNAPSHOT)
        boot = self._snapshots.get(BOOT)
        same = boot is not None and self._boot_id and boot.value == self._boot_id
        ms = at.utc_ms
        if same and clock is not None and isinstance(clock.value, int):
            ms += clock.value - at.ahead_ms
        events = self._events(run_id) if run_id is not None else ()
        steps = (read(ComputerClockSet, event.name, event.data) for event in events)
        return from_ms(ms - sum(step.step_ms or 0 for step in steps if step is not None))

    def _since_s(self, then: datetime, at: Stamp, run_id: str | None = None) -> float | None:
        """Seconds since; None when the computer's clock was set back meanwhile."""
        since_s = (self._now_utc(at, run_id) - then).total_seconds()
        return since_s if since_s >= 0.0 else None

    # --- plates ----------------------------------------------------------------------------

    def resume(self, core: Core, *, at: Stamp) -> Iterator[CoreOutput]:
        """Plates, bakes and alarms go on in the core; what cannot go on is closed and says why."""
        yield from self._configured(at)
        if not self.waiting:
            yield self.closed_all(at)
        alarms = self._snapshots.get(ALARMS_SNAPSHOT)
        if alarms is not None and isinstance(alarms.value, dict):
            down_s = self._since_s(alarms.at_utc, at)
            yield from core.resume_alarms(alarms.value, down_s=down_s, at=at)
        for name in self._snapshots:
            plate = name.removeprefix(PLATE_SNAPSHOT)
            if name.startswith(PLATE_SNAPSHOT) and plate not in self._others:
                yield Snapshots(at.utc_ms, {name: None})  # its run has ended
        for run in self._others.values():
            if run.kind == "plate":
                yield from self._resume_plate(core, run, at)
        resumed = {
            r for p in core.plates.in_flight.plates.values() for s in p.steps for r in s.runs
        }
        for run_id, run in self._others.items():
            if run.kind == "bake" and run_id not in resumed:
                yield _given_up(run, "its plate does not continue", at.utc_ms)

    def _configured(self, at: Stamp) -> Iterator[CoreOutput]:
        """Another configuration than at the start before is told: whoever changed it may not be
        who should."""
        known = self._snapshots.get(CONFIG)
        if not self._config or (known is not None and known.value == self._config):
            return
        yield Snapshots(at.utc_ms, {CONFIG: self._config})
        if known is not None:
            text = "the configuration is another one than at the start before; runs hold it whole"
            yield EventNoted(None, at.utc_ms, Security("configuration changed"), text)

    def _resume_plate(self, core: Core, run: OpenRun, at: Stamp) -> Iterator[CoreOutput]:
        plate = run.start.run_id
        snapshot = self._snapshots.get(PLATE_SNAPSHOT + plate)
        if snapshot is None or not isinstance(snapshot.value, dict):
            yield _given_up(run, "nothing is kept of how far it was", at.utc_ms)
            return
        bakes = {
            run_id: int(other.last.ticks[-1]) if other.last else -1
            for run_id, other in self._others.items()
            if other.kind == "bake" and other.start.plate == plate
        }
        try:
            plan = plan_of_run(run.start)
            down_s = self._since_s(snapshot.at_utc, at)
            yield from core.resume_plate(
                plan, snapshot.value, bakes, down_s=down_s, away_s=self._away_s(snapshot, at), at=at
            )
        except (KeyError, TypeError, ValueError) as error:
            yield Snapshots(at.utc_ms, {PLATE_SNAPSHOT + plate: None})
            yield _given_up(run, f"what is kept of it cannot be read ({error})", at.utc_ms)
            return
        yield from self._already_ended(core, plate, at)

    def _away_s(self, snapshot: Snapshot, at: Stamp) -> float | None:
        """The longest that nothing ran: since the last word of the process before us. A snapshot
        may be as old as its step."""
        since_s, newest = self._since_s(snapshot.at_utc, at), self._newest
        if since_s is None or newest is None:
            return since_s
        written_s = self._since_s(newest.entry.at_utc, at, newest.entry.run_id)
        return since_s if written_s is None else min(since_s, written_s)

    def _already_ended(self, core: Core, plate: str, at: Stamp) -> Iterator[CoreOutput]:
        """The process ended between an exposure's end and the plate's knowing of it."""
        resumed = core.plates.in_flight.plates.get(plate)
        if resumed is None or not resumed.cut:
            return
        run_id = resumed.present.runs[-1]
        if run_id in self._exposures:
            return
        known = self._journal.run(run_id)
        end = known.end if known else None
        text = end.reason if end else "it had not begun"
        yield from core.exposure_recovered(run_id, *given_by(end), text, at=at)


def contact_of(journal: JournalReader, told: Callable[[str], None]) -> tuple[Told, ...]:
    """What the record tells of the unit's vacuum; ``told`` gets what cannot be read."""
    return tuple(
        Told(run.t_s, run.vacuum_kpa, run.held.vacuum_kpa, run.held.settles_s)
        for run in contact_in(journal, told)
    )


def _account(reported: DeviceReported) -> DeviceAccount:
    report = reported.report
    return DeviceAccount(
        order=report.order,
        boot_id=report.boot_id,
        lamp_on=report.state == m.OrderState.OPEN,
        closed_by=in_words(m.CloseReason, report.close_reason),
        open_sum=report.open_sum,
        close_sum=report.close_sum,
        open_count=report.open_count,
        close_count=report.close_count,
        now_sum=reported.light_sum,
        now_count=reported.light_count,
    )


def plan_of_run(start: RunStart) -> PlatePlan:
    """The plan of a plate from the start of its run. ValueError or KeyError when it was written by
    a release that wrote it otherwise."""
    own = {"plate": start.run_id, "job": start.job, "note": start.note}
    plan = plan_of(PlateToMake.model_validate(start.request | own), start.operator or "")
    return replace(plan, content_hash=str(start.request["hash"]))


def _given_up(run: OpenRun, why: str, at_utc_ms: int) -> RunClosed:
    reason = f"recording stopped and {run.kind} cannot continue: {why}; judge the plate"
    return RunClosed(run.start.run_id, at_utc_ms, State.ABORTED, reason, {})
