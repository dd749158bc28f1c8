"""The command ``shop``: recipes, people and calibrations from one place, signed."""

from __future__ import annotations

import getpass
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli.context import emit, json_option, load_config
from platelink.cli.group import Failure, Lazy, LazyGroup, Misuse
from platelink.cli.stock import why_option
from platelink.cli.tables import Column, local, print_table

if TYPE_CHECKING:
    from platelink.config.model import Config
    from platelink.distribution.model import Distribution, Kind
    from platelink.distribution.shop import Head, ShopFolder
    from platelink.publish.broker import BrokerSettings
    from platelink.publish.messages import Took

MOST_FILE_BYTES = 1_000_000
KINDS = click.Choice(["recipes", "people", "calibrations"])
_COMMANDS = {
    "key": Lazy("shop:key", "Make the shop's keys, once; print the public one."),
    "send": Lazy("shop:send", "Sign the newest, and send it to the units."),
    "sent": Lazy("shop:sent", "What was sent, and what each unit took or refused."),
    "take": Lazy("shop:take", "Take a signed file, at a unit without a broker."),
}
_UNITS = (
    Column("UNIT", least=8), Column("RECIPES"), Column("PEOPLE"), Column("CALIBRATIONS"),
    Column("SINCE", spare=1), Column("REFUSED", least=12, spare=2),
)  # fmt: skip


@click.group(cls=LazyGroup, lazy=_COMMANDS)
def shop() -> None:
    """One place for all units: recipes, people and calibrations as signed revisions.

    Signed on one computer, taken by every unit that has the shop's key in its configuration, and
    refused by each when anybody else signed or changed them: docs/shop.md."""


@click.command()
@click.option("--replace", "anew", is_flag=True, help="Make another; the old one is kept aside.")
@json_option
def key(anew: bool, as_json: bool) -> None:
    """Make the shop's key in its folder, on the one computer that signs, and print the public half:
    the line for [shop] keys of each unit. Never overwrites; where there is a key, it is printed.

    Whoever has the folder can send recipes and people to every unit: guard it as a seal."""
    from platelink.evidence.wrong import EvidenceError

    folder = _folder(load_config())
    made = False
    if anew or not folder.key.exists():
        with _written(folder.folder):
            folder.make_key(replace=anew)
        made = True
    if not folder.people_key.exists():
        with _written(folder.people_key), suppress(FileExistsError):
            folder.make_people_key()
    try:
        line = folder.signer().verifier.text
    except EvidenceError as error:
        if "--replace" in str(error):
            raise
        raise Failure(
            f"{error}. Put it back from where you keep keys, or make another: platelink shop key "
            "--replace"
        ) from None
    if as_json:
        emit({"key": line, "made": made, "people_key_file": str(folder.people_key)})
        return
    click.echo(line)
    done = "made now" if made else "was there already"
    click.echo(
        f"\nThe key {done}; it is in {folder.key}. Enter the line above in each unit's file:\n"
        f'  [shop]\n  keys = ["..."]\n'
        f"To send people, copy {folder.people_key} to each unit by hand, and name it "
        "under\n[shop] people_key_file. Restart the units.",
        err=True,
    )
    if anew:
        click.echo(
            "Leave the old line beside it until every unit has both; then send everything again, "
            "and\nremove the old line.",
            err=True,
        )


@contextmanager
def _written(path: Path) -> Iterator[None]:
    try:
        yield
    except FileExistsError:
        raise Failure(f"{path} was made by somebody else just now; look at it first") from None
    except OSError as error:
        raise Failure(f"{path} cannot be written ({error.strerror})") from None


