"""Events and codes of the device in words. Data only."""

from __future__ import annotations

from enum import IntEnum

from platelink.link import messages as m

EVENT_WORDS: dict[int, str] = {
    m.EventCode.BOOT: "device started",
    m.EventCode.INTERLOCK_OPENED: "interlock opened",
    m.EventCode.INTERLOCK_CLOSED: "interlock closed",
    m.EventCode.STOP_PRESSED: "stop pressed",
    m.EventCode.STOP_RELEASED: "stop released",
    m.EventCode.HOST_SILENT: "device heard no host",
    m.EventCode.HOST_BACK: "device hears the host again",
    m.EventCode.OUTPUT_EXPIRED: "output expired",
    m.EventCode.LATCH_RESET: "latch reset",
    m.EventCode.ORDER_ARMED: "order armed",
    m.EventCode.LAMP_OPENED: "lamp opened",
    m.EventCode.LAMP_CLOSED: "lamp closed",
}
ARGUMENTS: dict[int, type[IntEnum]] = {
    m.EventCode.BOOT: m.ResetCause,
    m.EventCode.LAMP_CLOSED: m.CloseReason,
    m.EventCode.OUTPUT_EXPIRED: m.Output,
}


def in_words(kind: type[IntEnum], code: int) -> str:
    """A code of the device for people; one that this host does not know is no fault."""
    try:
        return kind(code).name.lower().replace("_", " ")
    except ValueError:
        return f"{code} (not known here)"
