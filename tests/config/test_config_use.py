"""What is built from the configuration, and how it is shown, hashed and documented."""

import json
import math
import stat
from dataclasses import fields
from datetime import date
from pathlib import Path

import pytest

from platelink.config.docs import main, page
from platelink.config.load import ConfigError, load, loads
from platelink.config.model import Config, effective
from platelink.config.services import SecretFileError
from platelink.config.show import example, show
from platelink.config.uncertainty import UncertaintySection
from platelink.daemon.setup import step_defaults, unit_settings
from platelink.forms.walk import keys
from platelink.link.messages import SilencePolicy
from platelink.sensing.budget import ASSUMED, Stated
from platelink.sensing.temperature import LinearSensor, Pt100Sensor, ThermocoupleSensor
from platelink.sensing.vacuum import GaugeKind, Signal, VacuumSensor

PAGE = Path(__file__).resolve().parents[2] / "docs" / "configuration.md"
MINIMAL = """
format = 1
[unit]
name = "unit-1"
[link]
port = "/dev/ttyUSB0"
[light]
expected_mw_cm2 = 12
[[light.channel]]
dark_counts = 18.4
slope_mw_cm2_per_count = 0.0149
calibrated_on = 2026-01-15
due_on = 2027-01-15
"""
BROKER = '[broker]\nhost = "127.0.0.1"\n'


# --- limits -------------------------------------------------------------------------------------

GAUGE = "[vacuum]\nkpa_low = 0\nkpa_high = -60\n"
LINEAR = 'sensor = "linear"\nmv_per_c = 10\n'


@pytest.mark.parametrize(
    ("more", "key", "said"),
    [
        (GAUGE + "[contact]\nlow_kpa = 61\nhigh_kpa = 62", "contact.low_kpa", "beyond the gauge"),
        (GAUGE + "[contact]\nlow_kpa = 40\nhigh_kpa = 61", "contact.high_kpa", "beyond the gauge"),
        ("[oven]\n" + LINEAR + "low_c = 510\nhigh_c = 600\n", "oven", "no signal of the converter"),
        ("[water]\n" + LINEAR + "high_c = -20\n", "water", "no signal of the converter"),
        ('[water]\nsensor = "K"\ncold_junction = "head"\n', "water.cold_junction", "[head]"),
    ],
)
def test_limits_that_nothing_can_measure_are_refused(more: str, key: str, said: str) -> None:
    with pytest.raises(ConfigError) as refused:
        loads(MINIMAL + more)
    assert [(p.key, said in p.text) for p in refused.value.problems] == [(key, True)]


def test_a_limit_above_all_the_air_there_is_needs_no_gauge() -> None:
    """At 1829 m there are 81.2 kPa of air: no frame passes 88 kPa."""
    gauge = '[vacuum]\nkind = "absolute"\nkpa_low = 0\nkpa_high = 115\naltitude_m = 1829\n'
    assert loads(MINIMAL + gauge + "[contact]\nlow_kpa = 50\nhigh_kpa = 88\n").contact


def test_the_water_shares_its_input_with_the_fourth_light_channel() -> None:
    channel = MINIMAL[MINIMAL.index("[[light") :]
    three = MINIMAL + 2 * channel
    assert loads(three + "[water]\n" + LINEAR).sensors().water is not None
    with pytest.raises(ConfigError, match="shares its input with the fourth light channel"):
        loads(three + channel + "[water]\n" + LINEAR)


def test_what_a_unit_can_measure_comes_from_its_sensors() -> None:
    """10 mV/°C, 5 V: 500 °C at the top count, believed up to 150 °C."""
    steps = step_defaults(loads(MINIMAL + GAUGE + "[oven]\n" + LINEAR + "low_c = 20\n"))
    assert steps.oven_reach_c == (20.0, 150.0)  # what is believed, to the last digit
    assert steps.water_reach_c == (-math.inf, math.inf)  # a person measures it
    assert "beyond the gauge's 60.0 kPa" in steps.vacuum_problem(40.0, 61.0)
    assert steps.vacuum_problem(40.0, 60.0) == ""
    water = step_defaults(loads(MINIMAL + "[water]\n" + LINEAR + "high_c = 60\n"))
    assert water.water_reach_c == pytest.approx((0.24, 60.0), abs=0.01)


# --- built objects --------------------------------------------------------------------------------


def test_light_sensors_take_every_calibration_value() -> None:
    text = MINIMAL + 'temp_coeff_per_c = -0.001\nreference_temp_c = "77 degF"\nname = "left"\n'
    (channel,) = loads(text).sensors().light.channels
    assert (channel.name, channel.weight, channel.rel_uncertainty) == ("left", 1.0, None)
    assert channel.reference_temp_c == 25.0
    assert channel.slope_at(45.0) == pytest.approx(0.0149 / 0.98)


