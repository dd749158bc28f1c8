"""The tutorial as it stands: every command is run on the simulated unit that it starts, and what it
shows must come. Only the pace is another: the unit and its daemon run some times faster."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from documents import Block, blocks, not_shown, run_block
from terminal import LOOK_S, Terminal

pytestmark = [pytest.mark.system, pytest.mark.alone, pytest.mark.timeout(400)]
TUTORIAL = Path(__file__).parents[2] / "docs/tutorial.md"
SPEED = "4"
SEALED_LOOKS = 10
"""What has closed is sealed within a second or two."""
KEYS = re.compile(r"^\| `([^`]+)` \| (?:`([^`]+)`)?(?: and )?(Enter)? \|$", re.MULTILINE)


class Pupil:
    """Somebody with two terminals who does what the tutorial says."""

    def __init__(self, directory: Path, keys: dict[str, str]) -> None:
        self.directory, self.keys = directory, keys
        self.pressed: set[str] = set()
        self.rehearsal: subprocess.Popen[str] | None = None
        self.typed = self.shown = ""
        """In the block before, and what it showed."""

    def do(self, block: Block) -> None:
        if block.mark == "shows":
            for _ in range(SEALED_LOOKS):  # whoever types takes longer than the sealer
                if "not sealed yet" not in self.shown:
                    break
                self.shown = run_block(self.typed, self.directory)
            assert not (missing := not_shown(block.text, self.shown)), f"{missing}\n{self.shown}"
        elif block.mark == "first terminal":
            self.shown = self.begin(block.text.split())
        elif block.mark == "run":
            self.typed = block.text
            self.shown = run_block(block.text, self.directory)
        elif block.mark.startswith("asks: "):
            at = Terminal(*self.words(block.text))
            at.until("PIN")
            at.press(block.mark.removeprefix("asks: ") + "\r")
            assert at.end() == 0
            self.shown = at.text
        elif block.mark == "follow":
            self.shown = self.follow(self.words(block.text))

    def words(self, line: str) -> list[str]:
        program, *words = [a or b for a, b in re.findall(r"'([^']*)'|(\S+)", line)]
        assert program == "platelink"
        return words

    def begin(self, words: list[str]) -> str:
        assert words[0] == "platelink"
        self.rehearsal = subprocess.Popen(
            [sys.executable, "-m", *words, "--speed", SPEED, "--port", "0"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        assert self.rehearsal.stdout is not None
        text = ""
        while "Ctrl-C ends everything" not in text:
            line = self.rehearsal.stdout.readline()
            assert line, text
            text += line
        return text

    def follow(self, words: list[str]) -> str:
        at = Terminal(*words)
        over, leaked = "is complete", False
        wanted = "|".join([*map(re.escape, self.keys), "lamp on", over])
        silent = 0
        while (found := at.seen(wanted, LOOK_S / 6)) != over:
            silent = 0 if found else silent + 1
            assert silent < 18, at.text[-3000:]
            if found == "lamp on" and not leaked:
                self.type("leak")
                leaked = True
            if (
                found is None
            ):  # what was pressed while the screen changed is lost; it is still asked
                last = at.text.rpartition("keys:")[2].splitlines()[:1]
                found = next((seen for seen in self.keys if last and seen in last[0]), None)
            if found in self.keys:
                self.pressed.add(found)
                at.press(self.keys[found])
        assert at.end() == 0
        return at.text

    def type(self, word: str) -> None:
        assert self.rehearsal is not None and self.rehearsal.stdin is not None
        self.rehearsal.stdin.write(f"{word}\n")
        self.rehearsal.stdin.flush()

    def end(self) -> None:
        if self.rehearsal is None:
            return
        self.rehearsal.terminate()
        self.rehearsal.wait(timeout=60.0)
        for stream in (self.rehearsal.stdin, self.rehearsal.stdout):
            assert stream is not None
            stream.close()


@pytest.fixture
def pupil(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Pupil]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    text = TUTORIAL.read_text("utf-8")
    named = re.search(r"export PLATELINK_CONFIG=(\S+)", text)
    assert named
    monkeypatch.setenv("PLATELINK_CONFIG", named[1])
    rows = KEYS.findall(text)
    one = Pupil(tmp_path, {seen: f"{key}{chr(13) if enter else ''}" for seen, key, enter in rows})
    try:
        yield one
    finally:
        one.end()


def test_the_tutorial_is_true(pupil: Pupil) -> None:
    marks = []
    for block in blocks(TUTORIAL.read_text("utf-8")):
        pupil.do(block)
        marks.append(block.mark)
    assert pupil.pressed == set(pupil.keys), "a key that nothing asked for"
    stated = TUTORIAL.read_text("utf-8").count("<!-- shows -->")
    assert marks.count("shows") == stated >= 10
    assert {"first terminal", "asks: 314159", "follow"} < set(marks)
