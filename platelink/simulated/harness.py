"""A core and a simulated unit in one process, in simulated time: for the bench and the tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from platelink.control.light.lessons import Lessons
from platelink.control.light.request import Optics
from platelink.control.procedure.plan import PlatePlan, StepDefaults
from platelink.control.procedure.requests import PlateRequest
from platelink.control.states import Ended, Learned
from platelink.sensing.light import LightChannel, LightSensors
from platelink.sensing.readings import Converter, Sensors
from platelink.sensing.temperature import Amplifier, LinearSensor
from platelink.unit.core import Core
from platelink.unit.job import Job, UnitSettings
from platelink.unit.outputs import CoreOutput, Refused, RunEnded
from platelink.unit.stamp import Stamp
from platesim.sensors import LinearSensor as SimulatedLinear
from platesim.unit import SimulatedUnit, UnitParameters

ADC_REFERENCE_V = 5.0
CALIBRATED_ON, DUE_ON = "2026-01-15", "2126-01-15"
OLD_DARK_COUNTS = 5.0
AIR_KPA = 101.325
"""The barometer that the unit is told, whatever its weather."""
BEGUN_MS = 1_893_456_000_000
"""An invented date: UTC of the simulated time 0."""
STEP_S = 0.25
"""Longest stretch of simulated time without a look at the core's deadlines."""


def matching_linear(sensor: SimulatedLinear) -> LinearSensor:
    """The calibration of a simulated linear sensor, exactly."""
    mv_per_count = 1000.0 * ADC_REFERENCE_V / (1 << sensor.adc_bits)
    return LinearSensor(
        Amplifier(adc_bits=sensor.adc_bits, adc_reference_v=ADC_REFERENCE_V),
        mv_per_c=sensor.counts_per_unit * mv_per_count,
        mv_at_0c=sensor.zero_counts * mv_per_count,
    )


def matching_sensors(parameters: UnitParameters) -> Sensors:
    """What a perfect calibration would know of a simulated unit. The dark counts are an old
    reading, five counts off: a new one is made before every exposure."""
    sensors = parameters.plant.sensors
    light = sensors.light
    channels = tuple(
        LightChannel(
            dark_counts=s.dark_counts + OLD_DARK_COUNTS,
            slope_mw_cm2_per_count=1.0 / s.counts_per_mw_cm2,
            temp_coeff_per_c=s.temperature_coefficient_per_c,
            reference_temp_c=s.reference_c,
        )
        for s in (light[min(i, len(light) - 1)] for i in range(parameters.light_channels))
    )
    return Sensors(
        light=LightSensors(channels),
        adc_bits=light[0].adc_bits,
        vacuum=SimulatedVacuum(sensors.vacuum, AIR_KPA if sensors.vacuum_is_absolute else None),
        oven=matching_linear(sensors.oven),
        head=matching_linear(sensors.head),
        water=matching_linear(sensors.water) if sensors.water else None,
    )


def configuration(
    parameters: UnitParameters,
    *,
    unit: str,
    site: str,
    port: str,
    journal: Path,
    expected_mw_cm2: float,
    more: str = "",
) -> str:
    """The configuration file (TOML) of a simulated unit, calibrated exactly; ``more`` is added."""
    sensors = matching_sensors(parameters)
    gauge = parameters.plant.sensors.vacuum
    volts_per_count = ADC_REFERENCE_V / (1 << gauge.adc_bits)
    volts_low = gauge.zero_counts * volts_per_count
    volts_high = volts_low + 100.0 * gauge.counts_per_unit * volts_per_count
    temperatures = "".join(
        f"""
[{name}]
sensor = "linear"
mv_per_c = {sensor.mv_per_c!r}
mv_at_0c = {sensor.mv_at_0c!r}
"""
        for name in ("oven", "head", "water")
        if isinstance(sensor := getattr(sensors, name), LinearSensor)
    )
    channels = "".join(
        f"""
[[light.channel]]
dark_counts = {c.dark_counts!r}
slope_mw_cm2_per_count = {c.slope_mw_cm2_per_count!r}
temp_coeff_per_c = {c.temp_coeff_per_c!r}
reference_temp_c = {c.reference_temp_c!r}
calibrated_on = {CALIBRATED_ON}
due_on = {DUE_ON}
"""
        for c in sensors.light.channels
    )
    return f"""# A simulated unit; every value is invented.
format = 1

[unit]
name = "{unit}"
site = "{site}"
adc_bits = {sensors.adc_bits}
lamps = "{"advisory" if parameters.own_timer else "wired"}"

[link]
port = "{port}"

[journal]
path = "{journal}"

[light]
expected_mw_cm2 = {expected_mw_cm2}
{channels}
[vacuum]
kpa_low = "0 kPa"
kpa_high = "-100 kPa"
volts_low = {volts_low!r}
volts_high = {volts_high!r}
{temperatures}
[contact]
low_kpa = "55 kPa"
high_kpa = "88 kPa"

[exposure]
afterglow_s = 0.005

{more}"""


