"""The cursor file: survives being written at any time, and never invents progress."""

import json

from platelink.publish.cursor import CursorFile, CursorState


def test_saved_state_comes_back(tmp_path):
    file = CursorFile(tmp_path / "cursor.json")
    assert file.load() == CursorState()
    state = CursorState(number=41, entry_id="j-41", session=7)
    file.save(state)
    assert CursorFile(tmp_path / "cursor.json").load() == state
    assert [p.name for p in tmp_path.iterdir()] == ["cursor.json"]


def test_power_cut_while_writing_leaves_the_old_state(tmp_path):
    file = CursorFile(tmp_path / "cursor.json")
    file.save(CursorState(5, "j-5", 1))
    (tmp_path / "cursor.json.new").write_text('{"format": 1, "num')
    assert file.load() == CursorState(5, "j-5", 1)
    file.save(CursorState(6, "j-6", 1))
    assert file.load().number == 6


def test_unreadable_file_means_from_the_start_and_is_told(tmp_path):
    path = tmp_path / "cursor.json"
    file = CursorFile(path)
    for text in ("", "{", "[]", '{"format":1}', json.dumps(
        {"format": 2, "number": 5, "entry_id": "x", "session": 1}
    ), json.dumps({"format": 1, "number": -5, "entry_id": "x", "session": 1})):  # fmt: skip
        path.write_text(text)
        assert file.load() == CursorState()
        assert str(path) in file.notice
    path.unlink()
    file.load()
    assert file.notice == ""
