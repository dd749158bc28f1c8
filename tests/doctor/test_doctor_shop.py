"""The doctor at a unit that takes what the shop sends, and where the shop signs: each world, and
what is said of it. Every name is invented."""

from __future__ import annotations

import base64
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from cli.cli_runs import MINIMAL
from daemon.daemon_shop import config_for
from distribution.made import (
    BY,
    NOW,
    OTHER_KEY,
    PEOPLE_KEY,
    SHOP_KEY,
    SITE,
    approve,
    key_of,
    note,
    people_of,
    recipes_of,
    with_everybody,
)
from recipe.make import plate
from whole_documents import STATUS

from platelink.contract.unit import Status
from platelink.daemon.taking import acceptor_of
from platelink.distribution.model import Recipes
from platelink.distribution.shop import ShopFolder
from platelink.distribution.taken import taken_path
from platelink.doctor import findings
from platelink.doctor import shop as module
from platelink.doctor.examine import examine
from platelink.doctor.findings import Finding
from platelink.doctor.shop import shop
from platelink.evidence.keys import Signer
from platelink.recipe.store import RecipeStore

BROKER = '[broker]\nhost = "127.0.0.1"\nusername = "u"\npassword = "p"\n'
DAEMON_UID, DAEMON_GID, SECRETS_GID = 61184, 61184, 977


@pytest.fixture
def place() -> Iterator[Path]:
    """pytest's own directories are closed to other users."""
    with TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


def section(*keys: Signer, more: str = "") -> str:
    lines = ", ".join(f'"{key.verifier.text}"' for key in keys)
    return f"[shop]\nkeys = [{lines}]\n{more}"


def looked(place: Path, text: str, *, runs: bool = False) -> list[Finding]:
    """What the doctor says; where the daemon runs its process is one of ``place``/processes."""
    sick = STATUS | {"service": {"port": None, "pid": 7, "problem": ""}}
    status = Status.model_validate(sick) if runs else None
    return list(shop(config_for(place, text), status, place / "processes"))


def one(found: list[Finding], health: str) -> Finding:
    (it,) = [finding for finding in found if finding.health == health]
    return it


def healths(found: list[Finding]) -> list[str]:
    return [finding.health for finding in found]


def taken(place: Path, text: str, *data: bytes) -> list[str]:
    """The unit takes, or refuses, what comes from one place."""
    acceptor = acceptor_of(config_for(place, text), lambda: NOW)
    return [acceptor.take("topic", one).text for one in data]


def recipes(place: Path, key: Signer = SHOP_KEY, revision: int = 1) -> bytes:
    with RecipeStore.open(place / "of-the-shop.sqlite") as store:
        if not store.recipes():
            approve(store, plate())
        return note(recipes_of(store, revision), key)


def people(place: Path) -> bytes:
    with with_everybody(place / "people-of-the-shop.sqlite") as store:
        return note(people_of(store))


def people_key(place: Path, text: str | None = None, mode: int = 0o600) -> str:
    file = place / "people.key"
    file.write_text(base64.b64encode(PEOPLE_KEY).decode() + "\n" if text is None else text)
    file.chmod(mode)
    return f'people_key_file = "{file}"\n'


# --- where a unit takes --------------------------------------------------------------------------


def test_where_there_is_no_shop_nothing_is_said(place: Path) -> None:
    assert looked(place, "") == []
    (only,) = looked(place, "[shop]\n")
    assert only.health == "left out" and "platelink shop key prints" in only.advice


def test_before_the_first_revision_it_says_what_it_cannot_know(place: Path) -> None:
    (by_hand,) = looked(place, section(SHOP_KEY))
    assert (by_hand.subject, by_hand.health) == ("shop", "unknown")
    assert "nothing was taken yet" in by_hand.measured and "platelink shop take" in by_hand.advice
    (sent,) = looked(place, section(SHOP_KEY) + BROKER)
    assert sent.health == "unknown" and "restart the daemon" in sent.advice
    assert "platelink shop send recipes" in sent.advice


