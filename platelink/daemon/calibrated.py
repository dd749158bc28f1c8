"""The configured sensors with the calibrations in force, and what is past its date.

Approved calibrations go before the configuration's own values. One that cannot be used, for the
sensor's settings are others now, or its file cannot be read, blocks exposures like one past its
date: silently going on with other values would be a dose of another size.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from platelink.calibrations.made import STEP_SHARE
from platelink.calibrations.store import CalibrationStore
from platelink.config.model import Config, Notice
from platelink.contract.calibrations import Counts, CountsNow
from platelink.control.light.request import Optics
from platelink.ledger.errors import StoreError
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader
from platelink.sensing.calibration import (
    UNIT,
    CalibratedTemperature,
    Calibration,
    calibrated_gauge,
    calibrated_light,
    quantity_of,
)
from platelink.sensing.light import LightSensors
from platelink.sensing.readings import Converter, Sensors
from platelink.sensing.registers import BusInstrument
from platelink.sensing.temperature import TemperatureSensor
from platelink.sensing.vacuum import VacuumSensor
from platelink.unit.bed import DROP_LESSONS
from platelink.unit.core import Core
from platelink.unit.job import UnitSettings
from platelink.unit.outputs import CoreOutput
from platelink.unit.stamp import Stamp
from platelink.unit.view import number

WHO = "calibration"
"""Who drops lessons that were learned in another measure of light."""
Held = Mapping[str, Calibration]
"""The calibration in force of each sensor that has one."""
_OWN = frozenset(
    {
        "name", "dark_counts", "slope_mw_cm2_per_count", "weight", "calibrated_on", "due_on",
        "rel_uncertainty", "low_c", "high_c", "barometer_kpa", "altitude_m", "low", "high",
        "poll_s", "stale_after_s",
    }
)  # fmt: skip
"""Settings that may change without a calibration losing its meaning."""
_LIGHT_KEYS = (
    "dark_counts", "slope_mw_cm2_per_count", "calibrated_on", "due_on", "rel_uncertainty",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Due:
    """A calibration that is past its date, or cannot be used."""

    text: str
    days_over: int
    name: str = ""
    """The sensor, where a calibration in the store is past its date."""
    blocks: bool = True
    """An exposure must be told to go on; False within the days of grace."""


def settings_of(config: Config, sensor: str) -> dict[str, Any]:
    """What a calibration of this sensor stands on, as plain values."""
    kind, _, index = sensor.partition(" ")
    section: Any = config.light.channel[int(index)] if index else config.measuring(kind)
    values: dict[str, Any] = section.model_dump(mode="json")
    kept = {key: value for key, value in values.items() if key not in _OWN}
    return kept | {"adc_bits": config.unit.adc_bits}


def unfit(config: Config, by: Calibration) -> str:
    """Why a calibration says nothing of the sensor as it is configured now; empty when it does."""
    try:
        now = settings_of(config, by.sensor)
    except (IndexError, AttributeError):
        return f"{by.name} is of a sensor that is no longer configured"
    changed = sorted(k for k in now.keys() | by.settings.keys() if now.get(k) != by.settings.get(k))
    if "serial" in changed and None in (now.get("serial"), by.settings.get("serial")):
        changed.remove("serial")  # known since, or no longer: no sign of another sensor
    if not changed:
        return ""
    return (
        f"{by.name} was made with other settings of {by.sensor} ({', '.join(changed)}); "
        "calibrate again, or restore those settings"
    )


def sensors_of(config: Config, held: Held) -> Sensors:
    """The sensors with these calibrations."""
    plain = config.sensors()
    channels = tuple(
        calibrated_light(channel, held[f"light {i}"]) if f"light {i}" in held else channel
        for i, channel in enumerate(plain.light.channels)
    )
    vacuum = plain.vacuum
    if isinstance(vacuum, VacuumSensor) and "vacuum" in held:
        vacuum = calibrated_gauge(vacuum, held["vacuum"])
    elif isinstance(vacuum, BusInstrument) and "vacuum" in held:
        vacuum = vacuum.calibrated(held["vacuum"])
    return replace(
        plain,
        light=replace(plain.light, channels=channels),
        vacuum=vacuum,
        oven=_thermometer(plain.oven, held.get("oven")),
        head=_thermometer(plain.head, held.get("head")),
    )


def _thermometer(
    sensor: TemperatureSensor | None, by: Calibration | None
) -> TemperatureSensor | None:
    if sensor is None or by is None:
        return sensor
    if isinstance(sensor, BusInstrument):
        return sensor.calibrated(by)
    return CalibratedTemperature(sensor, by.line)


def optics_of(config: Config, held: Held) -> Optics:
    """The light side of the unit with these calibrations."""
    return replace(config.optics(), light=sensors_of(config, held).light)


def conditions_of(config: Config, held: Held) -> dict[str, Any]:
    """What a run's record says of its calibrations, and the light channels as they were used."""
    channels = []
    for i, section in enumerate(config.light.channel):
        values = section.model_dump(mode="json")
        by = held.get(f"light {i}")
        if by is not None:
            used = calibrated_light(section.channel(), by)
            values |= {key: _plain(getattr(used, key)) for key in _LIGHT_KEYS}
        channels.append(values)
    return {"channels": channels, "calibrations": list(_named(config, held))}


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, date) else value


