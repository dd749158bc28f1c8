#!/usr/bin/env python3
"""Install platelink on this Debian machine, bring it up to this release, go back, remove it.

    python3 deploy/install.py install                  unit, page and nightly backup
    python3 deploy/install.py install recorder broker store fleet fleet-page  a shop's server
    python3 deploy/install.py from --key release.pub FOLDER        a signed release
    python3 deploy/install.py rollback
    python3 deploy/install.py uninstall

As root, in a checkout or an unpacked release. It asks nothing, may be run again at any time, and
says of each step what it did. A release is tried on a copy of the record before it takes over, and
given up when it does not come up. Nothing is ever deleted from /etc/platelink, /var/lib/platelink
and the backups.
Needs nothing but Debian's python3.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from installer.artefact import install_from
from installer.machine import (
    BACKUPS,
    CONFIG,
    CURRENT,
    ETC,
    NOTED,
    OPT,
    PREVIOUS,
    SERVICES,
    STATE,
    UNITS,
    WROTE,
    Refused,
    configured,
    point,
    put,
    release_of,
    run,
    say,
)  # fmt: skip
from installer.program import COMMAND, build, prune, take_over
from installer.rehearsal import journal_place, lit, other_forms, rehearse
from installer.surroundings import (
    PASSWORDS,
    Network,
    admit,
    broker,
    configuration,
    files,
    fleet_configuration,
    fleet_page_configuration,
    logins_of,
    packages,
    page,
    recorder_configuration,
    renew,
    secret,
    store,
    unfit,
)  # fmt: skip

AS_MADE = ETC / ".example-as-made"
PARTS = (*SERVICES, "broker", "store")
USUAL = ("unit", "page", "backup")
OF_ALL = ("recorder", "fleet", "fleet-page")
"""Parts that work for other machines' units, too."""
PAGE_PASSWORD = ETC / "secrets/fleet-page"
READ_ONCE = {SERVICES["page"]: f"{ETC}/page/", SERVICES["fleet-page"]: str(PAGE_PASSWORD)}
"""Certificate and password are read at the start of a service alone."""
UP_S = 60.0
_USER = r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}/[A-Za-z0-9][A-Za-z0-9._-]{0,63}"


def ready() -> None:
    if os.geteuid():
        raise Refused("this needs root: sudo python3 deploy/install.py ...")
    if not Path("/run/systemd/system").is_dir() or shutil.which("dpkg") is None:
        raise Refused("this is for Debian machines that systemd runs; docs/installation.md has the "
                      "steps for others")  # fmt: skip


def install(
    parts: Sequence[str], site: str, unit: str, network: Network | None, others: Sequence[str],
    *, accept: bool,
) -> None:  # fmt: skip
    """All steps, of what was installed before, too; those that are done already change nothing."""
    there = (part for part, name in SERVICES.items() if (UNITS / name).exists())
    parts = tuple(dict.fromkeys((*parts, *there)))
    if why := unfit(parts, others):
        raise Refused(why)
    old = release_of(CURRENT)
    WROTE.extend(NOTED.read_text("utf-8").splitlines() if NOTED.exists() else ())
    idle(parts)
    packages(parts, network)
    new = build()
    upgrade = old is not None and old != new
    if old is not None and upgrade and "unit" in parts and has_record():
        rehearse(old, new, accept=accept)
    idle(parts)  # all that takes minutes is done
    files(parts)
    configure(new, parts, site, unit)
    if "broker" in parts:
        broker(users(parts, others), network)
    elif "fleet" in parts and PASSWORDS.exists():
        admit(users(parts, others))
    if "store" in parts:
        store()
    if "page" in parts and network is not None:
        page(network)
    renew()
    run("systemctl", "daemon-reload")
    idle(parts)
    take_over(new)
    if begin(parts):
        NOTED.unlink(missing_ok=True)
        prune()
        return
    if old is None or not upgrade:
        raise Refused("it does not come up: journalctl -u 'platelink*'; then run this again")
    go_back(begun=True)
    PREVIOUS.unlink()
    raise Refused(f"the new release did not come up; {old.name} is in use again: "
                  "journalctl -u 'platelink*' says why")  # fmt: skip


def idle(parts: Sequence[str]) -> None:
    """Refused where the unit must not be begun anew now."""
    here = release_of(CURRENT) is not None and "unit" in parts and CONFIG.exists()
    if here and (why := lit()):
        raise Refused(why)


