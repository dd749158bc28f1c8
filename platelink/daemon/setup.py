"""From a configuration to a daemon: what the core, the shell and the publisher are told."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from platelink import __version__
from platelink.config import Config, RecorderConfig, effective
from platelink.control.exposure_request import ExposureRequest
from platelink.control.procedure.plan import StepDefaults
from platelink.control.states import Learned
from platelink.daemon.asked import flag, new_run_id, text_of
from platelink.daemon.clock import Clock
from platelink.daemon.core import Job, UnitCore, UnitSettings
from platelink.daemon.service import ServiceSettings
from platelink.daemon.shell import Shell, ShellSettings
from platelink.publish.mqtt import BrokerSettings
from platelink.publish.publisher import Publisher, PublisherSettings
from platelink.record.journal import Journal
from platelink.sensing.light import CalibrationDue
from platelink.sensing.readings import Converter
from platelink.units import parse_dose

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
    return ServiceSettings(socket_path(config), config.service.port, told_to_service(config))


def told_to_service(config: Config) -> dict[str, Any]:
    """What ``platelink.api.settings`` takes; paths from the root, for it may run elsewhere."""
    return {
        "unit": config.unit.name,
        "journal": str(config.journal.path.absolute()),
        "recipes": str(config.recipes_path().absolute()),
        "people": str(config.people_path().absolute()),
        "expired_lot": config.recipes.expired_lot,
        "hosts": list(config.service.hosts),
        "config": effective(config),
    }


def unit_settings(config: Config) -> UnitSettings:
    """What the core is told, with everything a run's conditions must hold."""
    light = config.light
    channels = [channel.model_dump(mode="json") for channel in light.channel]
    return UnitSettings(
        optics=config.optics(),
        advisory=config.unit.lamps == "advisory",
        frame_ticks=config.link.frame_ticks,
        conditions={
            "platelink": __version__,
            "config_hash": config.config_hash(),
            "light": {
                "channels": channels,
                "reciprocity_p": light.reciprocity_p,
                "reference_mw_cm2": light.reference_mw_cm2,
                "expected_mw_cm2": light.expected_mw_cm2,
            },
            "config": effective(config),
        },
        steps=step_defaults(config),
    )


def step_defaults(config: Config) -> StepDefaults:
    """What the unit has, and what a recipe leaves to it."""
    settings = config.exposure
    return StepDefaults(
        contact=config.contact_limits(),
        has_vacuum=config.vacuum is not None,
        has_oven=config.oven is not None,
        max_light_s=settings.max_exposure_s,
        silence_policy=config.silence_policy(),
        silence_s=settings.silence_s,
        tolerance_pct=settings.tolerance_pct,
    )


def make_job(config: Config, asked: Any, *, today: date) -> Job:
    """A job of a request: ``dose`` as typed ("420 mJ/cm2"), ``step``, ``operator``, ``plate``,
    ``job``, ``note``, ``contact`` (False: no contact vacuum), ``accept_overdue``, ``max_light_s``.
    ValueError says what is wrong with it."""
    if not isinstance(asked, dict):
        raise ValueError(f"a job is an object with {', '.join(_ASKED)}, not {asked!r:.40}")
    unknown = set(asked) - set(_ASKED)
    if unknown:
        raise ValueError(f"{', '.join(sorted(unknown))}: not known; use {', '.join(_ASKED)}")
    dose = parse_dose(str(asked.get("dose") or ""))
    if not MIN_DOSE_MJ_CM2 <= dose <= MAX_DOSE_MJ_CM2:
        raise ValueError(
            f"dose of {dose:g} mJ/cm²: must be at least {MIN_DOSE_MJ_CM2:g}, at most "
            f"{MAX_DOSE_MJ_CM2:g}"
        )
    step = str(asked.get("step") or "film")
    if not _STEP.fullmatch(step):
        raise ValueError(f"step {step!r:.40}: use small letters, digits, '-' and '_', such as film")
    contact = flag(asked, "contact", otherwise=True)
    settings = config.exposure
    request = ExposureRequest(
        target_dose_mj_cm2=dose,
        contact=config.contact_limits() if contact else None,
        max_light_s=min(_limit_s(asked, settings.max_exposure_s), settings.max_exposure_s),
        guard_factor=settings.guard_factor,
        silence_policy=config.silence_policy(),
        silence_s=settings.silence_s,
        tolerance_pct=settings.tolerance_pct,
    )
    texts = {name: text_of(asked, name) for name in _TEXTS if asked.get(name) is not None}
    return Job(
        run_id=new_run_id(),
        step=step,
        request=request,
        overdue=tuple(due.text for due in overdue(config, today)),
        accept_overdue=flag(asked, "accept_overdue", otherwise=False),
        asked={**asked, "contact": contact},
        **texts,
    )


def _limit_s(asked: dict[str, Any], otherwise: float) -> float:
    value = asked.get("max_light_s")
    if value is None:
        return otherwise
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"max_light_s: give seconds as a number, not {value!r:.40}")
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"max_light_s of {value:g} s: must be above 0")
    return float(value)


def make_shell(config: Config, clock: Clock, *, today: Callable[[], date]) -> Shell:
    """The daemon of a configuration. JournalError when its journal cannot be opened."""
    first = Learned(afterglow_s=config.exposure.afterglow_s)

    def make_core(learned: Learned | None, now: float) -> UnitCore:
        settings = unit_settings(config)
        return UnitCore(settings, Converter(config.sensors()), learned or first, now=now)

    return Shell(
        ShellSettings(
            unit=config.unit.name,
            port=config.link.port,
            baud=config.link.baud,
            journal=config.journal.path,
            service=service_settings(config),
        ),
        make_core,
        lambda asked: make_job(config, asked, today=today()),
        clock,
        make_publisher(config),
        overdue=lambda: overdue(config, today()),
    )


def overdue(config: Config, today: date) -> tuple[CalibrationDue, ...]:
    """Calibrations past their date."""
    return tuple(n.overdue for n in config.notices(today) if n.overdue is not None)


def broker_settings(config: Config | RecorderConfig) -> BrokerSettings | None:
    """The broker as the publisher and the recorder take it; None where none is configured."""
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
    )


def _path(path: Path | None) -> str | None:
    return None if path is None else str(path)


def make_publisher(config: Config) -> Publisher | None:
    """The publisher of a configuration; None where no broker is configured."""
    broker = broker_settings(config)
    if broker is None:
        return None
    journal = config.journal.path
    return Publisher(
        PublisherSettings(broker=broker, site=config.unit.site, unit=config.unit.name),
        open_source=lambda: Journal.open(journal, read_only=True),
        cursor_path=journal.with_suffix(".cursor"),
    )


_TEXTS = ("operator", "plate", "job", "note")
_ASKED = ("dose", "step", *_TEXTS, "contact", "accept_overdue", "max_light_s")