def _named(config: Config, held: Held) -> Iterator[dict[str, Any]]:
    """Each sensor with the calibration it was read with."""
    for i, section in enumerate(config.light.channel):
        sensor = f"light {i}"
        yield _name(sensor, held.get(sensor), section.calibrated_on, section.due_on)
    for sensor in ("vacuum", "oven", "head"):
        if config.measuring(sensor) is not None:
            yield _name(sensor, held.get(sensor), None, None)


def _name(
    sensor: str, by: Calibration | None, calibrated_on: date | None, due_on: date | None
) -> dict[str, Any]:
    if by is None:
        return {
            "sensor": sensor, "calibration": "as configured",
            "made_on": _plain(calibrated_on), "due_on": _plain(due_on),
        }  # fmt: skip
    return {
        "sensor": sensor,
        "calibration": by.name,
        "made_on": by.made_at_utc.date().isoformat(),
        "due_on": by.due_on.isoformat(),
        "instrument": by.instrument.name,
        "certificate": by.instrument.certificate,
        "approved_by": by.approved_by,
        "u": number(by.expanded_u(), 5),
        "unit": UNIT[by.quantity],
    }


def dues(config: Config, held: Held, today: date) -> tuple[Due, ...]:
    """What is past its date: of each sensor the calibration in force, else the configuration's."""
    grace = config.calibration.grace_days
    found = [
        Due(n.overdue.text, n.overdue.days_over, blocks=n.overdue.days_over > grace)
        for n in config.notices(today)
        if n.overdue is not None and f"light {n.overdue.channel}" not in held
    ]
    for by in held.values():
        over = (today - by.due_on).days
        if over > 0:
            days = "1 day" if over == 1 else f"{over} days"
            text = f"calibration {by.name} was due on {by.due_on}, {days} ago; calibrate it again"
            found.append(Due(text, over, by.sensor, over > grace))
    return tuple(found)


def read_held(config: Config) -> tuple[dict[str, Calibration] | None, tuple[Due, ...]]:
    """The calibrations in force that can be used, None where their file cannot be read; and why
    others cannot."""
    path = config.calibrations_path()
    held: dict[str, Calibration] = {}
    try:
        if path.exists():
            with CalibrationStore.open(path, read_only=True) as store:
                held = store.in_force()
    except StoreError as error:
        return None, (Due(f"calibrations cannot be read: {error}", 0),)
    reasons = {name: unfit(config, by) for name, by in held.items()}
    unusable = tuple(Due(text, 0) for text in reasons.values() if text)
    return {name: by for name, by in held.items() if not reasons[name]}, unusable


def notices(config: Config, today: date) -> tuple[Notice, ...]:
    """What is valid but wants attention: the configuration's own, without those that a calibration
    in force goes before, and what there is to say of these."""
    held, unusable = read_held(config)
    held = held or {}
    over = tuple(f"light.channel[{i}].{key}" for i in range(len(config.light.channel))
                 if f"light {i}" in held for key in ("due_on", "calibrated_on"))  # fmt: skip
    soon = [
        f"calibration {by.name} is due on {by.due_on}, in {(by.due_on - today).days} days"
        for by in held.values()
        if 0 <= (by.due_on - today).days <= config.calibration.warn_days
    ]
    late = [due.text for due in dues(config, held, today) if due.name in held]
    texts = [*(due.text for due in unusable), *late, *soon]
    return (
        *(n for n in config.notices(today) if n.key not in over),
        *(Notice("calibration", text) for text in texts),
    )