@click.command()
@click.argument("kind", type=KINDS)
@click.option("--for", "unit", metavar="UNIT", help="For this unit of the site alone.")
@click.option("--by", metavar="NAME", help="Who sends it; without it, your login on this computer.")
@why_option(required=True)
@click.option(
    "--file", "file", type=click.Path(path_type=Path, dir_okay=False),
    help="Write it to this file, to be carried to units: platelink shop take FILE.",
)  # fmt: skip
@click.option("--no-broker", is_flag=True, help="Write the file only.")
@click.option(
    "--revision", type=click.IntRange(1), help="Its number, where units have seen a higher one "
    "than this computer knows of.",
)  # fmt: skip
@json_option
def send(
    kind: Kind, *, unit: str | None, by: str | None, why: str, file: Path | None, no_broker: bool,
    revision: int | None, as_json: bool,
) -> None:  # fmt: skip
    """Sign what this computer's stores hold now, and send it: all approved RECIPES and what was
    retired; all PEOPLE with their roles, PINs and passwords as closed hashes; the CALIBRATIONS in
    force here, for one unit. Each revision is whole, so that a unit which was off lacks nothing."""
    if no_broker and file is None:
        raise click.UsageError("--no-broker needs --file FILE.")
    if kind == "calibrations" and unit is None:
        raise click.UsageError("calibrations are of one unit's sensors: name it with --for UNIT.")
    config = load_config()
    broker = None if no_broker else _broker(config)
    if broker is None and file is None:
        raise Misuse("no [broker] is configured: give --file FILE, and carry it to the units")
    folder = _folder(config)
    head = folder.head(
        kind, unit, made_utc=datetime.now(UTC).replace(microsecond=0),
        by=by or getpass.getuser(), why=why, revision=revision,
    )  # fmt: skip
    one = _content(config, folder, head)
    with _written(folder.folder / "sent"):
        path, data = folder.keep(one)
    if broker is not None:
        _publish(broker, one, path, data)
    if file is not None:
        with _written(file):
            file.write_bytes(data)
    told = {
        "kind": kind, "revision": one.revision, "unit": unit, "bytes": len(data),
        "kept": str(path), "broker": broker is not None, "file": file and str(file),
    }  # fmt: skip
    if as_json:
        emit(told)
        return
    whom = f"unit {unit}" if unit else f"all units of {one.site}"
    click.echo(f"{kind}, revision {one.revision}, for {whom}: {_size(one)}, {len(data):,} bytes")
    if broker is not None:
        click.echo(
            "the broker has it; units that are on take it within seconds: platelink shop sent"
        )
    if file is not None:
        click.echo(f"written to {file}; at the unit: platelink shop take {file.name}")


def _publish(broker: BrokerSettings, one: Distribution, path: Path, data: bytes) -> None:
    from platelink.distribution.broker import NoRightError, send
    from platelink.publish.broker import BrokerError
    from platelink.publish.topics import shop_topic

    try:
        send(broker, shop_topic(one.site, one.kind, one.unit), data)
    except NoRightError:
        path.unlink()  # nobody has it: its number is free again
        raise
    except BrokerError as error:
        raise Failure(
            f"{error}. The broker may have it or not: look with 'platelink shop sent'; sending "
            "again makes another revision"
        ) from None


_TYPED = {
    "unit": "--for: the name of a unit has 1 to 64 letters, digits, '.', '_' or '-', and begins "
    "with a letter or a digit",
    "revision": "--revision: give a smaller number",
    "by": "--by: give one line of 1 to 200 characters, without blanks at its ends",
    "why": "--why: give a reason of 1 to 1,000 characters",
}


def _content(config: Config, folder: ShopFolder, head: Head) -> Distribution:
    """What the stores of this computer hold, with what was typed."""
    from pydantic import ValidationError

    try:
        return _held(config, folder, head)
    except ValidationError as fault:
        wrong = next((str(e["loc"][-1]) for e in fault.errors() if e["loc"]), "")
        if wrong not in _TYPED:
            raise
        raise Misuse(_TYPED[wrong]) from None


def _held(config: Config, folder: ShopFolder, head: Head) -> Distribution:
    from platelink.calibrations.store import CalibrationStore
    from platelink.distribution.calibrations import sent_calibrations
    from platelink.distribution.model import Calibrations, People, Recipes
    from platelink.distribution.people import sent_people
    from platelink.distribution.recipes import sent_recipes
    from platelink.distribution.secrets import bound_to
    from platelink.distribution.shop import fresh, read_people_key
    from platelink.evidence.keys import NONCE_BYTES
    from platelink.people.store import People as PeopleStore
    from platelink.recipe.store import RecipeStore

    values: dict[str, Any] = asdict(head)
    if head.kind == "recipes":
        with RecipeStore.open(config.recipes_path(), read_only=True) as store:
            recipes, retired = sent_recipes(store)
        return Recipes(**values, recipes=recipes, retired=retired)
    if head.kind == "calibrations":
        with CalibrationStore.open(config.calibrations_path(), read_only=True) as held:
            made = sent_calibrations(held)
        if not made:
            raise Misuse("no calibration is in force here; approve one first: platelink calibrate")
        return Calibrations(**values, calibrations=made)
    people_key = read_people_key(folder.people_key)
    assert people_key is not None
    with PeopleStore.open(config.people_path(), read_only=True) as persons:
        bound = bound_to(head.site, head.unit, head.revision)
        people, secrets = sent_people(persons, people_key, fresh(NONCE_BYTES), bound)
    return People(**values, people=people, secrets=secrets)


