"""A try to send one message, by a child that is ended when it takes too long."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from importlib.util import find_spec
from typing import Protocol

from platelink.alerts.wording import Message
from platelink.extras import installing

LIMIT_S = 60.0
"""A service that takes longer counts as not having taken it."""
NOT_INSTALLED = f"the extra 'alerts' is not installed; {installing('alerts')}"


class Attempt(Protocol):
    """A try that is under way."""

    def outcome(self) -> str | None:
        """None while it is under way; empty when the message was taken, else why not."""
        ...

    def end(self) -> None:
        """Wait for it no longer."""
        ...


def installed() -> bool:
    """Is the library there that sends?"""
    return find_spec("apprise") is not None


class Child:
    """See the file's first line."""

    def __init__(self, address: str, message: Message | None, *, limit_s: float = LIMIT_S) -> None:
        asked = {"address": address} | (message._asdict() if message else {})
        self._limit_s = limit_s
        self._until = time.monotonic() + limit_s
        self._process = subprocess.Popen(
            [sys.executable, "-m", "platelink.alerts.by_apprise"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(asked).encode())
            self._process.stdin.close()
        except BrokenPipeError:
            pass  # it has ended, and its outcome says so

    def outcome(self) -> str | None:
        """See ``Attempt``."""
        if self._process.poll() is None:
            if time.monotonic() < self._until:
                return None
            self.end()
            return f"no answer within {self._limit_s:g} s"
        assert self._process.stdout is not None
        with self._process.stdout as out:
            text = out.read()
        try:
            return str(json.loads(text)["problem"])
        except (ValueError, LookupError):
            if not installed():
                return NOT_INSTALLED
            return f"the process that sends ended with {self._process.returncode}"

    def end(self) -> None:
        """See ``Attempt``."""
        self._process.kill()
        self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()


def send_now(address: str, message: Message | None, *, limit_s: float = LIMIT_S) -> str:
    """Send, and wait for what comes of it: empty when it was taken, else why not. Without a message
    the address alone is judged."""
    attempt = Child(address, message, limit_s=limit_s)
    try:
        while (outcome := attempt.outcome()) is None:
            time.sleep(0.05)
    except BaseException:
        attempt.end()
        raise
    return outcome
