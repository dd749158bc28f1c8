"""Words of stopping, batch control and alarms against the standards they are borrowed from; the
oven's equivalent time against the rules of thumb of two other trades for the same sum."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from platelink.contract.words import PlateAct
from platelink.control.alarm.states import AlarmState
from platelink.control.alarm.unit import UNIT_ALARMS
from platelink.control.procedure.kinds import KINDS
from platelink.control.procedure.table import BEGUN, OVER, TRANSITIONS, Move, StepState
from platelink.control.states import State
from platelink.control.steps.oven import GAS_CONSTANT_J_MOL_K, ZERO_C_K, acceleration

ROOT = Path(__file__).parent.parent.parent

# --- batch control: ISA-88.01 / IEC 61512-1 ----------------------------------------------------

# SOURCE: ISA-88.01 / IEC 61512-1, the example states and commands of a phase (from memory). The
# standard lets a user leave states out.
BATCH_STATES = {
    "idle", "running", "complete", "pausing", "paused", "holding", "held", "restarting", "stopping",
    "stopped", "aborting", "aborted",
}  # fmt: skip
BATCH_COMMANDS = {"start", "pause", "resume", "hold", "restart", "stop", "abort", "reset"}
# SOURCE: the same: -ing is passing and ends by itself, -ed is at rest and waits for a command.
BY_ITSELF = {Move.REST, Move.GOING, Move.DONE, Move.HOLD, Move.STOP, Move.ABORT, Move.CUT}


def test_states_are_a_subset_of_the_standard_s() -> None:
    assert {str(s) for s in State} == BATCH_STATES - {"pausing", "paused"}
    own = {str(s) for s in StepState} - BATCH_STATES
    assert own == {"waiting", "ready", "skipped"}, "before a step begins, and for one left out"


def test_passing_states_end_by_themselves_and_states_at_rest_by_a_command() -> None:
    commands = {Move(str(act)) for act in PlateAct if str(act) in set(Move)}
    for state in BEGUN:
        moves = {move for (before, move) in TRANSITIONS if before is state}
        if str(state).endswith("ing"):
            assert moves & {Move.REST, Move.GOING, Move.DONE}, state
            assert moves <= BY_ITSELF
        else:
            assert state is StepState.HELD
            assert moves - {Move.DONE} <= commands, "only a person moves it, but for a full dose"


def test_commands_are_a_subset_of_the_standard_s() -> None:
    """Begin is its start. Done, measure and skip belong to work by hand, which it leaves open."""
    assert {str(a) for a in PlateAct} - BATCH_COMMANDS == {"begin", "done", "measure", "skip"}


def test_what_is_over_stays_over() -> None:
    """Stopped, aborted and complete are left by reset only, which is not used: a plate is made
    once."""
    assert {str(s) for s in OVER} == {"complete", "stopped", "aborted", "skipped"}


def test_every_level_of_the_model_has_its_place_in_the_document() -> None:
    """Procedure, unit procedure, operation, phase (SOURCE: ISA-88.01 / IEC 61512-1, the procedural
    control model; from memory)."""
    text = (ROOT / "docs/procedure.md").read_text("utf-8")
    levels = re.findall(r"^\| (procedure|unit procedure|operation|phase) \|", text, re.MULTILINE)
    assert levels == ["procedure", "unit procedure", "operation", "phase"]
    assert {kind.place for kind in KINDS.values()} == {"exposure unit", "washout", "oven", "bench"}


# --- alarms: ISA-18.2 / IEC 62682 --------------------------------------------------------------

# SOURCE: ISA-18.2 / IEC 62682, the states of its state diagram with their letters (from memory);
# OPC UA Part 9 (IEC 62541-9) has conditions for the same life.
ALARM_STATES = {
    "A": "normal", "B": "unacknowledged", "C": "acknowledged", "D": "returned, unacknowledged",
    "E": "latched, unacknowledged", "F": "latched, acknowledged", "G": "shelved",
    "H": "suppressed by design", "I": "out of service",
}  # fmt: skip


def test_alarm_states_are_those_of_the_standard() -> None:
    assert [str(s) for s in AlarmState] == list(ALARM_STATES.values())


# --- stopping: IEC 60204-1, ISO 13850 ----------------------------------------------------------


def test_no_word_of_ours_pretends_to_be_an_emergency_stop() -> None:
    """An emergency stop is of category 0 or 1, hard-wired, and not of a computer (from memory,
    IEC 60204-1 and ISO 13850). Ours is an operational stop: no state, act or alarm has the word,
    and a document that says it speaks of the unit's own or says what ours is not."""
    words = [*State, *StepState, *PlateAct, *Move, *(d.name for d in UNIT_ALARMS)]
    assert not [w for w in words if "emergency" in str(w) or "safe" in str(w)]
    allowed = r"(unit's\s+own|its|interlock( and|,)|is no|interlock or|the interlock, the)\s*$"
    for name in ("docs/procedure.md", "docs/exposure.md", "docs/alarms.md", "docs/commands.md"):
        text = re.sub(r"\s+", " ", (ROOT / name).read_text("utf-8"))
        for found in re.finditer("emergency stop", text):
            assert re.search(allowed, text[: found.start()]), (name, text[found.start() - 60 :])


# --- equivalent time ---------------------------------------------------------------------------


def by_z(z_k: float, reference_c: float) -> float:
    """The activation energy, kJ/mol, that makes a step ten times as fast over ``z_k`` around the
    reference."""
    below, above = reference_c + ZERO_C_K - z_k / 2.0, reference_c + ZERO_C_K + z_k / 2.0
    return GAS_CONSTANT_J_MOL_K * math.log(10.0) * below * above / z_k / 1000.0


@pytest.mark.parametrize(
    ("temperature_c", "printed"),
    [
        # from memory: lethal rates of sterilising, 10^((T - 121.1) / 10)
        (111.1, 0.1), (115.0, 0.245471), (118.0, 0.489779), (121.1, 1.0), (124.0, 1.949845),
        (131.1, 10.0),
    ],
)  # fmt: skip
def test_near_the_reference_the_law_is_the_rule_of_ten(
    temperature_c: float, printed: float
) -> None:
    """The straight line in T that other trades use is Arrhenius' law near its reference: within 6 %
    of the rate up to 10 K from it."""
    rate = acceleration(temperature_c, reference_c=121.1, activation_kj_mol=by_z(10.0, 121.1))
    assert rate == pytest.approx(printed, rel=0.06)


@pytest.mark.parametrize(
    ("temperature_c", "printed"),
    # from memory: pasteurisation units a minute, 1.393^(T - 60)
    [(60.0, 1.0), (62.0, 1.940449), (65.0, 5.245122)],
)
def test_and_the_rule_of_pasteurising(temperature_c: float, printed: float) -> None:
    z_k = 6.9468
    rate = acceleration(temperature_c, reference_c=60.0, activation_kj_mol=by_z(z_k, 60.0))
    assert rate == pytest.approx(printed, rel=0.06)