def has_record() -> bool:
    """A unit has worked here."""
    return CONFIG.exists() and journal_place().exists()


def configure(new: Path, parts: Sequence[str], site: str, unit: str) -> None:
    """Configurations, where there are none."""
    if "unit" in parts and not CONFIG.exists():
        example = run(new / "bin/platelink", "config", "example").stdout
        text = configuration(example, site, unit, parts)
        put(AS_MADE, hashlib.sha256(text.encode()).hexdigest())
        put(CONFIG, text)
    if "recorder" in parts and not (ETC / "recorder.toml").exists():
        put(ETC / "recorder.toml", recorder_configuration())
    if "fleet" in parts and not (ETC / "fleet.toml").exists():
        put(ETC / "fleet.toml", fleet_configuration())
    if "fleet-page" in parts:
        if not (ETC / "fleet-page.toml").exists():
            put(ETC / "fleet-page.toml", fleet_page_configuration())
        made = not PAGE_PASSWORD.exists()
        secret(PAGE_PASSWORD.name)
        if made:
            say("password", f"of the page of all units: it is in {PAGE_PASSWORD}")


def users(parts: Sequence[str], others: Sequence[str]) -> dict[str, str]:
    """Of the broker, with their passwords; ``others`` are units on other machines."""
    found = {"recorder": secret("recorder")}
    found |= {name: secret(name.replace("/", ".")) for name in others}
    found |= {name: secret(name) for name in logins_of(parts)}
    if "unit" in parts:
        told = configured().get("broker", {})
        if told.get("password_file") == str(ETC / "secrets/unit"):
            found[told["username"]] = secret("unit")
    return found


def begin(parts: Sequence[str]) -> bool:
    """Start what does not run, anew what has changed; True when all is up."""
    own = [SERVICES[part] for part in SERVICES if part in parts]
    if "unit" in parts and still_invented():
        say("to do", f"{CONFIG}: its sensors are invented. Replace every value with your own,")
        say("to do", "then run this again: it starts the unit (docs/installation.md)")
        own = [SERVICES[part] for part in OF_ALL if part in parts]
    for name in own:
        run("systemctl", "enable", name)
        changed = "program" in WROTE or any(name in path for path in WROTE)
        once = READ_ONCE.get(name)
        changed = changed or (once is not None and any(path.startswith(once) for path in WROTE))
        systemctl("restart" if changed else "start", name)
    end = time.monotonic() + UP_S
    while waiting := [name for name in own if not up(name)]:
        if time.monotonic() > end:
            say("not up", " ".join(waiting))
            return False
        time.sleep(1.0)
    if own:
        say("running", " ".join(own))
    return True


def systemctl(act: str, name: str) -> None:
    """A daemon that never says that it is up is not waited for without end."""
    run("timeout", f"{UP_S:g}", "systemctl", act, name, check=False)


def still_invented() -> bool:
    made = AS_MADE.read_text() if AS_MADE.exists() else ""
    return hashlib.sha256(CONFIG.read_bytes()).hexdigest() == made


def up(name: str) -> bool:
    if run("systemctl", "is-active", name, check=False).returncode:
        return False
    asked = (CURRENT / "bin/platelink", "--config", CONFIG, "status", "--json")
    return name != "platelink.service" or not run(*asked, check=False).returncode


def go_back(*, begun: bool = False) -> None:
    """The release before, with the record as it is, or as it was where only that can be read."""
    old, new = release_of(PREVIOUS), release_of(CURRENT)
    if old is None or new is None or old == new:
        raise Refused("there is no release to go back to")
    if why := lit(begun=begun):
        raise Refused(why)
    saved = too_new(new) if has_record() else None
    run("systemctl", "stop", *SERVICES.values(), check=False)
    try:
        if saved is not None:
            set_back(old, saved)
        for unit in (old / "units").glob("*"):
            if (UNITS / unit.name).exists():
                put(UNITS / unit.name, unit.read_text("utf-8"))
        run("systemctl", "daemon-reload")
        point(CURRENT, old)
        point(PREVIOUS, new)
        say("in use", old.name)
    finally:
        for name in SERVICES.values():
            if run("systemctl", "is-enabled", name, check=False).returncode == 0:
                systemctl("start", name)