def test_it_is_part_of_what_the_doctor_looks_at(place: Path) -> None:
    (place / "platelink.toml").write_text(MINIMAL + section(SHOP_KEY))
    found = examine(place / "platelink.toml", recorder=False, quick=True)
    assert "unknown" in [one.health for one in found if one.subject == "shop"]


def test_what_holds_is_told_with_its_time(place: Path) -> None:
    text = section(SHOP_KEY)
    assert "was taken" in taken(place, text, recipes(place))[0]
    (ok,) = looked(place, text)
    assert ok.health == "ok"
    assert ok.measured == "recipes, revision 1 of the shop, holds here since 2026-03-09 07:00 UTC"


def test_a_key_that_is_not_the_one_that_signed_what_holds(place: Path) -> None:
    taken(place, section(SHOP_KEY), recipes(place))
    (other,) = looked(place, section(OTHER_KEY))
    assert other.health == "notice" and "have recipes sent again" in other.advice
    for key in (SHOP_KEY, OTHER_KEY):
        assert key.verifier.id.hex() in other.measured


@pytest.mark.parametrize("again", [False, True])
def test_two_keys_are_trusted_until_one_is_removed(place: Path, again: bool) -> None:
    both = section(SHOP_KEY, OTHER_KEY)
    taken(place, both, recipes(place), *([recipes(place, OTHER_KEY, 2)] if again else []))
    found = looked(place, both)
    assert sorted(healths(found)) == ["notice", "ok"]
    old, new = (key.verifier.id.hex() for key in (SHOP_KEY, OTHER_KEY))
    assert one(found, "notice").measured == (
        f"two keys are trusted: {old} signed nothing that holds here; {new} signed recipes"
        if again else
        f"two keys are trusted: {old} signed recipes; {new} signed nothing that holds here"
    )  # fmt: skip


def test_a_key_of_another_site_signs_nothing_for_this_one(place: Path) -> None:
    far = key_of(bytes(range(32)), "far-shop")
    wrong = one(looked(place, section(far)), "wrong")
    assert "signs for site far-shop; a unit of invented-shop refuses" in wrong.measured
    (refused,) = taken(place, section(far), note_of_site(place, far))
    assert "it is for site far-shop" in refused


def note_of_site(place: Path, key: Signer) -> bytes:
    with RecipeStore.open(place / "far.sqlite") as store:
        return note(recipes_of(store, site="far-shop"), key)


def test_what_is_refused_is_told_until_something_is_taken(place: Path) -> None:
    text = section(SHOP_KEY)
    taken(place, text, recipes(place, OTHER_KEY))
    wrong = one(looked(place, text), "wrong")
    assert wrong.measured.startswith("since 2026-03-09 07:00 UTC: topic was refused: it is not sig")
    taken(place, text, recipes(place))
    assert healths(looked(place, text)) == ["ok"]


def test_a_list_of_what_was_taken_that_is_damaged(place: Path) -> None:
    text = section(SHOP_KEY)
    taken(place, text, recipes(place))
    taken_path(place / "journal.sqlite").write_text("no list")
    (wrong,) = looked(place, text)
    assert wrong.health == "wrong" and "it is damaged" in wrong.measured
    assert wrong.advice.startswith("Restore it from a backup; or move it away")
    assert "it is damaged" in taken(place, text, recipes(place, revision=2))[0]


# --- the people key ------------------------------------------------------------------------------


def test_a_people_key_is_known_to_be_the_shop_s_when_people_came(place: Path) -> None:
    text = section(SHOP_KEY, more=people_key(place))
    taken(place, text, recipes(place))
    found = looked(place, text)
    assert "shows when people come" in one(found, "unknown").measured
    taken(place, text, people(place))
    assert healths(looked(place, text)) == ["ok", "ok"]
    gone = looked(place, section(SHOP_KEY))
    assert "no people key is named any more" in one(gone, "notice").measured
    with with_everybody(place / "more.sqlite") as store:
        (said,) = taken(place, section(SHOP_KEY), note(people_of(store, 2)))
    assert "has no people key" in said