def _size(one: Distribution) -> str:
    from platelink.distribution.model import People, Recipes

    if isinstance(one, Recipes):
        return f"{len(one.recipes)} approved, {len(one.retired)} retired"
    if isinstance(one, People):
        left = sum(not person.active for person in one.people)
        return f"{len(one.people) - left} active, {left} deactivated"
    return ", ".join(sent.name for sent in one.calibrations)


@click.command()
@json_option
def sent(as_json: bool) -> None:
    """What was signed here last of each kind, and, where a broker is configured, which revision
    each unit says it took, and what it refuses and why."""
    from platelink.distribution.broker import heard_of

    config = load_config()
    folder, broker = _folder(config), _broker(config)
    every = folder.sent()
    units: dict[str, Took | str] = {}
    if broker is not None:
        units = heard_of(broker, config.unit.site)
    if as_json:
        emit({
            "sent": [one._asdict() | {"path": str(one.path)} for one in every],
            "units": {name: _told(took) for name, took in units.items()},
        })  # fmt: skip
        return
    newest = {(one.kind, one.unit): one for one in every}
    for one in newest.values():
        whom = f"unit {one.unit}" if one.unit else "all units"
        click.echo(f"{one.kind}, revision {one.revision}, for {whom}: {one.path}")
    if not every:
        click.echo("nothing was sent yet: platelink shop send recipes --why REASON")
    if broker is None:
        click.echo("no [broker] is configured: units say at their status what they took")
        return
    click.echo()
    rows = [_row(name, took) for name, took in sorted(units.items())]
    print_table(_UNITS, rows, "no unit of the site has said yet what it took")


def _told(took: Took | str) -> dict[str, Any]:
    return {"unreadable": took} if isinstance(took, str) else took.model_dump(mode="json")


def _row(unit: str, took: Took | str) -> list[str]:
    if isinstance(took, str):
        return [unit, *["not known"] * 3, "", took]

    def revision(kind: str) -> str:
        one = took.taken.get(kind)
        return "none" if one is None else str(one.revision)

    last = max((one.at_utc for one in took.taken.values()), default=None)
    return [
        took.unit, revision("recipes"), revision("people"), revision("calibrations"),
        local(last, seconds=False), "; ".join(one.text for one in took.refused),
    ]  # fmt: skip


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@json_option
def take(file: Path, as_json: bool) -> None:
    """Take what the shop signed, from FILE: at a unit that has no broker. The same is looked at as
    with a broker, and refused for the same reasons. Calibrations hold from the next run on; a
    daemon that runs puts it down in its record within seconds, else at its next start."""
    from platelink.daemon.taking import acceptor_of

    config = load_config()
    if config.shop is None:
        raise Misuse("this unit takes nothing: enter the shop's key under [shop] keys first")
    try:
        with file.open("rb") as opened:
            data = opened.read(MOST_FILE_BYTES)
    except OSError as error:
        raise Misuse(f"{file} cannot be read ({error.strerror})") from None
    outcome = acceptor_of(config, lambda: datetime.now(UTC)).take("the file", data, lasts=False)
    if os.geteuid() == 0:
        _hand_over(config)
    if as_json:
        emit({"taken": outcome.taken, "text": outcome.text, "changed": outcome.lines})
    elif outcome.taken:
        click.echo(outcome.text)
    if not outcome.taken:
        if as_json:
            click.get_current_context().exit(Failure.exit_code)
        raise Failure(outcome.text)


def _hand_over(config: Config) -> None:
    """What root made belongs to whom the folder belongs: the daemon has to write it."""
    from platelink.distribution.taken import taken_path

    state = taken_path(config.journal.path)
    owner = state.parent.stat()
    for path in (
        state, state.with_name(f"{state.name}.lock"), config.recipes_path(), config.people_path(),
        config.calibrations_path(),
    ):  # fmt: skip
        with suppress(FileNotFoundError):
            if path.lstat().st_uid == 0:
                os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def _folder(config: Config) -> ShopFolder:
    from platelink.config.shop import ShopSection
    from platelink.distribution.shop import ShopFolder

    section = config.shop or ShopSection()
    return ShopFolder(section.place(config.journal.path), config.unit.site)


def _broker(config: Config) -> BrokerSettings | None:
    """The broker, as the shop logs in to it."""
    from platelink.config.shop import ShopSection
    from platelink.daemon.setup import broker_settings

    settings, section = broker_settings(config), config.shop or ShopSection()
    if settings is None:
        return None
    return replace(settings, username=section.username, password=section.secret())
