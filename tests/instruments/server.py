"""Instruments as a process: pymodbus's own server on a serial device. Every figure is invented.

``python server.py DEVICE`` says "ready" once it listens. Address 5 is a gauge, 7 an oven's
controller.
"""

from __future__ import annotations

import asyncio
import sys

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

GAUGE_RAW, OVEN_RAW, FLOAT_KPA = -7240, 705, -72.5
INT_AT, FLOAT_AT, NAN_AT, BROKEN_AT, REFUSES_AT = 10, 20, 30, 40, 100
"""The last: so many and the code of the exception that it answers."""


async def refuses(
    _function: int, _start: int, address: int, _count: int, _now: list[int], _values: object
) -> ExcCodes | None:
    code = address - REFUSES_AT
    return ExcCodes(code) if code in (1, 3, 4, 6) else None


async def serve(device: str) -> None:
    gauge = [
        SimData(INT_AT, values=GAUGE_RAW, datatype=DataType.INT16),
        SimData(FLOAT_AT, values=FLOAT_KPA, datatype=DataType.FLOAT32),
        SimData(NAN_AT, values=float("nan"), datatype=DataType.FLOAT32),
        SimData(BROKEN_AT, values=0x7FFF, datatype=DataType.INT16),
        SimData(REFUSES_AT, count=10, values=0, datatype=DataType.INT16),
    ]
    oven = SimData(0, values=OVEN_RAW, datatype=DataType.INT16)
    server = ModbusSerialServer(
        [SimDevice(5, gauge, action=refuses), SimDevice(7, oven)],
        port=device, baudrate=115200, ignore_missing_devices=True,
    )  # fmt: skip
    await server.serve_forever(background=True)
    print("ready", flush=True)
    await server.serving


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1]))
