"""From a configuration to a daemon: what the core, the shell and the publisher are told."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from types import MappingProxyType
from urllib.parse import urlsplit

from platelink import __version__
from platelink.config.instruments import InstrumentSection, ModbusSection
from platelink.config.jetstream import JetStreamSection
from platelink.config.model import Config, FleetConfig, RecorderConfig, effective
from platelink.config.show import show
from platelink.contract.service import SensorSettings, Settings
from platelink.contract.unit import ExposureJob
from platelink.control.light.lessons import Lessons
from platelink.control.light.request import ExposureRequest
from platelink.control.procedure.plan import ANY_C, StepDefaults
from platelink.control.states import Learned
from platelink.control.steps.door import ClosedFalls
from platelink.daemon.calibrated import Calibrated, Held, conditions_of, optics_of, settings_of
from platelink.daemon.clock import Clock, new_run_id
from platelink.daemon.cosigning import Cosigning, others_of
from platelink.daemon.polling import Polling
from platelink.daemon.retaining import Rule
from platelink.daemon.sealing import Sealing, seal_places
from platelink.daemon.service import ServiceSettings
from platelink.daemon.shell import Shell
from platelink.daemon.shell_settings import ShellSettings
from platelink.daemon.stamping import Stamping
from platelink.daemon.taking import taking_of
from platelink.daemon.taping import Taping
from platelink.instruments.modbus import Bus, BusSettings
from platelink.publish.broker import BrokerSettings, StreamSettings
from platelink.publish.discovery import discovery
from platelink.publish.publisher import Publisher
from platelink.publish.publishing import PublisherSettings
from platelink.publish.texts import RetainedTexts
from platelink.publish.topics import Topics
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent
from platelink.sensing.readings import Converter
from platelink.tape.files import folder_of
from platelink.tape.taped import TapedCore
from platelink.unit.core import Core
from platelink.unit.job import Job, UnitSettings
from platelink.units import DOSE

MIN_DOSE_MJ_CM2 = 0.1
"""Less than any plate takes, and about what lamps give in one look at the wire."""
MAX_DOSE_MJ_CM2 = 1e6
"""More than any plate takes: a slip of the unit."""
_STEP = re.compile(r"[a-z][a-z0-9_-]{0,31}")


def socket_path(config: Config) -> Path:
    """Where the service of this configuration is reached: beside its journal."""
    return config.socket_path()


def service_settings(config: Config) -> ServiceSettings:
    """The service of a configuration: its sockets, and what it is told."""
    return ServiceSettings(
        socket_path(config), config.service.port, settings_of_service(config),
        config.service.page_group,
    )  # fmt: skip


def settings_of_service(config: Config) -> Settings:
    """What the service is told; paths from the root, for it may run elsewhere."""
    return Settings(
        unit=config.unit.name,
        journal=config.journal.path.absolute(),
        recipes=config.recipes_path().absolute(),
        people=config.people_path().absolute(),
        calibrations=config.calibrations_path().absolute(),
        experiments=config.experiments_path().absolute(),
        expired_lot=config.recipes.expired_lot,
        least_film_density=config.recipes.least_film_density,
        own_approval=config.recipes.own_approval,
        page_socket=_absolute(config.service.page_socket),
        hosts=tuple(config.service.hosts),
        lamps=config.unit.lamps,
        fresh_mw_cm2=config.light.expected_mw_cm2,
        sensors=tuple(_sensors(config)),
        config=effective(config),
    )


def _absolute(path: Path | None) -> Path | None:
    return None if path is None else path.absolute()


def _sensors(config: Config) -> Iterator[SensorSettings]:
    sections = {f"light {number}": one for number, one in enumerate(config.light.channel)}
    others = {name: config.measuring(name) for name in ("vacuum", "oven", "head")}
    for name, section in {**sections, **others}.items():
        if section is not None:
            yield SensorSettings(
                name=name,
                calibrated_on=getattr(section, "calibrated_on", None),
                due_on=getattr(section, "due_on", None),
                settings=section.model_dump(mode="json"),
                stands_on=settings_of(config, name),
                on_bus=on_bus(section),
            )


def on_bus(section: object) -> tuple[float, float] | None:
    """kPa or °C of one count of an instrument, and of its last digit; None of the device's own."""
    if not isinstance(section, InstrumentSection):
        return None
    one = section.build()
    return one.per_count(), one.digit()


