"""What stands around the program: packages, users, configuration, broker, store, units."""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import tempfile
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from installer.machine import BACKUPS, CONFIG, ETC, SERVICES, SOURCE, UNITS, Refused, put, run, say


@dataclass(frozen=True)
class Network:
    """As which this machine is called by the others of the shop."""

    name: str
    addresses: tuple[str, ...] = ()


MOSQUITTO = Path("/etc/mosquitto")
PASSWORDS = MOSQUITTO / "platelink.passwd"
FLEET_USERS, PAGE_USER = ("keeper", "reader"), "wall"
LOGINS = {"fleet": FLEET_USERS, "fleet-page": (PAGE_USER,)}
"""Users of the broker that a part comes with: it keeps one connection for each."""
PACKAGES = {"broker": ("mosquitto",), "store": ("victoria-metrics",)}


def packages(parts: Sequence[str], network: Network | None) -> None:
    """Those of Debian that are missing."""
    wanted = ["python3-venv", *(name for part in parts for name in PACKAGES.get(part, ()))]
    if network is not None:
        wanted.append("openssl")
    missing = [name for name in wanted if run("dpkg", "-s", name, check=False).returncode]
    if missing:
        os.environ["DEBIAN_FRONTEND"] = "noninteractive"
        run("apt-get", "update", "-qq")
        run("apt-get", "install", "-y", "-qq", "--no-install-recommends", *missing)
        say("packages", " ".join(missing))


def secret(name: str) -> str:
    """A password in a file of its own, which the services may read and nobody else."""
    path = ETC / "secrets" / name
    if not path.exists():
        put(path, f"{secrets.token_urlsafe(18)}\n", 0o640)
    for one in (path.parent, path):
        shutil.chown(one, "root", "platelink-secrets")
    path.parent.chmod(0o750)
    return path.read_text("utf-8").strip()


def configuration(example: str, site: str, unit: str, parts: Sequence[str]) -> str:
    """The example with what this machine tells of itself; its sensors' values stay invented."""
    known = {
        "unit": {"name": unit, "site": site},
        "link": {"port": "/dev/platelink"},
        "service": {"page_socket": "/run/platelink/page.socket", "page_group": "platelink-face"},
    }
    if "broker" in parts:
        known["broker"] = {"host": "127.0.0.1", "username": f"{site}/{unit}",
                           "password_file": str(ETC / "secrets/unit")}  # fmt: skip
    for section, values in known.items():
        for key, value in values.items():
            example = changed(example, section, key, value)
    return example


def changed(text: str, section: str, key: str, value: str) -> str:
    """The text with this key of this section, whether it was a comment or not."""
    head = re.search(rf"^#?\[{section}\]$", text, re.M)
    if head is None:
        raise Refused(f"the example configuration has no [{section}]: report this")
    rest = text[head.end() :]
    after = re.search(r"^#?\[", rest, re.M)
    part, tail = (rest[: after.start()], rest[after.start() :]) if after else (rest, "")
    line = f"{key} = {json.dumps(value)}"
    part, found = re.subn(rf"^#?{key} = .*$", lambda _: line, part, count=1, flags=re.M)
    if not found:
        raise Refused(f"the example configuration has no {section}.{key}: report this")
    return f"{text[: head.start()]}[{section}]{part}{tail}"


def recorder_configuration() -> str:
    return (
        'format = 1\n\n[broker]\nhost = "127.0.0.1"\nusername = "recorder"\n'
        f'password_file = "{ETC}/secrets/recorder"\n\n[store]\nurl = "http://127.0.0.1:8428"\n\n'
        '[recorder]\npath = "/var/lib/platelink-recorder/recorder.sqlite"\n'
    )


def fleet_configuration() -> str:
    keeper, reader = FLEET_USERS
    return (
        'format = 1\n\n[broker]\nhost = "127.0.0.1"\n\n'
        f'[fleet]\npath = "/var/lib/platelink-fleet/copies"\nusername = "{reader}"\n'
        f'password_file = "{ETC}/secrets/{reader}"\n\n'
        f'[fleet.keep]\nusername = "{keeper}"\npassword_file = "{ETC}/secrets/{keeper}"\n'
    )


def fleet_page_configuration() -> str:
    return (
        'format = 1\n\n[broker]\nhost = "127.0.0.1"\n\n'
        f'[fleet]\npath = "/var/lib/platelink-fleet/copies"\nusername = "{PAGE_USER}"\n'
        f'password_file = "{ETC}/secrets/{PAGE_USER}"\n'
        f'page_password_file = "{ETC}/secrets/fleet-page"\n'
    )


