"""What the broker does not take of the shop: for want of a right, or only for now."""

from __future__ import annotations

import pytest

from platelink.distribution import broker
from platelink.distribution.broker import NoRightError, send
from platelink.publish.broker import (
    NOT_AUTHORIZED,
    QUOTA_EXCEEDED,
    SERVER_UNAVAILABLE,
    Acknowledged,
    BrokerError,
    BrokerSettings,
    Connected,
    LinkEvent,
)


class Answers:
    """A broker's link that answers what is published with this code."""

    def __init__(self, code: int) -> None:
        self.code = code
        self.events: list[LinkEvent] = [Connected(False, 20)]

    def connect(self) -> None:
        pass

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        self.events.append(Acknowledged(1, self.code, "said so"))
        return 1

    def poll(self, timeout_s: float) -> list[LinkEvent]:
        found, self.events = self.events, []
        return found

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("code", "lacks_right", "words"),
    [
        (NOT_AUTHORIZED, True, "user shop may not write it"),
        (SERVER_UNAVAILABLE, False, "see that most nodes of the cluster run, then send again"),
        (QUOTA_EXCEEDED, False, "make room at the broker, then send again"),
    ],
)
def test_only_a_right_that_is_missing_is_told_as_one(
    monkeypatch: pytest.MonkeyPatch, code: int, lacks_right: bool, words: str
) -> None:
    monkeypatch.setattr(broker, "link_to", lambda *_, **__: Answers(code))
    with pytest.raises(BrokerError, match=words) as told:
        send(BrokerSettings("broker.example", 1883, "shop", "x"), "a/b", b"text")
    assert isinstance(told.value, NoRightError) == lacks_right
