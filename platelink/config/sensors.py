"""Settings of the sensors: light channels, vacuum gauge, temperature inputs."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, field_validator, model_validator

from platelink.forms.keys import Celsius, Kpa, Line, Section, key, table
from platelink.link.messages import LIGHT_CHANNELS
from platelink.sensing.light import (
    MAX_DARK_RISE_MW_CM2,
    MAX_TEMP_COEFF_PER_C,
    LightChannel,
    LightSensors,
)
from platelink.sensing.temperature import (
    Amplifier,
    LinearSensor,
    Pt100Sensor,
    TemperatureSensor,
    ThermocoupleSensor,
    reach_c,
)
from platelink.sensing.thermoelectric import THERMOCOUPLES
from platelink.sensing.vacuum import (
    STANDARD_ATMOSPHERE_KPA,
    GaugeKind,
    Signal,
    VacuumSensor,
    standard_barometer_kpa,
)
from platelink.units import TEMPERATURE


class SensorSection(Section):
    """What every sensor may say of itself."""

    serial: Line | None = key(
        "Serial number of the sensor, as on its label: a calibration that names another is not "
        "used, and the shop's must name this one. Left out: it is not looked at.",
        None,
        sample="EX-4711",
    )


class LightChannelSection(SensorSection):
    """One irradiance channel, in the order of the device's inputs."""

    name: str = key("Name for people; 'light 0' and so on without one.", "", example="centre")
    dark_counts: float = key(
        "Mean counts without light when it was calibrated.",
        unit="counts",
        example=18.4,
        ge=0.0,
        lt=65535.0,
    )
    slope_mw_cm2_per_count: float = key(
        "Irradiance for each count above dark, from the calibration against a radiometer.",
        unit="mW/cm2 per count",
        example=0.0149,
        gt=0.0,
        le=100.0,
    )
    temp_coeff_per_c: float = key(
        "Relative change of the sensor's response for each degree of its head.",
        0.0,
        unit="1/°C",
        ge=-MAX_TEMP_COEFF_PER_C,
        le=MAX_TEMP_COEFF_PER_C,
    )
    reference_temp_c: Celsius = key(
        "Temperature of the head during the calibration.", 25.0, unit="°C", ge=-20.0, le=100.0
    )
    weight: float = key(
        "Share in the unit's irradiance relative to the other channels; 0 is only watched.",
        1.0,
        ge=0.0,
        le=1000.0,
    )
    calibrated_on: date = key("Day of the calibration.", example=date(2026, 1, 15))
    due_on: date = key(
        "Last day the calibration is valid. Later, a lead must choose to continue with it overdue.",
        example=date(2027, 1, 15),
    )
    rel_uncertainty: float | None = key(
        "Relative standard uncertainty (k = 1) of the reference meter that the slope is from, half "
        "of what its certificate states for k = 2. Left out, 0.05 is assumed.",
        None,
        sample=0.05,
        ge=0.0,
        lt=1.0,
    )

    @model_validator(mode="after")
    def _dates(self) -> Self:
        if self.due_on <= self.calibrated_on:
            raise ValueError(f"due_on: must be later than calibrated_on = {self.calibrated_on}")
        return self

    def channel(self) -> LightChannel:
        """The channel as sensing takes it."""
        return LightChannel(**self.model_dump(exclude={"serial"}))


class LightSection(Section):
    """Light sensors and how their light counts."""

    expected_mw_cm2: float = key(
        "Irradiance of new, warm lamps at the sensor. Values from recent exposures take "
        "precedence.",
        unit="mW/cm2",
        example=12.0,
        gt=0.0,
        le=1000.0,
    )
    max_dark_rise_mw_cm2: float = key(
        "Largest rise of the dark reading over the calibration's that is taken for drift; more is "
        "stray light. Half of what the dose may be off is the limit where that is less.",
        MAX_DARK_RISE_MW_CM2,
        unit="mW/cm2",
        gt=0.0,
        le=100.0,
    )
    channel: tuple[LightChannelSection, ...] = table(
        "The light channels, 1 to 4, in the order of the device's inputs."
    )

    @field_validator("channel", mode="before")
    @classmethod
    def _list(cls, value: object) -> object:
        if isinstance(value, list) and not 1 <= len(value) <= LIGHT_CHANNELS:
            raise ValueError(f"must have 1 to {LIGHT_CHANNELS} entries, has {len(value)}")
        return tuple(value) if isinstance(value, list) else value

    def sensors(self) -> LightSensors:
        """The sensors as sensing takes them; ValueError when they do not go together."""
        channels = tuple(section.channel() for section in self.channel)
        return LightSensors(channels, self.max_dark_rise_mw_cm2)