@pytest.mark.parametrize(
    ("text", "mode", "measured", "advice"),
    [
        (None, 0o644, "can be read by everybody", "sudo chmod o="),
        ("no key\n", 0o600, "is no people key", "copy the shop's people.key again"),
        ("", 0o600, "is no people key", "copy the shop's people.key again"),
    ],
)
def test_a_people_key_that_cannot_be_one(
    place: Path, text: str | None, mode: int, measured: str, advice: str
) -> None:
    wrong = one(looked(place, section(SHOP_KEY, more=people_key(place, text, mode))), "wrong")
    assert measured in wrong.measured and wrong.advice.startswith(advice)


def test_a_people_key_that_is_not_there(place: Path) -> None:
    text = section(SHOP_KEY, more=people_key(place))
    (place / "people.key").unlink()
    wrong = one(looked(place, text), "wrong")
    assert "No such file" in wrong.measured and wrong.advice.startswith("copy the shop's people.ke")
    (place / "people.key").mkdir()
    assert "Is a directory" in one(looked(place, text), "wrong").measured


def process(place: Path, groups: str) -> None:
    folder = place / "processes/7"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "status").write_text(
        f"Name:\tplatelink\nUid:\t{DAEMON_UID}\t{DAEMON_UID}\t{DAEMON_UID}\t{DAEMON_UID}\n"
        f"Gid:\t{DAEMON_GID}\t{DAEMON_GID}\t{DAEMON_GID}\t{DAEMON_GID}\nGroups:\t{groups} \n"
    )


def of_daemon(found: list[Finding]) -> list[Finding]:
    return [finding for finding in found if "the daemon may" in finding.measured]


def test_a_people_key_that_the_running_daemon_may_not_read(place: Path) -> None:
    own = place.stat().st_gid
    process(place, f"20 {own}")
    text = section(SHOP_KEY, more=people_key(place, mode=0o600))
    (wrong,) = of_daemon(looked(place, text, runs=True))
    assert wrong.health == "wrong" and "sudo install -m 0640 -g platelink-secr" in wrong.advice
    (place / "people.key").chmod(0o640)
    assert of_daemon(looked(place, text, runs=True)) == []
    place.chmod(0o700)  # a folder on the way
    assert len(of_daemon(looked(place, text, runs=True))) == 1
    place.chmod(0o710)
    assert of_daemon(looked(place, text, runs=True)) == []
    process(place, "20")
    assert len(of_daemon(looked(place, text, runs=True))) == 1
    # who may do all reads it
    (place / "processes/7/status").write_text("Uid:\t0\t0\t0\t0\nGid:\t0\t0\t0\t0\nGroups:\t\n")
    assert of_daemon(looked(place, text, runs=True)) == []


def test_an_access_list_is_not_read_and_that_is_said(place: Path, monkeypatch) -> None:
    process(place, "20")
    text = section(SHOP_KEY, more=people_key(place, mode=0o600))
    monkeypatch.setattr(module.os, "listxattr", lambda _: ["system.posix_acl_access"])
    (unknown,) = of_daemon(looked(place, text, runs=True))
    assert unknown.health == "unknown" and "has an access list" in unknown.measured


@pytest.mark.skipif(os.geteuid() != 0, reason="gives files to another user")
def test_without_a_daemon_its_groups_are_not_known(place: Path) -> None:
    text = section(SHOP_KEY, more=people_key(place, mode=0o640))
    os.chown(place, DAEMON_UID, DAEMON_GID)
    (unknown,) = of_daemon(looked(place, text))
    assert unknown.health == "unknown" and "no daemon runs" in unknown.measured
    (place / "people.key").chmod(0o600)
    assert one(of_daemon(looked(place, text)), "wrong")
    os.chown(place / "people.key", DAEMON_UID, DAEMON_GID)
    assert of_daemon(looked(place, text)) == []


