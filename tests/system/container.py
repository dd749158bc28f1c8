"""A Debian in a container that systemd runs, for what is installed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import uuid
from pathlib import Path

import pytest
from shop_processes import wait

ROOT = Path(__file__).parents[2]
NEEDS = ("systemd-nspawn", "mmdebstrap", "nsenter", "tar")
PACKAGES = (
    "systemd", "systemd-sysv", "dbus", "udev", "procps", "python3-venv", "gcc", "libc6-dev",
    "mosquitto", "victoria-metrics", "openssl",
)  # fmt: skip
SIMULATED = """[Service]
# A simulated unit is a pseudo-terminal, not a serial adapter.
DevicePolicy=auto
DeviceAllow=
WatchdogSec=4
"""


def missing() -> str:
    """Why there can be none here; empty when there can."""
    if os.geteuid():
        return "needs root"
    absent = [program for program in NEEDS if shutil.which(program) is None]
    return (
        f"needs {', '.join(absent)}: systemd-container and mmdebstrap of Debian" if absent else ""
    )


def wheelhouse(folder: Path) -> None:
    """All that pip needs to install this checkout as the installer does, but for itself."""
    program = (ROOT / "deploy/installer/program.py").read_text("utf-8")
    extras = re.findall(r'"(\w+)"', program.partition("\nEXTRAS = ")[2].partition("\n")[0])
    assert extras
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "-w", folder, "-c",
         ROOT / "deploy/constraints.txt", f"{ROOT}[{','.join(extras)}]", "hatchling"],
        check=True, capture_output=True,
    )  # fmt: skip
    for own in folder.glob("platelink-*"):
        own.unlink()


class Container:
    """``run`` works inside; ``checkout`` is this checkout's copy there."""

    def __init__(self, folder: Path) -> None:
        self.tree = folder / "tree"
        self._log = folder / "container.log"
        self._children: list[subprocess.Popen[bytes]] = []
        self._leader = 0
        include = ",".join(PACKAGES)
        made = subprocess.run(
            ["mmdebstrap", "--variant=minbase", f"--include={include}", "bookworm", self.tree],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if made.returncode:
            pytest.skip(f"mmdebstrap makes no Debian here: {made.stderr[-300:]}")
        (self.tree / "etc/machine-id").write_text(f"{uuid.uuid4().hex}\n")
        wheelhouse(self.tree / "wheels")
        self.checkout = self.tree / "src"
        self.take_checkout()

    def take_checkout(self) -> None:
        """As it is here, without anything that a test changed."""
        shutil.rmtree(self.checkout, ignore_errors=True)
        self.checkout.mkdir()
        listed = subprocess.run(
            ["git", "ls-files", "-z", "-co", "--exclude-standard"],
            cwd=ROOT, capture_output=True, check=True,
        )  # fmt: skip
        subprocess.run(
            ["tar", "--null", "-T", "-", "-cf", self.tree / "src.tar"],
            cwd=ROOT, input=listed.stdout, check=True,
        )  # fmt: skip
        subprocess.run(["tar", "-xf", self.tree / "src.tar", "-C", self.checkout], check=True)

    def start(self) -> None:
        with self._log.open("wb") as log:
            nspawn = subprocess.Popen(
                ["systemd-nspawn", "-D", self.tree, "--register=no", "--keep-unit", "--boot",
                 "--console=pipe"],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        self._children.append(nspawn)
        children = Path(f"/proc/{nspawn.pid}/task/{nspawn.pid}/children")
        wait(lambda: children.exists() and children.read_text().split(), 20, "container")
        self._leader = int(children.read_text().split()[0])
        wait(lambda: self.run("systemctl", "is-system-running").stdout.strip() in
             ("running", "degraded"), 60, "systemd in the container")  # fmt: skip

    def _inside(self, command: tuple[str, ...]) -> list[str]:
        return [
            "nsenter", "-t", str(self._leader), "-m", "-u", "-i", "-n", "-p", "--",
            "/usr/bin/env", "-i", "PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME=/root",
            "PIP_NO_INDEX=1", "PIP_FIND_LINKS=/wheels", *command,
        ]  # fmt: skip

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(self._inside(command), capture_output=True, text=True, check=False)

    def begin(self, *command: str) -> None:
        """What goes on until the container stops; its standard input stays open."""
        child = subprocess.Popen(
            self._inside(command), stdin=subprocess.PIPE, stdout=subprocess.DEVNULL
        )
        self._children.append(child)

    def install(self, *words: str) -> subprocess.CompletedProcess[str]:
        return self.run("python3", "/src/deploy/install.py", *words)

    def stop(self) -> None:
        if self._leader:
            self.run("systemctl", "poweroff", "--force", "--force")
        for child in reversed(self._children):
            child.kill()
            child.wait()
            if child.stdin is not None:
                child.stdin.close()
