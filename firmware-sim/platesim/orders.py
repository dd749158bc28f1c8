"""Orders to a running simulated unit, one JSON object each: faults, the operator's hands, truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from platelink.link.messages import ResetCause
from platesim.faults import (
    ContactorSticks,
    DeviceHangs,
    DeviceResets,
    DoorOpens,
    Fault,
    GarbageSent,
    GaugeStuck,
    HostStalls,
    InterlockOpens,
    LampsDoNotStrike,
    LeakOpens,
    Planned,
    PumpStops,
    RelayWelds,
    SensorDimmed,
    StopPressed,
    StrayLight,
    TubeFails,
    Unplugged,
)
from platesim.unit import SimulatedUnit
from platesim.vacuum import Leak

Fields = dict[str, Any]

FAULTS: dict[str, Callable[..., Fault]] = {
    "leak": lambda **fields: LeakOpens(Leak(**fields)),  # conductance_l_s, flutter_hz, ...
    "pump": PumpStops,
    "tube": TubeFails,  # tube
    "weld": RelayWelds,
    "stick": ContactorSticks,  # seconds
    "no_strike": LampsDoNotStrike,
    "stray": StrayLight,  # mw_cm2
    "hang": DeviceHangs,
    "dim": SensorDimmed,  # channel, transmission
    "stuck": GaugeStuck,  # column
    "interlock": InterlockOpens,
    "stop": StopPressed,
    "door": DoorOpens,
    "unplug": Unplugged,
    "reset": lambda cause=ResetCause.BROWN_OUT: DeviceResets(ResetCause(cause)),
    "stall": HostStalls,  # seconds
    "garbage": GarbageSent,  # size
}
"""What ``{"fault": name, ...fields}`` makes; ``at_s``, ``at_light_s`` and ``for_s`` say when."""


def obey(unit: SimulatedUnit, line: str) -> Fields:
    """Do one order and return its answer; what cannot be done answers ``{"error": why}``.

    ``{"fault": NAME, ...}`` strikes, ``{"end": NAME, ...}`` ends it, ``{"do": NAME, ...}`` is one
    of mark, own_timer (seconds), own_pump (on), truth (p, reference_mw_cm2)."""
    try:
        order = json.loads(line)
        if "fault" in order:
            return _strike(unit, order)
        if "end" in order:
            unit.undo(FAULTS[order.pop("end")](**order))
            return {"ok": True}
        return _DOINGS[order.pop("do")](unit, **order)
    except (ValueError, TypeError, KeyError, AttributeError, IndexError) as error:
        return {"error": f"{type(error).__name__}: {error}"}


def _strike(unit: SimulatedUnit, order: Fields) -> Fields:
    when = {name: order.pop(name, None) for name in ("at_s", "at_light_s", "for_s")}
    fault = FAULTS[order.pop("fault")](**order)
    if when["at_s"] is None and when["at_light_s"] is None:
        unit.inject(fault, for_s=when["for_s"])
    else:
        unit.plan(Planned(fault, **when))
    return {"ok": True}


def _mark(unit: SimulatedUnit) -> Fields:
    unit.mark()
    return {"ok": True}


def _own_timer(unit: SimulatedUnit, seconds: float) -> Fields:
    unit.start_own_timer(seconds)
    return {"ok": True}


def _own_pump(unit: SimulatedUnit, on: bool) -> Fields:
    unit.set_own_pump(on)
    return {"ok": True}


def _truth(unit: SimulatedUnit, p: float = 1.0, reference_mw_cm2: float = 10.0) -> Fields:
    return {
        "time_s": unit.time_s,
        "dose_mj_cm2": unit.true_dose_mj_cm2(p, reference_mw_cm2),
        "light_on_s": unit.light_on_truth_s,
        "lamp_on": unit.lamp_on,
        "vacuum_kpa": unit.vacuum_kpa,
        "stretches": [list(stretch) for stretch in unit.stretches],
    }


_DOINGS: dict[str, Callable[..., Fields]] = {
    "mark": _mark,
    "own_timer": _own_timer,
    "own_pump": _own_pump,
    "truth": _truth,
}
