"""The fleet's page: nothing of it without the password, and nothing old as the present."""

from __future__ import annotations

import asyncio
import base64
import re
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from cli.cli_runs import run
from fleet.fleet_copies import SITE, begun_anew, good, published, unit_journal
from fleet.fleet_links import Script
from fleet.fleet_words import DARK, word
from starlette.routing import Route

from platelink.fleet import entrance, page
from platelink.fleet.copies import Copies
from platelink.fleet.page import ROUTES, Listening, build
from platelink.publish import links
from platelink.publish.broker import BrokerSettings, Received
from platelink.publish.topics import Topics
from platelink.runs import RunChannels
from platelink.web.guard import Guard
from platelink.web.settings import PageSettings

PASSWORD = "an invented one"
EXPOSURE = "20260302-070000-aaaa"
LIMIT_S = 60.0


def said(unit: str, payload: bytes) -> Received:
    return Received(Topics(SITE, unit).status, payload, 1, 1, retained=True)


def basic(password: str) -> dict[str, str]:
    return {"authorization": "Basic " + base64.b64encode(f"x:{password}".encode()).decode()}


class Client:
    """A browser that knows the password."""

    def __init__(self, app: Guard) -> None:
        self._app = app

    def get(self, path: str, headers: dict[str, str] | None = None) -> httpx.Response:
        return self.ask("GET", path, headers)

    def ask(self, method: str, path: str, headers: dict[str, str] | None = None) -> httpx.Response:
        async def asking() -> httpx.Response:
            transport = httpx.ASGITransport(self._app)
            async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as one:
                return await one.request(method, path, headers=basic(PASSWORD) | (headers or {}))

        return asyncio.run(asking())


@pytest.fixture
def client(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Client]:
    """Three units on the wall, a copy of one with a hole."""
    alarms = {"unacknowledged": 1, "worst": {"name": "<b>contact lost", "priority": "high"}}
    alarmed = DARK | {"alarms": alarms}
    monkeypatch.setattr(links, "link_to", Script([
        said("unit-1", word("unit-1", at_s=0.0, at_utc="2026-03-01T12:00:00Z")),
        said("unit-2", word("unit-2", at_utc="2999-01-01T00:00:00Z", detail=alarmed)),
        said("unit-3", b"nonsense"),
    ]))  # fmt: skip
    monkeypatch.setattr(entrance, "WRONG_S", 0.0)
    entries = published(unit_journal(tmp_path / "journal.sqlite"))
    (lost,) = (
        n for n, e in enumerate(entries) if isinstance(e, RunChannels) and e.run_id != EXPOSURE
    )
    copies = Copies(tmp_path / "fleet")
    copies.take([good(entry) for entry in entries[:lost] + entries[lost + 1 :]])
    copies.close()
    app = build(
        PageSettings(Path()), BrokerSettings("broker.example"), tmp_path / "fleet", PASSWORD
    )
    inner = app.app._app  # within guard and entrance
    inner.state.listening.start()
    client = Client(app)
    deadline = time.monotonic() + LIMIT_S
    while "unit-3" not in client.get("/wall").text:
        assert time.monotonic() < deadline
    yield client
    inner.state.listening.stop()


def test_no_route_is_there_without_the_password(client: Client) -> None:
    paths = [route.path for route in ROUTES if isinstance(route, Route)]
    assert len(paths) == len(ROUTES)
    filled = [p.replace("{site}", SITE).replace("{unit}", "unit-1").replace("{run}", "P-1")
              for p in paths]  # fmt: skip
    wrongs = ({"authorization": ""}, basic("another one"), basic(""), {"authorization": "Basic ?"},
              {"authorization": "Bearer " + PASSWORD})  # fmt: skip
    for path in [*filled, "/nothing", "/static/x/fleet.js"]:
        for headers in wrongs:
            answer = client.get(path, headers=headers)
            assert answer.status_code == 401 and "unit-1" not in answer.text, path
            assert "script-src 'self'" in answer.headers["content-security-policy"]
    assert client.get("/").status_code == 200


def test_it_only_reads_and_only_under_its_own_name(client: Client) -> None:
    post = client.ask("POST", "/plates", headers={"origin": "http://localhost"})
    assert post.status_code == 405
    assert client.get("/", headers={"host": "evil.example"}).status_code == 421


def test_a_short_password_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="at least 12"):
        build(PageSettings(Path()), BrokerSettings("b"), tmp_path, "short")


def test_the_wall_shows_what_is_known_and_not_more(client: Client) -> None:
    text = client.get("/").text
    assert "Light is on" not in text and "Its light was on: treat it as on" in text
    assert "&lt;b&gt;contact lost" in text and "<b>" not in text
    assert "its clock is" in text and "Not readable" in text
    assert "1 messages were not understood" in text
    part = client.get("/wall").text
    assert "<html" not in part and "unit-2" in part
    german = client.get("/", headers={"accept-language": "de-DE"}).text
    assert "Sein Licht war an" in german and "Its light" not in german


