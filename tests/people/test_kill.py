"""kill -9 at any moment: whatever was answered is there, and no session or secret comes back.

The child acknowledges each act once its call returned. Of the last act, not acknowledged, nothing
or all may be there.
"""

import contextlib
import multiprocessing
import random
import signal
import sqlite3
import time
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from people.make import LEAD, OPERATOR, SECRET, at, by, opened
from platelink.contract.words import Role
from platelink.people.entries import Act
from platelink.people.errors import SignInRefused
from platelink.people.rules import SignInRules

KILLS = 12
LONGEST_S = 0.02
"""The child goes on by itself for so long, some acts."""
RULES = SignInRules(most_sign_ins=10_000)
"""On a slow computer many rounds pass before a secret is changed, and one more would end another.
"""
Said = tuple[str, int, list[str], list[str]]
"""Present secret, entries, living and dead tokens: all that the child was answered."""


def go_on(path: Path, secret: str, round_: int, say: Connection) -> None:
    """Child: sign in and out, change the secret, give wrong ones, until killed."""
    with opened(path, rules=RULES) as store:
        living: list[str] = []
        dead: list[str] = []
        for number in range(1_000_000):
            living.append(store.sign_ins.sign_in(OPERATOR, secret, at()).token)
            say.send((secret, store.log.history()[-1].number, list(living), list(dead)))
            if number % 3 == 1:
                store.sign_ins.sign_out(living[0], at())
                dead.append(living.pop(0))
            elif number % 3 == 2:
                new = f"invention {round_} number {number}"
                store.change_secret(OPERATOR, new, by())
                secret, dead, living = new, dead + living, []
            else:
                with contextlib.suppress(SignInRefused):
                    store.sign_ins.sign_in(OPERATOR, "a wrong secret", at())
            say.send((secret, store.log.history()[-1].number, list(living), list(dead)))


def run_and_kill(path: Path, secret: str, round_: int, acts: int, then_s: float) -> Said:
    context = multiprocessing.get_context("forkserver")
    receive, send = context.Pipe(duplex=False)
    child = context.Process(target=go_on, args=(path, secret, round_, send), daemon=True)
    child.start()
    send.close()
    last: Said = receive.recv()
    for _ in range(acts):
        last = receive.recv()
    until = time.monotonic() + then_s
    while time.monotonic() < until:
        if receive.poll(max(0.0, until - time.monotonic())):
            last = receive.recv()
    child.kill()
    with contextlib.suppress(EOFError):  # what it had said before it died counts
        while True:
            last = receive.recv()
    child.join()
    receive.close()
    assert child.exitcode == -signal.SIGKILL
    return last


@pytest.mark.system
def test_what_was_answered_lasts(tmp_path: Path) -> None:
    path, secret, chance = tmp_path / "people.sqlite", SECRET[OPERATOR], random.Random(7)
    with opened(path, rules=RULES) as store:
        store.add_first(LEAD, SECRET[LEAD], by())
        store.add(OPERATOR, Role.OPERATOR, secret, by())
    for round_ in range(KILLS):
        then_s = chance.uniform(0.0, LONGEST_S)
        secret, entries, living, dead = run_and_kill(path, secret, round_, round_ % 7, then_s)
        with opened(path, rules=RULES) as store:
            new = store.log.history()[entries:]
            assert len(new) <= 1
            acts = [entry.act for entry in new]
            assert [store.sign_ins.session(token, at()) for token in dead] == [None] * len(dead)
            if Act.SECRET_CHANGED in acts:
                assert all(store.sign_ins.session(t, at()) is None for t in living)
            elif Act.SIGNED_OUT not in acts:
                assert all(store.sign_ins.session(token, at()) for token in living)
            numbers = [entry.number for entry in store.log.history()]
            assert numbers == list(range(1, len(numbers) + 1))
            if Act.SECRET_CHANGED in acts:  # to what, it had no time to say
                secret = f"a lead's invention {round_}"
                store.change_secret(OPERATOR, secret, by())
            store.sign_ins.sign_in(OPERATOR, secret, at())
        raw = sqlite3.connect(path)
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert raw.execute("PRAGMA foreign_key_check").fetchall() == []
        raw.close()
