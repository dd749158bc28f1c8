"""Figures for scrapers and a word on health for watchdogs, before anybody has signed in."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

from fastapi import APIRouter, Response

from platelink.api.context import Context, Here
from platelink.api.errors import ApiError
from platelink.api.figures import FRESH_S, of_backup, of_disk, of_lamps, of_sensors, of_unit
from platelink.api.routes.device import lamps, sensors_now
from platelink.contract.unit import Health
from platelink.record.backed_up import last_backup
from platelink.serving.certificates import of_certificates, read
from platelink.serving.figure import Figure
from platelink.serving.figures import CONTENT_TYPE, text_of

router = APIRouter(tags=["unit"])
PLAIN: dict[str, Any] = {"text/plain": {"schema": {"type": "string"}}}


@router.get("/v1/health", responses={503: {"model": Health}})
def health(here: Here, response: Response) -> Health:
    """Whether the unit can be worked at: 503 and what is the matter, where it cannot."""
    problems = list(_problems(here))
    if problems:
        response.status_code = 503
    return Health(ok=not problems, problems=problems)


@router.get("/v1/metrics", responses={200: {"content": PLAIN}}, response_class=Response)
def metrics(here: Here) -> Response:
    """Figures in the text format of Prometheus; docs/monitoring.md tells their names."""
    return Response(text_of(_figures(here)), media_type=CONTENT_TYPE)


def _problems(here: Context) -> Iterator[str]:
    status, age_s = here.hub.status, here.hub.age_s()
    if status is None or age_s > FRESH_S:
        yield "the daemon says nothing; look at its log: journalctl -u platelink"
        return
    if status.problem or status.link.state != "up":
        yield status.problem or f"link to the device: {status.link.text or status.link.state}"
    if status.journal.fault:
        yield f"journal: {status.journal.fault}"
    if status.service is not None and status.service.problem:
        yield f"service: {status.service.problem}"
    if status.publisher is not None and status.publisher.problem:
        yield f"broker: {status.publisher.problem}"


def _figures(here: Context) -> Iterator[Figure]:
    site = _configured(here, "unit", "site")
    labels = {"site": site or "", "unit": here.settings.unit}
    yield from of_unit(here.hub.status, labels, here.hub.age_s())
    with suppress(ApiError):  # what cannot be read has no figures; health and alarms say so
        yield of_sensors(sensors_now(here), labels)
    with suppress(ApiError):
        yield from of_lamps(here.lamps.of(lambda: lamps(here)), labels)
    yield of_certificates(read(*_certificates(here)))
    backup = last_backup(here.settings.journal)
    yield of_backup(None if backup is None else backup.made_utc, labels)
    with suppress(OSError):
        yield of_disk(shutil.disk_usage(here.settings.journal.parent).free, labels)


def _certificates(here: Context) -> list[str | None]:
    return [_configured(here, "broker", name) for name in ("ca_file", "certificate_file")]


def _configured(here: Context, section: str, name: str) -> str | None:
    """A text of the configuration in force."""
    values = here.settings.config.get(section)
    value = values.get(name) if isinstance(values, dict) else None
    return value if isinstance(value, str) else None