def test_sensors_of_a_whole_unit() -> None:
    text = (
        MINIMAL
        + """
[vacuum]
kind = "absolute"
signal = "current"
kpa_low = 0
kpa_high = "1150 mbar"
altitude_m = 1829
[oven]
sensor = "K"
gain = 150
cold_junction = "head"
high_c = "300 degF"
[head]
sensor = "pt100"
current_ma = 1
gain = 20
"""
    )
    sensors = loads(text).sensors()
    assert sensors.adc_bits == 10
    vacuum = sensors.vacuum
    assert isinstance(vacuum, VacuumSensor)
    assert (vacuum.kind, vacuum.signal) == (GaugeKind.ABSOLUTE, Signal.CURRENT)
    assert vacuum.kpa_high == 115.0
    assert vacuum.barometer_kpa == pytest.approx(81.2, abs=0.1)
    assert isinstance(sensors.oven, ThermocoupleSensor)
    assert sensors.oven.cold_junction_c is None
    assert sensors.oven.amplifier.high_c == pytest.approx(148.888888, abs=1e-6)
    assert isinstance(sensors.head, Pt100Sensor)
    fixed = loads(MINIMAL + '[oven]\nsensor = "T"\ncold_junction = "25 degC"\n').sensors().oven
    assert isinstance(fixed, ThermocoupleSensor)
    assert fixed.cold_junction_c == 25.0
    linear = loads(MINIMAL + '[oven]\nsensor = "linear"\nmv_per_c = 10\n').sensors().oven
    assert isinstance(linear, LinearSensor)


def test_the_air_itself_moves_an_absolute_gauge() -> None:
    absolute = '[vacuum]\nkind = "absolute"\nkpa_low = 0\nkpa_high = 110\nbarometer_kpa = 97\n'
    band = '[contact]\nlow_kpa = 60\nhigh_kpa = 90\nvented_after_s = "12 s"\n'
    limits = loads(MINIMAL + absolute + band).contact_limits()
    assert limits is not None
    assert (limits.vented_after_s, limits.vented_kpa) == (12.0, 8.0)
    assert limits.barometer_kpa == 97.0


def test_a_frame_that_keeps_its_vacuum_is_not_vented() -> None:
    gauge = "[vacuum]\nkpa_low = 0\nkpa_high = -100\n"
    band = "[contact]\nlow_kpa = 60\nhigh_kpa = 90\npump_off_test_s = 3\n"
    limits = loads(MINIMAL + gauge + band).contact_limits()
    assert limits is not None and limits.pump_off_test_s == 3.0
    with pytest.raises(ConfigError, match="leave out this or pump_off_test_s"):
        loads(MINIMAL + gauge + band + "vented_after_s = 10\n")


def test_limits_and_optics_for_the_control() -> None:
    config = loads(example())
    limits = config.contact_limits()
    assert limits is not None
    assert limits.low_kpa == pytest.approx(60.0, abs=1e-4)
    assert (limits.false_hold_every_min, limits.pump_off_test_s) == (100_000.0, None)
    assert limits.barometer_kpa is None
    assert (limits.vented_after_s, limits.vented_kpa) == (None, 3.0)
    optics = config.optics()
    assert (optics.adc_max, optics.expected_mw_cm2) == (1023, 12.0)
    assert config.silence_policy() is SilencePolicy.FINISH
    assert loads(MINIMAL).contact_limits() is None
    close = loads(MINIMAL + '[exposure]\nsilence = "close"\n')
    assert close.silence_policy() is SilencePolicy.CLOSE


def test_recipes_are_kept_beside_the_journal_unless_said_otherwise() -> None:
    config = loads(MINIMAL + '[journal]\npath = "/srv/j.sqlite"\n')
    assert config.recipes_path() == Path("/srv/recipes.sqlite")
    assert config.recipes.expired_lot == "block"
    other = loads(MINIMAL + '[recipes]\npath = "/srv/r.sqlite"\nexpired_lot = "warn"\n')
    assert other.recipes_path() == Path("/srv/r.sqlite")
    assert other.recipes.expired_lot == "warn"


# --- notices --------------------------------------------------------------------------------------


def test_a_calibration_past_its_date_is_a_notice_not_an_error() -> None:
    config = loads(MINIMAL)
    assert config.notices(date(2027, 1, 15)) == ()
    (notice,) = config.notices(date(2027, 1, 18))
    assert notice.key == "light.channel[0].due_on"
    assert notice.overdue is not None
    assert notice.overdue.days_over == 3
    assert "due on 2027-01-15, 3 days ago" in notice.text


def test_a_clock_before_the_calibration_is_noticed() -> None:
    (notice,) = loads(MINIMAL).notices(date(1970, 1, 1))
    assert notice.overdue is None
    assert "check the date and this computer's clock" in notice.text


def test_lamps_that_would_saturate_the_sensor_are_noticed() -> None:
    (notice,) = loads(MINIMAL.replace("= 12\n", "= 15\n")).notices(date(2026, 6, 1))
    assert "would give 1025 counts, the converter ends at 1023" in notice.text


def test_a_temperature_coefficient_without_a_sensor_is_noticed() -> None:
    (notice,) = loads(MINIMAL + "temp_coeff_per_c = -0.001\n").notices(date(2026, 6, 1))
    assert "there is no [head] sensor" in notice.text


