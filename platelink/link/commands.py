"""What goes to the device: one command at a time per lane, resent with its sequence number. Pure.

Four lanes, so that switching off never waits behind anything: ``off`` (Close, lamp off), ``aim``
(Rearm, of which only the newest counts), ``normal`` (everything else, in the order given) and
``log`` (the session's own GetLog).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from platelink.link.framing import encode
from platelink.link.losses import Losses
from platelink.link.messages import (
    CODES,
    Close,
    Command,
    Open,
    Output,
    Rearm,
    Reply,
    ReplyCode,
    SetOutput,
)
from platelink.link.outputs import LinkSettings

MAX_UNSENT = 4096
"""Bytes kept for a port that does not take them: a third of a second at 115200 baud."""
OWN = 0
"""Ref of the session's own commands; those of its owner count from 1."""


@dataclass(slots=True)
class Waiting:
    """A command that has no reply yet. ``wire`` is empty until it is first sent."""

    ref: int
    command: Command
    seq: int = -1
    wire: bytes = b""
    tries: int = 0
    due: float = 0.0


def _is_off(command: Command) -> bool:
    if isinstance(command, SetOutput):
        return command.output == Output.LAMP and command.on == 0
    return isinstance(command, Close)


def reply_code(reply: Reply) -> ReplyCode:
    """A code this host does not know counts as BAD_VALUE: the command was not carried out."""
    try:
        return ReplyCode(reply.code)
    except ValueError:
        return ReplyCode.BAD_VALUE


class CommandQueue:
    """Lanes of waiting commands; only the first of each lane is on its way."""

    def __init__(self) -> None:
        self._off: deque[Waiting] = deque()
        self._aim: deque[Waiting] = deque()
        self._normal: deque[Waiting] = deque()
        self._log: deque[Waiting] = deque()
        self._lanes = (self._off, self._aim, self._normal, self._log)

    @property
    def log_under_way(self) -> bool:
        return bool(self._log)

    def add(self, waiting: Waiting) -> list[Waiting]:
        """Queue a command. A switching-off takes back every Open that was asked for before it, a
        Rearm the one before it: a stale target must not be sent again after a newer one. Those
        taken back are returned."""
        overtaken: list[Waiting] = []
        if waiting.ref == OWN:
            self._log.append(waiting)
        elif _is_off(waiting.command):
            overtaken = [w for w in self._normal if isinstance(w.command, Open)]
            for gone in overtaken:
                self._normal.remove(gone)
            self._off.append(waiting)
        elif isinstance(waiting.command, Rearm):
            overtaken = list(self._aim)
            self._aim.clear()
            self._aim.append(waiting)
        else:
            self._normal.append(waiting)
        return overtaken

    def due(self, now: float) -> list[Waiting]:
        """First commands of the lanes that are to be sent, or sent again, now."""
        return [
            lane[0] for lane in self._lanes if lane and (not lane[0].wire or lane[0].due <= now)
        ]

    def deadline(self) -> float | None:
        """When the next command on its way is due again."""
        due = None
        for lane in self._lanes:
            if lane and lane[0].wire and (due is None or lane[0].due < due):
                due = lane[0].due
        return due

    def answered(self, reply: Reply) -> Waiting | None:
        """Take out the command this is the reply to."""
        for lane in self._lanes:
            if lane and lane[0].seq == reply.seq and CODES[type(lane[0].command)] == reply.type:
                return lane.popleft()
        return None

    def give_up(self, waiting: Waiting) -> None:
        """Take out the first command of a lane."""
        for lane in self._lanes:
            if lane and lane[0] is waiting:
                lane.popleft()

    def drop_all(self) -> list[Waiting]:
        """Take out every command, in the order they were given."""
        dropped = sorted((w for lane in self._lanes for w in lane), key=lambda w: w.ref)
        for lane in self._lanes:
            lane.clear()
        return dropped


class Sender:
    """Numbers the frames, collects their bytes, and sends each command until it is answered."""

    def __init__(self, settings: LinkSettings, losses: Losses) -> None:
        self.queue = CommandQueue()
        self._settings, self._losses = settings, losses
        self._seq = 0
        self._unsent = bytearray()

    def take(self) -> bytes:
        """Bytes for the port since the last call."""
        data = bytes(self._unsent)
        self._unsent.clear()
        return data

    def clear(self) -> None:
        """Forget what was not taken."""
        self._unsent.clear()

    def say(self, message: Command) -> None:
        """Send once, whatever becomes of it."""
        self.write(encode(message, self._next_seq()))

    def write(self, wire: bytes) -> None:
        """Whole frames or delimiters; dropped when nobody takes them."""
        if len(self._unsent) + len(wire) <= MAX_UNSENT:
            self._unsent += wire

    def send_due(self, now: float) -> list[Waiting]:
        """Send, or send again, what is due; returns the commands given up."""
        given_up: list[Waiting] = []
        while due := self.queue.due(now):
            for waiting in due:
                if waiting.tries >= self._settings.tries:
                    self.queue.give_up(waiting)
                    given_up.append(waiting)
                else:
                    self._send(waiting, now)
        return given_up

    def _send(self, waiting: Waiting, now: float) -> None:
        if waiting.wire:
            self._losses.resent += 1
        else:
            waiting.seq = self._next_seq()
            waiting.wire = encode(waiting.command, waiting.seq)
        waiting.tries += 1
        waiting.due = now + self._settings.retry_s
        self.write(waiting.wire)

    def _next_seq(self) -> int:
        seq, self._seq = self._seq, (self._seq + 1) & 0xFFFF
        return seq
