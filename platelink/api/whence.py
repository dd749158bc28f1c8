"""Where a request came from: the address of a browser, or a user of this computer."""

from __future__ import annotations

import ipaddress
from typing import NamedTuple

from starlette.datastructures import Headers
from starlette.types import Scope

PAGE = "platelink-page"
"""Sent by the page with whatever it hands on: the address of the browser."""
SCREEN = "platelink_screen"
"""Cookie of a browser from which somebody signed in before."""


class Whence(NamedTuple):
    """See the file's first line."""

    address: str
    local: bool
    """A program on this computer, by the Unix socket."""
    screen: str | None
    """What tells a screen that a person signed in from before."""


def whence(scope: Scope) -> Whence:
    """Of a request. Only the Unix socket's clients are believed what they say of others."""
    state, headers = scope.get("state", {}), Headers(scope=scope)
    uid, told = state.get("uid", state.get("peer")), headers.get(PAGE)
    screen = _cookie(headers.get("cookie", ""))
    if uid is None:
        client = scope.get("client")
        return Whence(_network(str(client[0]) if client else "unknown"), False, screen)
    if told is not None:
        return Whence(_network(told), False, screen)
    return Whence("this computer", True, f"user {uid} of this computer")


def _cookie(header: str) -> str | None:
    for pair in header.split(";"):
        name, _, value = pair.strip().partition("=")
        if name == SCREEN and 20 <= len(value) <= 100 and value.isascii():
            return value
    return None


def _network(address: str) -> str:
    """Whoever has one IPv6 address has all of its network (RFC 6177)."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:60] if address.isascii() and address.isprintable() else "unknown"
    if parsed.version == 6 and not parsed.ipv4_mapped:
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed.ipv4_mapped or parsed) if parsed.version == 6 else str(parsed)
