"""A simulated exposure unit: board, plant, wire and faults in lock-step virtual time.

No clock, no sleep: time passes in ``advance``. The device's tick n happens at true time
n (1 + error) / 1000; the host's view of it is what comes out of ``read`` at ``time_s``.
"""

# ruff: noqa: PLR1730 - calls of min and max are a tenth of the time of the loop in _run

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from platelink.link.messages import (
    LAMP_BIT,
    VACUUM_BIT,
    WATER_CHANNEL,
    Capability,
    Input,
    ResetCause,
)
from platesim.board import ALL_CAPABILITIES, Board, BoardFactory, HostBoard
from platesim.faults import Due, Fault, Planned, Stalls, Wire, WireParameters
from platesim.faultwork import strike, undo
from platesim.lamps import LampBank, LampParameters, LightSource
from platesim.plant import Plant, PlantParameters
from platesim.spoiling import Spoiler
from platesim.truth import Stretch

_NOMINAL_HZ = 1000.0


@dataclass(frozen=True, slots=True)
class UnitParameters:
    """One exposure unit. All default values are invented."""

    lamps: LampParameters = field(default_factory=LampParameters)
    plant: PlantParameters = field(default_factory=PlantParameters)
    wire: WireParameters = field(default_factory=WireParameters)
    light_channels: int = 1
    clock_error_ppm: float = 0.0
    """How much longer than nominal a tick is; ceramic resonators: up to +-5000."""
    own_timer: bool = False
    """The lamps are switched by the unit's own timer, not by the board (advisory mode)."""

    def __post_init__(self) -> None:
        if not 1 <= self.light_channels <= 4:
            raise ValueError(f"light_channels is {self.light_channels}, must be 1..4")
        if self.light_channels > WATER_CHANNEL and self.plant.sensors.water is not None:
            raise ValueError("the fourth light channel and the water share an input")


