"""This machine, as the steps of the installer change it: files, links, other programs."""

from __future__ import annotations

import os
import shutil
import subprocess
import tomllib
from pathlib import Path
from typing import Any

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
"""What has changed of a service, by this call or by one that did not come to its end: such a one is
started anew."""
NOTED = OPT / "changed"
"""The same, until a call has come to its end."""


def say(what: str, text: str) -> None:
    print(f"  {what:<8} {text}", flush=True)  # noqa: T201


def wrote(what: str) -> None:
    """Noted before it is done: a call that is cut off must not hide it from the next."""
    NOTED.parent.mkdir(parents=True, exist_ok=True)
    with NOTED.open("a", encoding="utf-8") as file:
        file.write(f"{what}\n")
    WROTE.append(what)


def run(*command: str | Path, check: bool = True) -> subprocess.CompletedProcess[str]:
    """Its output is shown only when it fails."""
    words = [str(c) for c in command]
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False)  # noqa: S603 -- ours
    except OSError as error:  # not there, or its interpreter is not
        done = subprocess.CompletedProcess(words, 127, "", str(error))
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
    wrote(str(path))
    os.replace(new, path)
    say("wrote", str(path))
    return True


def point(link: Path, to: Path) -> None:
    """A link, changed in one step."""
    link.parent.mkdir(parents=True, exist_ok=True)
    new = link.with_name(f".{link.name}.new")
    new.unlink(missing_ok=True)
    new.symlink_to(to)
    os.replace(new, link)


def configured() -> dict[str, Any]:
    """The unit's configuration, as somebody may have edited it."""
    try:
        return tomllib.loads(CONFIG.read_text("utf-8"))
    except ValueError as error:
        raise Refused(f"{CONFIG}: {error}; mend it, platelink config check says more") from None


def release_of(link: Path) -> Path | None:
    return link.resolve() if link.is_symlink() and link.exists() else None