class SimulatedVacuum:
    """The calibration of a simulated vacuum gauge, exactly."""

    def __init__(self, sensor: SimulatedLinear, barometer_kpa: float | None = None) -> None:
        """``barometer_kpa``: of an absolute gauge, the air that its vacuum is told against."""
        self._sensor, self._barometer_kpa = sensor, barometer_kpa

    def vacuum_kpa(self, mean_counts: float) -> float:
        """kPa below the local atmosphere."""
        kpa = (mean_counts - self._sensor.zero_counts) / self._sensor.counts_per_unit
        return kpa if self._barometer_kpa is None else self._barometer_kpa - kpa


class Simulation:
    """Drives a core against a simulated unit; ``now`` is the unit's true time."""

    def __init__(self, unit: SimulatedUnit, core: Core, *, begun_ms: int = BEGUN_MS) -> None:
        """``begun_ms``: UTC at the unit's time 0."""
        self._begun_ms = begun_ms
        self.unit = unit
        self.core = core
        self.outputs: list[CoreOutput] = []
        self.ended: Ended | None = None
        self._take(core.port_opened(at=self.stamp))

    @property
    def now(self) -> float:
        """Simulated seconds."""
        return self.unit.time_s

    @property
    def stamp(self) -> Stamp:
        """Simulated time and an invented date that moves with it."""
        now = self.unit.time_s
        return Stamp(now, self._begun_ms + round(now * 1000.0))

    def expose(self, job: Job) -> None:
        """Start an exposure."""
        self.ended = None
        self._take(self.core.expose(job, at=self.stamp))
        self._take(self.core.start(at=self.stamp))

    def command(self, name: str, reason: str = "") -> None:
        """Give a command."""
        self._take(self.core.command(name, reason, at=self.stamp))

    def make_plate(self, plan: PlatePlan) -> None:
        """Take up a plate."""
        self._take(self.core.make_plate(plan, at=self.stamp))

    def act(self, plate: str, request: PlateRequest) -> str:
        """Do what a person asks of a plate; why it is refused, else empty."""
        outputs = self.core.act(plate, request, at=self.stamp)
        self._take(outputs)
        self._take(self.core.start(at=self.stamp))
        return next((o.text for o in outputs if isinstance(o, Refused)), "")

    def run(self, until: Callable[[], bool], limit_s: float) -> bool:
        """Let time pass until the condition holds; False when ``limit_s`` passed first."""
        end = self.now + limit_s
        while not until():
            if self.now >= end:
                return False
            self.step(end)
        return True

    def step(self, end: float) -> None:
        """One look at the wire and at the core's deadline."""
        core, unit = self.core, self.unit
        data = unit.read()
        if data:
            self._take(core.receive(data, at=self.stamp))
        due = core.next_deadline()
        if due is not None and due <= unit.time_s:
            self._take(core.tick(at=self.stamp))
            due = core.next_deadline()
        sent = core.data_to_send()
        if sent:
            unit.write(sent)
        wake_s = STEP_S if due is None else min(STEP_S, due - unit.time_s)
        unit.advance_to_data(max(1e-4, min(wake_s, end - unit.time_s)))

    def _take(self, outputs: tuple[CoreOutput, ...]) -> None:
        self.outputs += outputs
        for output in outputs:
            if isinstance(output, RunEnded):
                self.ended = output.ended


def make_core(
    parameters: UnitParameters,
    *,
    expected_mw_cm2: float,
    learned: Learned | None = None,
    now: float = 0.0,
) -> Core:
    """A core calibrated for a simulated unit."""
    sensors = matching_sensors(parameters)
    settings = UnitSettings(
        optics=Optics(
            light=sensors.light,
            adc_max=(1 << sensors.adc_bits) - 1,
            expected_mw_cm2=expected_mw_cm2,
        ),
        advisory=parameters.own_timer,
        frame_ticks=50,
        conditions={},
        steps=StepDefaults(has_vacuum=True, has_oven=True),
    )
    lessons = Lessons(learned or Learned(), expected_mw_cm2)
    return Core(settings, Converter(sensors), lessons, now=now)
