"""The client: nobody there, answers that are none, and the sign-in that is kept."""

from __future__ import annotations

import socket
import stat
import threading
from pathlib import Path

import pytest

from platelink.client import Client, ClientError, NoService
from platelink.client.token import VARIABLE, forget_token, place_of, save_token, saved_token


def test_nobody_there(tmp_path: Path) -> None:
    path = tmp_path / "journal.socket"
    with Client(path) as client:
        for ask in (client.status, client.live):
            with pytest.raises(NoService, match=r"no daemon answers at .*; start one with"):
                ask()
        dead = socket.socket(socket.AF_UNIX)
        dead.bind(str(path))
        dead.close()
        with pytest.raises(NoService):
            client.status()


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"", "no daemon answers"),
        (b"SSH-2.0-x\r\n\r\n", "no daemon answers"),
        (b"HTTP/1.1 502 Bad Gateway\r\nContent-Length: 2\r\n\r\nno", "the service answered 502"),
        (b"HTTP/1.1 500 X\r\nContent-Length: 2\r\n\r\n[]", "the service answered 500"),
    ],
)
def test_something_else_there(tmp_path: Path, answer: bytes, words: str) -> None:
    path = tmp_path / "journal.socket"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()

        def serve() -> None:
            for _ in range(2):  # the first only looks whether anybody is there
                with listener.accept()[0] as peer:
                    if peer.recv(65536):
                        peer.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        with Client(path) as client, pytest.raises(ClientError, match=words) as caught:
            client.status()
        assert caught.value.kind == "fault"
        thread.join()


def test_what_no_line_can_carry_is_refused_here(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "journal.socket"))
        listener.listen()
        client = Client(tmp_path / "journal.socket")
        with client, pytest.raises(ClientError, match="UTF-8") as caught:
            client.command("hold", "\ud800")
        assert caught.value.kind == "misuse"


def test_a_sign_in_is_kept_for_its_user_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv(VARIABLE, raising=False)
    one, other = tmp_path / "a" / "journal.socket", tmp_path / "b" / "journal.socket"
    assert saved_token(one) is None
    save_token(one, "token-1")
    save_token(one, "token-2")
    assert (saved_token(one), saved_token(other)) == ("token-2", None)
    place = place_of(one)
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    assert stat.S_IMODE(place.parent.stat().st_mode) == 0o700
    monkeypatch.setenv(VARIABLE, "token-3")
    assert saved_token(one) == "token-3"
    monkeypatch.delenv(VARIABLE)
    place.write_bytes(b"\xff\xfe")
    assert saved_token(one) is None
    forget_token(one)
    forget_token(one)
    assert not place.exists()