def unfit(parts: Sequence[str], users: Sequence[str]) -> str:
    """Why these parts cannot be had here; empty when they can."""
    if "fleet-page" in parts and "fleet" not in parts:
        return "fleet-page shows the copies that 'fleet' keeps on this machine: ask for 'fleet' too"
    fleet, own = ETC / "fleet.toml", ETC / "fleet-page.toml"
    if "fleet" in parts and not ("broker" in parts or PASSWORDS.exists() or fleet.exists()):
        return (
            "fleet needs a broker: ask for 'broker' too, if it is to be here; for one elsewhere "
            f"write {fleet} first (docs/fleet.md)"
        )
    if "fleet-page" in parts and not own.exists() and fleet.exists():
        told = tomllib.loads(fleet.read_text("utf-8"))
        made = tomllib.loads(fleet_configuration())
        if any(told.get(key) != made.get(key) for key in ("broker", "jetstream")) or (
            told.get("fleet", {}).get("path") != made["fleet"]["path"]
        ):
            return (
                f"{fleet} names another broker or another folder than this machine's own, and the "
                f"page must have the same: write {own} first (docs/fleet.md)"
            )
    for user in sorted(logins().keys() & {*users, *logins_of(parts)}):
        if not (path := ETC / "secrets" / user.replace("/", ".")).exists():
            return (
                f"the broker has a user {user} already, whose password is not in {path}: write "
                f"it there, or remove its line from {PASSWORDS}; then run this again"
            )
    return ""


def logins_of(parts: Sequence[str]) -> list[str]:
    """The broker's users that these parts come with."""
    return [user for part in parts for user in LOGINS.get(part, ())]


def logins() -> dict[str, str]:
    """Lines of the broker's users that have a password."""
    lines = PASSWORDS.read_text("utf-8").splitlines() if PASSWORDS.exists() else []
    return {line.split(":")[0]: line for line in lines}


def broker(users: dict[str, str], network: Network | None) -> None:
    """The shipped settings, a password for each user, and the network's listener where named."""
    text, conf = (SOURCE / "deploy/mosquitto.conf").read_text("utf-8"), MOSQUITTO / "mosquitto.conf"
    open_already = (MOSQUITTO / "certs/broker.crt").exists() and re.search(
        "^listener 8883$", conf.read_text("utf-8") if conf.exists() else "", re.M
    )
    if network is not None or open_already:  # units that come by it are not shut out
        text = re.sub(r"^#(?=\w)", "", text, flags=re.M)
    fresh = [
        put(conf, text, keep=True),
        put(MOSQUITTO / "platelink.acl", acl()),
        network is not None and certificate(MOSQUITTO / "certs", "broker", network, "mosquitto"),
    ]
    admit(users, fresh=any(fresh))


def acl() -> str:
    return (SOURCE / "deploy/mosquitto.acl").read_text("utf-8")


def admit(users: dict[str, str], *, fresh: bool = False) -> None:
    """A password for each user that has none, and the lines of those that the access list lacks:
    the shop may have its own there. ``fresh``: the broker is to be started anew anyway."""
    path, there = MOSQUITTO / "platelink.acl", logins()
    before = path.read_text("utf-8") if path.exists() else ""
    text = before or acl()
    for user in sorted(users):
        if f"user {user}" not in text.splitlines():  # those of units have none of their own
            lines = re.search(rf"^user {user}\n(?:topic .*\n)+", acl(), re.M)
            text += f"\n{lines[0]}" if lines else ""
    if text != before:
        fresh |= put(path, text, keep=True)
    for user in sorted(users.keys() - there.keys()):
        with tempfile.NamedTemporaryFile("w", dir=MOSQUITTO) as plain:  # in no list of processes
            plain.write(f"{user}:{users[user]}\n")
            plain.flush()
            run("mosquitto_passwd", "-U", plain.name)
            there[user] = Path(plain.name).read_text("utf-8").strip()
        say("user", f"{user} of the broker")
        fresh |= put(PASSWORDS, "".join(f"{line}\n" for line in there.values()), 0o640)
        shutil.chown(PASSWORDS, "root", "mosquitto")
    if fresh:
        run("systemctl", "restart", "mosquitto")


