"""The command as a whole: lazy, documented, and every foreseen fault one message."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import click
import pytest
from cli_runs import run

from platelink import __version__
from platelink.cli import main
from platelink.cli.group import FAULTS, Failure, LazyGroup, Misuse, failure_of
from platelink.units import UnitError

DOCS = Path(__file__).parents[2] / "docs" / "commands.md"
HEAVY = (
    "numpy", "pydantic", "serial", "paho", "influxdb_client", "asyncio", "sqlite3", "platesim",
    "httpx", "websockets", "fastapi", "starlette",
)  # fmt: skip
GROUPS = ("config", "recipe", "lot", "screen", "plate", "alarm", "user", "calibrate", "ask", "seal")
HELP = [["--help"], *([name, "--help"] for name in GROUPS), ["sign-in", "--help"], ["--version"]]
NO_JSON = {
    "export", "config example", "plate follow", "page", "fleet page", "calibrate light",
    "calibrate vacuum", "calibrate oven", "calibrate head", "find example", "find ask",
    "seal head", "rehearse",
}  # fmt: skip
"""Commands whose output is a file's content already, a talk with a person, or nothing."""


def leaves(group: LazyGroup, path: str = "") -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        here = f"{path} {name}".strip()
        if isinstance(command, LazyGroup):
            yield from leaves(command, here)
        else:
            yield here, command


COMMANDS = dict(leaves(main))


def python(code: str, **options) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, **options
    )


@pytest.mark.parametrize("arguments", HELP)
def test_help_imports_nothing_but_click(arguments: list[str]) -> None:
    code = f"""
import sys
sys.argv = ["platelink", *{arguments!r}]
from platelink.cli import main
try:
    main()
except SystemExit as end:
    assert not end.code
print("loaded:", *(m for m in {HEAVY!r} if m in sys.modules))
"""
    done = python(code)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1].strip() == "loaded:"


def test_completion_imports_nothing_but_click() -> None:
    code = f"""
import os, sys
os.environ |= {{"_PLATELINK_COMPLETE": "bash_complete", "COMP_WORDS": "platelink ex",
                "COMP_CWORD": "1"}}
from platelink.cli import main
try:
    main(prog_name="platelink")
finally:
    print("loaded:", *(m for m in {HEAVY!r} if m in sys.modules))
"""
    done = python(code)
    assert "plain,expose" in done.stdout and "plain,export" in done.stdout
    assert done.stdout.splitlines()[-1].strip() == "loaded:"


def test_runs_as_a_module() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "platelink", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout == f"platelink {__version__}\n"


def test_help_names_every_command_in_its_section() -> None:
    text = run("--help").stdout
    for name, lazy in main.lazy.items():
        assert re.search(rf"^  {name} +{re.escape(lazy.help)}$", text, re.MULTILINE), name
        assert f"{lazy.section}:" in text


def test_a_wrong_name_is_answered_with_the_near_one() -> None:
    result = run("exprot")
    assert result.exit_code == 2
    assert "There is no command 'exprot'; did you mean 'export'?" in result.stderr
    assert "see 'platelink --help'" in run("zzz").stderr


# --- documentation --------------------------------------------------------------------------------


def sections() -> dict[str, str]:
    found = re.split(r"^##+ `platelink ([a-z -]+)`$", DOCS.read_text("utf-8"), flags=re.MULTILINE)
    return dict(zip(found[1::2], found[2::2], strict=True))


def test_every_command_and_no_other_has_its_section() -> None:
    groups = {name.split()[0] for name in COMMANDS if " " in name}
    assert set(sections()) == set(COMMANDS) | groups


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_is_documented(name: str) -> None:
    text = sections()[name]
    for option in COMMANDS[name].params:
        if isinstance(option, click.Option) and not option.hidden:
            for word in (*option.opts, *option.secondary_opts):
                assert f"`{word}`" in text, word
            assert option.help, option.opts


@pytest.mark.parametrize("name", sorted(COMMANDS.keys() - NO_JSON))
def test_every_command_that_prints_results_takes_json(name: str) -> None:
    assert any("--json" in option.opts for option in COMMANDS[name].params)


@pytest.mark.parametrize("name", COMMANDS)
def test_no_documented_option_is_unknown(name: str) -> None:
    known = {o for p in COMMANDS[name].params for o in (*p.opts, *p.secondary_opts)}
    rows = [line.split("|")[1] for line in sections()[name].splitlines() if line.startswith("| `")]
    assert {word for row in rows for word in re.findall(r"`(-[^`]+)`", row)} <= known


# --- faults ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FAULTS)
def test_every_foreseen_fault_is_a_class_that_exists(name: str) -> None:
    module, _, cls = name.rpartition(".")
    assert issubclass(getattr(import_module(module), cls), Exception)


def test_only_foreseen_faults_become_messages() -> None:
    assert failure_of(UnitError("x")) is Misuse
    assert failure_of(ValueError("x")) is None
    assert (Failure.exit_code, Misuse.exit_code) == (1, 2)


def test_a_closed_pipe_is_quiet(tmp_path: Path) -> None:
    """The reader leaves before anything is written, as ``head`` does."""
    code = (
        "import sys; sys.stdin.read(); "
        "from platelink.cli import main; main(['config', 'example'], prog_name='platelink')"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert child.stdout and child.stderr and child.stdin
    child.stdout.close()
    child.stdin.close()
    assert child.stderr.read() == b""
    child.stderr.close()
    assert child.wait() == 1


def test_a_full_disk_under_the_output_is_one_message() -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "platelink", "recipe", "example"], stdout=full,
            stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.startswith("Error: the output could not be written, the disk is full")
    assert "Traceback" not in done.stderr