# --- rights --------------------------------------------------------------------------------------


def test_a_folder_that_takes_no_list(place: Path, monkeypatch) -> None:
    monkeypatch.setattr(findings.os, "access", lambda path, mode: False)
    wrong = one(looked(place, section(SHOP_KEY)), "wrong")
    assert f"{place} cannot be written by this user" in wrong.measured
    assert "[journal] path" in wrong.advice
    process(place, "20")  # a daemon that runs has its own rights
    assert healths(looked(place, section(SHOP_KEY), runs=True)) == ["unknown"]


@pytest.mark.parametrize("name", ["journal.shop", "journal.shop.lock"])
def test_a_list_that_was_put_back_by_another_user(place: Path, name: str) -> None:
    text = section(SHOP_KEY)
    taken(place, text, recipes(place))
    process(place, "20")
    for path in place.glob("journal.shop*"):
        path.chmod(0o600 if path.name == name else 0o666)
    (wrong,) = of_daemon(looked(place, text, runs=True))
    assert f"may not write {place / name}" in wrong.measured
    assert wrong.advice == f"sudo chown --reference={place} {place / name}"


@contextmanager
def as_another_user() -> Iterator[None]:
    user = os.geteuid()
    os.seteuid(user or 65534)
    try:
        yield
    finally:
        os.seteuid(user)


def test_what_this_user_may_not_read_is_not_known(place: Path) -> None:
    shop_folder(place)
    text = section(SHOP_KEY, more=people_key(place))
    taken(place, text, recipes(place))
    for path in (place / "journal.shop", place / "people.key", place / "shop"):
        path.chmod(0)
    with as_another_user():
        found = looked(place, text, runs=True)
    assert [(one.subject, one.health) for one in found] == [
        ("shop", "unknown"), ("signing", "unknown")
    ]  # fmt: skip
    (place / "journal.shop").chmod(0o644)
    with as_another_user():
        found = looked(place, text, runs=True)
    assert healths(found) == ["ok", "unknown", "unknown"]
    assert all(one.advice == "sudo platelink doctor" for one in found[1:])
    (place / "shop").chmod(0o700)


# --- where the shop signs ------------------------------------------------------------------------


def shop_folder(place: Path) -> ShopFolder:
    folder = ShopFolder(place / "shop", SITE)
    folder.make_key()
    folder.make_people_key()
    return folder


def send(folder: ShopFolder, revision: int | None = None) -> bytes:
    head = folder.head("recipes", None, made_utc=NOW, by=BY.who, why="why", revision=revision)
    return folder.keep(Recipes(**asdict(head), recipes=(), retired=()))[1]


def signing(place: Path, text: str = "") -> Finding:
    (it,) = [finding for finding in looked(place, text) if finding.subject == "signing"]
    return it


def test_where_the_shop_signs_all_is_well(place: Path) -> None:
    folder = shop_folder(place)
    ok = signing(place)
    assert ok.health == "ok" and folder.signer().verifier.id.hex() in ok.measured
    assert "sent: nothing yet" in ok.measured and "not known here" in ok.measured
    send(folder)
    assert "sent: recipes 1" in signing(place).measured
    assert looked(place, "")[0].health == "left out"  # it takes nothing itself
    (place / "shop").rename(place / "elsewhere")
    assert looked(place, "") == []
    assert signing(place, f'[shop]\nfolder = "{place}/elsewhere"\n').health == "ok"


