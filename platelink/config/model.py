"""The configuration as a whole, and what is built from it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import model_validator

from platelink.config.alerts import AlertsSection, alerts_faults, alerts_notices
from platelink.config.cost import CostSection
from platelink.config.fleet import FleetSection
from platelink.config.instruments import InstrumentSection, ModbusSection, instrument_faults
from platelink.config.jetstream import JetStreamSection, cluster_faults
from platelink.config.sensors import (
    LightSection,
    TemperatureSection,
    VacuumSection,
    range_notices,
)
from platelink.config.services import (
    BrokerSection,
    CalibrationSection,
    CosigningSection,
    DisplaySection,
    JournalSection,
    RecipesSection,
    RecorderSection,
    ServiceSection,
    StampingSection,
    StoreSection,
)
from platelink.config.shop import ShopSection
from platelink.config.uncertainty import UncertaintySection
from platelink.config.unit import ContactSection, ExposureSection, LinkSection, UnitSection
from platelink.control.contact.contact import ContactLimits
from platelink.control.light.request import Optics
from platelink.forms.keys import Section, key, table
from platelink.link.messages import WATER_CHANNEL, SilencePolicy
from platelink.publish.discovery import discovery_fault
from platelink.sensing.light import CalibrationDue
from platelink.sensing.readings import Sensors
from platelink.sensing.registers import BusInstrument
from platelink.sensing.vacuum import VacuumSensor

FORMAT = 1
SECRETS = ("password", "token", "address")
_FORMAT_TEXT = "Format of this file."
_HEAD_EXAMPLE = {"mv_per_c": 10.0, "mv_at_0c": 500.0}
"""As docs/wiring.md wires head and water."""
ZERO_KPA = 3.0
"""How far from 0 a relative gauge of a vented frame may be: invented."""
WEATHER_KPA = 8.0
"""An absolute one: the same, and some 5 kPa that weather moves the air's own pressure by (common
experience, no source)."""


@dataclass(frozen=True, slots=True)
class Notice:
    """Something about a valid configuration that a person should know."""

    key: str
    text: str
    overdue: CalibrationDue | None = None
    """The calibration that is past its date, when that is what it is about."""


class Config(Section):
    """All settings of the daemon of one unit."""

    format: Literal[1] = key(_FORMAT_TEXT, example=FORMAT)
    unit: UnitSection = table("Which unit this is.")
    link: LinkSection = table("The serial link to the device.")
    light: LightSection = table("Light sensors and how their light counts.")
    vacuum: VacuumSection | None = table(
        "The vacuum gauge of the frame; left out where there is none.", None
    )
    oven: TemperatureSection | None = table(
        "The oven's temperature sensor, which measures its air; left out where there is none.",
        None,
        examples={"mv_per_c": 5.0},
    )
    head: TemperatureSection | None = table(
        "The temperature sensor at the light sensors' head, for their temperature coefficient; "
        "left out where there is none.",
        None,
        examples=_HEAD_EXAMPLE,
    )
    water: TemperatureSection | None = table(
        "The probe in the washout's water; left out, a person measures what a recipe asks for.",
        None,
        examples=_HEAD_EXAMPLE,
    )
    modbus: ModbusSection | None = table(
        "Instruments on RS-485 that measure vacuum or oven in the place of the device's own "
        "sensors: docs/instruments.md. Irradiance and light stay with the device.",
        None,
    )
    uncertainty: UncertaintySection = table(
        "What the doses of this unit may be off by: docs/uncertainty.md. What is left out is "
        "assumed, and marked so wherever a dose is shown.",
        UncertaintySection(),
    )
    contact: ContactSection | None = table(
        "The contact vacuum an exposure needs (common practice, no source: set what holds your "
        "plates). Left out, exposures do not look at the vacuum.",
        None,
    )
    exposure: ExposureSection = table("How an exposure is guarded.", ExposureSection())
    journal: JournalSection = table("The unit's own record.", JournalSection())
    recipes: RecipesSection = table("Recipes, stock lots and screens.", RecipesSection())
    cost: CostSection = table(
        "What things cost the shop, for `platelink cost`. Left out, no cost is shown.",
        CostSection(),
    )
    calibration: CalibrationSection = table(
        "Calibrations made with `platelink calibrate`; approved ones take precedence over the "
        "values above.",
        CalibrationSection(),
    )
    cosigning: CosigningSection = table(
        "Units that witness each other's logs of seals by way of the broker: docs/evidence.md.",
        CosigningSection(),
    )
    stamping: StampingSection | None = table(
        "Time stamps of seals by an authority of your choice (RFC 3161): docs/evidence.md. "
        "Without it nobody outside is asked.",
        None,
    )
    shop: ShopSection | None = table(
        "Recipes, people and calibrations from one place, as signed revisions: docs/shop.md. "
        "Without it nothing is taken from anywhere.",
        None,
    )
    service: ServiceSection = table(
        "The service behind the page and the command line.", ServiceSection()
    )
    broker: BrokerSection | None = table(
        "The MQTT broker. Without it nothing is published and nothing is missing.", None
    )
    jetstream: JetStreamSection | None = table(
        "Where the broker is a cluster of NATS JetStream instead: docs/scale.md.", None
    )
    store: StoreSection | None = table(
        "The time-series store the recorder writes to, by InfluxDB's write API.", None
    )
    recorder: RecorderSection = table(
        "The recorder: its own process, from the broker into the store.", RecorderSection()
    )
    fleet: FleetSection = table(
        "All units of a broker together, for `platelink fleet`: docs/fleet.md.", FleetSection()
    )
    alerts: AlertsSection | None = table(
        "Alarms that reach people by e-mail, webhook and push, sent by `platelink alerts`. They "
        "replace no person at the unit, and no interlock. Without it nobody is notified.",
        None,
    )
    display: DisplaySection = table(
        "Units for people; records are always in kPa, °C, mW/cm² and mJ/cm².", DisplaySection()
    )

    def sensors(self) -> Sensors:
        """The unit's sensors as ``Converter`` takes them."""
        bits, beside = self.unit.adc_bits, self.on_bus("oven")
        return Sensors(
            light=self.light.sensors(),
            adc_bits=bits,
            vacuum=self.gauge(),
            oven=beside.build() if beside else self.oven.build(bits) if self.oven else None,
            head=self.head.build(bits) if self.head else None,
            water=self.water.build(bits) if self.water else None,
        )

    def on_bus(self, measures: str) -> InstrumentSection | None:
        """The instrument on the bus that measures this."""
        return self.modbus.of(measures) if self.modbus else None

    def measuring(self, sensor: str) -> Section | None:
        """The section of the vacuum gauge, the oven's or the head's sensor."""
        own: Section | None = getattr(self, sensor)
        return self.on_bus(sensor) or own

    def gauge(self) -> BusInstrument | VacuumSensor | None:
        """The vacuum gauge; ValueError when its values do not go together."""
        beside = self.on_bus("vacuum")
        if beside is not None:
            return beside.build()
        return self.vacuum.sensor(self.unit.adc_bits) if self.vacuum else None

    def oven_reach_c(self) -> tuple[float, float] | None:
        """What the oven's sensor can tell; None without one."""
        if (beside := self.on_bus("oven")) is not None:
            return beside.build().reach_c()
        return self.oven.reach_c(self.unit.adc_bits) if self.oven else None

    def optics(self) -> Optics:
        """The light side of the unit as an exposure needs it."""
        light = self.light
        return Optics(
            light=light.sensors(),
            adc_max=(1 << self.unit.adc_bits) - 1,
            expected_mw_cm2=light.expected_mw_cm2,
        )

    def contact_limits(self) -> ContactLimits | None:
        """The contact an exposure waits for; None where none is asked for."""
        if self.contact is None:
            return None
        gauge = self.gauge()
        absolute = gauge is not None and gauge.kind == "absolute"
        return ContactLimits(
            **self.contact.model_dump(),
            vented_kpa=WEATHER_KPA if absolute else ZERO_KPA,
            barometer_kpa=gauge.barometer_kpa if gauge and absolute else None,
        )

    def socket_path(self) -> Path:
        """Where the unit's service is reached: beside the journal."""
        return self.journal.path.with_suffix(".socket")

    def recipes_path(self) -> Path:
        """File of the store of recipes."""
        return self.recipes.path or self.journal.path.with_name("recipes.sqlite")

    def calibrations_path(self) -> Path:
        """File of the store of calibrations."""
        return self.calibration.path or self.journal.path.with_name("calibrations.sqlite")

    def experiments_path(self) -> Path:
        """File of the store of experiments: beside the journal."""
        return self.journal.path.with_name("experiments.sqlite")

    def people_path(self) -> Path:
        """File of the people who may sign in."""
        return self.service.people or self.journal.path.with_name("people.sqlite")

    def alerts_path(self) -> Path:
        """File of what was told and what waits."""
        own = self.alerts.path if self.alerts else None
        return own or self.journal.path.with_name("alerts.sqlite")

    def silence_policy(self) -> SilencePolicy:
        """What an open order does when the host falls silent."""
        finish = self.exposure.silence == "finish"
        return SilencePolicy.FINISH if finish else SilencePolicy.CLOSE

    def notices(self, today: date) -> tuple[Notice, ...]:
        """What is valid but wants attention, calibrations past their date first."""
        alerts = alerts_notices(self.alerts) if self.alerts else ()
        return (
            *_calibration_notices(self, today),
            *(Notice(*told) for told in range_notices(self.light, self.unit.adc_bits, self.head)),
            *(Notice(name, text) for name, text in alerts),
        )

    def config_hash(self) -> str:
        """SHA-256 of the effective settings without secrets, as it goes into every record."""
        return config_hash(self)


