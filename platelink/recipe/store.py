"""The store of recipes: revisions and their approvals, lots, screens, and what became of them.

An append-only file beside the journal. Everything is an entry with who, when and, where one is
owed, why; nothing is ever overwritten, and the file itself refuses it. Times come from the caller.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from pydantic import ValidationError

from platelink.ledger.by import By, from_ms
from platelink.ledger.database import Database
from platelink.ledger.errors import StoreRefused, StoreUnusable
from platelink.ledger.readable import WAY_OUT, readable
from platelink.ledger.store import Store
from platelink.recipe.entries import About, Act
from platelink.recipe.life import Revision, Signed, State, present, refusal, superseded
from platelink.recipe.load import loads_content
from platelink.recipe.log import Log
from platelink.recipe.model import Recipe
from platelink.recipe.schema import RECIPES
from platelink.recipe.shelf import Shelf

HASH_DIGITS = 8
"""Least digits of a hash that name a revision."""
_LIFE = """SELECT r.revision, r.hash, m.state, e.who, e.why, e.at_ms FROM revisions r
    JOIN (SELECT recipe, revision, 'draft' AS state, number FROM revisions
        UNION ALL SELECT recipe, revision, state, number FROM moves) m USING (recipe, revision)
    JOIN entries e ON e.number = m.number
    WHERE r.recipe = ? ORDER BY r.revision, m.number"""


class RecipeStore(Store):
    """Revisions, beside the ``log`` of everything and the ``shelf`` of lots and screens."""

    kind = RECIPES

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self.log = Log(database)
        self.shelf = Shelf(database, self.log)

    @property
    def path(self) -> Path:
        """The store's file."""
        return self._db.path

    def recipes(self) -> tuple[str, ...]:
        """Ids of all recipes, in order."""
        rows = self._db.rows("SELECT DISTINCT recipe FROM revisions ORDER BY recipe")
        return tuple(str(row[0]) for row in rows)

    def revisions(self, recipe: str) -> tuple[Revision, ...]:
        """All revisions of a recipe, oldest first; none when there is no such recipe."""
        lives: dict[tuple[int, str], list[Signed]] = {}
        for revision, content_hash, state, who, why, at_ms in self._db.rows(_LIFE, (recipe,)):
            with readable(self.path, f"{recipe}@{revision}"):
                signed = Signed(State(state), who, why, from_ms(at_ms))
                bytes.fromhex(content_hash)
            lives.setdefault((revision, content_hash), []).append(signed)
        return tuple(Revision(recipe, *key, tuple(life)) for key, life in lives.items())

    def recipe(self, revision: Revision) -> Recipe:
        """The content of a revision, held against its hash."""
        rows = self._db.rows(
            "SELECT hash, content FROM revisions WHERE recipe = ? AND revision = ?",
            (revision.recipe, revision.number),
        )
        if not rows:
            raise StoreRefused(f"there is no {revision.name} in {self.path}")
        return self.content_of(revision.name, *rows[0])

    def content_of(self, name: str, content_hash: object, content: object) -> Recipe:
        """The recipe of a content as it is stored."""
        same = (
            isinstance(content, str)
            and hashlib.sha256(content.encode("utf-8", "replace")).hexdigest() == content_hash
        )
        if not same:
            raise StoreUnusable(
                f"{name} in {self.path} is not what was added: its content no longer matches "
                "its hash; check "
                f"the disk, {WAY_OUT.format(path=self.path)}"
            )
        try:
            return loads_content(str(content))
        except ValidationError as error:
            raise StoreUnusable(
                f"{name} in {self.path} cannot be read by this release ({error}); install the "
                "release that wrote it, or a later one"
            ) from None

    def find(self, which: str) -> Revision:
        """The revision named ``plate-a@2``, the present one of ``plate-a``, or the newest whose
        hash begins so; ``StoreRefused`` says what there is instead."""
        recipe, mark, number = which.partition("@")
        revisions = self.revisions(recipe)
        if not revisions and not mark and len(which) >= HASH_DIGITS:
            found = self._by_hash(which)
            if found is not None:
                return found
        newest = present(revisions)
        if newest is None:
            known = ", ".join(self.recipes()) or "none; add one with 'platelink recipe add'"
            raise StoreRefused(f"there is no recipe '{which}' in {self.path}; there are: {known}")
        if not mark:
            return newest
        for revision in revisions:
            if str(revision.number) == number:
                return revision
        raise StoreRefused(f"recipe {recipe} has revisions 1 to {len(revisions)}, not '{number}'")

    def _by_hash(self, beginning: str) -> Revision | None:
        rows = self._db.rows(
            "SELECT recipe, revision, hash FROM revisions WHERE substr(hash, 1, ?) = ? "
            "ORDER BY number",
            (len(beginning), beginning.lower()),
        )
        if len({content_hash for _, _, content_hash in rows}) > 1:
            raise StoreRefused(f"'{beginning}' matches several hashes; type more of it")
        return next((self.find(f"{r}@{n}") for r, n, _ in reversed(rows)), None)

    def add(self, recipe: Recipe, by: By) -> Revision:
        """A new draft; refused when a revision still in use has the same content."""
        content, content_hash = recipe.canonical(), recipe.content_hash()
        with self._db.transaction():
            revisions = self.revisions(recipe.id)
            for known in revisions:
                if known.content_hash == content_hash and known.state is not State.RETIRED:
                    raise StoreRefused(
                        f"{known.name} ({known.state}) already has exactly this content; "
                        "nothing was added"
                    )
            new = len(revisions) + 1
            number = self.log.enter(
                (About.RECIPE, recipe.id, Act.ADDED), by, {"revision": new, "hash": content_hash}
            )
            self._db.execute(
                "INSERT INTO revisions (recipe, revision, hash, content, number) "
                "VALUES (?, ?, ?, ?, ?)",
                (recipe.id, new, content_hash, content, number),
            )
        return self.find(f"{recipe.id}@{new}")

    def approve(self, which: str, by: By) -> Revision:
        """Approve a draft, named with its number; the revision approved so far retires with it."""
        with self._db.transaction():
            revision = self._movable(which, State.APPROVED, by)
            for old in superseded(self.revisions(revision.recipe), revision):
                self._move(old, Act.RETIRED, by._replace(why=f"{revision.name} was approved"))
            self._move(revision, Act.APPROVED, by)
        return self.find(revision.name)

    def retire(self, which: str, by: By) -> Revision:
        """Retire a draft or an approved revision, named with its number."""
        with self._db.transaction():
            revision = self._movable(which, State.RETIRED, by)
            self._move(revision, Act.RETIRED, by)
        return self.find(revision.name)

    def _movable(self, which: str, to: State, by: By) -> Revision:
        if not by.why.strip():
            raise StoreRefused(f"say why {which} is to be {to}")
        revision = self.find(which)
        if "@" not in which and which != revision.content_hash:
            raise StoreRefused(
                f"say which revision is to be {to}, such as {revision.name}: a signature is for "
                "one content"
            )
        refused = refusal(revision, to)
        if refused is not None:
            raise StoreRefused(refused)
        return revision

    def _move(self, revision: Revision, act: Act, by: By) -> None:
        number = self.log.enter(
            (About.RECIPE, revision.recipe, act),
            by,
            {"revision": revision.number, "hash": revision.content_hash},
        )
        self._db.execute(
            "INSERT INTO moves (recipe, revision, state, number) VALUES (?, ?, ?, ?)",
            (revision.recipe, revision.number, str(act), number),
        )
