"""The command ``recipe``: list, show, check, add, compare, approve, retire, and examples."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Failure, Lazy, LazyGroup, Misuse
from platelink.cli.quantities import clean
from platelink.cli.stock import opened_store, store_if_any, store_option, why_option
from platelink.cli.tables import Column, local, print_table

if TYPE_CHECKING:
    from collections.abc import Iterable

    from platelink.client import Client
    from platelink.contract.recipes import Change, RecipeListed, Revision
    from platelink.recipe.model import Recipe

_COLUMNS = (
    Column("RECIPE"),
    Column("STATE"),
    Column("SINCE", spare=2),
    Column("BY", least=6, spare=3),
    Column("STOCK", least=6, spare=4),
    Column("TITLE", least=10, spare=1),
    Column("HASH", spare=5),
)
_HASH_SHOWN = 12
_file = click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
_which = click.argument("which", metavar="RECIPE", shell_complete=complete.revisions)


@click.group(
    cls=LazyGroup,
    lazy={
        "list": Lazy("recipe:list_", "List recipes and their present revisions."),
        "show": Lazy("recipe:show", "Show one revision as TOML, with its history."),
        "check": Lazy("recipe:check", "List every problem in a file."),
        "add": Lazy("recipe:add", "Add a file as a new revision, a draft."),
        "diff": Lazy("recipe:diff", "Show what differs between two revisions or files."),
        "approve": Lazy(
            "recipe:approve", "Approve a draft; the previously approved revision is retired."
        ),
        "retire": Lazy("recipe:retire", "Retire a revision: no new plate is made from it."),
        "example": Lazy("recipe:example", "Print an example to start from."),
    },
)
def recipe() -> None:
    """Recipes: how plates are made, as files that become numbered revisions.

    RECIPE is an id, such as plate-a (its approved revision, else its newest draft), an id with its
    revision, plate-a@2, or the beginning of a content hash."""


@click.command("list")
@click.option("--all", "everything", is_flag=True, help="All revisions, not only the present one.")
@store_option
@json_option
def list_(everything: bool, store: Path | None, as_json: bool) -> None:
    """List recipes, each by its present revision: the approved one, else the newest draft."""
    from platelink.api.views import recipe_view

    recipes: list[RecipeListed] = []
    with store_if_any(store) as (path, opened):
        for name in opened.recipes() if opened else ():
            assert opened is not None
            for revision in opened.revisions(name) if everything else [opened.find(name)]:
                recipes.append(recipe_view(revision, opened.recipe(revision)))
    if as_json:
        emit({"store": str(path), "recipes": recipes})
        return
    none = (
        "none yet; start from an example: platelink recipe example plate-a-fine > mine.toml, then "
        "platelink recipe add mine.toml"
    )
    print_table(_COLUMNS, [_row(recipe) for recipe in recipes], none)


def _row(recipe: RecipeListed) -> list[str]:
    last = recipe.life[-1]
    return [
        recipe.name,
        last.state,
        local(last.at_utc, seconds=False),
        last.who,
        recipe.stock or "",
        recipe.title,
        recipe.hash[:_HASH_SHOWN],
    ]


@click.command()
@_which
@store_option
@json_option
def show(which: str, store: Path | None, as_json: bool) -> None:
    """Show a revision of RECIPE: its history as comments, its content as TOML.

    What is printed can be saved, changed and added again."""
    from platelink.api.views import revision_view
    from platelink.forms.write import to_toml

    with opened_store(store) as opened:
        found = opened.find(which)
        content = opened.recipe(found)
    revision = revision_view(found)
    if as_json:
        emit({**dict(revision), "content": content.content()})
        return
    click.echo(f"# {revision.name}, SHA-256 {revision.hash}")
    for signed in revision.life:
        why = f": {' '.join(signed.why.split())}" if signed.why else ""
        click.echo(clean(f"# {signed.state} {local(signed.at_utc)} by {signed.who}{why}"))
    click.echo(f"\n{to_toml(content)}", nl=False)


@click.command()
@_file
@json_option
def check(file: Path, as_json: bool) -> None:
    """List every problem in FILE. Exit code 1 when something is."""
    from platelink.recipe.load import RecipeFileError, load

    problems: list[dict[str, Any]] = []
    content_hash = name = None
    try:
        loaded = load(file)
        content_hash, name = loaded.content_hash(), loaded.id
    except RecipeFileError as error:
        problems = [
            {"file": p.file, "key": p.key, "value": p.value, "text": p.text} for p in error.problems
        ]
        lines = [f"problem  {p}" for p in error.problems]
    if as_json:
        emit({
            "file": str(file), "ok": not problems, "problems": problems,
            "recipe": name, "hash": content_hash,
        })  # fmt: skip
    elif problems:
        click.echo("\n".join([*lines, f"{file}: {len(problems)} problems"]))
    else:
        click.echo(f"{file}: recipe {name}, no problems, SHA-256 {content_hash}")
    if problems:
        click.get_current_context().exit(Failure.exit_code)


@click.command()
@_file
@why_option(required=False)
@json_option
def add(file: Path, why: str, as_json: bool) -> None:
    """Add FILE as a new revision of the recipe it names. It is a draft until it is approved."""
    from platelink.client import request
    from platelink.contract.recipes import RecipeFile
    from platelink.recipe.load import load

    load(file)  # what is wrong with it is told with the file's name, before anything is asked
    with service() as client:
        added = client.add_recipe(request(RecipeFile, toml=file.read_text("utf-8"), why=why))
        against = client.recipe(added.against) if added.against else None
    if as_json:
        emit(added)
        return
    click.echo(f"added {added.name}, a draft, SHA-256 {added.hash}")
    if against:
        click.echo(f"against {against.name} ({against.state}):")
        _print_changes(added.changes)
    click.echo(f"approve it with: platelink recipe approve {added.name} --why REASON")


@click.command()
@click.argument("old", metavar="A", shell_complete=complete.revisions)
@click.argument("new", metavar="B", shell_complete=complete.revisions)
@store_option
@json_option
def diff(old: str, new: str, store: Path | None, as_json: bool) -> None:
    """Show what B does differently from A, step by step.

    A and B are revisions, as RECIPE is elsewhere, or files."""
    from platelink.api.views import changes_view
    from platelink.contract.recipes import Diff
    from platelink.recipe.diff import diff as changes_of

    changes = changes_view(changes_of(*_contents((old, new), store)))
    found = Diff(same=not changes, changes=changes)
    if as_json:
        emit(found)
    else:
        _print_changes(found.changes)


def _contents(names: Iterable[str], store: Path | None) -> list[Recipe]:
    """Recipes of files, or of the store, which is opened only where one is needed."""
    from platelink.recipe.load import load

    found: list[Recipe] = []
    for name in names:
        if name.endswith(".toml") or Path(name).is_file():
            found.append(load(name))
        else:
            with opened_store(store) as opened:
                found.append(opened.recipe(opened.find(name)))
    return found


def _print_changes(changes: Iterable[Change]) -> None:
    texts = [f"step {c.step}: {c.text}" if c.step else c.text for c in changes]
    click.echo("\n".join(f"  {clean(text)}" for text in texts) or "  no difference")


@click.command()
@_which
@why_option(required=True)
@json_option
def approve(which: str, why: str, as_json: bool) -> None:
    """Approve a draft, named with its revision, as plate-a@2. Only one revision of a recipe is
    approved: the previous one is retired."""
    with service() as client:
        _print_state(client.approve_recipe(which, why), client, as_json)


@click.command()
@_which
@why_option(required=True)
@json_option
def retire(which: str, why: str, as_json: bool) -> None:
    """Retire a revision, named with its number, as plate-a@2. This is final; to use it again, show
    it, save it and add it as a new revision."""
    with service() as client:
        _print_state(client.retire_recipe(which, why), client, as_json)


def _print_state(revision: Revision, client: Client, as_json: bool) -> None:
    if as_json:
        emit(revision)
        return
    click.echo(f"{revision.name} is {revision.state}")
    if client.recipe(revision.recipe).state != "approved":
        click.echo(
            f"no revision of {revision.recipe} is approved now: no plate can be made from it"
        )


@click.command()
@click.argument("name", required=False)
@json_option
def example(name: str | None, as_json: bool) -> None:
    """Print the example NAME to start from; without NAME, list them.

    platelink recipe example plate-a-fine > my-plate.toml"""
    from platelink.recipe import example as examples
    from platelink.recipe.load import loads

    known = examples.names()
    if name is None:
        rows = [{"name": n, "title": loads(examples.text(n)).title} for n in known]
        if as_json:
            emit({"examples": rows})
        else:
            print_table((Column("EXAMPLE"), Column("TITLE")), [[*r.values()] for r in rows], "")
        return
    if name not in known:
        raise Misuse(f"there is no example '{name}'; there are: {', '.join(known)}")
    text = examples.text(name)
    click.echo(json.dumps({"name": name, "toml": text}) if as_json else text, nl=as_json)
