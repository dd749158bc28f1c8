"""Before a release takes over: may the daemon be restarted, and what becomes of the record."""

from __future__ import annotations

import json
import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path

from installer.machine import (
    BACKUPS,
    CONFIG,
    CURRENT,
    SERVICES,
    STATE,
    Refused,
    configured,
    run,
    say,
)  # fmt: skip

REPLAYED_DAYS = 30
MIGRATE = """
import sys
from pathlib import Path
from platelink.record.journal import Journal
Journal.open(Path(sys.argv[1]), unit=sys.argv[2], new_uuid="rehearsal").close()
"""


def journal_place() -> Path:
    return Path(configured().get("journal", {}).get("path", STATE / "journal.sqlite"))


def other_forms(saved: Path) -> bool:
    """Whether a file of the record has other tables now than this backup of it."""
    files = json.loads((saved / "manifest.json").read_text("utf-8"))["files"]
    pairs = [(Path(one["place"]), saved / one["name"]) for one in files if one["rows"]]
    return any(_form(now) != _form(then) for now, then in pairs if now.exists())


def _form(file: Path) -> int:
    """The version of its tables."""
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as live:
        return int(live.execute("PRAGMA user_version").fetchone()[0])


def lit(*, begun: bool = False) -> str:
    """Why the daemon must not be restarted now; empty when it may. ``begun``: it was started a
    moment ago, and to have it say nothing is why it is given up."""
    done = run(CURRENT / "bin/platelink", "--config", CONFIG, "status", "--json", check=False)
    if done.returncode:
        if begun or run("systemctl", "is-active", SERVICES["unit"], check=False).returncode:
            return ""  # no daemon runs
        return ("the daemon runs, and does not say whether there is light (platelink status says "
                f"why): see that there is none, systemctl stop {SERVICES['unit']}, and run this "
                "again")  # fmt: skip
    status = json.loads(done.stdout)
    if status["run_id"] is not None:
        return "an exposure is going on; run this again when it has ended"
    if status["light"]["state"] == "on":
        return "there is light on the bed: end it first"
    return ""


def rehearse(old: Path, new: Path, *, accept: bool) -> None:
    """Back up by the old release; then, on a copy, what the new one makes of the record."""
    backup = BACKUPS / f"before-{new.name}-{time.strftime('%Y%m%dT%H%M%S')}"
    BACKUPS.mkdir(0o700, parents=True, exist_ok=True)
    run(old / "bin/platelink", "--config", CONFIG, "backup", backup)
    say("saved", str(backup))
    run(new / "bin/platelink", "drill", backup)
    say("tried", "the backup, by the new release")
    journal = journal_place()
    since = time.time() - REPLAYED_DAYS * 86400
    tapes = journal.with_suffix(".tapes")
    if not tapes.is_dir() or all(one.stat().st_mtime < since for one in tapes.iterdir()):
        say("no tapes", f"of the last {REPLAYED_DAYS} days: no plate was made again to compare")
        return
    with tempfile.TemporaryDirectory(dir=BACKUPS) as folder:
        copy = Path(folder) / journal.name
        with (
            closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as live,
            closing(sqlite3.connect(copy)) as written,
        ):
            live.backup(written)
        copy.with_suffix(".tapes").symlink_to(tapes)
        name = configured()["unit"]["name"]
        run(new / "bin/python", "-c", MIGRATE, copy, name)
        day = time.strftime("%Y-%m-%d", time.gmtime(since))
        done = run(new / "bin/platelink", "replay", "--all", "--since", day, "--journal", copy,
                   check=False)  # fmt: skip
    if done.returncode:
        told = (done.stdout + done.stderr).strip()[-2000:]
        if not accept:
            raise Refused(
                f"the new release would not have made the same plates, and was not taken:\n{told}\n"
                "where that is meant, run again with --accept-differences"
            )
        say("accepted", f"differences in plates made again: {told}")
        return
    say("same", f"plates of the last {REPLAYED_DAYS} days, made again by the new release")
