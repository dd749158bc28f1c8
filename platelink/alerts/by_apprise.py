"""One message by one way, through Apprise: a process of its own, which its parent may end.

Standard input: a JSON object with ``address``, ``title`` and ``body``; without these two nothing is
sent, and the address alone is judged. Standard output: one with ``problem``, empty when the service
took the message. The only import of apprise.
"""

from __future__ import annotations

import json
import logging
import sys
from urllib.parse import unquote, urlsplit

import apprise

SHORTEST_SECRET = 4
_MASK = "***"


def fault(address: str) -> str:
    """What is wrong with an address; empty when Apprise knows what to do with it."""
    if apprise.Apprise().add(address):
        return ""
    return (
        "Apprise does not take this address; see its documentation of the service, and encode "
        "characters such as @ or / in names and passwords (%40, %2F)"
    )


def send(address: str, title: str, body: str) -> str:
    """Send; empty when it was taken, else why not, without secrets."""
    wrong = fault(address)
    if wrong:
        return wrong
    heard = _Heard(logging.WARNING)
    log = logging.getLogger("apprise")
    log.addHandler(heard)
    log.propagate = False
    way = apprise.Apprise()
    way.add(address)
    try:
        well = way.notify(title=title, body=body, body_format=apprise.NotifyFormat.TEXT)
    finally:
        log.removeHandler(heard)
    if well:
        return ""
    return masked(" ".join(heard.lines) or "the service did not take it", address)


class _Heard(logging.Handler):
    """What Apprise says of a failure."""

    def __init__(self, level: int) -> None:
        super().__init__(level)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(" ".join(record.getMessage().split())[:300])


def masked(text: str, address: str) -> str:
    """The text without what the address holds beside the host."""
    parts = urlsplit(address)
    user = parts.netloc.rpartition("@")[0].partition(":")
    values = (pair.rpartition("=")[2] for pair in parts.query.split("&"))
    secrets = {address, *user, *parts.path.split("/"), *values}
    for secret in sorted(secrets | {unquote(one) for one in secrets}, key=len, reverse=True):
        if len(secret) >= SHORTEST_SECRET:
            text = text.replace(secret, _MASK)
    return text


def main() -> None:
    """See the file's first line."""
    asked = json.load(sys.stdin)
    problem = send(**asked) if "title" in asked else fault(asked["address"])
    sys.stdout.write(json.dumps({"problem": problem}))


if __name__ == "__main__":
    main()
