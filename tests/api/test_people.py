"""Signing in and out, lock-out, sessions that end, and the people themselves."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import httpx
import pytest

from api.api_shop import AUDITOR, LEAD, OPERATOR, SECRETS, URL, shop
from platelink.api.accounts import AT_ONCE, WAITING
from platelink.api.errors import ApiError
from platelink.api.whence import Whence
from platelink.client import ClientError

FAR = Whence("10.1.2.3", False, None)


def test_the_first_lead_and_the_others(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        with this.client() as client:
            assert client.people() == []
            with pytest.raises(ClientError, match="no users yet") as refused:
                client.sign_in(LEAD, SECRETS[LEAD])
            assert refused.value.kind == "sign in"
            with pytest.raises(ClientError, match="a PIN has at least 6 digits") as refused:
                client.add_first(LEAD, "1234")
            assert refused.value.kind == "misuse"
            assert client.add_first(LEAD, SECRETS[LEAD])["role"] == "lead"
            with pytest.raises(ClientError, match="has users already"):
                client.add_first("Another", SECRETS[LEAD])
            with pytest.raises(ClientError, match="sign in first"):
                client.add_person(OPERATOR, "operator", SECRETS[OPERATOR])
        with this.client(LEAD) as lead:
            added = lead.add_person(OPERATOR, "operator", SECRETS[OPERATOR])
            assert added["added_utc"] == "2026-06-01T08:00:00.000+00:00"
            with pytest.raises(ClientError, match="there is a person"):
                lead.add_person(OPERATOR.upper(), "operator", SECRETS[OPERATOR])
            with pytest.raises(ClientError, match=r"body\.role") as refused:
                lead.add_person("X", "king", SECRETS[OPERATOR])
            assert refused.value.kind == "misuse"
            assert [p["name"] for p in lead.people()] == [LEAD, OPERATOR]
            text = str(lead.get("/people-history"))
            assert SECRETS[OPERATOR] not in text and "argon2" not in text


def test_only_the_owner_of_the_files_lets_a_lead_regain_a_secret(tmp_path: Path) -> None:
    new = "another long secret"
    asked = {"name": LEAD, "secret": new, "why": "forgot it"}
    with shop(tmp_path, people=True) as this:
        stranger = httpx.Client(transport=this.judged(peer=os.getuid() + 1), base_url=URL)
        owner = httpx.Client(transport=this.judged(peer=os.getuid()), base_url=URL)
        local = {"platelink-local": "1"}
        for who, headers in ((this.browser(), local), (stranger, local), (owner, {})):
            refused = who.post("/v1/people/regain", json=asked, headers=headers)
            assert refused.status_code == 403 and "sudo platelink" in refused.json()["error"]
        root = httpx.Client(transport=this.judged(peer=0), base_url=URL, headers=local)
        assert root.post("/v1/people/regain", json=asked).status_code == 200
        with this.client() as lead, this.client() as client:
            lead.sign_in(LEAD, new)
            client.regain(LEAD, SECRETS[LEAD], "and back")
            with pytest.raises(ClientError, match="the sign-in has ended"):
                lead.people()


def test_a_session_in_a_browser(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        browser = this.browser(OPERATOR)
        set_cookie = browser.post(
            "/v1/sign-in", json={"name": OPERATOR, "secret": SECRETS[OPERATOR]}
        ).headers["set-cookie"]
        assert set_cookie.startswith("platelink_session=")
        for word in ("HttpOnly", "SameSite=strict", "Path=/"):
            assert word in set_cookie
        browser.headers["x-csrf-token"] = browser.get("/v1/me").json()["csrf"]
        me = browser.get("/v1/me").json()
        assert (me["name"], me["role"], me["local"]) == (OPERATOR, "operator", False)
        assert "run" in me["rights"] and "skip_steps" not in me["rights"]
        assert browser.post("/v1/exposure/stop", json={"reason": "wrong film"}).status_code == 200
        assert this.daemon.asked[-1] == {
            "do": "stop", "reason": "wrong film", "who": OPERATOR, "role": "operator",
        }  # fmt: skip
        out = browser.post("/v1/sign-out", json={})
        assert out.json() == {"signed_out": True}
        assert 'platelink_session="";' in out.headers["set-cookie"]
        assert browser.get("/v1/status").status_code == 401
        browser.close()


def test_a_session_ends_when_its_person_does(tmp_path: Path) -> None:
    with (
        shop(tmp_path, people=True) as this,
        this.client(LEAD) as lead,
        this.client(OPERATOR) as operator,
    ):
        assert operator.me()["role"] == "operator"
        lead.at_person(OPERATOR, "role", role="auditor", why="on leave")
        assert operator.me()["role"] == "auditor"
        with pytest.raises(ClientError, match="may not run plates"):
            operator.command("hold")
        lead.at_person(OPERATOR, "close", why="has left")
        with pytest.raises(ClientError, match="the sign-in has ended") as ended:
            operator.status()
        assert ended.value.kind == "sign in"
        with pytest.raises(ClientError, match="is wrong"):
            operator.post("/sign-in", name=OPERATOR, secret=SECRETS[OPERATOR])
        with pytest.raises(ClientError, match="only active lead"):
            lead.at_person(LEAD, "close", why="tired")
        with pytest.raises(ClientError, match="say why"):
            lead.at_person(OPERATOR, "open")
        lead.at_person(OPERATOR, "open", why="is back")
        with this.client(OPERATOR) as again:
            assert again.me()["role"] == "auditor"
        with pytest.raises(ClientError, match="there is no person") as unknown:
            lead.at_person("Nobody", "close", why="x")
        assert unknown.value.kind == "unknown"


def test_a_session_ends_when_it_is_not_used(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(LEAD) as lead:
        for _ in range(5):
            this.later(minutes=25)
            assert lead.me()["name"] == LEAD
        this.later(minutes=31)
        with pytest.raises(ClientError, match="the sign-in has ended"):
            lead.me()


def test_too_many_wrong_secrets_lock_the_name(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.browser() as browser:
        said = []
        for name in (OPERATOR, "Nobody At All"):
            for _ in range(6):
                answer = browser.post("/v1/sign-in", json={"name": name, "secret": "123123"})
                said.append((answer.status_code, answer.json()["kind"]))
            assert int(answer.headers["retry-after"]) in range(1, 901)
        assert said[:6] == said[6:]  # a name that nobody has looks the same
        assert said[0] == (401, "sign in") and said[5] == (429, "too many")
        right = {"name": OPERATOR, "secret": SECRETS[OPERATOR]}
        assert browser.post("/v1/sign-in", json=right).status_code == 429
        with this.client(LEAD) as lead:
            locked = {p["name"]: p["locked_until_utc"] for p in lead.people()}
            assert locked[OPERATOR] is not None and locked[AUDITOR] is None
            lead.at_person(OPERATOR, "unlock")
        assert browser.post("/v1/sign-in", json=right).status_code == 200


def test_ones_own_secret_takes_the_old_one(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        with pytest.raises(ClientError, match="give the present one"):
            operator.at_person(OPERATOR, "secret", secret="918273")
        with pytest.raises(ClientError, match="only needed for your own"):
            operator.at_person(LEAD, "secret", secret="918273", old=SECRETS[OPERATOR])
        with pytest.raises(ClientError, match="is wrong"):
            operator.at_person(OPERATOR, "secret", secret="918273", old="000001")
        operator.at_person(OPERATOR, "secret", secret="918273", old=SECRETS[OPERATOR])
        with pytest.raises(ClientError, match="the sign-in has ended"):
            operator.me()
        operator.sign_in(OPERATOR, "918273")
        with this.client(LEAD) as lead:
            for name in (LEAD, LEAD.upper()):  # nor a lead, with the right over all others
                with pytest.raises(ClientError, match="give the present one"):
                    lead.at_person(name, "secret", secret="another long secret", why="idle")
            lead.at_person(OPERATOR, "secret", secret="567812", why="forgot it")
        operator.sign_in(OPERATOR, "567812")


def test_a_wrong_secret_keeps_its_turn_and_a_right_one_does_not(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        runner = this._runner

        async def wrong() -> None:
            with pytest.raises(ApiError):
                await this.accounts.sign_in(OPERATOR, "000001", FAR)

        async def work() -> list[float]:
            loop = asyncio.get_running_loop()
            took = []
            for what in (
                this.accounts.sign_in(LEAD, SECRETS[LEAD], FAR),
                *(wrong() for _ in range(3)),
            ):
                began = loop.time()
                await what
                took.append(loop.time() - began)
            return took

        this.accounts._hold_s = 0.4
        took = runner.run(work())
        assert max(took[:3]) < 0.4 <= took[3] + max(took[:3])


def test_secrets_are_looked_at_a_few_at_a_time(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this:
        this.accounts._proving[False] = AT_ONCE + WAITING
        with this.browser() as browser:
            answer = browser.post("/v1/sign-in", json={"name": LEAD, "secret": SECRETS[LEAD]})
        assert (answer.status_code, answer.headers["retry-after"]) == (429, "5")
        with this.client(LEAD) as here:  # one turn is kept for this computer's own users
            assert here.me()["name"] == LEAD
        this.accounts._proving.clear()


def test_a_store_of_people_that_cannot_be_used_lets_nobody_in(tmp_path: Path) -> None:
    (tmp_path / "people.sqlite").write_bytes(b"not a database at all" * 100)
    with shop(tmp_path) as this:
        local, browser = this.client()._http, this.browser()
        asked = local.post(f"{URL}/v1/expose", json={"dose": "1 mJ/cm2"})
        for answer in (asked, browser.get(f"{URL}/v1/status")):
            assert answer.status_code == 401 and "people.sqlite" in answer.json()["error"]
        local.close()
        browser.close()