def too_new(new: Path) -> Path | None:
    """What the release before saved of the record, where it cannot read the present one."""
    saved = sorted(BACKUPS.glob(f"before-{new.name}-*"))
    journal = journal_place()
    if not saved or not other_forms(saved[-1]):
        return None
    if journal.parent != STATE:
        raise Refused(f"the release before cannot read {journal}: stop the services, move the files"
                      f" of its folder elsewhere, then platelink restore {saved[-1]}")  # fmt: skip
    return saved[-1]


def set_back(old: Path, saved: Path) -> None:
    """Put back what the older release saved, and keep what there is: all of it, or nothing."""
    state = STATE.resolve()
    aside = state.with_name(f"platelink-set-aside-{time.strftime('%Y%m%dT%H%M%S')}")
    state.rename(aside)
    state.mkdir(0o750)
    try:
        run(old / "bin/platelink", "--config", CONFIG, "restore", saved)
    except Refused:
        shutil.rmtree(state)
        aside.rename(state)
        raise
    for key in aside.glob("*.key"):  # secrets are in no backup
        shutil.copy2(key, state / key.name)
    say("set back", f"the record to {saved.name}; what came since is kept in {aside}")


def uninstall() -> None:
    idle(("unit",))
    for name in SERVICES.values():
        run("systemctl", "disable", "--now", name, check=False)
    ours = [
        Path("/etc/sysusers.d/platelink.conf"), Path("/etc/udev/rules.d/60-platelink.rules"),
        COMMAND, *UNITS.glob("platelink*.service"), *UNITS.glob("platelink*.timer"),
    ]  # fmt: skip
    shutil.rmtree(UNITS / "platelink-page.service.d", ignore_errors=True)
    for path in ours:
        path.unlink(missing_ok=True)
    shutil.rmtree(OPT, ignore_errors=True)
    run("systemctl", "daemon-reload")
    say("removed", "program and services")
    kept = [Path(f"/var/lib/platelink-{name}") for name in ("recorder", "fleet")]
    for path in (ETC, STATE, *kept, BACKUPS):
        if path.exists():
            say("left", str(path))
    say("left", "broker and store, where they were installed, with their settings")


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    acts = parser.add_subparsers(dest="act", required=True)
    of = acts.add_parser("install", help="install, repair, or bring up to this release")
    of.add_argument("parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)}")
    of.add_argument("--site", default="shop", help="name of the shop, of a new installation")
    of.add_argument("--unit", default="unit-1", help="name of the unit, of a new installation")
    of.add_argument("--network", metavar="NAME", help="name by which the shop's network\n"
                    "calls this machine: broker and page are then reached\n"
                    "from there, over TLS")  # fmt: skip
    of.add_argument("--address", action="append", default=[], help="its address there, too")
    of.add_argument("--user", action="append", default=[], metavar="SITE/UNIT",
                    help="a unit on another machine that comes to this broker")  # fmt: skip
    of.add_argument("--accept-differences", action="store_true",
                    help="take a release that would not have made the same plates")  # fmt: skip
    other = acts.add_parser("from", help="verify a signed release in a folder, and install that")
    other.add_argument("--key", type=Path, metavar="FILE",
                       help="public key of the releases; kept at the first time")  # fmt: skip
    other.add_argument("folder", type=Path)
    other.add_argument("words", nargs=argparse.REMAINDER, metavar="install ...",
                       help="what its installer is asked to do; 'install' if nothing")  # fmt: skip
    acts.add_parser("rollback", help="the release before")
    acts.add_parser("uninstall", help="remove the program; all data stays")
    asked = parser.parse_args()
    try:
        if asked.act == "from":
            return install_from(asked.folder, asked.key, asked.words)
        ready()
        if asked.act == "install":
            parts = asked.parts or list(USUAL)
            if wrong := [part for part in parts if part not in PARTS]:
                raise Refused(f"no such part: {', '.join(wrong)}; there are {', '.join(PARTS)}")
            network = Network(asked.network, tuple(asked.address)) if asked.network else None
            if wrong := [name for name in asked.user if not re.fullmatch(_USER, name)]:
                raise Refused(f"users of the broker are named SITE/UNIT, not {', '.join(wrong)}")
            install(parts, asked.site, asked.unit, network, asked.user,
                    accept=asked.accept_differences)  # fmt: skip
        elif asked.act == "rollback":
            go_back()
        else:
            uninstall()
    except (Refused, OSError) as error:
        print(f"refused: {error}", file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