class Calibrated:
    """The calibrations in force of one unit, read from their store."""

    def __init__(
        self,
        config: Config,
        settings: Callable[[Config, Held], UnitSettings],
        today: Callable[[], date],
    ) -> None:
        self._config, self._settings, self._today = config, settings, today
        self.others: Callable[[], bool] = lambda: False
        """Asked again and again: did somebody beside the service approve any?"""
        self.held: dict[str, Calibration] = {}
        self._unusable: tuple[Due, ...] = ()
        self._waits = False
        """Read, and not yet taken up by the core."""
        self._stale = ""
        """Why lessons of the lamps are in another measure than light is now; empty when not."""
        self.read()

    def read(self) -> None:
        """Read what is approved. What cannot be used is left out, and said by ``overdue``."""
        held, self._unusable = read_held(self._config)
        if held is not None:
            self._waits, self.held = self._waits or held != self.held, held

    def converter(self) -> Converter:
        """For a new core."""
        self._waits = False
        sensors = sensors_of(self._config, self.held)
        self._stale = _changed(_newest_scale(self._config.journal.path), _scale(sensors.light))
        return Converter(sensors, self._config.sensors())

    def settings(self) -> UnitSettings:
        """For a new core."""
        return self._settings(self._config, self.held)

    def overdue(self) -> tuple[Due, ...]:
        """Past their date, or not to be used."""
        return (*self._unusable, *dues(self._config, self.held, self._today()))

    def blocking(self) -> tuple[str, ...]:
        """Why an exposure must be told to go on."""
        return tuple(due.text for due in self.overdue() if due.blocks)

    def supply_pct(self, core: Core) -> float | None:
        """How much higher the converter's reference is than when light was calibrated: so much too
        little light is counted. None where the device, or the calibration, does not tell it."""
        now = core.converter.supply.volts
        then = [
            level.counts.supply_v
            for name, by in self.held.items() if name.startswith("light")
            for level in by.levels if level.counts.supply_v is not None
        ]  # fmt: skip
        return None if now is None or not then else 100.0 * (now / (sum(then) / len(then)) - 1.0)

    def give(self, core: Core, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """To the core, as soon as no run is recorded with those before. What lamps taught in
        another measure of light is discarded: it would call good lamps wrong."""
        if self.others():
            self.read()
        if core.bed.exposing or core.run_id or core.plate_runs.baking:
            return ()
        if self._waits:
            before = _scale(core.converter.light)
            core.take_up(self.settings(), sensors_of(self._config, self.held))
            self._waits = False
            self._stale = self._stale or _changed(before, _scale(core.converter.light))
        stale, self._stale = self._stale, ""
        if not stale or core.bed.lessons.in_force.irradiance_mw_cm2 is None:
            return ()
        return core.command(DROP_LESSONS, stale, who=WHO, at=at)


def _scale(light: LightSensors) -> float:
    """Irradiance of one count on every channel."""
    return sum(c.weight * c.slope_mw_cm2_per_count for c in light.channels)


def _newest_scale(journal: Path) -> float | None:
    """The same, as the newest exposure on record was read with; None where there is none."""
    try:
        with JournalReader.open(journal) as reader:
            run = reader.newest_exposure()
        conditions: Any = run.start.conditions if run is not None else {}
        channels = conditions["light"]["channels"]
        weights = [float(channel["weight"]) for channel in channels]
        slopes = [float(channel["slope_mw_cm2_per_count"]) for channel in channels]
        return sum(w * s for w, s in zip(weights, slopes, strict=True)) / sum(weights)
    except (JournalError, LookupError, TypeError, ValueError, ZeroDivisionError):
        return None


def _changed(before: float | None, now: float) -> str:
    """That light is measured otherwise than before; empty where it is not, or little."""
    if before is None or not before > 0.0 or abs(now / before - 1.0) <= STEP_SHARE:
        return ""
    return f"light was calibrated: the same counts mean {now / before - 1.0:+.1%}"


def counts_now(core: Core, sensor: str, *, now: float) -> CountsNow:
    """What the device counts at an input; ValueError for a sensor that the unit does not have."""
    looked = core.converter.counting.look(sensor, now=now)
    settled, unit = looked.settled, UNIT[quantity_of(sensor)]
    if not core.bed.up:
        text = f"no link to the device: {core.session.status().text}"
        return CountsNow(
            sensor=sensor, unit=unit, counts=None, x=None, value=None, drift=0.0, limit=0.0,
            waits_s=0.0, settled=False, text=text,
        )  # fmt: skip
    return CountsNow(
        sensor=sensor,
        unit=unit,
        counts=None if settled.counts is None else Counts(**asdict(settled.counts)),
        x=looked.x,
        value=looked.value,
        drift=settled.drift,
        limit=settled.limit,
        waits_s=settled.waits_s,
        settled=settled.settled,
        text=settled.text,
    )
