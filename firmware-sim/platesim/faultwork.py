"""What each fault does to a simulated unit, and how it ends."""

from __future__ import annotations

from typing import Protocol

from platelink.link.messages import ResetCause
from platesim.board import Board, HostBoard
from platesim.faults import (
    BitFlips,
    ClockJumps,
    ContactorSticks,
    DeviceHangs,
    DeviceResets,
    DoorOpens,
    Fault,
    GarbageSent,
    GaugeShifts,
    GaugeStuck,
    HostStalls,
    InterlockOpens,
    LampsDoNotStrike,
    LeakOpens,
    LineEchoes,
    OrderForgotten,
    PumpStops,
    RelayWelds,
    SensorDimmed,
    SpeaksVersion,
    Stalls,
    StopPressed,
    StrayLight,
    TubeFails,
    Unplugged,
    Wire,
)
from platesim.lamps import LampBank, LightSource
from platesim.plant import Plant
from platesim.spoiling import Spoiler


class Faulty(Protocol):
    """What a fault can reach of a unit."""

    time_s: float
    plant: Plant
    lamps: LightSource
    to_host: Wire
    to_device: Wire
    stalls: Stalls
    spoiler: Spoiler
    board: Board
    welded: bool
    drop_out_s: float
    echoes: bool
    hangs: bool

    def set_interlock(self, closed: bool) -> None:
        """Close or open the lid."""

    def press_stop(self) -> None:
        """Press the stop button."""

    def release_stop(self) -> None:
        """Let it out again."""

    def reset_device(self, cause: ResetCause) -> None:
        """The device starts again."""

    def drive(self) -> None:
        """Switch lamps and pump as outputs and contactor say."""


def strike(unit: Faulty, fault: Fault) -> None:  # noqa: PLR0912 - one case a fault
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
        case RelayWelds():
            unit.welded = True
        case ContactorSticks(seconds):
            unit.drop_out_s = seconds
        case LampsDoNotStrike():
            if isinstance(unit.lamps, LampBank):
                unit.lamps.strikes = False
        case StrayLight(mw_cm2):
            plant.stray_mw_cm2 = mw_cm2
        case SensorDimmed(channel, transmission):
            plant.transmission[channel] = transmission
        case GaugeStuck(column):
            plant.stuck[column] = plant.present_count(column)
        case GaugeShifts(column, counts, counts_per_s):
            plant.shifts[column] = (counts, counts_per_s, unit.time_s)
        case InterlockOpens():
            unit.set_interlock(closed=False)
        case StopPressed():
            unit.press_stop()
        case DoorOpens():
            plant.door_open = True
        case _:
            _strike_device(unit, fault)


def _strike_device(unit: Faulty, fault: Fault) -> None:
    """The same for the device and its line."""
    match fault:
        case Unplugged():
            unit.to_host.unplug()
            unit.to_device.unplug()
        case DeviceResets(cause):
            unit.reset_device(cause)
        case DeviceHangs():
            unit.hangs = True
        case OrderForgotten():
            if isinstance(unit.board, HostBoard):
                unit.board.forget_order()
        case HostStalls(seconds):
            unit.stalls.add(unit.time_s, unit.time_s + seconds)
        case GarbageSent(size):
            unit.to_host.garbage(size, unit.time_s)
        case LineEchoes():
            unit.echoes = True
        case BitFlips():
            unit.spoiler.flips.append(fault)
        case ClockJumps(ticks):
            unit.spoiler.ticks += ticks
        case SpeaksVersion(protocol):
            unit.spoiler.protocol = protocol


def undo(unit: Faulty, fault: Fault) -> None:  # noqa: PLR0912 - one case a fault
    """The fault ends; what cannot end (a dead tube, a reset) stays."""
    plant = unit.plant
    match fault:
        case LeakOpens(leak):
            plant.frame.close_leak(leak)
        case PumpStops():
            plant.frame.pump_works = True
        case RelayWelds():
            unit.welded = False
            unit.drive()
        case ContactorSticks():
            unit.drop_out_s = 0.0
        case LampsDoNotStrike():
            if isinstance(unit.lamps, LampBank):
                unit.lamps.strikes = True
        case StrayLight():
            plant.stray_mw_cm2 = 0.0
        case SensorDimmed(channel, _):
            plant.transmission[channel] = 1.0
        case GaugeShifts(column):
            plant.shifts.pop(column, None)
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
        case LineEchoes():
            unit.echoes = False
        case SpeaksVersion():
            unit.spoiler.protocol = None
        case DeviceHangs():
            unit.hangs = False
            unit.reset_device(ResetCause.WATCHDOG)
        case _:
            pass
