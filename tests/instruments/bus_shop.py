"""A shop whose vacuum and oven are told by instruments on a bus, in simulated time. All invented.

The bus asks by the daemon's own rounds; what it hears is the plant's truth with the instrument's
noise and steps, and what a test breaks.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random

from daemon.daemon_shop import Daemon, config_for
from daemon.test_plates_crash import Shop

from platelink.config.load import loads
from platelink.config.model import Config
from platelink.config.show import show
from platelink.daemon.clock import Clock
from platelink.daemon.polling import Rounds
from platelink.sensing.beside import Reply, Unanswered
from platelink.sensing.calibration import Quantity
from platelink.sensing.registers import BusInstrument
from platelink.simulated.virtual import Bench
from platesim.unit import UnitParameters

AIR_KPA = 101.325
BUS = """
[modbus]
port = "/dev/simulated-bus"
[[modbus.instrument]]
name = "gauge-1"
slave = 5
measures = "vacuum"
first_register = 10
scale = 0.01
unit = "kPa"
low = -102
high = 10
[[modbus.instrument]]
name = "oven-1"
slave = 7
measures = "oven"
function = "input"
first_register = 0
scale = 0.1
unit = "degC"
low = 0
high = 200
"""


def on_bus(directory: Path, parameters: UnitParameters, bus: str = BUS) -> Config:
    """The configuration of a simulated unit, its gauge and its oven's sensor on a bus."""
    text = show(config_for(directory, parameters=parameters))
    for section in ("vacuum", "oven"):
        text = re.sub(rf"\n\[{section}\]\n(?:[^\[\n].*\n)*", "\n", text)
    return loads(text + bus)


@dataclass
class SimulatedBus:
    """Tells what the bench's plant does. Faults by an instrument's name."""

    bench: Bench
    seed: int = 1
    noise_kpa: float = 0.05
    noise_c: float = 0.05
    answer_s: float = 0.03
    faults: dict[str, Unanswered] = field(default_factory=dict)
    stuck: dict[str, tuple[int, ...]] = field(default_factory=dict)
    last: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._random = Random(self.seed)

    def read(self, one: BusInstrument) -> Reply:
        """As ``Bus.read``."""
        if one.name in self.faults:
            return Reply(one.name, 0.0, why=self.faults[one.name])
        self.bench.catch_up()
        registers = self.stuck.get(one.name) or self._registers(one)
        self.last[one.name] = registers
        return Reply(one.name, 0.0, registers)

    def _registers(self, one: BusInstrument) -> tuple[int, ...]:
        plant = self.bench.unit.plant
        if one.quantity is Quantity.VACUUM:
            value = plant.pressure_kpa_abs() - AIR_KPA + self._random.gauss(0.0, self.noise_kpa)
        else:
            value = plant.oven.temperature_c + self._random.gauss(0.0, self.noise_c)
        return (round((value - one.offset) / one.scale) & 0xFFFF,)


class LoopPolling:
    """``Instruments`` in the loop's own time: the thread's rounds, and its stamps."""

    def __init__(self, bus: SimulatedBus, config: Config, clock: Clock) -> None:
        assert config.modbus is not None
        self._bus, self._clock = bus, clock
        self._rounds = Rounds(config.modbus.instruments())
        self._waits_s = config.modbus.timeout_s
        self._going = True

    def begin(self, give: Callable[[Reply], None]) -> None:
        self._give = give
        self._next()

    def stop(self) -> None:
        self._going = False

    def _next(self) -> None:
        if not self._going:
            return
        at = self._clock.now()
        one = self._rounds.turn(now=at)
        loop = asyncio.get_running_loop()
        if one is None:
            loop.call_later(self._rounds.wait_s(now=at) + 1e-6, self._next)
            return
        reply = self._bus.read(one)
        took_s = self._waits_s if reply.why is not None else self._bus.answer_s
        loop.call_later(took_s, self._answered, at, reply)

    def _answered(self, at: float, reply: Reply) -> None:
        if not self._going:
            return
        now = self._clock.now()
        at = self._rounds.asked(reply.name, answered=reply.why is None, at=at, now=now)
        self._give(replace(reply, age_s=round(now - at, 3)))
        self._next()


class BusShop(Shop):
    """A shop with instruments on a bus."""

    def __init__(self, directory: Path, parameters: UnitParameters | None = None) -> None:
        super().__init__(directory)
        if parameters is not None:
            self.bench = type(self.bench)(parameters)
        self.config = on_bus(directory, self.bench.unit.parameters)
        self.bus = SimulatedBus(self.bench)

    async def begin(self, *, set_ms: int = 0) -> None:
        self._daemon = Daemon(
            self.config, self.bench,
            instruments=lambda clock: LoopPolling(self.bus, self.config, clock),
        )  # fmt: skip
        self._daemon.clock.set_ms = set_ms
        await self._daemon.__aenter__()
