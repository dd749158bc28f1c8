"""An authority of time stamps asked over HTTP (RFC 3161, 3.4)."""

from __future__ import annotations

import time
from pathlib import Path

import httpx

from platelink.evidence.stamp import MOST_BYTES, TYPE_ASKED, answer_to, asked_for, stamped_at
from platelink.evidence.wrong import EvidenceError


def stamp_by(url: str, checkpoint: bytes, *, timeout_s: float, roots: Path | None) -> bytes:
    """A stamp of these bytes, compared with what was asked and, with ``roots`` (certificates, PEM),
    verified. ``EvidenceError`` says why there is none; it names no part of the address, which may
    hold a password."""
    data, request = asked_for(checkpoint)
    try:
        answer = _answer(url, data, timeout_s)
        answer_to(request, answer)
        if roots is not None:
            stamped_at(answer, checkpoint, roots.read_bytes())
    except httpx.HTTPStatusError as error:
        raise EvidenceError(f"it answered with HTTP {error.response.status_code}") from None
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise EvidenceError(str(error) or type(error).__name__) from None
    except OSError as error:
        raise EvidenceError(f"{roots} cannot be read ({error.strerror})") from None
    return answer


def _answer(url: str, data: bytes, timeout_s: float) -> bytes:
    """All of it: no more than an answer has, and not for longer than ``timeout_s``."""
    end = time.monotonic() + timeout_s
    found = bytearray()
    headers = {"content-type": TYPE_ASKED}
    with httpx.stream("POST", url, content=data, headers=headers, timeout=timeout_s) as answer:
        answer.raise_for_status()
        for part in answer.iter_bytes():
            found += part
            if len(found) > MOST_BYTES:
                raise EvidenceError("its answer is longer than any time stamp")
            if time.monotonic() > end:
                raise EvidenceError(f"its answer took longer than {timeout_s:g} s")
    return bytes(found)
