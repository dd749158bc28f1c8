"""Free memory goes back to the system, and threads share one heap (glibc: malloc_info(3))."""

from __future__ import annotations

import ctypes
import platform
import subprocess
import sys

import pytest

from platelink import memory

pytestmark = pytest.mark.skipif(
    platform.libc_ver()[0] != "glibc", reason="without glibc nothing is done"
)

_FREED = """
from platelink.memory import give_back
def used_mb():
    return int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6
pieces = [bytes(2000) for _ in range(20_000)]
del pieces[:-1]  # the newest stays, so that what is below it is not given back by itself
before = used_mb()
give_back()
print(before - used_mb())
"""
_THREADS = """
import ctypes, threading
from platelink.memory import one_arena
if {one}:
    one_arena()
together = threading.Barrier(4)
def work():
    kept = [bytes(2000) for _ in range(100)]
    together.wait()
    return kept
threads = [threading.Thread(target=work) for _ in range(4)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
libc = ctypes.CDLL(None)
libc.fdopen.restype = ctypes.c_void_p
file = ctypes.c_void_p(libc.fdopen(1, b"w"))
libc.malloc_info(0, file)
libc.fflush(file)
"""


def _said(program: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    return done.stdout


def test_what_is_free_goes_back_to_the_system():
    assert float(_said(_FREED)) > 20.0  # of 40 MB


@pytest.mark.parametrize(("one", "heaps"), [(True, 1), (False, 5)])
def test_all_threads_share_one_heap(one, heaps):
    assert _said(_THREADS.format(one=one)).count("<heap nr=") == heaps


def test_where_there_is_no_glibc_nothing_happens(monkeypatch):
    monkeypatch.setattr(ctypes, "CDLL", lambda _: object())
    memory.one_arena()
    memory.give_back()