def unit_settings(config: Config, held: Held = MappingProxyType({})) -> UnitSettings:
    """What the core is told, with everything a run's conditions must hold; ``held`` are the
    calibrations in force."""
    light, conditions = config.light, conditions_of(config, held)
    beside = config.on_bus("vacuum")
    return UnitSettings(
        optics=optics_of(config, held),
        advisory=config.unit.lamps == "advisory",
        frame_ticks=config.link.frame_ticks,
        conditions={
            "platelink": __version__,
            "config_hash": config.config_hash(),
            "calibrations": conditions["calibrations"],
            "light": {
                "channels": conditions["channels"],
                "expected_mw_cm2": light.expected_mw_cm2,
            },
            "config": effective(config),
        },
        steps=step_defaults(config),
        stated=config.uncertainty.stated(),
        gauge_s=None if beside is None else (beside.every_s, beside.oldest_s),
    )


def step_defaults(config: Config) -> StepDefaults:
    """What the unit has, and what a recipe leaves to it."""
    settings, bits, gauge = config.exposure, config.unit.adc_bits, config.gauge()
    return StepDefaults(
        contact=config.contact_limits(),
        has_vacuum=gauge is not None,
        has_oven=config.measuring("oven") is not None,
        oven_reach_c=config.oven_reach_c() or ANY_C,
        water_reach_c=config.water.reach_c(bits) if config.water else ANY_C,
        vacuum_problem=gauge.band_problem if gauge else lambda low, high: "",
        max_light_s=settings.max_exposure_s,
        silence_policy=config.silence_policy(),
        silence_s=settings.silence_s,
        tolerance_pct=settings.tolerance_pct,
    )


def make_job(config: Config, job: ExposureJob, overdue: tuple[str, ...] = ()) -> Job:
    """A job of a request. ValueError says what is wrong with its dose or step; ``overdue`` why it
    must be told to go on."""
    dose = DOSE.parse(job.dose)
    if not MIN_DOSE_MJ_CM2 <= dose <= MAX_DOSE_MJ_CM2:
        raise ValueError(
            f"dose of {dose:g} mJ/cm²: must be at least {MIN_DOSE_MJ_CM2:g}, at most "
            f"{MAX_DOSE_MJ_CM2:g}"
        )
    step = job.step or "film"
    if not _STEP.fullmatch(step):
        raise ValueError(f"step {step!r:.40}: use small letters, digits, '-' and '_', such as film")
    settings = config.exposure
    request = ExposureRequest(
        target_dose_mj_cm2=dose,
        contact=config.contact_limits() if job.contact else None,
        max_light_s=min(job.max_light_s or math.inf, settings.max_exposure_s),
        guard_factor=settings.guard_factor,
        silence_policy=config.silence_policy(),
        silence_s=settings.silence_s,
        tolerance_pct=settings.tolerance_pct,
    )
    return Job(
        run_id=new_run_id(),
        step=step,
        request=request,
        operator=job.operator,
        plate=job.plate,
        job=job.job,
        note=job.note,
        overdue=overdue,
        accept_overdue=job.accept_overdue,
        recorded_request={**job.given(), "contact": job.contact},
    )


def taping_of(config: Config, held: Callable[[], Held]) -> Taping:
    """The tapes of a configuration."""
    most_bytes = config.journal.tapes_mb * 1_000_000
    folder = folder_of(config.journal.path)
    return Taping(folder, most_bytes, config.unit.name, show(config), held)


def core_of(
    config: Config, held: Held, converter: Converter, told: Sequence[RunEvent], *, now: float,
    make: Callable[..., Core] = Core,
) -> Core:  # fmt: skip
    """The core of a configuration with these calibrations; ``told`` is what the record tells of
    lamps and oven, oldest first."""
    afterglow_s = config.exposure.afterglow_s
    first = Learned(afterglow_s, afterglow_known=afterglow_s > 0.0)
    settings = unit_settings(config, held)
    settings = replace(settings, steps=replace(settings.steps, closed_falls=ClosedFalls(told)))
    return make(settings, converter, Lessons(first, config.light.expected_mw_cm2, told), now=now)


