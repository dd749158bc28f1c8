"""A bus of instruments by Modbus RTU, read and never written. The only import of pymodbus, an
optional extra.

Whatever goes wrong is a reply that says so: nothing is raised.
"""

from __future__ import annotations

import logging
import termios
from dataclasses import dataclass
from typing import TYPE_CHECKING

from platelink.extras import installing
from platelink.link.port import why_closed
from platelink.sensing.beside import Reply, Unanswered
from platelink.sensing.registers import BusInstrument, size

if TYPE_CHECKING:
    from pymodbus.client import ModbusSerialClient
    from pymodbus.pdu import ModbusPDU

NOT_INSTALLED = f"the extra 'modbus' is not installed; {installing('modbus')}"
READ_HOLDING, READ_INPUT = 3, 4
_FUNCTION = 1
"""Place of the function's code in a frame."""


class WriteRefused(RuntimeError):  # noqa: N818 -- says what is wrong
    """A frame that would do more than read was about to be sent."""


@dataclass(frozen=True, slots=True)
class BusSettings:
    """As the instruments on it are set."""

    port: str
    baud: int
    parity: str
    """"even", "odd", "none"."""
    stop_bits: int
    timeout_s: float


class Bus:
    """One at a time, from one thread. ``read`` takes at most twice the time-out."""

    def __init__(self, settings: BusSettings) -> None:
        self._settings = settings
        self._client: ModbusSerialClient | None = None
        self._heard = b""

    def read(self, one: BusInstrument) -> Reply:
        """Ask an instrument for its number; its age is not known here."""
        try:
            from pymodbus.exceptions import (  # noqa: PLC0415 -- an optional extra
                ConnectionException,
                ModbusIOException,
            )
        except ImportError:
            return Reply(one.name, 0.0, why=Unanswered.PORT, text=NOT_INSTALLED)
        client = self._client = self._client or self._made()
        self._heard = b""
        if not client.connect():
            return self._no_port(one)
        ask = client.read_holding_registers if one.holding else client.read_input_registers
        try:
            answer = ask(one.register, count=size(one.form), device_id=one.slave)
        except ModbusIOException:
            return self._unanswered(one)
        except (ConnectionException, OSError, termios.error):
            client.close()  # type: ignore[no-untyped-call]
            return self._no_port(one)
        return self._answered(one, answer)

    def _answered(self, one: BusInstrument, answer: ModbusPDU) -> Reply:
        """A whole frame came, with a good check."""
        if answer.isError():
            return Reply(
                one.name, 0.0, why=Unanswered.REFUSED, code=getattr(answer, "exception_code", 0)
            )
        asked = READ_HOLDING if one.holding else READ_INPUT
        if answer.function_code != asked or len(answer.registers) != size(one.form):
            return Reply(one.name, 0.0, why=Unanswered.DAMAGED, code=len(self._heard))
        return Reply(one.name, 0.0, tuple(answer.registers))

    def close(self) -> None:
        """Give the port back."""
        if self._client is not None:
            self._client.close()  # type: ignore[no-untyped-call]
            self._client = None

    def _made(self) -> ModbusSerialClient:
        from pymodbus.client import ModbusSerialClient  # noqa: PLC0415 -- an optional extra

        # what it logs of each lost answer, a reply says
        logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
        settings = self._settings
        return ModbusSerialClient(
            settings.port,
            baudrate=settings.baud,
            parity=self._parity,
            stopbits=settings.stop_bits,
            timeout=settings.timeout_s,
            retries=0,
            trace_packet=self._trace,
        )

    def _trace(self, sending: bool, data: bytes) -> bytes:
        """Keeps what comes; lets nothing out but what reads."""
        if not sending:
            self._heard = data
        elif data[_FUNCTION] not in (READ_HOLDING, READ_INPUT):
            raise WriteRefused(f"function {data[_FUNCTION]} is not for reading registers")
        return data

    def _unanswered(self, one: BusInstrument) -> Reply:
        """Nothing came, or nothing that is the answer."""
        from pymodbus.framer import FramerRTU  # noqa: PLC0415 -- an optional extra
        from pymodbus.pdu import DecodePDU  # noqa: PLC0415 -- an optional extra

        heard = self._heard
        if not heard:
            return Reply(one.name, 0.0, why=Unanswered.SILENT)
        _, slave, _, whole = FramerRTU(DecodePDU(False)).decode(heard)
        if whole and slave != one.slave:
            return Reply(one.name, 0.0, why=Unanswered.ANOTHER, code=slave)
        return Reply(one.name, 0.0, why=Unanswered.DAMAGED, code=len(heard))

    def _no_port(self, one: BusInstrument) -> Reply:
        to, parity = self._settings, self._parity
        text = why_closed(
            to.port, to.baud, parity=parity, stop_bits=to.stop_bits, section="[modbus]"
        )
        return Reply(one.name, 0.0, why=Unanswered.PORT, text=text)

    @property
    def _parity(self) -> str:
        return self._settings.parity[0].upper()
