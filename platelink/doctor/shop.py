"""What the doctor looks at of the shop's signed revisions: where a unit takes them, and where they
are signed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from platelink.config.model import Config
from platelink.config.services import SecretFileError
from platelink.config.shop import ShopSection
from platelink.contract.unit import Status
from platelink.distribution.model import called
from platelink.distribution.shop import ShopFolder, read_people_key
from platelink.distribution.signed import opened
from platelink.distribution.taken import State, TakenFile, taken_path
from platelink.distribution.wrong import NotTaken
from platelink.doctor.findings import Finding, Health, fault, writable
from platelink.evidence.keys import Verifier
from platelink.evidence.wrong import EvidenceError

_TAKES, _SIGNS = "shop", "signing"
_COPY = "sudo install -m 0640 -g platelink-secrets people.key {}, with the shop's people.key"
_SHOPS_LINE = "the line that platelink shop key prints where the shop signs"
_ANOTHER = (
    "put it back from where you keep keys; else move it away, make another with platelink shop "
    "key, and enter that at every unit (docs/shop.md, Another key)"
)


class Said(NamedTuple):
    """A finding without its subject."""

    health: Health
    measured: str
    advice: str


class Who(NamedTuple):
    """The daemon, to the file system."""

    uid: int
    groups: frozenset[int] | None
    """None: not known while it does not run."""


def shop(
    config: Config, status: Status | None, processes: Path = Path("/proc")
) -> Iterator[Finding]:
    """Nothing where the shop is not this computer's business."""
    section = config.shop or ShopSection()
    folder = ShopFolder(section.place(config.journal.path), config.unit.site)
    signs = section.folder is not None or os.path.lexists(folder.folder)
    if config.shop is None and not signs:
        return
    path, state = taken_path(config.journal.path), State()
    try:
        state = TakenFile(path).load()
    except NotTaken as error:
        measured, _, advice = str(error).rpartition(". ")
        taking = [_closed(path) or Said("wrong", measured, advice)]
    else:
        taking = list(_taking(config, section, state))
        if section.keys:
            who = _daemon(config, status, processes)
            taking += _people_key(section.people_key_file, state, who)
            taking += _written(path, who, runs=status is not None)
    yield from (Finding(_TAKES, *said[:2], advice=said.advice) for said in taking)
    if signs:
        signing = list(_signing(config, section, folder, state)) or [_signs(folder)]
        yield from (Finding(_SIGNS, *said[:2], advice=said.advice) for said in signing)


# --- where a unit takes what is sent -------------------------------------------------------------


def _taking(config: Config, section: ShopSection, state: State) -> Iterator[Said]:
    keys, site = tuple(map(Verifier.of_text, section.keys)), config.unit.site
    by: dict[str, list[str]] = {key.text: [] for key in keys}
    if not keys:
        advice = f"where it shall: enter {_SHOPS_LINE}, then restart the daemon"
        yield Said("left out", "[shop] has no keys: this unit takes nothing of the shop", advice)
        return
    for key in keys:
        if (its := key.name.split("/")[1]) != site:
            text = f"the key {_id(key)} signs for site {its}; a unit of {site} refuses all of it"
            yield Said("wrong", text, f"enter {_SHOPS_LINE} for {site}, or correct [unit] site")
    for kind, one in sorted(state.taken.items()):
        by.get(one.key, []).append(kind)
        what = called(kind, one.revision)
        if one.key in by:
            yield Said("ok", f"{what}, holds here since {one.at_utc:%Y-%m-%d %H:%M} UTC", "")
        else:
            yield Said(
                "notice", f"{what}, which holds here, was signed by the key "
                f"{_id(Verifier.of_text(one.key))}; [shop] keys has {' and '.join(map(_id, keys))}",
                f"if the shop has a new key have {kind} sent again; if not enter {_SHOPS_LINE}",
            )  # fmt: skip
    if len(keys) > 1:
        which = "; ".join(
            f"{_id(Verifier.of_text(key))} signed {', '.join(kinds) or 'nothing that holds here'}"
            for key, kinds in by.items()
        )
        advice = "have every kind sent by the new one, then remove the line of the old one"
        yield Said("notice", f"two keys are trusted: {which}", advice)
    for refused in state.refused.values():
        if refused.text:
            found = fault(_TAKES, NotTaken(refused.text))
            since = f"since {refused.since_utc:%Y-%m-%d %H:%M} UTC"
            yield Said("wrong", f"{since}: {found.measured}", found.advice)
    if not state.taken:
        by_hand = "sign with --file FILE, carry it here, then: sudo platelink shop take FILE"
        yield Said(
            "unknown", "nothing was taken yet: whether this is the key that the shop signs with, "
            "and whether what it sends comes here, shows when the first revision comes",
            "restart the daemon if it ran before [shop] was entered; then where the shop signs: "
            "platelink shop send recipes --why REASON" if config.broker else by_hand,
        )  # fmt: skip


