"""Figures and health of the page's process."""

from __future__ import annotations

import asyncio
import re
import subprocess
from pathlib import Path
from typing import Any

import httpx
from web.test_passing import OWN, Service, ask

from platelink.web.app import build
from platelink.web.settings import PageSettings


def test_the_page_says_whether_the_service_answers() -> None:
    service = Service()
    assert ask(service, "GET", "/health").json() == {"ok": True, "problems": []}
    text = ask(service, "GET", "/metrics").text
    assert "platelink_page_service_up 1.0" in text and "process_cpu_seconds_total" in text
    assert {request.url.path for request in service.asked} == {"/v1/health"}
    service.broken = True
    answer = ask(service, "GET", "/health")
    assert answer.status_code == 503 and answer.json()["problems"]
    assert "platelink_page_service_up 0.0" in ask(service, "GET", "/metrics").text


def test_a_foreign_name_is_told_nothing() -> None:
    for path in ("/health", "/metrics"):
        assert ask(Service(), "GET", path, base="http://evil.example").status_code == 421


def test_the_unit_s_own_figures_come_through_the_page() -> None:
    service = Service()
    ask(service, "GET", "/api/v1/metrics")
    assert service.asked[0].url.path == "/v1/metrics"


def test_the_certificate_that_is_served_is_told_not_one_that_lies_there_later(
    tmp_path: Path,
) -> None:
    """uvicorn reads the file once: after a renewal the old one is served until the next start."""
    path = tmp_path / "page.crt"

    def made(days: int) -> None:
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", str(days),
             "-subj", "/CN=invented", "-keyout", tmp_path / "key", "-out", path],
            check=True, capture_output=True,
        )  # fmt: skip

    made(2)
    settings = PageSettings(tmp_path / "unused.socket", certificate=path, key=tmp_path / "key")
    guard: Any = build(settings)

    async def asked() -> str:
        transport = httpx.MockTransport(Service().handle)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as behind:
            guard.app.state.client = behind
            async with httpx.AsyncClient(transport=httpx.ASGITransport(guard)) as browser:
                return (await browser.get(f"{OWN}/metrics")).text

    ends = []
    for _ in range(2):
        name = "platelink_certificate_expires_timestamp_seconds"
        (line,) = re.findall(rf"^{name}{{.*", asyncio.run(asked()), re.M)
        ends.append(line)
        made(800)
    assert ends[0] == ends[1] and f'file="{path}"' in ends[0]
