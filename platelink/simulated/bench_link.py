"""How many frames a second the link decodes, beside pymavlink's parser in the same run."""

from __future__ import annotations

import importlib
import io
import time
from collections.abc import Callable, Iterator
from typing import Any

from platelink.link.framing import Decoder, Frame, encode
from platelink.link.messages import Hello, Sample, unpack
from platelink.link.outputs import SampleReceived
from platelink.link.session import Session

CHUNK = 4096
FRAME_S = 0.05


def bench_link(frames: int = 20_000, repeats: int = 3) -> dict[str, float | None]:
    """Best of ``repeats`` passes over ``frames`` frames, read in chunks.

    Equal payloads of 120 bytes: a Sample of 36 numbers, and MAVLink's ATT_POS_MOCAP of 30.
    ``session_us_per_frame``: bytes to SampleReceived, clock map included. The pymavlink figures
    are None when it is not installed."""
    wire = b"".join(encode(_sample(i), i & 0xFFFF) for i in range(frames))
    ours = _best(repeats, frames, lambda: _decode(wire))
    session = _best(repeats, frames, lambda: _session(wire))
    theirs = _pymavlink(frames, repeats)
    return {
        "platelink_frames_per_s": ours,
        "pymavlink_frames_per_s": theirs,
        "ratio": None if theirs is None else ours / theirs,
        "session_us_per_frame": 1e6 / session,
    }


def _sample(i: int) -> Sample:
    """A Sample as a working unit sends it: one light channel lit, the other three not there."""
    none = (0, 0, 0)
    light = 512 * 50 * i
    return Sample(
        50 * (i + 1), 3, 1, 0, 2, 0, 4, 1, (light, *none), (50 * i, *none), (498, *none),
        (521, *none), 30_000, 50, 590, 610, 20_000, 50, 15_000, 50, light, 1 << 40, 0, 0,
    )  # fmt: skip


def _chunks(wire: bytes) -> Iterator[bytes]:
    return (wire[at : at + CHUNK] for at in range(0, len(wire), CHUNK))


def _decode(wire: bytes) -> int:
    decoder = Decoder()
    n = 0
    for chunk in _chunks(wire):
        for frame in decoder.feed(chunk):
            if isinstance(frame, Frame):
                unpack(frame.type, frame.payload)
                n += 1
    return n


def _session(wire: bytes) -> int:
    session = Session()
    session.port_opened(now=0.0)
    hello = Hello(1, 1, (1, 0, 0), 1, 10, 15, 0, 1, 0, 1000, 50)
    session.receive(encode(hello, 0xFFFF), now=0.0)
    n = 0
    for chunk in _chunks(wire):
        outputs = session.receive(chunk, now=n * FRAME_S)
        n += sum(isinstance(output, SampleReceived) for output in outputs)
    return n


def _pymavlink(frames: int, repeats: int) -> float | None:
    try:
        common: Any = importlib.import_module("pymavlink.dialects.v20.common")
    except ImportError:
        return None
    out = io.BytesIO()
    sender = common.MAVLink(out, srcSystem=1, srcComponent=1)
    for i in range(frames):
        sender.att_pos_mocap_send(i + 1, [1.0] * 4, 1.0, 2.0, 3.0, [0.5] * 21)
    wire = out.getvalue()

    def parse() -> int:
        parser: Any = common.MAVLink(None)
        return sum(len(parser.parse_buffer(chunk) or ()) for chunk in _chunks(wire))

    return _best(repeats, frames, parse)


def _best(repeats: int, frames: int, once: Callable[[], int]) -> float:
    """Frames a second of the fastest pass; every pass must find every frame."""
    fastest = float("inf")
    for _ in range(repeats):
        started = time.perf_counter()
        found = once()
        fastest = min(fastest, time.perf_counter() - started)
        if found != frames:
            raise RuntimeError(f"{found} of {frames} frames were decoded: the figure is void")
    return frames / fastest
