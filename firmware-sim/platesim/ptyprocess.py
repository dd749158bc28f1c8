"""The pty unit as a child process, for tests and demonstrations: start, order, ask, end."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, Self


class PtyProcess:
    """``with PtyProcess(scenario="faded", speed=10) as unit: open(unit.path)``.

    The child ends with the block, and also when this process dies."""

    def __init__(
        self,
        *,
        scenario: str = "faded",
        board: str = "host",
        speed: float = 1.0,
        seed: int = 1,
        link: Path | None = None,
    ) -> None:
        self._command = [
            sys.executable, "-m", "platesim.ptyunit", "--scenario", scenario,
            "--board", board, "--speed", str(speed), "--seed", str(seed),
        ]  # fmt: skip
        if link is not None:
            self._command += ["--link", str(link)]
        self.path = ""
        """The serial device to open; a link given stays the same over an unplugging."""
        self._link = link
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(  # noqa: S603
            self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.path = self._line().strip()
        if self._link is not None:
            self.path = str(self._link)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.close()
        try:
            process.wait(timeout=5.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()

    @property
    def pid(self) -> int:
        """Process id, to stop or kill it."""
        assert self._process is not None
        return self._process.pid

    def order(self, **fields: Any) -> dict[str, Any]:
        """Give an order (see ``platesim.orders``) and return its answer. Raises ``ValueError`` when
        the unit refuses it."""
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(fields) + "\n")
        self._process.stdin.flush()
        while True:
            answer: dict[str, Any] = json.loads(self._line())
            if "path" not in answer:
                break
            if self._link is None:
                self.path = answer["path"]
        if "error" in answer:
            raise ValueError(answer["error"])
        return answer

    def truth(self, p: float = 1.0, reference_mw_cm2: float = 10.0) -> dict[str, Any]:
        """True dose and light since the last ``order(do="mark")``."""
        return self.order(do="truth", p=p, reference_mw_cm2=reference_mw_cm2)

    def _line(self) -> str:
        assert self._process is not None
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError(f"the simulated unit ended with {self._process.wait()}")
        return line