class RecorderConfig(Section):
    """The part of the file that the recorder needs; it may live on a machine without a unit."""

    format: Literal[1] = key(_FORMAT_TEXT, example=FORMAT)
    broker: BrokerSection = table("The MQTT broker to read from.")
    jetstream: JetStreamSection | None = table(
        "Where the broker is a cluster of NATS JetStream instead: docs/scale.md.", None
    )
    store: StoreSection = table("The time-series store to write to.")
    recorder: RecorderSection = table("The recorder.", RecorderSection())

    @model_validator(mode="after")
    def _check(self) -> Self:
        for name, text in cluster_faults(self.jetstream, self.recorder):
            raise ValueError(f"{name}: {text}")
        return self


class FleetConfig(Section):
    """The part of the file that the fleet's commands need; no unit need be on that machine."""

    format: Literal[1] = key(_FORMAT_TEXT, example=FORMAT)
    broker: BrokerSection = table("The MQTT broker to read from.")
    jetstream: JetStreamSection | None = table(
        "Where the broker is a cluster of NATS JetStream instead: docs/scale.md.", None
    )
    fleet: FleetSection = table("All units together.", FleetSection())
    display: DisplaySection = table("Units for people.", DisplaySection())


def effective(config: Section) -> dict[str, Any]:
    """Every setting, defaults included, as plain JSON values; secrets are hidden."""
    values: dict[str, Any] = _hidden(config.model_dump(mode="json"))
    return values