def make_shell(config: Config, clock: Clock, *, today: Callable[[], date]) -> Shell:
    """The daemon of a configuration. JournalError when its journal cannot be opened."""
    calibrated = Calibrated(config, unit_settings, today)

    taping = taping_of(config, lambda: calibrated.held)
    make = partial(TapedCore, put=taping.put, held=lambda: calibrated.held) if taping.on else Core

    def make_core(told: Sequence[RunEvent], now: float) -> Core:
        converter = calibrated.converter()
        return core_of(config, calibrated.held, converter, told, now=now, make=make)

    cosigning = make_cosigning(config)
    taking = taking_of(config, cosigning.texts)
    if taking is not None:
        calibrated.others = taking.calibrated
    publisher = make_publisher(config, cosigning.texts)
    return Shell(
        ShellSettings(
            unit=config.unit.name,
            port=config.link.port,
            baud=config.link.baud,
            journal=config.journal.path,
            service=service_settings(config),
            config_hash=config.config_hash(),
            instruments=polling_of(config, clock),
        ),
        make_core,
        lambda job: make_job(config, job, calibrated.blocking()),
        clock,
        publisher,
        calibrated=calibrated,
        taping=taping,
        sealing=Sealing(
            seal_places(config), cosigning, retention_rule(config), stamping_of(config), taking
        ),
    )


def bus_of(section: ModbusSection) -> Bus:
    """The bus of a configuration."""
    return Bus(
        BusSettings(
            section.port, section.baud, section.parity, section.stop_bits, section.timeout_s
        )
    )


def polling_of(config: Config, clock: Clock) -> Polling | None:
    """What asks the instruments; None where there are none."""
    section = config.modbus
    if section is None:
        return None
    return Polling(bus_of(section), section.instruments(), clock)


def stamping_of(config: Config) -> Stamping | None:
    """What has seals time-stamped; None where no authority is configured."""
    section = config.stamping
    if section is None:
        return None

    from platelink.evidence.authority import stamp_by  # noqa: PLC0415 -- httpx, where it is used

    timeout_s, roots = section.timeout_s, section.certificate_file
    ask = partial(stamp_by, section.url, timeout_s=timeout_s, roots=roots)
    return Stamping(urlsplit(section.url).hostname or "the authority", ask)


def retention_rule(config: Config) -> Rule:
    """How long samples are kept."""
    places = seal_places(config)
    return Rule(config.journal.keep_samples_days, places.log, config.broker is not None)


def broker_settings(config: Config | RecorderConfig | FleetConfig) -> BrokerSettings | None:
    """The broker as publisher, recorder and fleet take it; None where none is configured."""
    broker = config.broker
    if broker is None:
        return None
    return BrokerSettings(
        host=broker.host,
        port=broker.port,
        username=broker.username,
        password=broker.secret(),
        tls=broker.tls,
        ca_file=_path(broker.ca_file),
        certificate_file=_path(broker.certificate_file),
        key_file=_path(broker.key_file),
        keepalive_s=broker.keepalive_s,
        streams=_streams(
            config.jetstream, () if isinstance(config, FleetConfig) else config.recorder.partitions
        ),
    )


def _streams(cluster: JetStreamSection | None, own: tuple[int, ...]) -> StreamSettings | None:
    if cluster is None:
        return None
    return StreamSettings(
        hosts=cluster.hosts(),
        replicas=cluster.replicas,
        partitions=cluster.partitions,
        own=own or None,
        stream_bytes=round(cluster.stream_gb * 1e9),
        keep_s=cluster.keep_days * 86400.0,
    )


def _path(path: Path | None) -> str | None:
    return None if path is None else str(path)


def make_cosigning(config: Config) -> Cosigning:
    """What tells others how the log of seals stands, and witnesses theirs."""
    own = Topics(config.unit.site, config.unit.name)
    return Cosigning(own, others_of(own, config.cosigning.units))


def make_publisher(config: Config, texts: RetainedTexts) -> Publisher | None:
    """The publisher of a configuration; None where no broker is configured."""
    section, broker = config.broker, broker_settings(config)
    if section is None or broker is None:
        return None
    site, unit, journal = config.unit.site, config.unit.name, config.journal.path
    if section.home_automation is not None:
        texts.retain(*discovery(Topics(site, unit), section.home_automation, __version__))
    return Publisher(
        PublisherSettings(broker=broker, site=site, unit=unit, blocks=section.blocks),
        open_source=lambda: JournalReader.open(journal),
        cursor_path=journal.with_suffix(".cursor"),
        texts=texts,
    )
