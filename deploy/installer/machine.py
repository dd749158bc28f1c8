"""This machine, as the steps of the installer change it: files, links, other programs."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

SOURCE = Path(__file__).resolve().parents[2]
"""The checkout."""
OPT, ETC, STATE = Path("/opt/platelink"), Path("/etc/platelink"), Path("/var/lib/platelink")
BACKUPS, UNITS = Path("/var/backups/platelink"), Path("/etc/systemd/system")
CURRENT, PREVIOUS = OPT / "current", OPT / "previous"
CONFIG = ETC / "platelink.toml"
SERVICES = {
    "unit": "platelink.service", "page": "platelink-page.service",
    "alerts": "platelink-alerts.service", "recorder": "platelink-recorder.service",
    "fleet": "platelink-fleet.service", "fleet-page": "platelink-fleet-page.service",
    "backup": "platelink-backup.timer",
}  # fmt: skip


class Refused(Exception):  # noqa: N818 -- as the program says it
    """What cannot be done, and what to do."""


WROTE: list[str] = []
"""What this call has changed of a service: such a one is started anew."""


def say(what: str, text: str) -> None:
    print(f"  {what:<8} {text}", flush=True)  # noqa: T201


def run(*command: str | Path, check: bool = True) -> subprocess.CompletedProcess[str]:
    """Its output is shown only when it fails."""
    words = [str(c) for c in command]
    done = subprocess.run(words, capture_output=True, text=True, check=False)  # noqa: S603 -- ours
    if check and done.returncode:
        told = (done.stderr or done.stdout).strip()[-2000:]
        raise Refused(f"'{' '.join(map(str, command))}' failed ({done.returncode}): {told}")
    return done


def put(path: Path, text: str, mode: int = 0o644, *, keep: bool = False) -> bool:
    """Write a file where it is not so yet; True if it was written. ``keep``: one that another
    program brought is kept beside it, the first time."""
    before = path.read_text("utf-8") if path.exists() else None
    if before == text:
        path.chmod(mode)
        return False
    path.parent.mkdir(parents=True, exist_ok=True)
    kept = path.with_name(f"{path.name}.before-platelink")
    if keep and before is not None and not kept.exists():
        shutil.copy2(path, kept)
    new = path.with_name(f"{path.name}.new")
    new.touch(mode)
    new.chmod(mode)
    new.write_text(text, "utf-8")
    os.replace(new, path)
    say("wrote", str(path))
    WROTE.append(str(path))
    return True


def point(link: Path, to: Path) -> None:
    """A link, changed in one step."""
    link.parent.mkdir(parents=True, exist_ok=True)
    new = link.with_name(f".{link.name}.new")
    new.unlink(missing_ok=True)
    new.symlink_to(to)
    os.replace(new, link)


def release_of(link: Path) -> Path | None:
    return link.resolve() if link.is_symlink() and link.exists() else None
