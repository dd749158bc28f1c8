"""What the papers on security say is so, as far as a machine can tell."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from damage import campaign
from test_docs import fenced

from platelink.api import accounts
from platelink.config.load import loads
from platelink.people import guesses
from platelink.people.rules import SignInRules

ROOT = Path(__file__).parent.parent
SECURITY = (ROOT / "docs/security.md").read_text("utf-8")
PEOPLE = (ROOT / "docs/people.md").read_text("utf-8")


def rows(title: str, text: str = SECURITY) -> list[list[str]]:
    section = text.split(f"\n## {title}\n")[1].split("\n## ", maxsplit=1)[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def test_every_threat_has_a_defence_and_says_what_is_left() -> None:
    found = rows("Who, what, which defence, what is left")
    assert len(found) > 10 and all(len(row) == 4 and all(row) for row in found)


def test_the_table_against_the_standard_judges_each_and_says_that_it_is_from_memory() -> None:
    found = rows("Against IEC 62443-4-2")
    assert len(found) > 40 and all(len(row) == 3 and all(row) for row in found)
    assert {row[1] for row in found} == {"yes", "part", "not"}
    names = [row[0] for row in found]
    assert len(set(names)) == len(names)
    assert "from memory" in SECURITY.split("## Against IEC 62443-4-2")[1].split("\n| ")[0]


def test_the_figures_of_signing_in_are_those_in_force() -> None:
    told = {row[0]: row[1] for row in rows("Signing in", PEOPLE)}
    rules = SignInRules()
    assert told["wrong secrets in a row until a name is locked"] == str(rules.wrong_before_lock)
    assert told["sessions of one person at a time"].startswith(f"{rules.most_sign_ins};")
    wrong = told["wrong secrets in a row from one address until it waits"]
    assert wrong.startswith(f"{guesses.FREE},")
    turns = told["secrets looked at at a time"]
    assert turns == (
        f"{accounts.AT_ONCE}, and {accounts.WAITING} that wait; {accounts.EACH} of one address"
    )
    assert f"the last {rules.most_screens} of each" in PEOPLE


def test_the_settings_of_the_hardening_guide_are_taken(tmp_path: Path) -> None:
    section = SECURITY.split("```toml\n")[1].split("```")[0].replace("   ", "")
    text = campaign.CONFIGURATION + section
    config = loads(text, str(tmp_path / "c.toml"))
    assert str(config.service.page_socket) == "/run/platelink/page.socket"
    group = re.search(r"^g (\S+) -", (ROOT / "deploy/platelink.sysusers").read_text("utf-8"), re.M)
    assert group is not None and config.service.page_group == group[1]


@pytest.mark.long
@pytest.mark.timeout(600)
def test_the_list_of_packages_is_made_by_the_documented_line(tmp_path: Path) -> None:
    line = fenced(SECURITY, "sbom line").strip().replace(" .venv/bin/python", f" {sys.executable}")
    (tmp_path / "pyproject.toml").write_bytes((ROOT / "pyproject.toml").read_bytes())
    subprocess.run(["sh", "-ec", line], cwd=tmp_path, check=True, timeout=500)
    made = json.loads((tmp_path / "sbom.json").read_text("utf-8"))
    assert made["bomFormat"] == "CycloneDX"
    names = {one["name"] for one in made["components"]}
    assert {"argon2-cffi", "fastapi", "pydantic", "uvicorn"} <= names