def air_faults(kind: str, barometer_kpa: float | None, altitude_m: float | None) -> Iterator[str]:
    """What is wrong with what is said of the air at the unit."""
    if barometer_kpa is not None and altitude_m is not None:
        yield "altitude_m: give barometer_kpa or altitude_m, not both"
    if kind == "absolute" and barometer_kpa is None and altitude_m is None:
        yield "barometer_kpa: an absolute gauge needs the local barometer_kpa or altitude_m"


def air_kpa(barometer_kpa: float | None, altitude_m: float | None) -> float:
    """Local air pressure, kPa."""
    if barometer_kpa is not None:
        return barometer_kpa
    return STANDARD_ATMOSPHERE_KPA if altitude_m is None else standard_barometer_kpa(altitude_m)


class VacuumSection(SensorSection):
    """The vacuum gauge of the frame. Leave the section out when there is none."""

    kind: Literal["gauge", "absolute"] = key(
        "gauge: measures against the air around it. absolute: against nothing; needs "
        "barometer_kpa or altitude_m.",
        "gauge",
    )
    signal: Literal["voltage", "current"] = key(
        "voltage: from volts_low to volts_high. current: 4 to 20 mA through shunt_ohm.", "voltage"
    )
    kpa_low: Kpa = key(
        "Pressure at the low end of the signal; below atmosphere is negative for a gauge.",
        unit="kPa",
        example="0 kPa",
        ge=-110.0,
        le=1000.0,
    )
    kpa_high: Kpa = key(
        "Pressure at the high end of the signal.",
        unit="kPa",
        example="-100 kPa",
        ge=-110.0,
        le=1000.0,
    )
    adc_reference_v: float = key(
        "Voltage at the converter's last count. A transmitter fed from it is ratiometric: its "
        "true value cancels.",
        5.0,
        unit="V",
        gt=0.0,
        le=24.0,
    )
    volts_low: float = key("Low end of a voltage signal.", 0.5, unit="V", ge=0.0, le=24.0)
    volts_high: float = key("High end of a voltage signal.", 4.5, unit="V", gt=0.0, le=24.0)
    shunt_ohm: float = key("Resistor of a current signal.", 240.0, unit="ohm", gt=0.0, le=1000.0)
    barometer_kpa: Kpa | None = key(
        "Air pressure at the unit (station pressure, not reduced to sea level).",
        None,
        sample="1002 mbar",
        unit="kPa",
        ge=50.0,
        le=110.0,
    )
    altitude_m: float | None = key(
        "Altitude of the unit, from which its mean air pressure follows when barometer_kpa is "
        "not given. With neither: sea level.",
        None,
        sample=250.0,
        unit="m",
        ge=-500.0,
        le=5500.0,
    )

    @model_validator(mode="after")
    def _air(self) -> Self:
        for fault in air_faults(self.kind, self.barometer_kpa, self.altitude_m):
            raise ValueError(fault)
        return self

    def barometer(self) -> float:
        """Local air pressure, kPa."""
        return air_kpa(self.barometer_kpa, self.altitude_m)

    def sensor(self, adc_bits: int) -> VacuumSensor:
        """The gauge as sensing takes it; ValueError when its values do not go together."""
        return VacuumSensor(
            kpa_low=self.kpa_low,
            kpa_high=self.kpa_high,
            adc_bits=adc_bits,
            kind=GaugeKind(self.kind),
            barometer_kpa=self.barometer(),
            signal=Signal(self.signal),
            adc_reference_v=self.adc_reference_v,
            volts_low=self.volts_low,
            volts_high=self.volts_high,
            shunt_ohm=self.shunt_ohm,
        )


