"""The time-series store, written through its InfluxDB write API. The only influxdb_client import.

Faults are sorted here: StoreRefused is the data's fault and would happen again, StoreLost is the
store's or the network's and may pass.
"""

from __future__ import annotations

import base64
import http.client
import re
import ssl
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

REFUSED = (400, 413, 422)
"""Statuses by which the store says that what was sent is bad."""


class StoreRefused(Exception):  # noqa: N818 - named for what the store did
    """The store does not take this data."""


class StoreLost(Exception):  # noqa: N818
    """The store did not answer, or not for a reason of the data."""


@dataclass(frozen=True, slots=True)
class StoreSettings:
    url: str
    """Base address, as http://127.0.0.1:8428"""
    token: str | None = field(default=None, repr=False)
    username: str | None = None
    """With ``password``: basic authentication instead of a token."""
    password: str | None = field(default=None, repr=False)
    org: str = "platelink"
    bucket: str = "platelink"
    timeout_s: float = 5.0
    """An answer takes milliseconds; receiving waits for as long as this on a store that hangs."""
    ca_file: str | None = None
    metrics_url: str | None = None
    """Where the store reports its start time; None: ``url``/metrics."""


class StoreState(NamedTuple):
    start: float | None
    """Start of its process, seconds since 1970; None if it does not say."""
    rows_refused: int | None
    """Rows that it has dropped after accepting them, since its start; None if it does not say."""


class Store:
    """Blocking calls of at most ``timeout_s`` each."""

    def __init__(self, settings: StoreSettings) -> None:
        self._settings = settings
        basic = settings.username is not None
        token = f"{settings.username}:{settings.password or ''}" if basic else settings.token or ""
        self._client = InfluxDBClient(
            settings.url,
            token=token,
            org=settings.org,
            auth_basic=basic,
            timeout=int(settings.timeout_s * 1000),
            ssl_ca_cert=settings.ca_file,
        )
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, lines: str) -> None:
        """Write lines with times in ms. Returning says "accepted", not "kept"."""
        s = self._settings
        try:
            precision: Any = WritePrecision.MS  # the library's hint and its constants disagree
            self._writer.write(s.bucket, s.org, lines, write_precision=precision)
        except ApiException as fault:
            text = f"store {s.url} answered {fault.status} {fault.reason}: {_short(fault.body)}"
            if not fault.status:  # there was no answer
                raise StoreLost(self._unreachable(fault)) from fault
            if fault.status in REFUSED:
                raise StoreRefused(text) from fault
            hint = "; check token and rights" if fault.status in (401, 403) else ""
            raise StoreLost(text + hint) from fault
        except (HTTPError, OSError) as fault:
            raise StoreLost(self._unreachable(fault)) from fault

    def state(self) -> StoreState:
        """Start time and dropped rows as the store reports them. StoreLost if it is away."""
        try:
            text = self._metrics()
        except urllib.error.HTTPError as fault:
            with fault:
                if fault.code >= 500:
                    raise StoreLost(self._unreachable(fault)) from fault
            return StoreState(None, None)  # reachable, but not this page
        except (OSError, http.client.HTTPException) as fault:
            raise StoreLost(self._unreachable(fault)) from fault
        start = re.search(r"^process_start_time_seconds (\S+)$", text, re.MULTILINE)
        dropped = re.findall(r"^vm_rows_(?:invalid|ignored)_total\{.*\} (\d+)$", text, re.MULTILINE)
        refused = sum(map(int, dropped)) if dropped else None
        return StoreState(float(start[1]) if start else None, refused)

    def close(self) -> None:
        self._writer.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]

    def _metrics(self) -> str:
        s = self._settings
        url = s.metrics_url or f"{s.url.rstrip('/')}/metrics"
        request = urllib.request.Request(url)  # noqa: S310 - the operator's own address
        if s.username is not None:
            pair = base64.b64encode(f"{s.username}:{s.password or ''}".encode()).decode()
            request.add_header("Authorization", f"Basic {pair}")
        elif s.token is not None:
            request.add_header("Authorization", f"Token {s.token}")
        context = ssl.create_default_context(cafile=s.ca_file) if url.startswith("https") else None
        with urllib.request.urlopen(request, timeout=s.timeout_s, context=context) as answer:  # noqa: S310
            content: bytes = answer.read()
        return content.decode("utf-8", "replace")

    def _unreachable(self, fault: Exception) -> str:
        s = self._settings
        file = "" if s.ca_file is None else f", and that ca_file {s.ca_file} is there and its own"
        return (
            f"store {s.url} not reachable within {s.timeout_s:g} s ({_short(fault)}): "
            f"check that it runs and that its address is right{file}"
        )


def _short(what: object) -> str:
    return " ".join(str(what).split())[:200]
