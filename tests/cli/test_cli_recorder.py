"""The recorder as a process, and what it is told."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from platelink.config.load import load_recorder
from platelink.daemon.recorder_setup import SessionNameError, recorder_settings, session_name

CONFIG = """
format = 1
[broker]
host = "127.0.0.1"
port = {port}
[store]
url = "http://127.0.0.1:{port}"
{more}
[recorder]
path = "recorder.sqlite"
hold_s = 7
"""


def config(tmp_path: Path, more: str = "") -> Path:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
    path = tmp_path / "platelink.toml"
    path.write_text(CONFIG.format(port=port, more=more))
    return path


@pytest.mark.system
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_reports_what_is_away_and_ends_in_order(tmp_path: Path, number: int) -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "platelink", "--config", str(config(tmp_path)),
         "recorder", "--json", "--every", "0.1"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert child.stdout
    line = json.loads(child.stdout.readline())
    child.send_signal(number)
    rest, errors = child.communicate(timeout=20)
    assert child.returncode == 0, errors
    assert line["connected"] is False and line["pending"] == 0 and line["at_utc"]
    assert "not reachable" in line["broker_problem"]
    assert line["counts"]["received"] == 0
    assert all(json.loads(text) for text in rest.splitlines())
    assert errors.startswith("recording from 127.0.0.1:")


def test_settings_come_from_the_file(tmp_path: Path) -> None:
    more = 'username = "u"\npassword = "p"\nconfirm = "hold"\norg = "o"\nbucket = "b"'
    settings = recorder_settings(load_recorder(config(tmp_path, more)))
    assert settings.journal_path == tmp_path / "recorder.sqlite"
    assert (settings.upload.hold_s, settings.upload.confirm) == (7.0, "hold")
    store = settings.store
    assert (store.username, store.password, store.token) == ("u", "p", None)
    assert (store.org, store.bucket) == ("o", "b")
    (tmp_path / "token").write_text("t\n")
    store = recorder_settings(load_recorder(config(tmp_path, 'token_file = "token"'))).store
    assert (store.username, store.password, store.token) == (None, None, "t")


def test_it_logs_in_by_its_own_name_where_the_unit_of_the_file_has_another(tmp_path: Path) -> None:
    path = config(tmp_path)
    text = path.read_text().replace("[store]", 'username = "site/u"\npassword = "p"\n[store]', 1)
    path.write_text(text)
    broker = recorder_settings(load_recorder(path)).broker
    assert (broker.username, broker.password) == ("site/u", "p")
    (tmp_path / "secret").write_text("r\n")
    path.write_text(text + 'username = "recorder"\npassword_file = "secret"\n')
    broker = recorder_settings(load_recorder(path)).broker
    assert (broker.username, broker.password) == ("recorder", "r")


def test_the_name_of_the_session_is_chosen_once(tmp_path: Path) -> None:
    name = session_name(tmp_path / "a.sqlite")
    assert session_name(tmp_path / "a.sqlite") == name
    assert session_name(tmp_path / "b.sqlite") != name
    with pytest.raises(SessionNameError, match="cannot be read or written"):
        session_name(tmp_path / "no" / "a.sqlite")
    (tmp_path / "c.name").write_text("")
    with pytest.raises(SessionNameError, match="is empty"):
        session_name(tmp_path / "c.sqlite")