def _cold_junction(value: object) -> object:
    """'head', or a temperature that an amplifier may have."""
    if value is None or value == "head":
        return value
    if isinstance(value, str):
        value = TEMPERATURE.parse(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError('must be a temperature such as "25 degC", or "head"')
    if not _COLD_LOW_C <= value <= _COLD_HIGH_C:
        raise ValueError(f"must be at least {_COLD_LOW_C:g} and at most {_COLD_HIGH_C:g} °C")
    return float(value)


_COLD_LOW_C, _COLD_HIGH_C = -40.0, 100.0
_ONLY_FOR = {
    "mv_per_c": ("linear",),
    "mv_at_0c": ("linear",),
    "cold_junction": ("K", "T"),
    "current_ma": ("pt100",),
    "lead_ohm": ("pt100",),
}


class TemperatureSection(SensorSection):
    """A temperature input of the device."""

    sensor: Literal["linear", "K", "T", "pt100"] = key(
        "linear: straight characteristic. K, T: thermocouple on an amplifier that does not "
        "compensate the cold junction. pt100: with a constant current.",
        example="linear",
    )
    adc_reference_v: float = key(
        "Voltage at the converter's last count.", 5.0, unit="V", gt=0.0, le=24.0
    )
    gain: float = key("Gain of the amplifier.", 1.0, gt=0.0, le=100_000.0)
    offset_mv: float = key(
        "Output of the amplifier for a sensor signal of 0.",
        0.0,
        unit="mV",
        ge=-24_000.0,
        le=24_000.0,
    )
    low_c: Celsius = key("Lower readings are not believed.", -40.0, unit="°C", ge=-50.0, le=1000.0)
    high_c: Celsius = key(
        "Higher readings are not believed.", 150.0, unit="°C", ge=-40.0, le=1300.0
    )
    mv_per_c: float | None = key(
        "linear: signal for each degree.",
        None,
        unit="mV/°C",
        example=10.0,
        ge=-1000.0,
        le=1000.0,
    )
    mv_at_0c: float = key("linear: signal at 0 °C.", 0.0, unit="mV", ge=-24_000.0, le=24_000.0)
    cold_junction: Annotated[float | Literal["head"] | None, BeforeValidator(_cold_junction)] = key(
        "K, T: temperature of the amplifier's terminals; 'head' when they are where the [head] "
        "sensor is.",
        None,
        sample="head",
        unit="°C",
    )
    current_ma: float | None = key(
        "pt100: current through the sensor.", None, sample=1.0, unit="mA", gt=0.0, le=10.0
    )
    lead_ohm: float = key(
        "pt100: resistance of the leads that is measured with it.", 0.0, unit="ohm", ge=0.0, le=50.0
    )

    @model_validator(mode="after")
    def _belongs(self) -> Self:
        fields = type(self).model_fields
        faults = [
            f"{name}: is not for sensor = {self.sensor!r}"
            for name, sensors in _ONLY_FOR.items()
            if self.sensor not in sensors and getattr(self, name) != fields[name].default
        ]
        for name in ("mv_per_c", "cold_junction", "current_ma"):
            if self.sensor in _ONLY_FOR[name] and getattr(self, name) is None:
                faults.append(f"{name}: is needed for sensor = {self.sensor!r}")
        if self.mv_per_c == 0.0:
            faults.append("mv_per_c: must not be 0")
        if self.low_c >= self.high_c:
            faults.append(f"high_c: must be greater than low_c = {self.low_c:g} °C")
        if faults:
            raise ValueError("\n".join(faults))
        return self

    def reach_c(self, adc_bits: int) -> tuple[float, float]:
        """What the sensor can tell; ValueError where that is nothing."""
        believing_all = self.model_copy(update={"low_c": -300.0, "high_c": 3000.0})
        low_c, high_c = reach_c(believing_all.build(adc_bits), adc_bits) or (0.0, 0.0)
        low_c, high_c = max(low_c, self.low_c), min(high_c, self.high_c)
        if low_c >= high_c:
            raise ValueError(
                f"no signal of the converter gives a temperature from {self.low_c:g} to "
                f"{self.high_c:g} °C; correct the characteristic, or low_c and high_c"
            )
        return low_c, high_c

    def build(self, adc_bits: int) -> TemperatureSensor:
        """The sensor as sensing takes it."""
        amplifier = Amplifier(
            adc_bits=adc_bits,
            adc_reference_v=self.adc_reference_v,
            gain=self.gain,
            offset_mv=self.offset_mv,
            low_c=self.low_c,
            high_c=self.high_c,
        )
        if self.sensor in THERMOCOUPLES:
            cold = self.cold_junction
            fixed_c = float(cold) if isinstance(cold, float | int) else None
            return ThermocoupleSensor(amplifier, THERMOCOUPLES[self.sensor], fixed_c)
        if self.sensor == "pt100":
            return Pt100Sensor(amplifier, self.current_ma or 0.0, self.lead_ohm)
        return LinearSensor(amplifier, self.mv_per_c or 0.0, self.mv_at_0c)


def range_notices(
    light: LightSection, adc_bits: int, head: TemperatureSection | None
) -> Iterator[tuple[str, str]]:
    """(key path, text) of what is valid, and with which a sensor would measure badly."""
    top = (1 << adc_bits) - 1
    for i, channel in enumerate(light.channel):
        counts = channel.dark_counts + light.expected_mw_cm2 / channel.slope_mw_cm2_per_count
        if channel.weight > 0.0 and counts >= top:
            yield (
                f"light.channel[{i}].slope_mw_cm2_per_count",
                f"fresh lamps of {light.expected_mw_cm2:g} mW/cm² would give {counts:.0f} "
                f"counts, the converter ends at {top}; lower the sensor's gain and calibrate",
            )
    if head is None and any(c.temp_coeff_per_c for c in light.channel):
        yield (
            "head",
            "light channels have a temperature coefficient but there is no [head] sensor; they "
            "are taken to be at their reference temperature",
        )
