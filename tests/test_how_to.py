"""Tutorial, how-to pages and explanations: every command in them is one that can be given, and what
needs no unit is run."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest
from documents import blocks, run_block

from platelink.cli import main
from platelink.record.journal import Journal
from platelink.simulated.invented import Shop

ROOT = Path(__file__).parent.parent
HOW_TO = sorted((ROOT / "docs/how-to").glob("*.md"))
PAGES = [ROOT / "docs/tutorial.md", *HOW_TO, *sorted((ROOT / "docs/explanation").glob("*.md"))]
JOBS = {
    "wire", "calibrate", "find-a-dose", "change-lamps", "trace-a-bad-print", "restore", "upgrade",
}  # fmt: skip


def lines_of(text: str) -> list[str]:
    """Lines of all shell blocks, also of those within a list."""
    found = re.findall(r"^ *```sh\n(.*?)^ *```$", text, re.DOTALL | re.MULTILINE)
    return [line.strip() for block in found for line in block.splitlines() if line.strip()]


def in_text(text: str) -> list[str]:
    return re.findall(r"`(platelink [^`\n]+)`", text)


def refused(line: str) -> str | None:
    """Why the command line cannot be given, None if it can; nothing is run."""
    words = shlex.split(line.split(" > ", maxsplit=1)[0])
    command, context = main, click.Context(main, info_name="platelink")
    rest = words[1:]
    while isinstance(command, click.Group) and rest and not rest[0].startswith("-"):
        found = command.get_command(context, rest[0])
        if found is None:
            return f"there is no command {rest[0]}"
        command, rest = found, rest[1:]
    try:
        with command.make_context(str(command.name), rest, parent=context):
            return None
    except click.exceptions.Exit:  # --version
        return None
    except click.ClickException as error:
        return error.format_message()


def test_a_line_that_cannot_be_given_is_noticed() -> None:
    assert refused("platelink find design depth --dose '240 mJ/cm2' > x") is None
    assert refused("platelink --version") is None
    assert refused("platelink fnd design") == "there is no command fnd"
    assert refused("platelink find design deep --dose 1")
    assert refused("platelink backup")
    assert refused("platelink lamps changed --wy x")
    assert lines_of("1. x\n   ```sh\n   platelink a\n   ```\n```sh\nb\n```\n") == [
        "platelink a",
        "b",
    ]


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_every_command_line_can_be_given(path: Path) -> None:
    text = path.read_text("utf-8")
    ours = [line for line in lines_of(text) if line.startswith("platelink ")]
    assert not {line: why for line in ours if (why := refused(line))}
    missing = {line for line in in_text(text) if "no command" in str(refused(line.split(" -")[0]))}
    assert not missing


def test_there_is_a_page_for_each_job_and_its_steps_are_numbered() -> None:
    assert {path.stem for path in HOW_TO} == JOBS
    for path in HOW_TO:
        text = path.read_text("utf-8")
        numbers = [int(n) for n in re.findall(r"^(\d+)\. ", text, re.MULTILINE)]
        assert numbers == list(range(1, len(numbers) + 1)) and len(numbers) >= 5, path.stem
        if path.stem != "trace-a-bad-print":  # nothing hurts there
            assert 0 < text.find("\n> ") < text.index("\n1. "), f"{path.stem}: cautions first"
        assert len(text.splitlines()) <= 85, f"{path.stem} is more than a page"
        assert re.search(r"`docs/(?!how-to)[\w-]+\.md`", text), f"{path.stem} leads to no reference"


@pytest.fixture(scope="session")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A unit without a daemon, with plates that never were."""
    directory = tmp_path_factory.mktemp("unit")
    with Journal.open(directory / "journal.sqlite", unit="unit-1", new_uuid="invented") as journal:
        Shop(journal, datetime(2026, 3, 2, 7, tzinfo=UTC)).plates(40)
    readme = (ROOT / "README.md").read_text("utf-8")
    config = next(b.text for b in blocks(readme) if b.mark == "configuration")
    more = f'\n[journal]\npath = "{directory}/journal.sqlite"\n'
    (directory / "platelink.toml").write_text(config + more, "utf-8")
    return directory


@pytest.mark.parametrize("path", HOW_TO, ids=lambda path: path.stem)
def test_what_needs_no_unit_is_run(
    path: Path, invented: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PLATELINK_CONFIG", str(invented / "platelink.toml"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    run = [block for block in blocks(path.read_text("utf-8")) if block.mark == "run"]
    expected = {"find-a-dose": 2, "change-lamps": 1, "trace-a-bad-print": 5, "restore": 3}
    assert len(run) == expected.get(path.stem, 0)
    for block in run:
        assert run_block(block.text, tmp_path).strip(), block.text


def test_the_installer_knows_what_is_asked_of_it() -> None:
    text = (ROOT / "docs/how-to/upgrade.md").read_text("utf-8")
    asked = [line.split()[2:] for line in lines_of(text) if "deploy/install.py" in line]
    assert asked == [["install"], ["rollback"]]
    for words in asked:
        done = subprocess.run(
            [sys.executable, "deploy/install.py", *words, "--help"], cwd=ROOT, check=False,
            capture_output=True, text=True,
        )  # fmt: skip
        assert done.returncode == 0
        if words == ["install"]:
            assert "--accept-differences" in done.stdout and "--accept-differences" in text
