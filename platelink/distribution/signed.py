"""A distribution as a signed note (C2SP signed-note, Ed25519): of the shop, for units. Pure.

The text begins with a line of its own, so that no signature below a checkpoint, or below a text
that was cosigned, can ever hold for a distribution.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

from pydantic import ValidationError

from platelink.canonical import canonical
from platelink.distribution.model import DISTRIBUTION, FORMAT, MOST_BYTES, Distribution, text_of
from platelink.distribution.wrong import NotTaken
from platelink.evidence.keys import Signer, Verifier
from platelink.evidence.note import Note, read_note, sign
from platelink.evidence.wrong import EvidenceError
from platelink.publish.topics import SHOP

CONTEXT: Final = "platelink-distribution/v1"


class Opened(NamedTuple):
    """A distribution whose signature holds."""

    one: Distribution
    sha256: str
    """Of the signed text: the same content is the same, whichever key signed it."""
    key: Verifier


def key_name(site: str, public: bytes) -> str:
    """Of the shop's key, made of the key: a new key never goes by the name of the one before."""
    return f"platelink/{site}/{SHOP}/{hashlib.sha256(public).hexdigest()[:8]}"


def signed(one: Distribution, *signers: Signer) -> bytes:
    """The note. ``NotTaken`` where no unit would take it for its size."""
    data = sign(f"{CONTEXT}\n{text_of(one)}\n", *signers).data
    if len(data) > MOST_BYTES:
        raise NotTaken(
            f"{one.kind} would be {len(data):,} bytes; units take at most {MOST_BYTES:,}: retire "
            "what is not used any more"
        )
    return data


def opened(data: bytes, keys: Sequence[Verifier]) -> Opened:
    """What was signed by one of these keys; ``NotTaken`` for anything else."""
    if not keys:
        raise NotTaken("this unit has no key of the shop: enter it under [shop] keys")
    if len(data) > MOST_BYTES:
        raise NotTaken(f"it is bigger than {MOST_BYTES:,} bytes; nothing in it was looked at")
    try:
        note = read_note(data, most_bytes=MOST_BYTES)
    except EvidenceError:
        raise NotTaken(
            "it is not a signed text: it was damaged, or whoever sent it has not the shop's key"
        ) from None
    try:
        by = note.signed_by(keys)
    except EvidenceError:
        raise NotTaken(
            "it is not what the shop signed: it was changed, or somebody else names the shop's "
            "key; have it sent again"
        ) from None
    if not by:
        raise NotTaken(
            "it is not signed by the shop's key. If the shop has a new key, enter it under "
            "[shop] keys; if not, find out who can write there"
        )
    return Opened(_content(note), hashlib.sha256(note.text.encode()).hexdigest(), by[0])


def _content(note: Note) -> Distribution:
    context, _, text = note.text.removesuffix("\n").partition("\n")
    if context != CONTEXT:
        raise NotTaken("the shop's key signed it, and not as a distribution")
    try:
        values: Any = json.loads(text)
        same = canonical(values).decode() == text
    except (ValueError, TypeError, RecursionError):
        raise NotTaken("what the shop signed is no canonical JSON") from None
    form = values.get("format") if isinstance(values, dict) else None
    if isinstance(form, int) and form > FORMAT:
        raise NotTaken(
            f"it has format {form}; this release reads {FORMAT}: update platelink here first"
        )
    if not same:
        raise NotTaken("what the shop signed is no canonical JSON")
    try:
        return DISTRIBUTION.validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise NotTaken(
            f"what the shop signed is no distribution ({where}: {first['msg']}); update platelink "
            "where it was signed, and here"
        ) from None
