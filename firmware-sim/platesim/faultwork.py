"""What each fault does to a simulated unit, and how it ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

from platesim.faults import (
    DeviceResets,
    DoorOpens,
    Fault,
    GarbageSent,
    GaugeStuck,
    HostStalls,
    InterlockOpens,
    LeakOpens,
    PumpStops,
    SensorDimmed,
    StopPressed,
    TubeFails,
    Unplugged,
)
from platesim.lamps import LampBank

if TYPE_CHECKING:
    from platesim.unit import SimulatedUnit


def strike(unit: SimulatedUnit, fault: Fault) -> None:  # noqa: PLR0912 - one case a fault
    """The fault begins at the unit's present time."""
    plant = unit.plant
    match fault:
        case LeakOpens(leak):
            plant.frame.open_leak(leak, unit.time_s)
        case PumpStops():
            plant.frame.pump_works = False
        case TubeFails(tube):
            if isinstance(unit.lamps, LampBank):
                unit.lamps.fail_tube(tube)
        case SensorDimmed(channel, transmission):
            plant.transmission[channel] = transmission
        case GaugeStuck(column):
            plant.stuck[column] = plant.present_count(column)
        case InterlockOpens():
            unit.set_interlock(closed=False)
        case StopPressed():
            unit.press_stop()
        case DoorOpens():
            plant.door_open = True
        case Unplugged():
            unit.to_host.unplug()
            unit.to_device.unplug()
        case DeviceResets(cause):
            unit.reset_device(cause)
        case HostStalls(seconds):
            unit.stalls.add(unit.time_s, unit.time_s + seconds)
        case GarbageSent(size):
            unit.to_host.garbage(size, unit.time_s)


def undo(unit: SimulatedUnit, fault: Fault) -> None:
    """The fault ends; what cannot end (a dead tube, a reset) stays."""
    plant = unit.plant
    match fault:
        case LeakOpens(leak):
            plant.frame.close_leak(leak)
        case PumpStops():
            plant.frame.pump_works = True
        case SensorDimmed(channel, _):
            plant.transmission[channel] = 1.0
        case GaugeStuck(column):
            plant.stuck.pop(column, None)
        case InterlockOpens():
            unit.set_interlock(closed=True)
        case StopPressed():
            unit.release_stop()
        case DoorOpens():
            plant.door_open = False
        case Unplugged():
            unit.to_host.plugged = unit.to_device.plugged = True
        case _:
            pass
