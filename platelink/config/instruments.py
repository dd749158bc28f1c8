"""Settings of instruments beside the board: Modbus RTU gauges and oven controllers on RS-485."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Literal, Self

from pydantic import field_validator, model_validator

from platelink.config.sensors import air_faults, air_kpa
from platelink.forms.keys import Kpa, PlainName, Seconds, Section, key, table
from platelink.sensing.calibration import Quantity
from platelink.sensing.registers import BusInstrument, Form, size
from platelink.sensing.vacuum import GaugeKind
from platelink.units import INHG_KPA

MOST_INSTRUMENTS = 2
SLOWEST_VACUUM_S = 0.3
"""Between two values: the watch over contact tells a fall ahead from the values of 3 s, and needs 8
of them."""
SLOWEST_OVEN_S = 2.5
"""Minutes of a bake count over no gap of more than 5 s."""
OLDEST_VACUUM_S = 5.0
"""Longer, film may have lost contact with nobody knowing."""
OLDEST_OVEN_S = 10.0
"""The sensor of a bake is lost after as much."""
_MMHG_KPA = INHG_KPA / Fraction("25.4")
_UNITS = {
    "vacuum": {
        "kPa": (Fraction(1), 0), "Pa": (Fraction(1, 1000), 0), "hPa": (Fraction(1, 10), 0),
        "mbar": (Fraction(1, 10), 0), "mmHg": (_MMHG_KPA, 0), "inHg": (INHG_KPA, 0),
    },
    "oven": {"degC": (Fraction(1), 0), "degF": (Fraction(5, 9), -32)},
}  # fmt: skip
"""Factor and shift of each unit: NIST SP 811 (2008), B.8; of mercury the conventional ones."""
_SHOWN = {"degC": "°C", "degF": "°F"}


class InstrumentSection(Section):
    """One instrument on the bus."""

    name: PlainName = key("Name of the instrument.", example="gauge-1")
    slave: int = key("Its address on the bus.", example=5, ge=1, le=247)
    measures: Literal["vacuum", "oven"] = key(
        "What it measures, in the place of the device's own sensor.", example="vacuum"
    )
    function: Literal["holding", "input"] = key(
        "Kind of its register: holding is read with function 3, input with 4. Nothing is ever "
        "written.",
        "holding",
    )
    first_register: int = key(
        "Number of its register, or the first of two, as it goes over the wire: from 0; manuals "
        "often count from 1 or 40001.",
        example=0,
        ge=0,
        le=65535,
    )
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = key(
        "How the number stands in one register, or in two.", "int16"
    )
    word_order: Literal["high first", "low first"] = key(
        "Which of two registers is the high one.", "high first"
    )
    scale: float = key(
        "The value is the number times this, plus offset. Negative for a gauge that shows vacuum "
        "as a positive number.",
        1.0,
        example=0.1,
        ge=-1e6,
        le=1e6,
    )
    offset: float = key("See scale.", 0.0, ge=-1e9, le=1e9)
    unit: Literal["kPa", "Pa", "hPa", "mbar", "mmHg", "inHg", "degC", "degF"] = key(
        "Unit of the value.", example="kPa"
    )
    low: float = key(
        "Least value that can be, in its unit; a lower one is not believed.",
        example=-100.0,
        ge=-1e6,
        le=1e6,
    )
    high: float = key("Greatest value that can be.", example=10.0, ge=-1e6, le=1e6)
    poll_s: Seconds | None = key(
        "How often it is read. Left out: 0.2 s for vacuum, 1 s for an oven. At most 0.3 s for "
        "vacuum, 2.5 s for an oven: slower ones cannot be watched.",
        None,
        unit="s",
        sample="0.2 s",
        ge=0.05,
        le=SLOWEST_OVEN_S,
    )
    stale_after_s: Seconds | None = key(
        "How old a value may be; then there is none. Left out: 1 s for vacuum, 5 s for an oven. "
        "A gauge is silent after this, or [contact] gauge_silence_s where that is longer.",
        None,
        unit="s",
        sample="1 s",
        gt=0.0,
        le=OLDEST_OVEN_S,
    )
    kind: Literal["gauge", "absolute"] = key("As of [vacuum].", "gauge")
    barometer_kpa: Kpa | None = key(
        "As of [vacuum].", None, sample="1002 mbar", unit="kPa", ge=50.0, le=110.0
    )
    altitude_m: float | None = key(
        "As of [vacuum].", None, sample=250.0, unit="m", ge=-500.0, le=5500.0
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        faults = list(self._faults())
        if faults:
            raise ValueError("\n".join(faults))
        return self

    def _faults(self) -> Iterator[str]:
        vacuum = self.measures == "vacuum"
        if self.unit not in _UNITS[self.measures]:
            fit = ", ".join(_UNITS[self.measures])
            yield f"unit: of {self.measures} it must be one of {fit}"
        if self.scale == 0.0:
            yield "scale: must not be 0"
        if self.low >= self.high:
            yield f"high: must be greater than low = {self.low:g}"
        if self.first_register + size(Form(self.type)) > 65536:
            yield "first_register: a number of two registers ends at 65535"
        if size(Form(self.type)) == 1 and self.word_order != "high first":
            yield f"word_order: is not for type = {self.type!r}, which is one register"
        slowest_s, oldest_s = (
            (SLOWEST_VACUUM_S, OLDEST_VACUUM_S) if vacuum else (SLOWEST_OVEN_S, OLDEST_OVEN_S)
        )
        if self.every_s > slowest_s:
            why = (
                "contact cannot be watched with a slower gauge" if vacuum
                else "minutes of a bake cannot be counted with a slower one"
            )  # fmt: skip
            yield f"poll_s: must be at most {slowest_s:g} s: {why}"
        if self.oldest_s > oldest_s:
            yield f"stale_after_s: must be at most {oldest_s:g} s for {self.measures}"
        if self.oldest_s < 2.0 * self.every_s:
            yield (
                f"stale_after_s: must be at least {2.0 * self.every_s:g} s, twice poll_s: one lost "
                "answer is no lost instrument"
            )
        given = self.kind, self.barometer_kpa, self.altitude_m
        if vacuum:
            yield from air_faults(*given)
        elif given != ("gauge", None, None):
            yield "kind: kind, barometer_kpa and altitude_m are for vacuum only"

    @property
    def every_s(self) -> float:
        """How often it is read."""
        return self.poll_s or (0.2 if self.measures == "vacuum" else 1.0)

    @property
    def oldest_s(self) -> float:
        """How old a value may be."""
        return self.stale_after_s or (1.0 if self.measures == "vacuum" else 5.0)

    def registers(self) -> set[tuple[int, str, int]]:
        """Where its number stands on the bus."""
        first = self.first_register
        numbers = range(first, first + size(Form(self.type)))
        return {(self.slave, self.function, number) for number in numbers}

    def build(self) -> BusInstrument:
        """The instrument as sensing takes it."""
        factor, shift = _UNITS[self.measures][self.unit]
        return BusInstrument(
            name=self.name,
            quantity=Quantity(self.measures),
            slave=self.slave,
            holding=self.function == "holding",
            register=self.first_register,
            form=Form(self.type),
            low_word_first=self.word_order == "low first",
            scale=self.scale,
            offset=self.offset,
            unit=_SHOWN.get(self.unit, self.unit),
            factor=float(factor),
            shift=float(shift),
            low=self.low,
            high=self.high,
            poll_s=self.every_s,
            stale_after_s=self.oldest_s,
            kind=GaugeKind(self.kind),
            barometer_kpa=air_kpa(self.barometer_kpa, self.altitude_m),
        )


class ModbusSection(Section):
    """The bus. Its settings are those that are set on the instruments."""

    port: str = key(
        "Serial port of the RS-485 adapter; the names in /dev/serial/by-id survive a replug.",
        example="/dev/serial/by-id/usb-example-adapter",
        min_length=1,
    )
    baud: int = key("Speed of the bus.", 19200, unit="bit/s", ge=1200, le=921_600)
    parity: Literal["even", "odd", "none"] = key("Parity of the bus.", "even")
    stop_bits: int = key(
        "Stop bits; the specification asks for 2 where there is no parity.", 1, ge=1, le=2
    )
    timeout_s: Seconds = key("How long an answer is waited for.", 0.1, unit="s", ge=0.02, le=2.0)
    instrument: tuple[InstrumentSection, ...] = table(
        f"The instruments, at most {MOST_INSTRUMENTS}: one for vacuum, one for the oven."
    )

    @field_validator("instrument", mode="before")
    @classmethod
    def _list(cls, value: object) -> object:
        if isinstance(value, list) and not 1 <= len(value) <= MOST_INSTRUMENTS:
            raise ValueError(f"must have 1 to {MOST_INSTRUMENTS} entries, has {len(value)}")
        return tuple(value) if isinstance(value, list) else value

    def of(self, measures: str) -> InstrumentSection | None:
        """The instrument of vacuum, or of the oven."""
        return next((one for one in self.instrument if one.measures == measures), None)

    def instruments(self) -> tuple[BusInstrument, ...]:
        """As sensing takes them."""
        return tuple(one.build() for one in self.instrument)


def instrument_faults(
    bus: ModbusSection, port: str, board: tuple[str, ...]
) -> Iterator[tuple[str, str]]:
    """(key path, text) of what is wrong between instruments, and beside the device at ``port``
    with sensors for ``board``."""
    if bus.port == port:
        yield "modbus.port", "is the device's own port, [link] port; instruments need another"
    waits_s = bus.timeout_s * len(bus.instrument)
    for i, one in enumerate(bus.instrument):
        path = f"modbus.instrument[{i}]"
        if any(one.name == other.name for other in bus.instrument[:i]):
            yield f"{path}.name", "is the name of another instrument already"
        if any(one.measures == other.measures for other in bus.instrument[:i]):
            yield f"{path}.measures", f"another instrument measures {one.measures} already"
        for other in bus.instrument[:i]:
            if one.registers() & other.registers():
                yield (
                    f"{path}.first_register",
                    f"is a register of instrument '{other.name}' already; one number cannot be "
                    "both: see the manual for the other",
                )
        if one.measures in board:
            yield (
                f"{path}.measures",
                f"[{one.measures}] is the device's own sensor for it, and only one can count: "
                "remove that section or this instrument",
            )
        if one.oldest_s < one.every_s + waits_s:
            yield (
                f"{path}.stale_after_s",
                f"must be at least {one.every_s + waits_s:g} s: poll_s, and [modbus] timeout_s for "
                "each instrument, any of which may not answer",
            )
