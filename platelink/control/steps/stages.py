"""Timed stages that a person carries out: washout, blow-off. Pure.

Each stage has a prompt and a time; the person confirms it done. Actual durations are recorded,
early and late are flagged, the beeper sounds when a stage is due and once more when it is overdue.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from platelink.contract.texts import said
from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import STAGE_OVERDUE
from platelink.control.light.request import BEEP_MS
from platelink.control.states import ENDED, ExposureOutput, State
from platelink.control.steps.stage import Stage, StageResult, StagesStatus, Verdict
from platelink.control.steps.unswitched import Unswitched
from platelink.control.steps.water import Water
from platelink.events.light import Cause, Held, Restarted
from platelink.events.steps import (
    StageDue,
    StageEnded,
    StageOverdue,
    StagePrompt,
    StagesEnded,
    StagesResumed,
    StageStarted,
)
from platelink.link import messages as m

SNAPSHOT_FORMAT = 1


@dataclass(slots=True)
class _Present:
    """Memory of the present stage."""

    elapsed_s: float = 0.0  # up to the last hold
    held_s: float = 0.0
    unattended_s: float = 0.0
    waiting: bool = False
    due_said: bool = False
    overdue_said: bool = False
    water_n: int = 0
    water_sum_c: float = 0.0
    water_min_c: float | None = None
    water_max_c: float | None = None
    water_out: bool = False


class Stages(Unswitched):
    """See the file's first lines."""

    def __init__(self, stages: Sequence[Stage], water: Water | None, *, now: float) -> None:
        super().__init__(now=now)
        if not stages:
            raise ValueError("there must be a stage at least")
        self.stages = tuple(stages)
        self.results: list[StageResult] = []
        self._water = water
        self._present = _Present()
        self._from = math.inf  # when the stage's time last began to run; infinity: it does not
        self._held_at = math.inf

    # --- what a face may ask ---------------------------------------------------------------

    @property
    def stage(self) -> Stage | None:
        """The present stage; None when all are done."""
        n = len(self.results)
        return self.stages[n] if n < len(self.stages) else None

    def _elapsed_s(self) -> float:
        running_s = self._now - self._from if self._from < math.inf else 0.0
        return self._present.elapsed_s + running_s

    def status(self) -> StagesStatus:
        """As of the last input; ``tick`` brings it up to date."""
        stage, present = self.stage, self._present
        return StagesStatus(
            state=self.state,
            stage=stage.name if stage else None,
            prompt=stage.prompt if stage else "",
            number=min(len(self.results) + 1, len(self.stages)),
            count=len(self.stages),
            waiting=present.waiting,
            planned_s=stage.time_s if stage else None,
            elapsed_s=self._elapsed_s(),
            due=present.due_said,
            overdue=present.overdue_said,
            results=tuple(self.results),
            reason=self.reason,
        )

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know, as of the last input."""
        stage = self.stage
        limit_s = None
        if stage is not None and stage.time_s is not None and not stage.at_least:
            limit_s = stage.time_s + stage.overdue_s
        overdue = self.state is State.RUNNING and self._present.overdue_said
        return (Condition(STAGE_OVERDUE, overdue, self._elapsed_s(), limit_s),)

    def next_deadline(self) -> float | None:
        """When the present stage is due or overdue."""
        dues = [due for due, noted in self._dues() if not noted]
        return min(dues, default=None)

    def _dues(self) -> list[tuple[float, bool]]:
        """When it is due and when overdue, and whether that was noted; empty while time stands."""
        stage, present = self.stage, self._present
        if stage is None or stage.time_s is None or self._from == math.inf:
            return []
        due = self._from + (stage.time_s - present.elapsed_s)
        if stage.at_least:
            return [(due, present.due_said)]
        return [(due, present.due_said), (due + stage.overdue_s, present.overdue_said)]

    # --- what a person does ----------------------------------------------------------------

    def begin(self, *, now: float) -> tuple[ExposureOutput, ...]:
        """Begin a stage that waits for it."""
        self._at(now)
        if self.state is State.RUNNING and self._present.waiting:
            self._present.waiting = False
            self._run()
        else:
            self._refuse(f"begin is not possible while {self._doing()}")
        return self._take()

    def done(self, *, who: str | None = None, now: float) -> tuple[ExposureOutput, ...]:
        """The present stage is done; the next one follows."""
        self._at(now)
        if self.state is not State.RUNNING or self._present.waiting or self.stage is None:
            self._refuse(f"done is not possible while {self._doing()}")
            return self._take()
        self._record(self._verdict(self.stage), who)
        if self.stage is None:
            self._end(State.COMPLETE, "all stages done")
        else:
            self._prompt()
        return self._take()

    def _doing(self) -> str:
        if self.state is State.RUNNING and self._present.waiting and self.stage:
            return f"{self.stage.name} has not begun"
        if self.state is State.RUNNING and self.stage:
            return f"{self.stage.name} is under way"
        return str(self.state)

    def _verdict(self, stage: Stage) -> Verdict:
        if stage.time_s is None:
            return Verdict.CONFIRMED
        off_s = self._elapsed_s() - stage.time_s
        if abs(off_s) <= stage.tolerance_s or (stage.at_least and off_s > 0.0):
            return Verdict.IN_TIME
        return Verdict.LATE if off_s > 0.0 else Verdict.EARLY

    def _record(self, verdict: Verdict, who: str | None) -> None:
        """Put the present stage among the results."""
        stage, present = self.stage, self._present
        assert stage is not None
        held_s = present.held_s + (self._now - self._held_at if self._held_at < math.inf else 0.0)
        result = StageResult(
            stage.name, stage.time_s, self._elapsed_s(), held_s, present.unattended_s, verdict,
            who, *self._water_was(),
        )  # fmt: skip
        self.results.append(result)
        self._present = _Present()
        self._from = self._held_at = math.inf
        planned = f" of {stage.time_s:.0f} s" if stage.time_s is not None else " s"
        text = f"{stage.name}: {result.actual_s:.0f}{planned}, {verdict}"
        self._note(
            StageEnded(
                result.name, result.planned_s, result.actual_s, result.held_s,
                result.unattended_s, str(verdict), who, result.water_mean_c, result.water_min_c,
                result.water_max_c,
            ),
            text,
        )  # fmt: skip

    def _water_was(self) -> tuple[float | None, float | None, float | None, str]:
        """Mean, least and greatest of the stage, and what was not as it should be."""
        present, water = self._present, self._water
        if water is None:
            return None, None, None, ""
        present_c = water.present_c(self._now)
        if not present.water_n and present_c is not None:  # typed before it began
            return present_c, present_c, present_c, ""
        low_c, high_c = present.water_min_c, present.water_max_c
        fault = "" if present_c is not None else f"water not measured at its end, {water.band}"
        if present.water_out:
            fault = f"water {low_c:.1f} to {high_c:.1f} °C, {water.band}"
        mean_c = present.water_sum_c / present.water_n if present.water_n else None
        return mean_c, low_c, high_c, fault

    def _prompt(self) -> None:
        stage = self.stage
        assert stage is not None
        self._note(StagePrompt(stage.time_s), f"{stage.name}: {said(stage.prompt)}")
        self._present.waiting = stage.waits
        if not stage.waits:
            self._run()

    def _run(self) -> None:
        self._from = self._now
        stage = self.stage
        assert stage is not None
        self._note(StageStarted(stage.time_s), stage.name)

    # --- time and water --------------------------------------------------------------------

    def _say_due(self) -> None:
        stage, present = self.stage, self._present
        if stage is None:
            return
        for (due, noted), overdue in zip(self._dues(), (False, True), strict=False):
            if noted or due > self._now:
                continue
            text = f"{stage.name}: {self._elapsed_s():.0f} of {stage.time_s:.0f} s"
            if overdue:
                present.overdue_said = True
                self._note(StageOverdue(), f"{text}; end it now and confirm")
            else:
                present.due_said = True
                self._note(StageDue(), f"{text}; end it now and confirm")
            self._send(m.SetOutput(m.Output.BEEPER, 1, BEEP_MS))

    def water(self, *, now: float) -> tuple[ExposureOutput, ...]:
        """The water was measured anew. Counts while a stage runs."""
        self._at(now)
        water = self._water
        water_c = water.present_c(now) if water is not None else None
        if water is None or water_c is None or self._from == math.inf:
            return self._take()
        present = self._present
        present.water_n += 1
        present.water_sum_c += water_c
        low, high = present.water_min_c, present.water_max_c
        present.water_min_c = water_c if low is None else min(low, water_c)
        present.water_max_c = water_c if high is None else max(high, water_c)
        found = water.watch(self._now)
        if found is not None:
            self._note(*found)
        present.water_out |= water.out
        return self._take()

    # --- hooks -----------------------------------------------------------------------------

    def _started(self) -> None:
        self._prompt()

    def _held(self) -> None:
        self._present.elapsed_s = self._elapsed_s()
        self._from = math.inf
        self._held_at = self._now
        if self._water is not None:
            self._water.pause()
        self._note(Held(), f"{self._present.elapsed_s:.0f} s of the stage are done")

    def _restarted(self) -> None:
        self._present.held_s += self._now - self._held_at
        self._held_at = math.inf
        self._move(State.RUNNING)
        if not self._present.waiting:
            self._from = self._now
        self._note(Restarted(), said(self.stage.prompt) if self.stage else "")

    def _ending(self, end: State) -> None:
        if self.stage is not None and self.state is not State.IDLE:
            self._record(Verdict.BROKEN_OFF, None)
        self._present = _Present()
        done = sum(result.verdict is not Verdict.BROKEN_OFF for result in self.results)
        text = f"{end}: {done} of {len(self.stages)} stages done; {self.reason}"
        self._note(StagesEnded(done, len(self.stages)), text)

    # --- across a restart of the computer ----------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """Plain values to go on from, as of the last input; times are durations."""
        present = asdict(self._present) | {"elapsed_s": self._elapsed_s()}
        if self._held_at < math.inf:
            present["held_s"] += self._now - self._held_at
        return {
            "format": SNAPSHOT_FORMAT,
            "state": str(self.state),
            "reason": self.reason,
            "results": [asdict(r) | {"verdict": str(r.verdict)} for r in self.results],
            "present": present,
            "water": self._water.snapshot(self._now) if self._water else None,
        }

    @classmethod
    def from_snapshot(
        cls, stages: Sequence[Stage], water: Water | None, snapshot: Mapping[str, Any], *,
        down_s: float | None, now: float,
    ) -> Stages:  # fmt: skip
        """Go on after ``down_s`` without this program: the person went on, so it counts into the
        stage. Where it is not known (None), a running stage is held. What ``snapshot`` did not
        write, or stages that do not fit it, are errors of the program: KeyError, ValueError or
        TypeError."""
        if snapshot["format"] != SNAPSHOT_FORMAT:
            raise ValueError(f"snapshot of format {snapshot['format']}, not {SNAPSHOT_FORMAT}")
        made = cls(stages, water, now=now)
        made.state = State(snapshot["state"])
        made.reason = snapshot["reason"]
        made.results = [
            StageResult(**row | {"verdict": Verdict(row["verdict"])}) for row in snapshot["results"]
        ]
        if [r.name for r in made.results] != [s.name for s in made.stages[: len(made.results)]]:
            raise ValueError("the snapshot is of other stages")
        made._present = _Present(**snapshot["present"])
        if water is not None:
            water.resume(snapshot.get("water"), down_s, now)
        if made.state not in ENDED | {State.IDLE}:
            made._resume(down_s)
        return made

    def _resume(self, down_s: float | None) -> None:
        down, present = max(0.0, down_s or 0.0), self._present
        away = "an unknown time" if down_s is None else f"{down:.0f} s"
        if self.state is State.HELD:
            present.held_s += down
            self._held_at = self._now
        elif not present.waiting:
            present.elapsed_s += down
            present.unattended_s += down
            self._from = self._now
        text = f"after {away}; {self._elapsed_s():.0f} s of the stage are done"
        self._note(StagesResumed(down_s), text)
        if self.state is State.RUNNING and down_s is None:
            why = "it is not known how long the computer was down; judge the stage, then restart"
            self._hold(why, Cause.TOO_LONG)