def certificate(folder: Path, name: str, network: Network, group: str) -> bool:
    """Of the shop's own authority; made anew a month before its end, or for another name. There is
    one authority: by another's certificate no unit would know the broker any more."""
    ca, own = ETC / "authority", folder / f"{name}.crt"
    named = f"DNS:{network.name}" + "".join(f",IP:{address}" for address in network.addresses)
    held = Path(f"{own}.names")
    lasts = (
        own.exists()
        and not run(
            "openssl", "x509", "-checkend", str(30 * 86400), "-noout", "-in", own, check=False
        ).returncode
    )
    if lasts and held.exists() and held.read_text("utf-8") == named:
        return False
    if not (ca / "ca.key").exists():
        if trusted := [one for one in (folder / "ca.crt", ca / "ca.crt") if one.exists()]:
            raise Refused(f"{own} must be made again, and the key of its authority, {ca}/ca.key, "
                          "is not here: put it back for this. Where it is lost, remove "
                          f"{trusted[0]}; every unit then needs the new ca.crt")  # fmt: skip
        ca.mkdir(mode=0o700, parents=True, exist_ok=True)
        run("openssl", "req", "-x509", "-newkey", "rsa:3072", "-nodes", "-days", "3650", "-subj",
            "/CN=shop authority", "-keyout", ca / "ca.key", "-out", ca / "ca.crt")  # fmt: skip
        say("made", f"the shop's authority in {ca}: keep it secret, and in a backup")
    folder.mkdir(mode=0o750, parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=ca) as place:
        asked, more = Path(place) / "asked", Path(place) / "more"
        more.write_text(f"subjectAltName={named}\n", "utf-8")
        run("openssl", "req", "-newkey", "rsa:3072", "-nodes", "-subj", f"/CN={network.name}",
            "-keyout", Path(place) / "key", "-out", asked)  # fmt: skip
        run("openssl", "x509", "-req", "-in", asked, "-CA", ca / "ca.crt", "-CAkey", ca / "ca.key",
            "-CAcreateserial", "-days", "825", "-extfile", more,
            "-out", Path(place) / "crt")  # fmt: skip
        put(folder / f"{name}.key", (Path(place) / "key").read_text("utf-8"), 0o640)
        put(own, (Path(place) / "crt").read_text("utf-8"))
    put(folder / "ca.crt", (ca / "ca.crt").read_text("utf-8"))
    put(held, named)
    for path in (folder, folder / f"{name}.key"):
        shutil.chown(path, "root", group)
    return True


def renew() -> None:
    """Certificates of an earlier run whose last month has begun."""
    for folder, name, group in (
        (MOSQUITTO / "certs", "broker", "mosquitto"), (ETC / "page", "page", "platelink-face"),
    ):  # fmt: skip
        held = folder / f"{name}.crt.names"
        if held.exists():
            own, *more = (one.partition(":")[2] for one in held.read_text("utf-8").split(","))
            try:
                made = certificate(folder, name, Network(own, tuple(more)), group)
            except Refused as error:  # it lasts a while yet, and was not asked for
                say("to do", str(error))
                continue
            if made and name == "broker":
                run("systemctl", "restart", "mosquitto")


def page(network: Network) -> None:
    """The page, for tablets and phones of the network, with a certificate."""
    folder = ETC / "page"
    certificate(folder, "page", network, "platelink-face")
    names = " ".join(f"--name {name}" for name in (network.name, *network.addresses))
    put(UNITS / "platelink-page.service.d/network.conf",
        "[Service]\nExecStart=\nExecStart=/opt/platelink/current/bin/platelink --config "
        f"{CONFIG} page --listen 0.0.0.0:8460 {names} "
        f"--certificate {folder}/page.crt --key {folder}/page.key\n")  # fmt: skip


def store() -> None:
    lines = (SOURCE / "deploy/victoria-metrics.args").read_text("utf-8").splitlines()
    flags = " ".join(line for line in lines if line.startswith("-"))
    if put(Path("/etc/default/victoria-metrics"), f'ARGS="{flags}"\n', keep=True):
        run("systemctl", "restart", "victoria-metrics")


def files(parts: Sequence[str]) -> None:
    put(
        Path("/etc/sysusers.d/platelink.conf"),
        (SOURCE / "deploy/platelink.sysusers").read_text("utf-8"),
    )
    run("systemd-sysusers")
    if "unit" in parts:
        rules = (SOURCE / "deploy/60-platelink.rules").read_text("utf-8")
        if put(Path("/etc/udev/rules.d/60-platelink.rules"), rules):
            run("udevadm", "control", "--reload", check=False)
            run("udevadm", "trigger", check=False)
    if "backup" in parts:
        BACKUPS.mkdir(0o700, parents=True, exist_ok=True)
        if BACKUPS.stat().st_dev == BACKUPS.parents[1].stat().st_dev:
            say("to do", f"make {BACKUPS} another disk, or copy it to another machine")
    for part in parts:
        if part in SERVICES:
            for kind in ("service", "timer"):
                path = SOURCE / "deploy" / f"{Path(SERVICES[part]).stem}.{kind}"
                if path.exists():
                    put(UNITS / path.name, path.read_text("utf-8"))
