"""The firmware's AVR board on a simulated chip, stepped tick by tick: same calls as ``HostBoard``.

The chip runs in a process of its own (``firmware-sim/runner``). Bytes take their time on the line
at 115,200 baud, both ways: what is given to ``receive`` reaches the device during the steps that
follow, and its answer takes some more ticks.
"""

from __future__ import annotations

import socket
import struct
import subprocess
import weakref
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from platelink.link.messages import Capability, ResetCause
from platesim.avrbuild import Firmware, build, build_runner
from platesim.board import (
    ALL_CAPABILITIES,
    ANALOG_CHANNELS,
    INPUTS_SAFE,
    BoardError,
    LightLimits,
)

CHIP_HZ: Final = 16_000_000
TICK_CYCLES: Final = 16_000
VECTOR_WDT, VECTOR_TIMER, VECTOR_RX, VECTOR_UDRE, VECTOR_ADC = 6, 11, 18, 19, 21
ADC_MAX: Final = 1023
_FULL_SCALE: Final = 50_000  # 5 V in steps of 0.1 mV
_PINS: Final = (0, 4, 5, 6, 1, 2, 3, 7)  # column of the block at ADC0..6; then the bandgap
# The least voltage that reads as so many counts.
_LEVELS: Final = np.array([-(-k * _FULL_SCALE // ADC_MAX) for k in range(ADC_MAX + 1)], np.uint16)
_MOST_ROWS: Final = 5000
_PAINT: Final = 0xC5
_RAM_END: Final = 0x8FF
_CAUSES: Final = {ResetCause.POWER_ON: 0, ResetCause.EXTERNAL: 1, ResetCause.BROWN_OUT: 2}
_GO_ON: Final = 255
_STATE = struct.Struct("<IBBIQH")
_CHANGE = struct.Struct("<QQB")
_HEAD = struct.Struct("<BI")


class RunnerError(BoardError):
    """The runner refused a request or ended."""


class PinChange(NamedTuple):
    """An output changed."""

    cycle: int
    converted: int
    """Cycle at which the last conversion before it was complete."""
    outputs: int


class Vector(NamedTuple):
    """What an interrupt did since the last look."""

    calls: int
    longest: int
    """Cycles from its vector to its return."""
    latest: int
    """Cycles from its raising to its vector."""


def _end(peer: socket.socket, process: subprocess.Popen[bytes]) -> None:
    peer.close()
    try:
        process.wait(timeout=5.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


class AvrBoard:
    """One simulated device. The caller is its clock, its converters and its serial line.

    ``outputs`` is the mask of the output pins after the last call; ``cycle`` the chip's clock;
    ``changes`` collects the changes of the outputs, ``resets`` those the chip did by itself.
    """

    def __init__(
        self,
        *,
        light_channels: int = 1,
        adc_bits: int = 10,
        boot_id: int = 1,
        reset_cause: ResetCause = ResetCause.POWER_ON,
        capabilities: Capability = ALL_CAPABILITIES,
        start_tick: int = 0,
        limits: LightLimits | None = None,
    ) -> None:
        """Switch on; Hello and the BOOT event come with the first steps. The first tick is
        ``start_tick + 1``. Raises ``ToolMissing`` where the tools are not installed."""
        if adc_bits != 10:
            raise ValueError(f"adc_bits is {adc_bits}, this chip converts to 10")
        self.firmware: Firmware = build(
            light_channels=light_channels, capabilities=capabilities, limits=limits
        )
        runner = build_runner()
        self._peer, theirs = socket.socketpair()
        with theirs:
            process = subprocess.Popen(  # noqa: S603
                [runner, self.firmware.image, "--fd", str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
            )
        self._end = weakref.finalize(self, _end, self._peer, process)
        self.outputs = 0
        self.cycle = 0
        self.resets = 0
        self.changes: list[PinChange] = []
        self.waiting = 0
        """Bytes given to ``receive`` that are still on their way to the device."""
        self._to_chip = bytearray()
        self._from_chip = bytearray()
        self._inputs = INPUTS_SAFE
        self._row = np.zeros((1, ANALOG_CHANNELS), np.uint16)
        cold = struct.pack("<II", boot_id, boot_id ^ 0xFFFFFFFF)
        self.write_eeprom(self.address("pl_avr_next_cold"), cold)
        first = ResetCause.POWER_ON if reset_cause is ResetCause.WATCHDOG else reset_cause
        self._start(first, start_tick & 0xFFFFFFFF)
        if reset_cause is ResetCause.WATCHDOG:
            self.reset(reset_cause)

    # --- as HostBoard ------------------------------------------------------------------------

    def step(self, analog: NDArray[np.uint16], inputs: int, *, to_frame: bool = False) -> int:
        """Run up to ``len(analog)`` ticks; returns the ticks done (at least 1).

        ``analog`` is a C-contiguous uint16 array [n, 8] of 0..1023, a row for each tick; ``inputs``
        the raw ``Input`` bits during all of them. Returns right after the tick in which an output
        changed or the device was reset by itself. While the firmware takes no samples (start,
        interrupts stuck) a tick is a millisecond. With ``to_frame`` it ends also after the tick in
        which a frame has left.
        """
        if (
            analog.dtype != np.uint16
            or analog.ndim != 2
            or analog.shape[1] != ANALOG_CHANNELS
            or not analog.flags.c_contiguous
            or not len(analog)
        ):
            raise ValueError(
                f"analog must be C-contiguous uint16 [1.., {ANALOG_CHANNELS}], "
                f"got {analog.dtype} {analog.shape}"
            )
        self._inputs = inputs
        done = 0
        while done < len(analog):
            rows = analog[done : done + _MOST_ROWS]
            changes, resets = len(self.changes), self.resets
            taken = self._step(rows, b"F" if to_frame else b"S")
            done += taken
            if taken < len(rows) or len(self.changes) != changes or self.resets != resets:
                break
        self._row[0] = analog[done - 1]
        return done

    def run(self, analog: NDArray[np.uint16], first: int, most: int, inputs: int) -> int:
        """As ``step`` with at most ``most`` rows from ``first`` on; ends also after the tick in
        which a frame has left: a half one tells nothing."""
        return self.step(analog[first : first + most], inputs, to_frame=True)

    def receive(self, data: bytes) -> None:
        """Bytes from the host enter the line with the next step."""
        self._to_chip += data
        self.waiting += len(data)

    def transmit(self) -> bytes:
        """The bytes that have left the device since the last call."""
        data = bytes(self._from_chip)
        self._from_chip.clear()
        return data

    @property
    def tick(self) -> int:
        """The device's 32-bit tick counter."""
        return self._field("pl_at_tick")

    @property
    def boot_id(self) -> int:
        """Number of the device's present start."""
        return self._field("pl_at_boot_id")

    def reset(self, cause: ResetCause) -> None:
        """Start again; what was on its way to the device comes after. ``WATCHDOG`` hangs the main
        loop until the watchdog does it: some 80 ticks with the inputs of the last step."""
        if cause is not ResetCause.WATCHDOG:
            self._start(cause, 0)
            return
        resets = self.resets
        self.hang()
        for _ in range(1000):
            self._step(self._row)
            if self.resets != resets:
                self._power(_GO_ON, 0)
                return
        raise RunnerError("the main loop hung for 1000 ticks and no watchdog reset the device")

    def close(self) -> None:
        """End the runner; also happens when the board is dropped."""
        self._end()

    # --- what only this board has --------------------------------------------------------------

    def hang(self, *, interrupts: bool = False) -> None:
        """From now on no instruction of the main loop runs; with ``interrupts`` none at all. Ends
        with the next reset."""
        self._request(b"H", b"\2" if interrupts else b"\1")

    def go_on(self) -> None:
        """End a hang; the firmware goes on where it stood."""
        self._request(b"H", b"\0")

    def write_eeprom(self, address: int, data: bytes) -> None:
        """Overwrite bytes of the EEPROM; address as of the firmware's symbols."""
        self._request(b"E", struct.pack("<H", address) + data)

    def vectors(self) -> dict[int, Vector]:
        """What each interrupt did since the last call, by its vector number."""
        flat = struct.unpack("<78I", self._request(b"V", b""))
        found = {n: Vector(*flat[3 * n : 3 * n + 3]) for n in range(26)}
        return {n: vector for n, vector in found.items() if vector.calls}

    def memory(self, address: int, size: int) -> bytes:
        """Bytes of the chip's data space (registers, ports, RAM)."""
        return self._request(b"R", struct.pack("<HH", address, size))

    def poke(self, address: int, data: bytes) -> None:
        """Overwrite bytes of the data space."""
        self._request(b"W", struct.pack("<H", address) + data)

    def spoil_guard(self, guard_ticks: int) -> None:
        """As ``HostBoard.spoil_guard``."""
        at = self.address("pl_avr") + self.firmware.symbols["pl_at_guard"]
        self.poke(at, guard_ticks.to_bytes(4, "little"))

    def address(self, symbol: str) -> int:
        """Address in the data space of one of the firmware's variables."""
        return self.firmware.symbols[symbol] & 0xFFFF

    def stack_unused(self) -> int:
        """Bytes between variables and stack that were never written since the last start."""
        free = self.memory(*self._free)
        return len(free) - len(free.lstrip(bytes([_PAINT])))

    @property
    def stack_room(self) -> int:
        """Bytes between variables and the end of memory."""
        return self._free[1]

    # --- the runner ----------------------------------------------------------------------------

    @property
    def _free(self) -> tuple[int, int]:
        start = self.address("__heap_start")
        return start, _RAM_END + 1 - start

    def _field(self, offset: str) -> int:
        at = self.address("pl_avr") + self.firmware.symbols[offset]
        return int.from_bytes(self.memory(at, 4), "little")

    def _start(self, cause: ResetCause, tick: int) -> None:
        if cause not in _CAUSES:
            raise ValueError(f"cause is {cause!r}, this board can start by {[*_CAUSES]}")
        if tick == 0:
            self._power(_CAUSES[cause], 0)
            return
        # Its memory is blank after such a start; so the argument of that function is written over.
        self._power(_CAUSES[cause], self.firmware.symbols["pl_avr_begin"])
        config = int.from_bytes(self.memory(24, 2), "little")  # r24, r25: the first argument
        at = config + self.firmware.symbols["pl_at_config_tick"]
        self.poke(at, tick.to_bytes(4, "little"))
        self._power(_GO_ON, 0)

    def _power(self, cause: int, address: int) -> None:
        self._take(self._request(b"P", struct.pack("<BI", cause, address)))

    def _step(self, rows: NDArray[np.uint16], what: bytes = b"S") -> int:
        try:
            levels = _LEVELS[rows[:, _PINS]]
        except IndexError:
            raise ValueError(f"analog has {rows.max()} counts, the most is {ADC_MAX}") from None
        sent, self._to_chip = self._to_chip, bytearray()
        head = struct.pack("<BII", self._inputs, len(rows), len(sent))
        return self._take(self._request(what, head + sent + levels.tobytes()))

    def _take(self, state: bytes) -> int:
        done, self.outputs, resets, waiting, self.cycle, changes = _STATE.unpack_from(state)
        at = _STATE.size
        for _ in range(changes):
            self.changes.append(PinChange(*_CHANGE.unpack_from(state, at)))
            at += _CHANGE.size
        self.resets += resets
        self.waiting = waiting + len(self._to_chip)
        self._from_chip += state[at:]
        return int(done)

    def _request(self, what: bytes, payload: bytes) -> bytes:
        try:
            self._peer.sendall(_HEAD.pack(what[0], len(payload)) + payload)
            status, size = _HEAD.unpack(self._exactly(_HEAD.size))
            answer = self._exactly(size)
        except OSError as error:
            raise RunnerError(f"the runner of the AVR board is gone: {error}") from error
        if status:
            raise RunnerError(f"the runner of the AVR board says: {answer.decode()}")
        return answer

    def _exactly(self, size: int) -> bytes:
        data = self._peer.recv(size, socket.MSG_WAITALL)
        while len(data) < size:
            more = self._peer.recv(size - len(data), socket.MSG_WAITALL)
            if not more:
                raise ConnectionResetError("it closed the connection")
            data += more
        return data