class SimulatedUnit:
    """The unit a host talks to with ``write`` and ``read``, and an operator with the rest."""

    def __init__(
        self,
        parameters: UnitParameters | None = None,
        seed: int = 0,
        *,
        planned: Iterable[Planned] = (),
        source: LightSource | None = None,
        board: BoardFactory = HostBoard,
    ) -> None:
        """``source`` replaces the lamp bank (a recorded trace), ``board`` the kind of device."""
        self.parameters = p = parameters or UnitParameters()
        self.seed = seed
        self.tick_s = (1.0 + p.clock_error_ppm * 1e-6) / _NOMINAL_HZ
        """True seconds a device tick."""
        self.time_s = 0.0
        """True time, seconds since the unit was switched on."""
        self.lamps: LightSource = source or LampBank(p.lamps, channels=p.light_channels, seed=seed)
        self.plant = Plant(
            p.plant, self.lamps, channels=p.light_channels, tick_s=self.tick_s, seed=seed
        )
        self.board: Board = board(
            light_channels=p.light_channels,
            adc_bits=p.plant.sensors.light[0].adc_bits,
            boot_id=(seed * 2654435761 + 1) & 0xFFFFFFFF or 1,
            capabilities=ALL_CAPABILITIES
            | (Capability.WATER if p.plant.sensors.water else Capability(0))
            | (Capability.SUPPLY if p.plant.sensors.converter.bandgap_v else Capability(0)),
        )
        stalls = Stalls(p.wire, seed)
        self.to_host = Wire(p.wire, stalls, (seed, 4))
        self.to_device = Wire(p.wire, stalls, (seed, 5))
        self.stalls = stalls
        self.spoiler = self.to_host.spoil = Spoiler()
        self.interlock_closed = True
        self.stop_released = True
        self._inputs = int(Input.INTERLOCK_CLOSED | Input.STOP_RELEASED)
        self.welded = False
        """The lamps' contactor does not let go."""
        self.drop_out_s = 0.0
        """How much later than told it does."""
        self.echoes = False
        """What an end of the line sends comes back to it."""
        self.hangs = False
        """The device stands still."""
        self._lets_go_s = math.inf
        self._own_pump = False
        self._timer_end_s = -math.inf
        self._outputs = self.board.outputs
        self._agenda: list[Due] = []
        self._by_light: list[tuple[float, Planned]] = []
        self._lit_before_s = 0.0  # lamp-on seconds before the present stretch
        self._lit_since_s = math.inf
        self._numbers = 0
        self._wake_s = math.inf  # when the agenda goes on
        self._collect()
        for entry in planned:
            self.plan(entry)

    # --- the host's side -------------------------------------------------------------------

    @property
    def plugged(self) -> bool:
        """The cable is in; out: nothing is read and what is written is lost."""
        return self.to_host.plugged

    def write(self, data: bytes) -> None:
        """The host sends bytes now."""
        self.to_device.put(data, self.time_s)
        if self.echoes:
            self.to_host.put(data, self.time_s)

    def read(self) -> bytes:
        """Bytes that have reached the host by now."""
        return self.to_host.take(self.time_s)

    def advance(self, dt_s: float) -> None:
        """Let true time pass."""
        self._run(self.time_s + dt_s, stop_at_data=False)

    def advance_to_data(self, most_s: float) -> bool:
        """Let time pass until bytes wait in ``read``, at most ``most_s``; whether they do."""
        self._run(self.time_s + most_s, stop_at_data=True)
        return self.to_host.next_s <= self.time_s

    # --- the operator's side ---------------------------------------------------------------

    def set_interlock(self, closed: bool) -> None:
        """Close or open the lid. An own timer runs out when it opens."""
        self.interlock_closed = closed
        self._set_inputs()
        if not closed and self.parameters.own_timer:
            self._timer_end_s = -math.inf
            self.drive()

    def press_stop(self) -> None:
        """Press the stop button."""
        self.stop_released = False
        self._set_inputs()

    def release_stop(self) -> None:
        """Let it out again."""
        self.stop_released = True
        self._set_inputs()

    def set_water(self, water_c: float) -> None:
        """The washout water is filled anew, or warmed."""
        self.plant.changed()
        self.plant.water_c = water_c

    def set_own_pump(self, on: bool) -> None:
        """Vacuum switched at the unit itself, not by the board."""
        self._own_pump = on
        self.drive()

    def start_own_timer(self, seconds: float) -> None:
        """The operator starts the unit's own timer (parameter ``own_timer``): lamps on for this
        long. Does nothing while the lid is open."""
        if not self.parameters.own_timer:
            raise ValueError("this unit's lamps hang on the board; set own_timer to use a timer")
        if self.interlock_closed:
            self._timer_end_s = self.time_s + seconds
            self.drive()

    # --- faults ----------------------------------------------------------------------------

    def inject(self, fault: Fault, *, for_s: float | None = None) -> None:
        """A fault strikes now; it is undone after ``for_s`` where it can be."""
        self.plant.changed()
        strike(self, fault)
        if for_s is not None:
            self._schedule(self.time_s + for_s, fault, undo=True)

    def undo(self, fault: Fault) -> None:
        """End a fault that lasts."""
        self.plant.changed()
        undo(self, fault)

    def plan(self, entry: Planned) -> None:
        """A fault for later; ``at_light_s`` counts the lamp-on seconds from switching on the
        unit."""
        if entry.at_light_s is not None:
            self._by_light.append((entry.at_light_s, entry))
            self._by_light.sort(key=lambda item: item[0])
            self._find_wake()
        else:
            at_s = self.time_s if entry.at_s is None else entry.at_s
            self._schedule(at_s, entry.fault, for_s=entry.for_s)

    # --- truth -----------------------------------------------------------------------------

    @property
    def lamp_on(self) -> bool:
        """The lamps are switched on."""
        return self.lamps.lit

    @property
    def vacuum_kpa(self) -> float:
        """True pressure below the local atmosphere."""
        atmosphere = self.plant.frame.atmosphere_kpa_abs(self.time_s)
        return atmosphere - self.plant.pressure_kpa_abs()

    def mark(self) -> None:
        """Begin a new truth: doses count from here."""
        self.plant.mark()

    def true_dose_mj_cm2(self, p: float = 1.0, reference_mw_cm2: float = 10.0) -> float:
        """Dose of the bed since the mark. p = 1: integral of E with ripple; p < 1: integral of
        E_ref (E_cycle / E_ref)^p, E_cycle being the light without ripple."""
        return self.plant.settled_truth().dose_mj_cm2(p, reference_mw_cm2)

    @property
    def light_on_truth_s(self) -> float:
        """Seconds since the mark in which the lamps were switched on."""
        return self.plant.truth.light_on_s

    @property
    def stretches(self) -> tuple[Stretch, ...]:
        """Times the lamps were switched on and off since the mark."""
        return tuple(self.plant.truth.stretches)

    def reset_device(self, cause: ResetCause) -> None:
        """The device starts again; its outputs fall off, its wire is kept."""
        self.board.reset(cause)
        self.spoiler.ticks = 0  # its clock begins anew
        self._collect()

    # --- time ------------------------------------------------------------------------------

    def _run(self, target_s: float, *, stop_at_data: bool) -> None:
        plant, tick_s = self.plant, self.tick_s
        to_host, to_device = self.to_host, self.to_device
        while True:
            if self._wake_s <= self.time_s or to_device.next_s <= self.time_s:
                self._deliver()
            limit_s = target_s
            if to_device.next_s < limit_s:
                limit_s = to_device.next_s
            if self._wake_s < limit_s:
                limit_s = self._wake_s
            if stop_at_data:
                if to_host.next_s <= self.time_s:
                    return
                if to_host.next_s < limit_s:
                    limit_s = to_host.next_s
            due = int(limit_s / tick_s + 1e-6) - plant.ticks
            if due > 0:
                self._step(due)
                continue
            if limit_s > self.time_s:
                self.time_s = limit_s
            if limit_s >= target_s:
                self._deliver()
                return

    def _step(self, ticks: int) -> None:
        """Let the board run up to so many ticks."""
        plant = self.plant
        first, left = plant.made()
        done = ticks if ticks < left else left
        if not self.hangs:
            done = self.board.run(plant.analog, first, done, self._inputs)
        plant.commit(done)
        time_s = plant.ticks * self.tick_s
        if time_s > self.time_s:
            self.time_s = time_s
        self._collect()

    def _deliver(self) -> None:
        """Hand over what is due now: agenda, then bytes for the device."""
        while self._wake_s <= self.time_s:
            self._wake()
        if self.to_device.next_s <= self.time_s:
            data = self.to_device.take(self.time_s)
            if not self.hangs:
                self.board.receive(data)
                self._collect()

    def _collect(self) -> None:
        """Take the board's bytes and follow its outputs."""
        data = self.board.transmit()
        if data:
            self.to_host.put(data, self.time_s)
            if self.echoes:
                self.to_device.put(data, self.time_s)
        if self.board.outputs != self._outputs:
            self._outputs = self.board.outputs
            self.drive()

    def drive(self) -> None:
        """Switch lamps and pump as outputs, contactor and own controls say."""
        if self.parameters.own_timer:
            lamp = self.time_s < self._timer_end_s
        else:
            lamp = bool(self._outputs & LAMP_BIT)
        was_lit = self.lamps.lit
        lamp = self._contact(lamp, was_lit)
        pump = self._own_pump or bool(self._outputs & VACUUM_BIT)
        self.plant.set_drive(lamp=lamp, pump=pump)
        if lamp and not was_lit:
            self._lit_since_s = self.time_s
        elif was_lit and not lamp:
            self._lit_before_s += self.time_s - self._lit_since_s
            self._lit_since_s = math.inf
        self._find_wake()

    def _contact(self, wanted: bool, was_lit: bool) -> bool:
        """What the lamps' contactor makes of it."""
        if wanted or not was_lit or self.welded:
            self._lets_go_s = math.inf
            return was_lit or wanted
        if self._lets_go_s == math.inf:
            self._lets_go_s = self.time_s + self.drop_out_s
        return self.time_s < self._lets_go_s

    def _find_wake(self) -> None:
        """When the agenda goes on: call after anything that may have moved it."""
        wake_s = self._agenda[0].at_s if self._agenda else math.inf
        if self.lamps.lit:
            if self._lets_go_s > self.time_s:
                wake_s = min(wake_s, self._lets_go_s)
            if self._by_light:
                wake_s = min(wake_s, self._lit_since_s + self._by_light[0][0] - self._lit_before_s)
            if self.parameters.own_timer:
                wake_s = min(wake_s, self._timer_end_s)
        self._wake_s = wake_s

    def _wake(self) -> None:
        """Do what the agenda has for now."""
        if self._agenda and self._agenda[0].at_s <= self.time_s:
            due = heapq.heappop(self._agenda)
            if due.undo:
                self.undo(due.fault)
            else:
                self.inject(due.fault, for_s=due.for_s)
        elif self._lets_go_s <= self.time_s or (
            self.parameters.own_timer and self._timer_end_s <= self.time_s
        ):
            self.drive()
        else:
            entry = self._by_light.pop(0)[1]
            self.inject(entry.fault, for_s=entry.for_s)
        self._find_wake()

    def _schedule(
        self, at_s: float, fault: Fault, *, undo: bool = False, for_s: float | None = None
    ) -> None:
        self._numbers += 1
        heapq.heappush(self._agenda, Due(at_s, self._numbers, fault, undo, for_s))
        self._find_wake()

    def _set_inputs(self) -> None:
        self._inputs = (Input.INTERLOCK_CLOSED if self.interlock_closed else 0) | (
            Input.STOP_RELEASED if self.stop_released else 0
        )
