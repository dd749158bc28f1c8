"""What root makes beside a daemon's files: of a user of its own, it could open none of root's."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from damage import campaign
from platelink.cli import main
from platelink.ledger import private


class AsRoot:
    """This system, in which we are root and all folders belong to somebody else."""

    def __init__(self) -> None:
        self.given: dict[str, tuple[int, int]] = {}

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def geteuid(self) -> int:
        return 0

    def fstat(self, _: int) -> Any:
        return SimpleNamespace(st_uid=0, st_nlink=1)

    def stat(self, _: str) -> Any:
        return SimpleNamespace(st_uid=61234, st_gid=61235)

    def fchown(self, found: int, uid: int, gid: int) -> None:
        self.given[Path(os.readlink(f"/proc/self/fd/{found}")).name] = uid, gid


@pytest.fixture
def root(monkeypatch: pytest.MonkeyPatch) -> AsRoot:
    root = AsRoot()
    monkeypatch.setattr(private, "os", root)
    return root


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    folder = tmp_path / "unit"
    folder.mkdir()
    (folder / "platelink.toml").write_text(campaign.CONFIGURATION, "utf-8")
    campaign.make_journal(folder / "journal.sqlite")
    campaign.make_people(folder / "people.sqlite")
    return folder


def run(unit: Path, *words: str) -> None:
    done = CliRunner().invoke(main, ["--config", str(unit / "platelink.toml"), *words])
    assert done.exit_code == 0, done.output


def there(unit: Path) -> set[str]:
    return {one.name for one in unit.iterdir()}


def test_what_is_asked_by_root_can_be_asked_by_the_page(unit: Path, root: AsRoot) -> None:
    before = there(unit)
    run(unit, "ask", "plates")
    new = {name for name in there(unit) - before if not name.endswith(("-wal", "-shm"))}
    assert "journal.facts.sqlite" in new and "journal.facts.sqlite.lock" in new
    seal = "journal.facts.sqlite.seal"  # written beside, under the number of this process
    assert new - {seal} | {f"journal.facts.sqlite.{os.getpid()}"} <= set(root.given)
    assert set(root.given.values()) == {(61234, 61235)}


def test_what_root_restores_is_the_daemon_s(unit: Path, root: AsRoot, tmp_path: Path) -> None:
    run(unit, "backup", str(tmp_path / "kept"))
    for one in unit.iterdir():
        if one.name != "platelink.toml":
            one.unlink()
    root.given.clear()
    run(unit, "restore", str(tmp_path / "kept"))
    assert (
        {"journal.sqlite", "people.sqlite"} <= there(unit) - {"platelink.toml"} <= set(root.given)
    )


def test_what_root_copies_of_a_damaged_file_is_the_daemon_s(unit: Path, root: AsRoot) -> None:
    run(unit, "doctor", "--repair", str(unit / "people.sqlite"))
    assert "people.sqlite.repaired" in root.given


def test_root_follows_no_link_that_the_daemon_s_user_has_laid(tmp_path: Path, root: AsRoot) -> None:
    (tmp_path / "of-root").write_text("kept")
    (tmp_path / "journal.lock").symlink_to(tmp_path / "of-root")
    with pytest.raises(OSError, match="symbolic"):
        private.handed(str(tmp_path / "journal.lock"), os.O_RDWR | os.O_CREAT)
    assert not root.given