def _people_key(path: Path | None, state: State, who: Who | None) -> Iterator[Said]:
    if path is None:
        if "people" in state.taken:
            text = "people were taken, and no people key is named any more: the next are refused"
            yield Said("notice", text, "name it: [shop] people_key_file")
        return
    try:
        read_people_key(path)
    except NotTaken as error:
        found = fault(_TAKES, error)
        yield _closed(path) or Said("wrong", found.measured, found.advice)
        return
    may = _may(path, who, 4, Path("/"))
    if may == "no":
        text = f"the daemon may not read {path}: people are refused"
        yield Said("wrong", text, _COPY.format(path))
    elif may != "yes":
        text = f"whether the daemon may read {path} is not known: {may}"
        yield Said("unknown", text, "sudo platelink doctor while the daemon runs")
    if "people" not in state.taken:
        text = f"whether {path} is the shop's people key shows when people come"
        yield Said("unknown", text, "where the shop signs: platelink shop send people --why REASON")


def _written(path: Path, who: Who | None, *, runs: bool) -> Iterator[Said]:
    """Whether the daemon can put down what it took."""
    if not runs and path.parent.is_dir():
        yield from (Said("wrong", one.measured, one.advice) for one in writable(_TAKES, path))
    for file in (path, path.with_name(f"{path.name}.lock")):
        if file.exists() and _may(file, who, 6, file.parent) == "no":
            text = f"the daemon may not write {file}: it takes nothing"
            yield Said("wrong", text, f"sudo chown --reference={file.parent} {file}")


def _daemon(config: Config, status: Status | None, processes: Path) -> Who | None:
    """Its service's process, which is of the same user; where none runs, whoever has the folder of
    the journal; None where there is none."""
    if status is not None and status.service is not None:
        with suppress(OSError, LookupError, ValueError):
            text = (processes / str(status.service.pid) / "status").read_text()
            told = {k: v.split() for k, _, v in (line.partition(":") for line in text.splitlines())}
            groups = (told["Gid"][1], *told["Groups"])
            return Who(int(told["Uid"][1]), frozenset(map(int, groups)))
    try:
        uid = config.journal.path.absolute().parent.stat().st_uid
    except OSError:
        return None
    own = uid == os.geteuid()
    return Who(uid, frozenset((os.getegid(), *os.getgroups())) if own else None)


def _may(path: Path, who: Who | None, need: int, top: Path) -> str:
    """Whether they may do what these bits say, by the rights of the file and of the folders below
    ``top``: "yes", "no", or why that is not known."""
    path, unsure = path.absolute(), "" if who else "no daemon runs"
    if who is None or who.uid == 0:
        return unsure or "yes"
    for place in (path, *(one for one in path.parents if one.is_relative_to(top) and one != top)):
        bits, found = need if place == path else 1, place.stat()
        owner, group, other = (found.st_mode >> n & bits == bits for n in (6, 3, 0))
        if found.st_uid == who.uid:
            good = owner
        elif _has_access_list(place):
            good, unsure = True, f"{place} has an access list"
        elif who.groups is None and group != other:
            good, unsure = True, "no daemon runs"
        else:
            good = group if who.groups and found.st_gid in who.groups else other
        if not good:
            return "no"
    return unsure or "yes"


def _has_access_list(place: Path) -> bool:
    with suppress(OSError):
        return "system.posix_acl_access" in os.listxattr(place)
    return False


