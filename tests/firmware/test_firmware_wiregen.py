"""The files written from the message table are the ones in the tree."""

from __future__ import annotations

from pathlib import Path

import pytest

from platesim import wiregen

ROOT = Path(__file__).resolve().parents[2]


def test_header_vectors_and_tables_match_the_message_table() -> None:
    assert wiregen.main(["--check"]) == 0


def test_a_changed_file_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (ROOT / "firmware-sim" / "PROTOCOL.md").read_text("utf-8")
    (tmp_path / "PROTOCOL.md").write_text(text.replace("| 0 | u8 | `protocol`", "| 1 | u8 | `x`"))
    monkeypatch.setattr(wiregen, "ROOT", tmp_path)
    assert wiregen.main(["--check"]) == 1
    assert "PROTOCOL.md differs" in capsys.readouterr().err
    assert wiregen.main([]) == 0  # writes all four
    assert wiregen.main(["--check"]) == 0
    assert (tmp_path / "PROTOCOL.md").read_text("utf-8") == text
    assert (tmp_path / "firmware/core/pl_wire.h").exists()


def test_a_lost_marker_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="is missing"):
        wiregen.protocol("# no markers here\n")