def _hidden(values: Any) -> Any:
    """Plain values in which every secret, however deep, is hidden."""
    if isinstance(values, dict):
        return {
            name: "(hidden)" if name in SECRETS and value is not None else _hidden(value)
            for name, value in values.items()
        }
    return [_hidden(value) for value in values] if isinstance(values, list) else values


def config_hash(config: Section) -> str:
    """See ``Config.config_hash``."""
    text = json.dumps(effective(config), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def faults(config: Config) -> Iterator[tuple[str, str]]:
    """(key path, text) of what is wrong between sections, each of which is right by itself."""
    bits = config.unit.adc_bits
    for name, build in (
        ("light.channel", config.light.sensors),
        ("vacuum", lambda: config.vacuum and config.vacuum.sensor(bits)),
        ("oven", lambda: config.oven and config.oven.reach_c(bits)),
        ("head", lambda: config.head and config.head.reach_c(bits)),
        ("water", lambda: config.water and config.water.reach_c(bits)),
    ):
        yield from _building(name, build)
    for i, channel in enumerate(config.light.channel):
        if channel.dark_counts >= (1 << bits) - 1:
            yield (
                f"light.channel[{i}].dark_counts",
                (f"must be less than {(1 << bits) - 1} counts, the last of a {bits} bit converter"),
            )
    if config.head is not None and config.head.cold_junction == "head":
        yield "head.cold_junction", "cannot be its own; give a temperature"
    for name, section in (("oven", config.oven), ("water", config.water)):
        if section is not None and section.cold_junction == "head" and config.head is None:
            yield f"{name}.cold_junction", "needs a [head] section; add it or give a temperature"
    if config.water is not None and len(config.light.channel) > WATER_CHANNEL:
        yield "water", "shares its input with the fourth light channel; remove one of them"
    if config.modbus is not None:
        board = tuple(name for name in ("vacuum", "oven") if getattr(config, name) is not None)
        yield from instrument_faults(config.modbus, config.link.port, board)
    yield from _contact_faults(config)
    if config.cosigning.units and config.broker is None:
        yield "cosigning.units", "needs a [broker] section: units meet there"
    if config.jetstream is not None and config.broker is None:
        yield "jetstream", "needs a [broker] section: the first node of the cluster stands there"
    yield from cluster_faults(config.jetstream, config.recorder)
    yield from _home_automation_faults(config)
    if config.alerts is not None:
        yield from alerts_faults(config.alerts)


def _home_automation_faults(config: Config) -> Iterator[tuple[str, str]]:
    if config.broker is None or config.broker.home_automation is None:
        return
    fault = discovery_fault(config.unit.site, config.unit.name)
    if config.jetstream is not None:
        fault = "is for an MQTT broker; home automation does not read a cluster"
    if fault is not None:
        yield "broker.home_automation", fault


def _building(name: str, build: Callable[[], object]) -> Iterator[tuple[str, str]]:
    try:
        build()
    except ValueError as error:
        yield name, str(error)


def _contact_faults(config: Config) -> Iterator[tuple[str, str]]:
    if config.contact is None:
        return
    try:
        gauge = config.gauge()
    except ValueError:
        return  # told already
    if gauge is None:
        yield "contact", "needs a [vacuum] section or instrument; add one, or leave [contact] out"
        return
    low_kpa, high_kpa = config.contact.low_kpa, config.contact.high_kpa
    if problem := gauge.reach_problem(low_kpa):
        yield "contact.low_kpa", problem
    elif problem := gauge.band_problem(low_kpa, high_kpa):
        yield "contact.high_kpa", problem


def _calibration_notices(config: Config, today: date) -> Iterator[Notice]:
    for due in config.light.sensors().calibration_due(today):
        yield Notice(f"light.channel[{due.channel}].due_on", due.text, due)
    for i, channel in enumerate(config.light.channel):
        if channel.calibrated_on > today:
            yield Notice(
                f"light.channel[{i}].calibrated_on",
                f"calibrated on {channel.calibrated_on}, which is after today, {today}; check "
                "the date and this computer's clock",
            )
