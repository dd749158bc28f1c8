"""Commands on people and sign-ins: secrets off the command line, rights held by the service."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli_runs import run
from cli_unit import CommandUnit, command_unit

from platelink.recipe import example

LEAD, OPERATOR = "Anna Example", "Bert Example"
SECRET, PIN = "an invented secret", "582913"


@pytest.fixture
def unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[CommandUnit]:
    with command_unit(tmp_path, monkeypatch) as unit:
        Path("lead").write_text(f"{SECRET}\n")
        Path("pin").write_text(PIN)
        Path("a.toml").write_text(example.text("plate-a-fine"))
        yield unit


@pytest.fixture
def staffed(unit: CommandUnit) -> CommandUnit:
    """A lead, signed in, and an operator."""
    unit.said("user", "first", LEAD, "--secret-file", "lead")
    sign_in(unit, LEAD)
    unit.said("user", "add", OPERATOR, "--role", "operator", "--secret-file", "-", input=f"{PIN}\n")
    return unit


def sign_in(unit: CommandUnit, name: str) -> str:
    return unit.said("sign-in", name, "--secret-file", "lead" if name == LEAD else "pin")


def test_until_the_first_lead_whoever_is_here_may_do_all(unit: CommandUnit) -> None:
    assert "add the first lead: platelink user first" in unit.said("whoami")
    assert unit.told("whoami")["local"] is True
    unit.said("recipe", "add", "a.toml")
    assert "platelink user first" in unit.said("user", "list")
    assert "platelink user first" in unit.said("sign-in", "X", "--secret-file", "pin", code=1)
    assert "platelink sign-in 'Anna Example'" in unit.said(
        "user", "first", LEAD, "--secret-file", "lead"
    )
    assert "sign in first: platelink sign-in" in unit.said(
        "recipe", "approve", "plate-a-fine@1", "--why", "x", code=1
    )
    assert "read only" in unit.said("whoami")
    assert "plate-a-fine@1" in unit.said("recipe", "list")
    assert "none yet" in unit.said("plate", "list")


def test_what_is_done_is_done_by_whoever_is_signed_in(staffed: CommandUnit) -> None:
    staffed.said("recipe", "add", "a.toml")
    assert sign_in(staffed, OPERATOR).startswith(f"signed in as {OPERATOR}, operator")
    assert "may not sign recipes" in staffed.said(
        "recipe", "approve", "plate-a-fine@1", "--why", "x", code=1
    )
    assert staffed.told("recipe", "list")["recipes"][0]["life"][0]["who"] == LEAD
    assert "draft_recipes" in staffed.told("whoami")["rights"]
    (token,) = Path("state/platelink").glob("*.token")
    assert stat.S_IMODE(token.stat().st_mode) == 0o600
    assert token.read_text().strip() not in staffed.said("whoami", "--json")
    assert staffed.told("sign-out") == {"signed_out": True}
    assert not token.exists()
    assert staffed.said("sign-out") == "nobody was signed in\n"


def test_an_ended_sign_in_says_what_to_do(staffed: CommandUnit) -> None:
    staffed.shop.later(hours=11)
    for command in (["whoami"], ["plate", "list"], ["user", "list"]):
        said = staffed.said(*command, code=1)
        assert "the sign-in has ended; sign in again: platelink sign-in NAME" in said
    assert "nobody was signed in" in staffed.said("sign-out")
    assert "read only" in staffed.said("whoami")


def test_a_lead_changes_people(staffed: CommandUnit) -> None:
    assert OPERATOR in staffed.said("user", "list")
    why = ("--why", "a test")
    assert staffed.said("user", "role", OPERATOR, "auditor", *why) == f"{OPERATOR}, auditor\n"
    assert "deactivated" in staffed.said("user", "deactivate", OPERATOR, *why)
    assert "deactivated" in staffed.said("user", "list")
    assert staffed.told("user", "reactivate", OPERATOR, *why)["open"] is True
    staffed.said("user", "secret", OPERATOR, "--secret-file", "lead")
    acts = [entry["act"] for entry in staffed.told("user", "history", OPERATOR)["entries"]]
    assert acts == ["added", "role changed", "closed", "opened again", "secret changed"]
    assert staffed.told("user", "history", "--limit", "1")["entries"][0]["who"] == LEAD
    assert "a test" in staffed.said("user", "history")


def test_a_locked_person_is_unlocked(staffed: CommandUnit) -> None:
    Path("pin").write_text("000111222")
    for _ in range(5):
        assert "wrong" in staffed.said("sign-in", OPERATOR, "--secret-file", "pin", code=1)
    assert "locked until" in staffed.said("user", "list")
    Path("pin").write_text(PIN)
    assert "platelink sign-in" not in staffed.said(
        "sign-in", OPERATOR, "--secret-file", "pin", code=1
    )
    staffed.said("user", "unlock", OPERATOR)
    sign_in(staffed, OPERATOR)


def test_the_owner_of_the_files_lets_a_lead_in_again(staffed: CommandUnit) -> None:
    sign_in(staffed, OPERATOR)  # whoever has signed in here: the user of the computer asks
    Path("lead").write_text("another invention")
    why = ("--why", "forgot it")
    assert f"sign-in '{LEAD}'" in staffed.said(
        "user", "regain", LEAD, "--secret-file", "lead", *why
    )
    assert "not an active lead" in staffed.said(
        "user", "regain", OPERATOR, "--secret-file", "pin", *why, code=2
    )
    assert f"signed in as {LEAD}" in sign_in(staffed, LEAD)
    *_, changed, _ = staffed.told("user", "history", LEAD)["entries"]
    assert (changed["act"], changed["why"]) == ("secret changed", "forgot it")


def test_secrets_are_asked_for_without_echo(
    staffed: CommandUnit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platelink.cli.typed_secret.terminal", lambda: True)
    new = "720415"
    asked = run("user", "secret", input=f"{SECRET}\n{new}\n720416\n{new}\n{new}\n")
    assert asked.exit_code == 0
    assert "do not match" in asked.output and "sign in again" in asked.output
    assert SECRET not in asked.output and new not in asked.output
    Path("lead").write_text(new)
    sign_in(staffed, LEAD)
    assert OPERATOR in staffed.said("sign-in", input=f"{OPERATOR}\n{PIN}\n")


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["user", "add", "X", "--role", "lead"], 2, "give --secret-file FILE"),
        (["user", "add", "X", "--role", "boss", "--secret-file", "pin"], 2, "is not one of"),
        (["user", "add", "X", "--role", "lead", "--secret-file", "none"], 2, "cannot be read"),
        (["user", "add", "X", "--role", "lead", "--secret-file", "empty"], 2, "is empty"),
        (["user", "add", "X", "--role", "lead", "--secret-file", "short"], 2, "at least 6 digits"),
        (["user", "add", OPERATOR, "--role", "lead", "--secret-file", "pin"], 2, "already"),
        (["user", "first", "X", "--secret-file", "pin"], 2, "has users already"),
        (["user", "deactivate", LEAD, "--why", "x"], 2, "the only active lead"),
        (["user", "role", "X", "lead", "--why", "x"], 2, "there is no person 'X'"),
        (["user", "deactivate", OPERATOR], 2, "Missing option '--why'"),
        (["user", "unlock", OPERATOR], 2, "is not locked"),
        (["user", "history", "X"], 2, "there is no person 'X'"),
        (["sign-in", OPERATOR, "--secret-file", "lead"], 1, "is wrong"),
    ],
)
def test_what_cannot_be_is_refused(
    staffed: CommandUnit, arguments: list[str], code: int, words: str
) -> None:
    Path("empty").write_text("\n")
    Path("short").write_text("123")
    assert words in staffed.said(*arguments, code=code)
    assert len(staffed.told("user", "list")["people"]) == 2


def test_a_token_that_cannot_be_kept_is_not_left_behind(staffed: CommandUnit) -> None:
    (place,) = Path("state/platelink").iterdir()
    place.unlink()
    place.mkdir()
    assert "cannot be written" in staffed.said("sign-in", LEAD, "--secret-file", "lead", code=1)
    place.rmdir()
    sign_in(staffed, LEAD)
    acts = [entry["act"] for entry in staffed.told("user", "history", LEAD)["entries"]]
    assert acts[-3:] == ["signed in", "signed out", "signed in"]


def test_another_token_in_the_environment_goes_first(
    staffed: CommandUnit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLATELINK_TOKEN", "not one")
    assert "sign in again" in staffed.said("whoami", code=1)
