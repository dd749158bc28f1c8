"""A calibration from the command line, by lines of the input and by keys."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from cli_unit import CommandUnit, command_unit

from platelink.api.inprocess import InProcess
from platelink.cli import calibrating
from platelink.client import Client
from platelink.contract.calibrations import Counts, CountsNow
from platelink.units import PRESSURE, TEMPERATURE

SLOPE, DARK = 0.0149, 21.3
METER = (
    "--instrument", "hand meter (invented)", "--certificate", "EX-117", "--u", "7 %",
    "--instrument-due", "2026-12-01", "--resolution", "0.01 mW/cm2",
)  # fmt: skip
LINES = "dark\n4 mW/cm2\n7 mW/cm2\n# a remark\n\n9.5 mW/cm2\n12 mW/cm2\nfinish\n"


class Meter:
    """A device that counts, level by level, what a sensor would beside the reference."""

    def __init__(self, unit: CommandUnit, levels: list[float]) -> None:
        self.levels, self.unit, self.waits = levels, unit, 2

    def counts(self, sensor: str) -> CountsNow:
        self.waits -= 1
        settled = self.waits <= 0
        mean = DARK + self._at() / SLOPE
        counts = Counts(
            mean=mean, rms=0.6, u_mean=0.02, n=6000, low=int(mean) - 2, high=int(mean) + 3,
            head_c=None, supply_v=None,
        )  # fmt: skip
        return CountsNow(
            sensor=sensor, unit="mW/cm²", counts=counts, x=None, value=self._at(), drift=0.0,
            limit=1.0, waits_s=0.0, settled=settled, text="settled" if settled else "wait",
        )  # fmt: skip

    def _at(self) -> float:
        """The level that is set up now: 0 before the dark was read."""
        (made, *_) = [c for c in self.unit.calibrations if c.stage == "reading"] or [None]
        if made is None:
            return 0.0
        whole = self.unit.calibration(made.name)
        done = len(whole.level) + (whole.dark is not None)
        return [0.0, *self.levels][min(done, len(self.levels))]


@contextmanager
def calibrating_unit(
    directory: Path, monkeypatch: pytest.MonkeyPatch, levels: list[float]
) -> Iterator[CommandUnit]:
    monkeypatch.setattr(calibrating, "PAUSE_S", 0.0)
    with command_unit(directory, monkeypatch) as unit:
        played = Meter(Reader(unit), levels)
        monkeypatch.setattr(unit.daemon, "counts", played.counts)
        yield unit


class Reader:
    """What the store holds, as the played device sees it."""

    def __init__(self, unit: CommandUnit) -> None:
        self.unit = unit

    @property
    def path(self) -> Path:
        return self.unit.shop.settings.calibrations

    @property
    def calibrations(self) -> list[Any]:
        from platelink.calibrations.store import CalibrationStore

        if not self.path.exists():
            return []
        with CalibrationStore.open(self.path, read_only=True) as store:
            return [made for sensor in store.sensors() for made in store.of(sensor)]

    def calibration(self, name: str) -> Any:
        from platelink.calibrations.store import CalibrationStore

        with CalibrationStore.open(self.path, read_only=True) as store:
            made = store.find(name)
            return type("Whole", (), {"level": made.levels, "dark": made.dark})


LEVELS = [4.0, 7.0, 9.5, 12.0]


def test_from_the_dark_to_what_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with calibrating_unit(tmp_path, monkeypatch, LEVELS) as unit:
        assert "none yet" in unit.said("calibrate", "list")
        said = unit.said("calibrate", "light", *METER, input=LINES)
        assert "UV light injures eyes" in said and "electrician" in said
        assert "dark: 21.30 counts" in said
        assert "level 4: 12 mW/cm² at 826.67 counts (rms 0.60)" in said
        assert "light 0@1: 0.0149 mW/cm² per count" in said
        assert "U (k = 2) 0.84 mW/cm² (7.0%) at 12" in said
        assert "platelink calibrate approve 'light 0@1' --why REASON" in said
        assert "approved" in unit.said("calibrate", "approve", "light 0@1", "--why", "as the meter")
        (row,) = unit.told("calibrate", "list")["calibrations"]
        assert row["in_force"] and row["reference"]["certificate"] == "EX-117"
        listed = unit.said("calibrate", "list")
        assert "in force" in listed and "7.0%" in listed and "EX-117" in listed
        shown = unit.said("calibrate", "show", "light 0@1")
        assert "EX-117, good until 2026-12-01" in shown and "7 % (k = 2.0)" in shown
        assert "approved by" in shown and "as the meter" in shown
        assert "discarded" in unit.said("calibrate", "discard", "light 0@1", "--why", "wrong meter")
        assert "dropped" in unit.said("calibrate", "list")


def test_one_that_was_left_is_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with calibrating_unit(tmp_path, monkeypatch, LEVELS) as unit:
        said = unit.said("calibrate", "light", *METER, input="dark\n4 mW/cm2\n")
        assert "light 0@1 is kept; continue it:  platelink calibrate light --channel 0" in said
        said = unit.said("calibrate", "light", input="7 mW/cm2\n9.5 mW/cm2\n12 mW/cm2\nfinish\n")
        assert "continuing light 0@1" in said and "level 4:" in said


def test_levels_that_cannot_carry_a_line_are_told_and_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with calibrating_unit(tmp_path, monkeypatch, LEVELS) as unit:
        said = unit.said("calibrate", "light", *METER, input="dark\n4 mW/cm2\nfinish\n", code=2)
        assert "too few levels: 1 that differ, at least 3 are needed" in said
        said = unit.said("calibrate", "light", input="leave 1 the meter slipped\nleave x\n", code=1)
        assert "write the level's number" in said
        whole = unit.told("calibrate", "show", "light 0@1")
        assert whole["level"][0]["left_out"] == "the meter slipped" and whole["levels"] == 0


def test_a_reference_without_its_certificate_begins_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with calibrating_unit(tmp_path, monkeypatch, LEVELS) as unit:
        said = unit.said("calibrate", "light", "--instrument", "meter", input=LINES, code=2)
        assert "--certificate, --instrument-due, --u" in said
        for u, words in (("many", "finite number"), ("0.3", "the unit is missing")):
            wrong = [u if word == "7 %" else word for word in METER]
            assert words in unit.said("calibrate", "light", *wrong, code=2)
        assert unit.told("calibrate", "list")["calibrations"] == []
        said = unit.said("calibrate", "oven", *METER[:-2], input="", code=2)
        assert "no sensor 'oven'" in said


def test_uncertainties_as_people_write_them() -> None:
    from platelink.cli.calibrate import _difference, _uncertainty

    assert _uncertainty("7 %", PRESSURE) == (7.0, 0.0)
    assert _uncertainty("0.3 kPa", PRESSURE) == (0.0, pytest.approx(0.3))
    assert _uncertainty("3 mbar", PRESSURE) == (0.0, pytest.approx(0.3))
    # a difference of 0.9 °F is half a degree, whatever 0 °F is
    assert _difference("0.9 degF", TEMPERATURE) == pytest.approx(0.5)
    assert _difference(None, TEMPERATURE) == 0.0


class Keys:
    """A keyboard that is played."""

    def __init__(self, keys: str) -> None:
        self._keys, self.status, self.printed = list(keys), list[str](), list[str]()

    def key(self, wait_s: float) -> str | None:
        return self._keys.pop(0) if self._keys else "q"

    def print_status(self, text: str) -> None:
        self.status.append(text)

    def print_line(self, text: str) -> None:
        self.printed.append(text)

    def clear(self) -> None: ...

    @contextmanager
    def lines(self) -> Iterator[None]:
        yield


def test_by_keys_with_live_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with calibrating_unit(tmp_path, monkeypatch, LEVELS) as unit:
        unit.said("calibrate", "light", *METER, input="")
        answers = iter(["4 mW/cm2", "7 mW/cm2", "9.5", "9.5 mW/cm2", "12 mW/cm2"])
        monkeypatch.setattr(calibrating.click, "prompt", lambda *_, **__: next(answers))
        with service_of(unit) as client:
            keys = Keys("dllfl")
            assert calibrating._by_keys(client, "light 0@1", date(2027, 6, 1), keys) is False
            # what is refused is told, and nothing is lost
            assert any("too few levels: 2" in line for line in keys.printed)
            assert any("the unit is missing" in line for line in keys.printed)
            keys = Keys("llf")
            assert calibrating._by_keys(client, "light 0@1", date(2027, 6, 1), keys) is True
        assert any("settled" in text and "rms 0.60" in text for text in keys.status)


@contextmanager
def service_of(unit: CommandUnit) -> Iterator[Client]:
    transport = InProcess(unit.shop.app, unit.shop._runner)
    with Client(unit.shop.directory / "socket", transport=transport) as client:
        yield client
