"""Settings of instruments on a bus: what is refused, and what the parts of the unit are told."""

from __future__ import annotations

import re

import pytest
from config.test_config_load import MINIMAL, VACUUM, problems
from instruments.bus_shop import BUS

from platelink.config.load import loads
from platelink.config.show import example, show
from platelink.daemon.setup import step_defaults, unit_settings

CONTACT = '[contact]\nlow_kpa = "60 kPa"\nhigh_kpa = "90 kPa"\n'
GAUGE_ONLY = BUS[: BUS.index('[[modbus.instrument]]\nname = "oven-1"')]


def test_they_take_the_place_of_the_devices_own_sensors() -> None:
    config = loads(MINIMAL + BUS + CONTACT)
    sensors, steps = config.sensors(), step_defaults(config)
    assert [getattr(s, "name", None) for s in (sensors.vacuum, sensors.oven)] == [
        "gauge-1", "oven-1",
    ]  # fmt: skip
    assert steps.has_vacuum and steps.has_oven and steps.oven_reach_c == (0.0, 200.0)
    assert "beyond the gauge's 101.3 kPa" not in steps.vacuum_problem(60.0, 90.0)
    assert unit_settings(config).gauge_s == (0.2, 1.0)
    assert unit_settings(loads(MINIMAL + VACUUM)).gauge_s is None


def test_what_is_shown_loads_again_as_a_tape_needs_it() -> None:
    config = loads(MINIMAL + BUS + CONTACT)
    assert loads(show(config)).modbus == config.modbus


def test_the_example_of_it_loads_with_every_key_switched_on() -> None:
    text = example()
    part = text[text.index("#[modbus]") : text.index("[uncertainty]")]
    lines = [line.removeprefix("#") for line in part.splitlines()
             if re.match(r"#(\[|[a-z0-9_]+ = )", line)]  # fmt: skip
    given = "\n".join(line for line in lines if "altitude_m" not in line)
    config = loads(f"{MINIMAL}\n{given}\n")
    assert config.modbus is not None and config.modbus.instrument[0].barometer_kpa == 100.2


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("/dev/simulated-bus", "/dev/ttyUSB0", "modbus.port"),
        ("slave = 5", "slave = 0", "slave = 0 : must be at least 1"),
        ("slave = 5", "slave = 248", "slave = 248 : must be at most 247"),
        ('unit = "kPa"', 'unit = "degC"', "unit = \"degC\" : of vacuum it must be one of kPa, Pa"),
        ('unit = "degC"', 'unit = "mbar"', "of oven it must be one of degC, degF"),
        ("scale = 0.01", "scale = 0.0", "scale = 0.0 : must not be 0"),
        ("low = -102", "low = 10", "high = 10 : must be greater than low = 10"),
        ("low = -102", "poll_s = 0.4\nlow = -102", "poll_s = 0.4 : must be at most 0.3 s: contact"),
        ("low = 0\n", "poll_s = 2.6\nlow = 0\n", "must be at most 2.5"),
        ("low = -102", "stale_after_s = 0.3\nlow = -102",
         "stale_after_s = 0.3 : must be at least 0.4 s, twice poll_s"),
        ("low = -102", "stale_after_s = 6\nlow = -102", "must be at most 5 s for vacuum"),
        ("low = 0\n", 'kind = "absolute"\nlow = 0\n', "are for vacuum only"),
        ("low = -102", 'kind = "absolute"\nlow = -102', "an absolute gauge needs the local"),
        ("low = -102", 'word_order = "low first"\nlow = -102', "is not for type = 'int16'"),
        ("first_register = 10", 'first_register = 65535\ntype = "int32"', "ends at 65535"),
        ('measures = "oven"', 'measures = "vacuum"', "another instrument measures vacuum already"),
        ('name = "oven-1"', 'name = "gauge-1"', "is the name of another instrument already"),
        ("[modbus]\n", "[modbus]\ntimeout_s = 0.5\n", "at least 1.2 s: poll_s, and [modbus]"),
        ("slave = 5", "slave = 5\nwrites = true", "is not a known key"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(old: str, new: str, told: str) -> None:
    assert BUS.count(old) == 1
    text = BUS.replace(old, new)
    if new in ('measures = "vacuum"',):
        text = text.replace('unit = "degC"', 'unit = "kPa"')
    found = problems(MINIMAL + text)
    assert any(told in line for line in found), found


def test_a_quantity_that_both_measure_is_refused_and_says_which_to_remove() -> None:
    (told,) = problems(MINIMAL + VACUUM + GAUGE_ONLY)
    assert "modbus.instrument[0].measures" in told
    assert "[vacuum] is the device's own sensor for it, and only one can count" in told


@pytest.mark.parametrize(
    ("slave", "function", "register", "refused"),
    [(5, "holding", 10, True), (5, "holding", 9, True), (5, "holding", 8, False),
     (5, "holding", 11, False), (5, "input", 10, False), (6, "holding", 10, False)],
)  # fmt: skip
def test_one_register_is_not_both_values(
    slave: int, function: str, register: int, refused: bool
) -> None:
    assert "slave = 5" in GAUGE_ONLY and "first_register = 10" in GAUGE_ONLY
    new = ("slave = 7", f"slave = {slave}"), ('"input"', f'"{function}"'), (
        "first_register = 0", f'first_register = {register}\ntype = "int32"'
    )  # fmt: skip
    text = MINIMAL + BUS
    for old, other in new:
        text = text.replace(old, other)
    found = problems(text) if refused else [loads(text).unit.name]
    told = "first_register" in found[0] and "a register of instrument 'gauge-1'" in found[0]
    assert told == refused, found


def test_limits_that_it_cannot_show_are_refused() -> None:
    text = BUS.replace("low = -102", "low = -50")
    (told,) = problems(MINIMAL + text + CONTACT)
    assert "contact.low_kpa" in told and "beyond the gauge's 50.0 kPa" in told
    (told,) = problems(MINIMAL + CONTACT)
    assert "needs a [vacuum] section" in told
