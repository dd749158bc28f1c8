"""The doctor on a bus of instruments: what is read, and the daemon's word where one runs."""

from __future__ import annotations

import pytest
from cli.cli_runs import MINIMAL
from instruments import server
from instruments.bus_shop import BUS
from instruments.line import Line
from instruments.test_modbus import ANSWER, framed
from whole_documents import STATUS

from platelink.config.load import loads
from platelink.config.model import Config
from platelink.contract.unit import Status
from platelink.doctor.findings import Finding
from platelink.doctor.instruments import look_at_instruments
from platelink.sensing.beside import Reply
from platelink.sensing.registers import BusInstrument

OVEN_ANSWER = framed(7, bytes((4, 2)) + server.OVEN_RAW.to_bytes(2, "big"))


def config_at(path: str, timeout_s: float = 2.0) -> Config:
    bus = BUS.replace("/dev/simulated-bus", path).replace(
        "[modbus]\n", f'[modbus]\ntimeout_s = {timeout_s}\nbaud = 115200\nparity = "none"\n'
    )
    return loads(MINIMAL + bus.replace("low = ", "stale_after_s = 5\nlow = "))


def found(config: Config, status: Status | None = None) -> dict[str, Finding]:
    return {one.subject: one for one in look_at_instruments(config, status)}


def test_each_is_read_once_and_told_with_what_it_said() -> None:
    with Line() as line:
        line.answer = lambda request: ANSWER if request[0] == 5 else OVEN_ANSWER
        told = found(config_at(line.host))
    gauge, oven = told["gauge-1"], told["oven-1"]
    assert gauge.health in ("ok", "notice")  # a busy computer may take longer than poll_s
    assert gauge.measured.startswith(
        "address 5 tells -7240, that is -72.4 kPa: vacuum 72.4 kPa; it answered in "
    )
    assert oven.measured.startswith("address 7 tells 705, that is 70.5 °C: oven 70.5 °C; ")


def test_one_that_says_nothing_and_one_that_says_what_cannot_be() -> None:
    broken = framed(7, bytes((4, 2, 0x7F, 0xFF)))
    with Line() as line:
        line.answer = lambda request: b"" if request[0] == 5 else broken
        told = found(config_at(line.host))
    gauge, oven = told["gauge-1"], told["oven-1"]
    assert (gauge.health, oven.health) == ("wrong", "wrong")
    assert gauge.measured == "gauge-1 does not answer at address 5"
    assert gauge.advice.startswith("check its power, the two wires")
    assert oven.measured == "oven-1 tells 32767, which stands for no value"
    assert oven.advice == "check its sensor and wire"


def test_one_whose_answer_holds_too_few_registers_is_told_and_the_next_is_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Short:
        def read(self, one: BusInstrument) -> Reply:
            return Reply(one.name, 0.0, () if one.slave == 5 else (server.OVEN_RAW,))

        def close(self) -> None:
            pass

    monkeypatch.setattr("platelink.doctor.instruments.bus_of", lambda settings: Short())
    told = found(config_at("/dev/not-opened"))
    assert told["gauge-1"].health == "wrong" and "is damaged" in told["gauge-1"].measured
    assert told["oven-1"].measured.startswith("address 7 tells 705")


def test_the_daemon_has_the_bus_and_tells() -> None:
    one = {"name": "gauge-1", "measures": "vacuum", "age_s": 0.1, "every_s": 0.2}
    good = one | {"lost": False, "problem": ""}
    slow = one | {"lost": False, "problem": "it is slow; raise poll_s"}
    lost = one | {"lost": True, "problem": "it is gone; look for it"}
    new = one | {"lost": False, "problem": "", "age_s": None}
    config = config_at("/dev/not-opened")
    for told, health, words in (
        (good, "ok", "measures vacuum every 0.20 s"),
        (slow, "notice", "it is slow"),
        (lost, "wrong", "it is gone"),
        (new, "notice", "it has not answered yet"),
    ):
        status = Status.model_validate(STATUS | {"instruments": [told]})
        finding = found(config, status)["gauge-1"]
        assert (finding.health, finding.measured) == (health, words)
    assert found(loads(MINIMAL)) == {}
