"""States of a step, the moves between them, and what its plate is by them. Data only.

States are ISA-88's (IEC 61512) and three of our own for a step that has not begun or
never will. The table below runs every plate; the diagram in the documentation is drawn from it.
"""

from __future__ import annotations

from enum import StrEnum

from platelink.control.states import State


class StepState(StrEnum):
    """State of one step of a plate."""

    WAITING = "waiting"  # steps before it are to be done
    READY = "ready"  # the person may begin it
    RUNNING = "running"
    HOLDING = "holding"
    HELD = "held"
    RESTARTING = "restarting"
    STOPPING = "stopping"
    ABORTING = "aborting"
    COMPLETE = "complete"
    SKIPPED = "skipped"
    STOPPED = "stopped"
    ABORTED = "aborted"


class Move(StrEnum):
    """What moves a step."""

    TURN = "turn"  # the step before it is over
    BEGIN = "begin"
    HOLD = "hold"
    RESTART = "restart"
    STOP = "stop"
    ABORT = "abort"
    SKIP = "skip"
    REST = "at rest"  # what was switched on is off
    GOING = "going"  # going on after a restart
    DONE = "done"
    CUT = "cut short"  # the program ended in it: what the device did is to be asked


_GOING = (StepState.RUNNING, StepState.HOLDING, StepState.RESTARTING, StepState.STOPPING)
TRANSITIONS: dict[tuple[StepState, Move], StepState] = {
    (StepState.WAITING, Move.TURN): StepState.READY,
    (StepState.READY, Move.BEGIN): StepState.RUNNING,
    (StepState.READY, Move.SKIP): StepState.SKIPPED,
    (StepState.READY, Move.STOP): StepState.STOPPED,
    (StepState.READY, Move.ABORT): StepState.ABORTED,
    (StepState.RUNNING, Move.HOLD): StepState.HOLDING,
    (StepState.HOLDING, Move.REST): StepState.HELD,
    (StepState.HELD, Move.RESTART): StepState.RESTARTING,
    (StepState.HELD, Move.SKIP): StepState.SKIPPED,
    (StepState.HELD, Move.STOP): StepState.STOPPED,
    (StepState.HELD, Move.ABORT): StepState.ABORTED,
    (StepState.RESTARTING, Move.GOING): StepState.RUNNING,
    (StepState.RESTARTING, Move.HOLD): StepState.HOLDING,
    (StepState.STOPPING, Move.REST): StepState.STOPPED,
    (StepState.ABORTING, Move.REST): StepState.ABORTED,
    **{(state, Move.STOP): StepState.STOPPING for state in _GOING[:3]},
    **{(state, Move.ABORT): StepState.ABORTING for state in _GOING},
    **{(state, Move.DONE): StepState.COMPLETE for state in (*_GOING, StepState.HELD)},
    (StepState.RUNNING, Move.CUT): StepState.HOLDING,
    (StepState.RESTARTING, Move.CUT): StepState.HOLDING,
}
OVER = frozenset(state for state in StepState if not any(s is state for s, _ in TRANSITIONS))
"""States that a step never leaves."""
PASSED = frozenset({StepState.COMPLETE, StepState.SKIPPED})
"""The step is over and the plate goes on."""
BEGUN = frozenset(StepState) - OVER - {StepState.WAITING, StepState.READY}

PLATE_STATE: dict[StepState, State] = {
    StepState.WAITING: State.IDLE,
    StepState.READY: State.RUNNING,
    StepState.RUNNING: State.RUNNING,
    StepState.HOLDING: State.HOLDING,
    StepState.HELD: State.HELD,
    StepState.RESTARTING: State.RESTARTING,
    StepState.STOPPING: State.STOPPING,
    StepState.ABORTING: State.ABORTING,
    StepState.COMPLETE: State.COMPLETE,
    StepState.SKIPPED: State.COMPLETE,
    StepState.STOPPED: State.STOPPED,
    StepState.ABORTED: State.ABORTED,
}
"""What a plate is by its present step, or by its last one when all are over. A plate whose first
step has not begun is idle."""


def move_between(before: StepState, after: StepState) -> Move | None:
    """The move that leads from one state to the other; None where the table has none."""
    for (state, move), to in TRANSITIONS.items():
        if state is before and to is after and move is not Move.CUT:
            return move
    return None


def diagram() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", f"    [*] --> {StepState.WAITING}"]
    for state in StepState:
        to: dict[StepState, list[str]] = {}
        for (before, move), after in TRANSITIONS.items():
            if before is state:
                to.setdefault(after, []).append(str(move))
        lines += [f"    {state} --> {after}: {', '.join(moves)}" for after, moves in to.items()]
        if state in OVER:
            lines.append(f"    {state} --> [*]")
    return "\n".join(lines) + "\n"