def test_what_the_thread_said_long_ago_is_not_shown_as_the_present(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(links, "link_to", Script())
    listening = Listening(BrokerSettings("broker.example"))
    now = time.monotonic()
    assert listening.heard(now=now).problem == "not connected to the broker yet"
    late = listening.heard(now=now + page.OLD_S + 60.0)
    assert late.rows == () and "no longer listens" in late.problem


def test_plates_are_listed_and_opened(client: Client) -> None:
    text = client.get("/plates").text
    assert f"/units/{SITE}/unit-1/P-3" in text and "not received yet: " in text
    assert "32 entries, the newest of 3/3/26" in text
    assert "P-3" in client.get(f"/units/{SITE}/unit-1").text
    plate = client.get(f"/units/{SITE}/unit-1/P-1").text
    assert "Größe 1" in plate and "It is not compared with its seal" in plate
    for words in ("Notes and corrections after its end", "Otto: scratch at the edge",
                  "lot is L-9, not L-0; wrong label", "lot is L-7, not L-9; again"):  # fmt: skip
        assert words in plate, words
    exposure = client.get(f"/units/{SITE}/unit-1/{EXPOSURE}").text
    assert exposure.count("<svg") == 3 and "Of this record not received yet" not in exposure


def test_a_record_with_a_hole_says_so(client: Client) -> None:
    text = client.get(f"/units/{SITE}/unit-1/20260302-080000-bbbb").text
    assert "Of this record not received yet: entries " in text


def test_a_row_leads_to_its_own_record_where_two_journals_have_its_name(
    client: Client, tmp_path: Path
) -> None:
    copies = Copies(tmp_path / "fleet")
    again = begun_anew(published(tmp_path / "journal.sqlite"), "second")
    copies.take([good(entry) for entry in again])
    copies.close()
    links = re.findall(r'href="(/units/[^"]*/P-1[^"]*)"', client.get("/plates").text)
    jobs = ["Later 1" if "journal=second" in one else "Größe 1" for one in links]
    assert len({*links}) == 2 and {*jobs} == {"Later 1", "Größe 1"}
    for link, job in zip(links, jobs, strict=True):
        text = client.get(link).text
        (other,) = {*jobs} - {job}
        assert job in text and other not in text
        assert "Another journal of this unit has a record of this name too" in text
        parts = re.findall(r'<h2><a href="([^"]*)">film', text)
        assert parts and all(one.endswith(link.partition("?")[2]) for one in parts)
    assert client.get(links[0].partition("?")[0] + "?journal=third").status_code == 404


def test_a_copy_that_cannot_be_read_is_named(client: Client, tmp_path: Path) -> None:
    (path,) = (tmp_path / "fleet" / SITE / "unit-1").glob("*.sqlite")
    path.write_bytes(b"no database" * 1000)
    for where in ("/plates", f"/units/{SITE}/unit-1"):
        text = client.get(where).text
        assert "Not listed: what is in " in text and str(path) in text
    answer = client.get(f"/units/{SITE}/unit-1/P-1")
    assert answer.status_code == 404 and f"{path} cannot be read" in answer.text


def test_a_list_of_plates_that_is_cut_says_so(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "Only the newest" not in client.get("/plates").text
    monkeypatch.setattr(page, "LISTED", 2)
    text = client.get("/plates").text
    assert "Only the newest 2 are listed." in text and "P-1</a>" not in text


@pytest.mark.parametrize("path", [
    f"/units/{SITE}/unit-9", f"/units/{SITE}/unit-1/P-99", "/units/../etc", "/units/%2e%2e/%2e%2e",
    f"/units/{SITE}/%2e%2e/P-1", f"/units/{SITE}/unit-1/%00", "/nothing",
])  # fmt: skip
def test_what_is_not_there_is_not_found(client: Client, path: str) -> None:
    assert client.get(path).status_code == 404


def test_the_command_wants_a_password_and_stays_on_this_computer(tmp_path: Path) -> None:
    file = tmp_path / "fleet.toml"
    text = 'format = 1\n[broker]\nhost = "broker.example"\n[fleet]\n'
    file.write_text(text, encoding="utf-8")
    told = run("--config", file, "fleet", "page")
    assert told.exit_code == 2 and "page_password_file" in told.stderr
    (tmp_path / "word").write_text("short", encoding="utf-8")
    file.write_text(text + f'page_password_file = "{tmp_path / "word"}"\n', encoding="utf-8")
    told = run("--config", file, "fleet", "page")
    assert told.exit_code == 2 and "at least 12" in told.stderr
    told = run("--config", file, "fleet", "page", "--listen", "0.0.0.0:8465")
    assert told.exit_code == 2 and "for this computer" in told.stderr
