"""Strangers keep nobody out; browsers get no token; what was refused is told. All invented."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import httpx
import pytest

from api.api_shop import LEAD, OPERATOR, SECRETS, URL, Shop, shop
from platelink.api.accounts import EACH
from platelink.api.errors import ApiError
from platelink.api.whence import whence
from platelink.client import ClientError
from platelink.contract.words import Role
from platelink.recipe import example

GOOD = {"name": OPERATOR, "secret": SECRETS[OPERATOR]}
WRONG = {"name": OPERATOR, "secret": "000001"}


def page(this: Shop, address: str, **cookies: str) -> httpx.Client:
    """A browser by way of the page, which tells where it is."""
    transport = this.judged(peer=os.getuid())
    headers = {"platelink-page": address}
    return httpx.Client(transport=transport, base_url=URL, headers=headers, cookies=cookies)


def sign_in(browser: httpx.Client, asked: dict[str, str]) -> int:
    return browser.post("/v1/sign-in", json=asked).status_code


def test_a_known_screen_stays_open_while_strangers_type_wrong_secrets(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        tablet, stranger, another = (page(this, f"10.0.0.{n}") for n in (1, 2, 3))
        assert sign_in(tablet, GOOD) == 200 and tablet.cookies["platelink_screen"]
        said = [sign_in(stranger, WRONG) for _ in range(8)]
        assert said[-1] == 429
        assert sign_in(another, GOOD) == 429  # the name is locked
        assert sign_in(tablet, GOOD) == 200  # not here
        with this.client() as local, pytest.raises(ClientError, match="too many wrong tries"):
            local.sign_in(OPERATOR, SECRETS[OPERATOR])  # a sign-in there unlocks nothing else
        # A known screen is no way to guess on: it has tries of its own.
        assert [sign_in(tablet, WRONG) for _ in range(6)][-1] == 429
        assert sign_in(tablet, GOOD) == 429
        for browser in (tablet, stranger, another):
            browser.close()


def test_whoever_tries_many_names_is_held_up_and_nobody_else(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        stranger, other = page(this, "10.0.0.2"), page(this, "10.0.0.3")
        for number in range(30):
            code = sign_in(stranger, {"name": f"nobody {number}", "secret": "000001"})
            if code == 429:
                break
        assert number == 10
        refused = stranger.post("/v1/sign-in", json=GOOD)
        assert refused.status_code == 429 and "from this address" in refused.json()["error"]
        assert sign_in(other, GOOD) == 200
        this.later(minutes=16)
        assert sign_in(stranger, GOOD) == 200
        stranger.close()
        other.close()


def test_one_address_takes_few_of_the_turns(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:

        async def work() -> list[str]:
            from platelink.api.whence import Whence

            far, near = Whence("10.0.0.2", False, None), Whence("10.0.0.3", False, None)
            flood = [
                asyncio.create_task(this.accounts.sign_in("x", "000001", far)) for _ in range(40)
            ]
            await asyncio.sleep(0)
            assert this.accounts._of_address["10.0.0.2"] == EACH
            await this.accounts.sign_in(OPERATOR, SECRETS[OPERATOR], near)
            said = await asyncio.gather(*flood, return_exceptions=True)
            assert not this.accounts._of_address
            return [error.kind for error in said if isinstance(error, ApiError)]

        assert this._runner.run(work()).count("too many") == 40 - EACH


def test_no_browser_is_given_the_token(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        browser, by_page = this.browser(), page(this, "10.0.0.1")
        for who in (browser, by_page):
            headers = {"origin": "http://localhost:8470"} if who is browser else {}
            answer = who.post("/v1/sign-in", json=GOOD, headers=headers)
            assert answer.json()["token"] == "" and answer.json()["csrf"]
            token = who.cookies["platelink_session"]
            assert token and token not in answer.text
            who.close()
        with this.client(OPERATOR) as program:
            assert "Bearer " in program._headers["authorization"]


def test_sign_ins_of_one_person_are_few_and_listed(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        screens = [page(this, f"10.0.0.{n}") for n in range(1, 11)]
        for screen in screens:
            this.later(seconds=5)
            assert sign_in(screen, GOOD) == 200
        first, last = screens[0], screens[-1]
        assert first.get("/v1/me").status_code == 401
        listed = last.get("/v1/me").json()["sign_ins"]
        assert [one["address"] for one in listed] == [f"10.0.0.{n}" for n in range(10, 2, -1)]
        assert [one["this"] for one in listed] == [True] + [False] * 7
        csrf = {"x-csrf-token": last.get("/v1/me").json()["csrf"]}
        ended = last.post("/v1/sign-out-others", json={}, headers=csrf)
        assert ended.json() == {"ended": 7}
        assert screens[-2].get("/v1/me").status_code == 401
        assert len(last.get("/v1/me").json()["sign_ins"]) == 1
        for screen in screens:
            screen.close()


def test_what_was_let_in_and_refused_is_told_with_its_address(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        this.daemon.told.clear()
        tablet = page(this, "10.0.0.7")
        sign_in(tablet, GOOD)
        sign_in(tablet, WRONG)
        tablet.get("/v1/people")
        tablet.get("/v1/status", headers={"origin": "https://evil.example"})
        asyncio.run(asyncio.sleep(0))
        told = [(one["what"], one.get("who"), one["address"]) for one in this.daemon.told]
        assert told == [
            ("sign-in", OPERATOR, "10.0.0.7"), ("sign-in refused", None, "10.0.0.7"),
            ("right refused", OPERATOR, "10.0.0.7"), ("foreign origin", None, "10.0.0.7"),
        ]  # fmt: skip
        assert not any(SECRETS[OPERATOR] in str(one) for one in this.daemon.told)
        tablet.close()


@pytest.mark.parametrize(("own", "leads", "may"), [
    ("auto", 1, True), ("auto", 2, False), ("yes", 2, True), ("no", 1, False),
])  # fmt: skip
def test_approving_ones_own_draft(tmp_path: Path, own: str, leads: int, may: bool) -> None:
    with shop(tmp_path, people=True) as this:
        object.__setattr__(
            this.context, "settings", this.settings.model_copy(update={"own_approval": own})
        )
        with this.client(LEAD) as lead:
            if leads == 2:
                lead.add_person("Second Lead", Role.LEAD, "another long secret")
            lead.post("/recipes", toml=example.text("plate-a-fine"), why="first")
            if may:
                lead.post("/recipes/plate-a-fine@1/approve", why="tested")
            else:
                with pytest.raises(ClientError, match="is your own draft"):
                    lead.post("/recipes/plate-a-fine@1/approve", why="tested")
        if leads == 2:
            with this.client() as second:
                second.sign_in("Second Lead", "another long secret")
                if not may:
                    second.post("/recipes/plate-a-fine@1/approve", why="tested")


@pytest.mark.parametrize("origin", ["http://[", "null", "http://", "ftp://localhost", "\xe4"])
def test_origins_that_are_none_are_refused(tmp_path: Path, origin: str) -> None:
    with shop(tmp_path, people=True) as this, this.browser() as browser:
        headers = [(b"origin", origin.encode("latin-1"))]
        assert browser.get("/v1/status", headers=headers).status_code == 403


@pytest.mark.parametrize("header", ["authorization", "cookie", "x-csrf-token", "platelink-local"])
def test_headers_beyond_ascii_are_refusals(tmp_path: Path, header: str) -> None:
    with shop(tmp_path, people=True) as this:
        browser = this.browser(OPERATOR)
        for value in (b"Bearer \xe4\xff", b"platelink_session=\xff", b"\xff"):
            headers = [(header.encode(), value)]
            answer = browser.post("/v1/exposure/hold", json={}, headers=headers)
            assert answer.status_code in (200, 401, 403), answer.text
        browser.close()


@pytest.mark.parametrize(("address", "known"), [
    ("10.1.2.3", "10.1.2.3"), ("::ffff:10.1.2.3", "10.1.2.3"),
    ("fd00:1:2:3:4:5:6:7", "fd00:1:2:3::/64"), ("fe80::1%eth0", "fe80::/64"), ("x\ny", "unknown"),
])  # fmt: skip
def test_addresses(address: str, known: str) -> None:
    scope = {"client": (address, 1), "headers": [], "state": {}}
    assert whence(scope).address == known


def test_only_the_unix_socket_is_believed_about_others() -> None:
    headers = [(b"platelink-page", b"10.9.9.9")]
    by_port = {"client": ("127.0.0.1", 1), "headers": headers, "state": {"peer": None, "uid": None}}
    assert whence(by_port).address == "127.0.0.1"
    by_page = {"client": None, "headers": headers, "state": {"peer": None, "uid": 1000}}
    assert whence(by_page) == ("10.9.9.9", False, None)
    local = {"client": None, "headers": [], "state": {"peer": 1000, "uid": 1000}}
    assert whence(local).local and not whence(by_page).local
