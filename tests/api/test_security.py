"""The security log: to the journal and to syslog, and a flood fills neither. Names are invented."""

from __future__ import annotations

import asyncio
import socket
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api.api_shop import NotingDaemon
from platelink.api.security import SecurityLog
from platelink.serving.syslog import to_syslog

NOW = datetime(2026, 6, 1, 8, 0, tzinfo=UTC)


def test_a_flood_is_one_line_a_minute_that_counts(tmp_path: Path) -> None:
    daemon, now = NotingDaemon(), [NOW]

    async def work() -> None:
        log = SecurityLog(daemon, lambda: now[0])
        for _ in range(500):
            log.note("sign-in refused", address="10.1.2.3")
        log.note("right refused", "may not run plates", who="Ida Invented")
        now[0] += timedelta(seconds=61)
        log.note("sign-in refused", address="10.1.2.4")
        await asyncio.sleep(0)

    asyncio.run(work())
    assert [(a["what"], a["times"], a["text"]) for a in daemon.told] == [
        ("sign-in refused", 1, "sign-in refused from 10.1.2.3"),
        ("right refused", 1, "right refused Ida Invented: may not run plates"),
        ("sign-in refused", 500, "sign-in refused from 10.1.2.4 (500 times)"),
    ]


def test_syslog_gets_every_line_and_none_is_forged(tmp_path: Path) -> None:
    path = tmp_path / "log"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as syslog:
        syslog.bind(str(path))
        syslog.settimeout(5.0)

        async def work() -> None:
            log = SecurityLog(NotingDaemon(), lambda: NOW)
            with to_syslog(path):
                log.note("sign-in", who="Ada\nInvented ä", address="local")
                await asyncio.sleep(0)

        asyncio.run(work())
        # RFC 3164, 4.1.1: facility 4 (security) times 8, severity 6 (informational).
        assert syslog.recv(4096) == b"<38>platelink: sign-in Ada\\nInvented \\xe4 from local"


def test_a_syslog_that_is_not_there_holds_nobody_up(tmp_path: Path, capfd) -> None:
    async def work() -> None:
        with to_syslog(tmp_path / "none"):
            SecurityLog(NotingDaemon(), lambda: NOW).note("sign-in")
            await asyncio.sleep(0)

    asyncio.run(work())
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(tmp_path / "deaf"))
        deaf.close()
        asyncio.run(_to(tmp_path / "deaf"))
    assert capfd.readouterr().err == ""


async def _to(path: Path) -> None:
    with to_syslog(path):
        SecurityLog(NotingDaemon(), lambda: NOW).note("sign-in")
        await asyncio.sleep(0)