# --- secrets --------------------------------------------------------------------------------------


def test_a_secret_is_never_shown() -> None:
    config = loads(MINIMAL + BROKER + 'password = "hush"\n')
    assert config.broker is not None
    assert config.broker.secret() == "hush"
    for text in (show(config), json.dumps(effective(config)), repr(config), str(config)):
        assert "hush" not in text
    assert 'password = "(hidden)"' in show(config)


def test_a_secret_file_is_read_when_it_is_needed(tmp_path: Path) -> None:
    file = tmp_path / "platelink.toml"
    file.write_text(MINIMAL + BROKER + 'password_file = "broker.password"\n')
    broker = load(file).broker
    assert broker is not None
    with pytest.raises(SecretFileError, match=r"broker\.password: cannot be read"):
        broker.secret()
    secret = tmp_path / "broker.password"
    secret.write_text("\n")
    with pytest.raises(SecretFileError, match="is empty"):
        broker.secret()
    secret.write_text("hush\n")
    secret.chmod(stat.S_IRUSR)
    assert broker.secret() == "hush"


def test_a_store_takes_a_token_or_a_password() -> None:
    store = loads(MINIMAL + '[store]\nurl = "http://s"\ntoken = "t"\n').store
    assert store is not None
    assert store.secret() == "t"
    store = loads(MINIMAL + '[store]\nurl = "http://s"\nusername = "u"\npassword = "p"\n').store
    assert store is not None
    assert store.secret() == "p"
    assert loads(MINIMAL + BROKER).broker.secret() is None  # type: ignore[union-attr]


# --- shown, hashed, documented --------------------------------------------------------------------


@pytest.mark.parametrize("text", [MINIMAL, example(), MINIMAL + BROKER])
def test_what_is_shown_loads_as_the_same_configuration(text: str) -> None:
    config = loads(text)
    assert loads(show(config)) == config


def test_defaults_are_visible_and_marked() -> None:
    shown = show(loads(MINIMAL + "[exposure]\nguard_factor = 2\n"))
    assert "guard_factor = 2.0\n" in shown
    assert "silence_s = 2.0  # default\n" in shown
    assert "expected_mw_cm2 = 12.0\n" in shown


def test_the_hash_follows_the_settings_not_their_writing() -> None:
    base = loads(MINIMAL).config_hash()
    assert len(base) == 64
    assert loads(MINIMAL + "# a comment\n[exposure]\nguard_factor = 1.5\n").config_hash() == base
    assert loads(MINIMAL.replace("0.0149", "0.01491")).config_hash() != base
    one, two = (loads(MINIMAL + BROKER + f'password = "{p}"\n').config_hash() for p in "ab")
    assert one == two


def test_effective_values_are_plain_json() -> None:
    values = effective(loads(example()))
    assert json.loads(json.dumps(values)) == values
    assert values["light"]["channel"][0]["due_on"] == "2027-01-15"


def test_every_key_is_described_and_numbers_are_bounded() -> None:
    found = list(keys(Config))
    assert len(found) > 80
    for key in found:
        assert key.description.endswith("."), key.name
        assert key.example or key.default or key.written, key.name
        if key.kind.startswith(("number", "whole")) and '"head"' not in key.kind:
            name = f"{key.section}.{key.name}"
            assert key.field.metadata, f"{name} has no bounds"


def test_the_page_about_the_configuration_is_current(tmp_path: Path) -> None:
    assert PAGE.read_text(encoding="utf-8") == page()
    assert main(["--check", str(PAGE)]) == 0
    other = tmp_path / "page.md"
    assert main(["--check", str(other)]) == 1
    assert main([str(other)]) == 0
    assert main(["--check", str(other)]) == 0
    assert main([]) == 2


def test_a_frozen_configuration_stays_as_it_was_checked() -> None:
    config = loads(MINIMAL)
    with pytest.raises(ValueError, match="frozen"):
        config.unit.name = "other"
    with pytest.raises(ConfigError):
        loads(MINIMAL + "[unit]\n")


def test_what_a_shop_states_of_its_errors_is_told_from_what_it_does_not() -> None:
    assert loads(MINIMAL).uncertainty.stated() == Stated()
    text = MINIMAL.replace("[[light", "[uncertainty]\nposition_pct = 3\nfit_pct = 0.4\n[[light")
    text += "rel_uncertainty = 0.02\n"
    config = loads(text)
    assert config.uncertainty.stated() == Stated(position_pct=3.0, fit_pct=0.4)
    assert unit_settings(config).stated == config.uncertainty.stated()
    assert config.light.sensors().channels[0].rel_uncertainty == 0.02
    assert config.config_hash() != loads(MINIMAL).config_hash()


def test_everything_that_can_be_stated_is_a_key_and_says_what_is_assumed() -> None:
    section = UncertaintySection.model_fields
    assert set(section) == {field.name for field in fields(Stated)}
    for name, field in section.items():
        assert f"out, {ASSUMED[name]:g} is assumed." in (field.description or ""), name