def test_a_key_that_is_not_there(place: Path) -> None:
    named = f'[shop]\nfolder = "{place}/shop"\n'
    first = signing(place, named)
    assert first.health == "notice" and "platelink shop key" in first.advice
    folder = shop_folder(place)
    send(folder)
    folder.key.unlink()
    gone = signing(place)
    assert gone.health == "wrong" and "is gone" in gone.measured
    assert gone.advice.startswith("put it back from where you keep keys")


@pytest.mark.parametrize(
    ("text", "mode", "measured", "advice"),
    [
        (None, 0o640, "can be read by others", "sudo chmod 600"),
        ("no key", 0o600, "no private key in PEM", "put it back"),
        ("", 0o600, "no private key in PEM", "put it back"),
    ],
)
def test_a_key_that_cannot_sign(
    place: Path, text: str | None, mode: int, measured: str, advice: str
) -> None:
    folder = shop_folder(place)
    if text is not None:
        folder.key.write_text(text)
    folder.key.chmod(mode)
    wrong = signing(place)
    assert wrong.health == "wrong" and measured in wrong.measured
    assert wrong.advice.startswith(advice)


def test_another_key_than_what_was_sent_last(place: Path) -> None:
    folder = shop_folder(place)
    send(folder)
    folder.make_key(replace=True)
    notice = signing(place)
    assert notice.health == "notice" and "recipes, revision 1 of the shop, was not signed" in (
        notice.measured
    )
    assert "platelink shop send recipes" in notice.advice
    send(folder)
    assert signing(place).health == "ok"


def test_a_unit_that_refuses_what_is_signed_beside_it(place: Path) -> None:
    folder = shop_folder(place)
    notice = signing(place, section(OTHER_KEY))
    assert notice.health == "notice"
    assert notice.advice == f"enter it: {folder.signer().verifier.text}"
    assert signing(place, section(OTHER_KEY, folder.signer())).health == "ok"


def test_a_folder_that_knows_less_than_its_units(place: Path) -> None:
    folder = shop_folder(place)
    text = section(folder.signer())
    first, second = send(folder), send(folder)
    taken(place, text, first, second)
    assert signing(place, text).health == "ok"
    (place / "shop/sent/recipes-000002.note").unlink()  # restored from an older copy
    wrong = signing(place, text)
    assert wrong.health == "wrong" and "the newest in" in wrong.measured
    assert wrong.advice == "platelink shop send recipes --revision 3 --why REASON"
    assert "older than 2" in taken(place, text, first)[0]
    send(folder, 3)
    assert signing(place, text).health == "ok"


def test_the_people_key_where_it_was_made(place: Path) -> None:
    folder = shop_folder(place)
    whole = folder.people_key.read_text()
    same = section(folder.signer(), more=people_key(place, whole))
    assert signing(place, same).health == "ok"
    other = section(folder.signer(), more=people_key(place))
    assert f"is not {folder.people_key}" in signing(place, other).measured
    folder.people_key.chmod(0o604)
    assert "can be read by everybody" in signing(place).measured
    folder.people_key.unlink()
    gone = signing(place)
    assert gone.health == "notice" and "people cannot be sent" in gone.measured


def test_a_folder_that_cannot_be_written(place: Path, monkeypatch) -> None:
    send(shop_folder(place))
    closed = place / "shop/sent"
    monkeypatch.setattr(module.os, "access", lambda path, mode: path != closed)
    wrong = signing(place)
    assert wrong.health == "wrong" and f"{closed} cannot be written" in wrong.measured


def test_the_password_with_which_it_sends(place: Path) -> None:
    shop_folder(place)
    notice = signing(place, BROKER)
    assert notice.health == "notice" and "no password for shop" in notice.measured
    named = f'{BROKER}[shop]\npassword_file = "{place}/password"\n'
    wrong = signing(place, named)
    assert wrong.health == "wrong" and "cannot be read" in wrong.measured
    (place / "password").write_text("secret\n")
    assert signing(place, named).health == "ok"
    assert signing(place, BROKER.replace('password = "p"\n', "")).health == "ok"
