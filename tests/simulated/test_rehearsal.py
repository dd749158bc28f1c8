"""A rehearsal from the command line: what it prints is true, its files stay, nothing is left on."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from platelink.client import Client
from platelink.link.messages import Input
from platelink.simulated.rehearsal import LEAD, LEAD_PIN, MARK, UNIT, RehearsalError, _prepare

pytestmark = pytest.mark.system


def said_until(process: subprocess.Popen[str], wanted: str) -> str:
    assert process.stdout is not None
    text = ""
    while wanted not in text:
        line = process.stdout.readline()
        assert line, text
        text += line
    return text


def begun(directory: Path, *options: str) -> tuple[subprocess.Popen[str], str]:
    process = subprocess.Popen(
        [sys.executable, "-m", "platelink", "rehearse", "--keep", str(directory), "--port", "0",
         *options],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    return process, said_until(process, "Ctrl-C ends everything")


def ended(process: subprocess.Popen[str]) -> None:
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=30.0) == 0
    for stream in (process.stdin, process.stdout):
        assert stream is not None
        stream.close()


def ours(directory: Path) -> list[str]:
    """Command lines of processes that name the directory."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            try:
                words = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode()
            except OSError:
                continue
            if str(directory) in words:
                found.append(words)
    return found


def lid_closed(client: Client) -> bool:
    reading = client.status().reading
    return reading is None or bool(reading.inputs & Input.INTERLOCK_CLOSED)


def test_a_rehearsal_from_its_begin_to_its_end(tmp_path: Path) -> None:
    directory = tmp_path / "rehearsal"
    process, text = begun(directory)
    page = re.search(r"the page +(http://\S+)", text)
    config = re.search(r"--config (\S+) plate follow", text)
    assert page and config
    with urllib.request.urlopen(page[1], timeout=20.0) as answer:
        assert "platelink" in answer.read().decode()
    assert f"{LEAD}, PIN {LEAD_PIN}" in text
    with Client(directory / "journal.socket") as client:
        client.sign_in(LEAD, LEAD_PIN)
        assert [recipe.recipe for recipe in client.recipes()] == ["demo-plate"]
        assert client.status().unit == UNIT
        assert process.stdin is not None
        process.stdin.write("lid\n")
        process.stdin.flush()
        deadline = time.monotonic() + 20.0
        while lid_closed(client):
            assert time.monotonic() < deadline
            time.sleep(0.1)
    ended(process)
    assert not ours(directory)
    process, text = begun(directory)
    with Client(directory / "journal.socket") as client:
        client.sign_in(LEAD, LEAD_PIN)
        assert len(client.recipes()) == 1
    ended(process)


def test_only_a_directory_of_its_own_is_emptied(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("not from a rehearsal")
    with pytest.raises(RehearsalError, match="not from a rehearsal"):
        _prepare(tmp_path, fresh=True)
    assert (tmp_path / "mine.txt").exists()
    (tmp_path / MARK).touch()
    _prepare(tmp_path, fresh=False)
    assert (tmp_path / "mine.txt").exists()
    _prepare(tmp_path, fresh=True)
    assert not (tmp_path / "mine.txt").exists()
