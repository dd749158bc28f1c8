"""Scenarios, orders, and the unit as a real serial device."""

from __future__ import annotations

import os
import select
import time
import tty
from pathlib import Path

import pytest
from test_sim_unit import frame, messages

from platelink.link.messages import GetHello, Hello, Sample
from platesim.orders import obey
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS, build
from platesim.trace import TraceUnavailable
from platesim.unit import SimulatedUnit


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_every_scenario_runs(name: str) -> None:
    try:
        unit = build(name, seed=1)
    except TraceUnavailable as missing:
        pytest.skip(str(missing))
    unit.advance(2.0)
    assert any(isinstance(m, Sample) for m in messages(unit.read()))


def test_orders_strike_end_and_answer() -> None:
    unit = SimulatedUnit(seed=1)
    assert obey(unit, '{"fault": "interlock"}') == {"ok": True}
    assert not unit.interlock_closed
    assert obey(unit, '{"end": "interlock"}') == {"ok": True}
    assert unit.interlock_closed
    assert obey(unit, '{"fault": "leak", "conductance_l_s": 0.1, "at_s": 1.0, "for_s": 2.0}')["ok"]
    unit.advance(1.5)
    assert len(unit.plant.frame.leaks) == 2
    unit.advance(2.0)
    assert len(unit.plant.frame.leaks) == 1
    truth = obey(unit, '{"do": "truth"}')
    assert truth["time_s"] == pytest.approx(3.5)
    assert truth["dose_mj_cm2"] == 0.0


@pytest.mark.parametrize(
    "line",
    ["", "7", "[]", "{}", '{"do": "dance"}', '{"fault": "leak"}', '{"fault": "tube", "tube": 99}',
     '{"do": "own_timer", "seconds": 3}', '{"fault": "stuck", "row": 1}'],
)  # fmt: skip
def test_orders_that_cannot_be_done_answer_an_error(line: str) -> None:
    assert "error" in obey(SimulatedUnit(seed=1), line)


def heard(fd: int, kind: type, seconds: float = 10.0) -> object:
    """The first message of a kind from the device."""
    data, end = b"", time.monotonic() + seconds
    while time.monotonic() < end:
        if select.select([fd], [], [], 0.1)[0]:
            data += os.read(fd, 4096)
            for message in messages(data):
                if isinstance(message, kind):
                    return message
    raise AssertionError(f"no {kind.__name__} in {seconds} s, {len(data)} bytes")


def lost(fd: int, seconds: float = 10.0) -> bool:
    """Whether the device goes away: end of file or EIO."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if select.select([fd], [], [], 0.1)[0]:
            try:
                if not os.read(fd, 4096):
                    return True
            except OSError:
                return True
    return False


def opened(path: str) -> int:
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    return fd


@pytest.mark.system
def test_pty_unit_serves_clients_that_come_and_go(tmp_path: Path) -> None:
    with PtyProcess(speed=10.0, link=tmp_path / "unit") as unit:
        first = opened(unit.path)
        os.write(first, frame(GetHello(1), 1))
        hello = heard(first, Hello)
        earlier = heard(first, Sample)
        os.close(first)
        again = opened(unit.path)
        later = heard(again, Sample)
        assert isinstance(earlier, Sample)
        assert isinstance(later, Sample)
        assert later.tick > earlier.tick
        unit.order(fault="unplug", for_s=1.0)  # a tenth of a second at this speed
        assert lost(again)
        os.close(again)
        end = time.monotonic() + 10.0
        while not Path(unit.path).exists():
            assert time.monotonic() < end
            time.sleep(0.01)
        replugged = opened(unit.path)
        os.write(replugged, frame(GetHello(1), 2))
        assert heard(replugged, Hello)._replace(tick=0) == hello._replace(tick=0)  # type: ignore[attr-defined]
        os.close(replugged)
        truth = unit.truth()
        assert truth["dose_mj_cm2"] == 0.0
        with pytest.raises(ValueError, match="KeyError"):
            unit.order(fault="earthquake")
    assert not (tmp_path / "unit").is_symlink()