# --- where the shop signs ------------------------------------------------------------------------


def _signing(
    config: Config, section: ShopSection, folder: ShopFolder, state: State
) -> Iterator[Said]:
    """All that is wrong; nothing where all is well."""
    if closed := _closed(folder.key):
        yield closed
        return
    sent = {one.kind: one for one in folder.sent()}
    try:
        key = folder.signer().verifier
    except EvidenceError as error:
        found = fault(_SIGNS, error)
        if sent and not folder.key.exists():
            yield Said("wrong", f"{folder.key}, by which all was signed, is gone", _ANOTHER)
        else:
            health: Health = "wrong" if folder.key.exists() else "notice"
            yield Said(health, found.measured, found.advice or _ANOTHER)
        return
    if section.keys and key.text not in section.keys:
        text = f"the key here, {_id(key)}, is not in [shop] keys: this unit refuses what it signs"
        yield Said("notice", text, f"enter it: {key.text}")
    for kind, one in sent.items():
        try:
            opened(one.path.read_bytes(), (key,))
        except (NotTaken, OSError):
            yield Said(
                "notice", f"{called(kind, one.revision)}, was not signed by the key that is here "
                f"now, {_id(key)}, or {one.path} is damaged",
                f"when every unit has this key's line: platelink shop send {kind} --why REASON",
            )  # fmt: skip
    for kind, taken in sorted(state.taken.items()):
        newest = sent[kind].revision if kind in sent else 0
        if taken.key == key.text and newest < taken.revision:
            yield Said(
                "wrong", f"{called(kind, taken.revision)}, holds here, and the newest in "
                f"{folder.folder} is {newest}: units refuse the next as older",
                f"platelink shop send {kind} --revision {taken.revision + 1} --why REASON",
            )  # fmt: skip
    yield from _shops_people_key(section, folder)
    for place in (folder.folder, folder.folder / "sent"):
        if place.exists() and not os.access(place, os.W_OK):
            text = f"{place} cannot be written by this user: nothing can be sent"
            yield Said("wrong", text, "send with sudo; as root see how its disk is mounted")
    yield from _password(config, section)


def _signs(folder: ShopFolder) -> Said:
    newest = {one.kind: one.revision for one in folder.sent()}
    sent = ", ".join(f"{kind} {number}" for kind, number in newest.items()) or "nothing yet"
    key = _id(folder.signer().verifier)
    text = f"{folder.folder}, key {key}; sent: {sent}; which units have its line is not known here"
    return Said("ok", text, "platelink shop sent shows what each unit took and refused")


def _shops_people_key(section: ShopSection, folder: ShopFolder) -> Iterator[Said]:
    if not folder.people_key.exists():
        text = f"there is no {folder.people_key}: people cannot be sent"
        advice = "put it back from where you keep keys; if there never was one: platelink shop key"
        yield Said("notice", text, advice)
        return
    try:
        key = read_people_key(folder.people_key)
    except NotTaken as error:
        found = fault(_SIGNS, error)
        yield Said("wrong", found.measured, found.advice)
        return
    with suppress(NotTaken):  # told where people are taken
        named = section.people_key_file
        if named is not None and read_people_key(named) != key:
            text = f"{named} is not {folder.people_key}: people that are sent are refused here"
            yield Said("wrong", text, _COPY.format(named))


def _password(config: Config, section: ShopSection) -> Iterator[Said]:
    if config.broker is None:
        return
    try:
        secret = section.secret()
    except SecretFileError as error:
        found = fault(_SIGNS, error)
        yield Said("wrong", found.measured, found.advice)
        return
    if secret is None and (config.broker.password or config.broker.password_file):
        text = f"no password for {section.username}, and the broker asks this unit for one"
        yield Said("notice", text, "name the file that has it: [shop] password_file (docs/shop.md)")


# --- both ----------------------------------------------------------------------------------------


def _id(key: Verifier) -> str:
    return key.id.hex()


def _closed(path: Path) -> Said | None:
    """Where this user may not look, which says nothing of others."""
    try:
        path.open("rb").close()
    except PermissionError:
        return Said("unknown", f"{path} cannot be read by this user", "sudo platelink doctor")
    except OSError:
        pass
    return None
