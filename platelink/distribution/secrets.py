"""Hashes of PINs and passwords, closed for units alone. Pure.

A broker keeps what is sent, and whoever may look at it reads it: a PIN of six digits is soon found
from its hash. So the hashes are closed with a key that the shop's units have, and the broker not.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Mapping

from platelink.canonical import canonical
from platelink.distribution.wrong import NotTaken
from platelink.evidence import keys
from platelink.evidence.wrong import EvidenceError


def bound_to(site: str, unit: str | None, revision: int) -> bytes:
    """Which distribution the hashes belong to: in no other can they be opened."""
    return canonical(["platelink-secrets/v1", site, unit, revision])


def closed(hashes: Mapping[str, str], key: bytes, nonce: bytes, bound: bytes) -> str:
    """As ``People.secrets`` has them; ``nonce`` is never used twice with one key."""
    return base64.b64encode(keys.closed(canonical(dict(hashes)), key, nonce, bound)).decode()


def open_(secrets: str, key: bytes, bound: bytes) -> dict[str, str]:
    """The hashes by name; ``NotTaken`` where the key, or what they belong to, is another."""
    try:
        text = keys.reopened(base64.b64decode(secrets, validate=True), key, bound)
    except (EvidenceError, binascii.Error):
        raise NotTaken(
            "what proves the people cannot be opened: the unit's people key is not the shop's; "
            "copy the shop's people.key here again ([shop] people_key_file)"
        ) from None
    found = json.loads(text)
    if not isinstance(found, dict) or not all(isinstance(one, str) for one in found.values()):
        raise NotTaken("what proves the people is no list of hashes; update platelink here")
    return found
