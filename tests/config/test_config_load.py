"""The configuration file: everything wrong is told at once, with key, value, bound and unit."""

import re
from pathlib import Path

import pytest

from platelink.config.load import ConfigError, load, load_recorder, loads
from platelink.config.show import example

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
VACUUM = """
[vacuum]
kpa_low = 0
kpa_high = "-100 kPa"
"""


def problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        loads(text)
    return [str(problem) for problem in caught.value.problems]


def without(text: str, line: str) -> str:
    assert line in text
    return text.replace(line, "")


# --- what a good file gives -----------------------------------------------------------------------


def test_a_minimal_file_has_every_default() -> None:
    config = loads(MINIMAL)
    assert config.unit.lamps == "wired"
    assert config.exposure.guard_factor == 1.5
    assert config.journal.path == Path("/var/lib/platelink/journal.sqlite")
    assert (config.vacuum, config.contact, config.broker, config.store) == (None,) * 4


@pytest.mark.parametrize("key", ["reciprocity_p", "reference_mw_cm2"])
def test_what_belongs_to_the_plate_stock_is_sent_to_its_recipe(key: str) -> None:
    text = MINIMAL.replace("expected_mw_cm2", f"{key} = 0.9\nexpected_mw_cm2")
    with pytest.raises(ConfigError) as caught:
        loads(text)
    (problem,) = caught.value.problems
    assert problem.key == f"light.{key}"
    for word in ("[reciprocity]", "remove it here", "without a recipe, plain dose counts"):
        assert word in problem.text


def test_quantities_may_be_numbers_or_texts_with_a_unit() -> None:
    contact = '[contact]\nlow_kpa = "18 inHg"\nhigh_kpa = 91\nhold_test_s = "0.1 min"\n'
    config = loads(MINIMAL + VACUUM + contact)
    assert config.contact is not None
    assert config.contact.low_kpa == pytest.approx(60.954995526138, rel=1e-15)
    assert config.contact.high_kpa == 91.0
    assert config.contact.hold_test_s == 6.0


def test_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    file = tmp_path / "platelink.toml"
    file.write_text(MINIMAL + '[journal]\npath = "records/journal.sqlite"\n')
    assert load(file).journal.path == tmp_path / "records" / "journal.sqlite"
    file.write_text(MINIMAL + '[journal]\npath = "/srv/journal.sqlite"\n')
    assert load(file).journal.path == Path("/srv/journal.sqlite")


# --- what a bad file gives ------------------------------------------------------------------------


def test_every_problem_is_told_at_once_and_in_one_form() -> None:
    text = MINIMAL.replace("0.0149", "-1").replace("expected_mw_cm2 = 12", "expected_mw_cm2 = nan")
    text = text.replace('name = "unit-1"', 'name = "unit 1"')
    assert problems(text + "[exposure]\nguard_factor = 1\n[display]\nvacum = 'kPa'\n") == [
        'platelink.toml: unit.name = "unit 1" : must be 1 to 64 letters, digits, '
        "'.', '_' or '-', beginning with a letter or digit",
        "platelink.toml: light.expected_mw_cm2 = nan : must be a finite number (mW/cm2)",
        "platelink.toml: light.channel[0].slope_mw_cm2_per_count = -1 : must be greater than 0 "
        "mW/cm2 per count",
        "platelink.toml: exposure.guard_factor = 1 : must be greater than 1",
        'platelink.toml: display.vacum = "kPa" : is not a known key; did you mean vacuum?',
    ]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("= 12\n", '= "12"\n', 'light.expected_mw_cm2 = "12" : must be a number (mW/cm2)'),
        ("= 12\n", "= true\n", "light.expected_mw_cm2 = true : must be a number (mW/cm2)"),
        ("= 12\n", "= inf\n", "light.expected_mw_cm2 = inf : must be a finite number (mW/cm2)"),
        ("= 18.4", "= -0.1", "light.channel[0].dark_counts = -0.1 : must be at least 0 counts"),
        ("= 18.4", "= 1023", "light.channel[0].dark_counts = 1023 : must be less than 1023 counts"),
        ("2027-01-15", "2026-01-15", "due_on = 2026-01-15 : must be later than calibrated_on"),
        ("2027-01-15", '"soon"', 'due_on = "soon" : must be a date such as 2026-01-15'),
        ("[link]", "[Link]", "link : is missing"),
        ("[link]", "[Link]", "Link : is not a known section; did you mean link?"),
        ("[[light.channel]]", "[light.channel]", "light.channel : must be a list of sections"),
        ("[unit]", '[unit]\nlamps = "on"', "unit.lamps = \"on\" : must be 'wired' or 'advisory'"),
        ("[unit]", "[unit]\nadc_bits = 9.5", "unit.adc_bits = 9.5 : must be a whole number (bit)"),
        ("[unit]", "[unit]\nadc_bits = 17", "unit.adc_bits = 17 : must be at most 16 bit"),
        ("[unit]", '[exposure]\nmax_exposure_s = "31 min"\n[unit]', "must be at most 1800 s"),
    ],
)
def test_a_wrong_value_is_told_with_its_bound(old: str, new: str, told: str) -> None:
    assert old in MINIMAL
    assert any(told in line for line in problems(MINIMAL.replace(old, new)))


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ('[contact]\nlow_kpa = "0 inHg"\nhigh_kpa = 90', 'contact.low_kpa = "0 inHg" : must be '
         "greater than 0 kPa"),
        ("[contact]\nlow_kpa = 50\nhigh_kpa = 50", "high_kpa = 50 : must be greater than low_kpa"),
        ('[contact]\nlow_kpa = "15"\nhigh_kpa = 90', "the unit is missing; write a number and one "
         "of kPa, mbar, inHg"),
        ("[contact]\nlow_kpa = 50\nhigh_kpa = 90", "contact : needs a [vacuum] section"),
        ('[vacuum]\nkind = "absolute"\nkpa_low = 0\nkpa_high = 115', "vacuum.barometer_kpa : an "
         "absolute gauge needs"),
        (VACUUM + "altitude_m = 100\nbarometer_kpa = 100", "vacuum.altitude_m = 100 : give "
         "barometer_kpa or altitude_m, not both"),
        (VACUUM + "volts_high = 6", "vacuum : signal from 0.5 to 6 V: must rise within 0 and the"),
        ('[oven]\nsensor = "K"', "oven.cold_junction : is needed for sensor = 'K'"),
        ('[oven]\nsensor = "K"\ncold_junction = "head"', 'oven.cold_junction = "head" : needs a '
         "[head] section"),
        ('[head]\nsensor = "T"\ncold_junction = "head"', 'head.cold_junction = "head" : '
         "cannot be its own"),
        ('[oven]\nsensor = "K"\ncold_junction = "300 degF"', "at least -40 and at most 100 °C"),
        ('[oven]\nsensor = "linear"\nmv_per_c = 10\ncurrent_ma = 1', "oven.current_ma = 1 : is not "
         "for sensor = 'linear'"),
        ('[oven]\nsensor = "pt100"', "oven.current_ma : is needed for sensor = 'pt100'"),
        ('[oven]\nsensor = "linear"\nmv_per_c = 0', "oven.mv_per_c = 0 : must not be 0"),
        ('[exposure]\nsilence_s = "-1 s"', "duration '-1 s': must be at least 0 s"),
        ('[broker]\nhost = ""', 'broker.host = "" : must not be empty'),
        ('[store]\nurl = "shop"', 'store.url = "shop" : must begin with http:// or https://'),
        ('[recorder]\ngroup = "a b"', 'recorder.group = "a b" : must be 1 to 64 letters'),
        ("unit = 3", "light.channel[0].unit = 3 : is not a known key"),
    ],
)  # fmt: skip
def test_sections_are_checked(more: str, told: str) -> None:
    assert any(told in line for line in problems(MINIMAL + more + "\n"))


def test_contact_that_can_never_be_reached_is_an_error() -> None:
    """25 inHg at 1829 m, where the air pressure is 81.2 kPa."""
    contact = '[contact]\nlow_kpa = "25 inHg"\nhigh_kpa = 95\n'
    assert loads(MINIMAL + VACUUM + contact)
    (told,) = problems(MINIMAL + VACUUM + 'barometer_kpa = "812 mbar"\n' + contact)
    assert told == (
        'platelink.toml: contact.low_kpa = "25 inHg" : a vacuum of 84.7 kPa is more than the air '
        "pressure of 81.2 kPa here; ask for less, or correct the barometer"
    )


def test_a_channel_list_of_wrong_length_is_told_once() -> None:
    channel = MINIMAL[MINIMAL.index("[[light.channel]]") :]
    (told,) = problems(MINIMAL + 4 * channel)
    assert "light.channel : must have 1 to 4 entries, has 5" in told
    empty = MINIMAL.replace(channel, "channel = []\n")
    (told,) = problems(empty)
    assert "light.channel : must have 1 to 4 entries, has 0" in told


def test_channels_that_do_not_go_together_are_told() -> None:
    channel = MINIMAL[MINIMAL.index("[[light.channel]]") :]
    weak = channel.replace("0.0149", "0.00001")
    (told,) = problems(MINIMAL + weak)
    assert "light.channel : weight · slope" in told
    (told,) = problems(MINIMAL + "weight = 0\n")
    assert "all light channels have weight 0" in told


@pytest.mark.parametrize(
    ("first", "told"),
    [
        ("", "platelink.toml: format : is missing; write format = 1"),
        ("format = 2", "format = 2 : this platelink reads format 1, the file is newer; update"),
        ("format = 0", "format = 0 : this platelink reads format 1, the file is older; compare"),
        ('format = "1"', 'format = "1" : must be the whole number 1'),
        ("format = true", "format = true : must be the whole number 1"),
    ],
)
def test_another_format_is_the_only_thing_told(first: str, told: str) -> None:
    text = MINIMAL.replace("format = 1", first).replace("0.0149", "-1")
    (line,) = problems(text)
    assert told in line


def test_a_file_that_is_no_text_or_not_there(tmp_path: Path) -> None:
    missing = tmp_path / "none.toml"
    with pytest.raises(ConfigError, match=r"cannot be read \(No such file.*start") as caught:
        load(missing)
    assert str(caught.value).startswith(f"{missing}: ")
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="is not UTF-8"):
        load(binary)
    broken = tmp_path / "broken.toml"
    broken.write_text("format = 1\n[unit\n")
    with pytest.raises(ConfigError, match=r"is not TOML: .*line 2"):
        load(broken)


@pytest.mark.parametrize(
    "more",
    [
        "[broker]\nhost = 'b'\npassword = 'hush'\npassword_file = 'p'",
        "[broker]\nhost = 'b'\npasswort = 'hush'",
        "[store]\nurl = 'x'\ntoken = 'hush'",
        "[store]\nurl = 'http://s'\ntoken = 'hush'\nusername = 'me'",
        "[store]\nurl = 'http://s'\npassword = ['hush']",
    ],
)
def test_no_message_shows_a_secret(more: str) -> None:
    told = "\n".join(problems(MINIMAL + more))
    assert told
    assert "hush" not in told


# --- the recorder's part --------------------------------------------------------------------------

SERVICES = """
format = 1
[broker]
host = "127.0.0.1"
[store]
url = "http://127.0.0.1:8428"
"""


def test_the_recorder_needs_no_unit_but_may_share_its_file(tmp_path: Path) -> None:
    file = tmp_path / "platelink.toml"
    for text in (SERVICES, MINIMAL + SERVICES.replace("format = 1", "")):
        file.write_text(text)
        config = load_recorder(file)
        assert config.broker.host == "127.0.0.1"
        assert config.recorder.hold_s == 15.0
    file.write_text(MINIMAL + "[recoder]\n")
    with pytest.raises(ConfigError) as caught:
        load_recorder(file)
    told = str(caught.value)
    assert "broker : is missing" in told
    assert "store : is missing" in told
    assert "recoder : is not a known section; did you mean recorder?" in told


# --- the example ----------------------------------------------------------------------------------


def test_the_example_loads_as_it_stands() -> None:
    config = loads(example())
    assert config.contact is not None
    assert config.vacuum is not None
    assert config.broker is None


LEFT_OUT = ("alerts", "broker", "jetstream", "modbus", "shop", "stamping", "store")


def test_what_reaches_others_is_off_in_the_example() -> None:
    shown = loads(example())
    assert [getattr(shown, name) for name in LEFT_OUT] == [None] * len(LEFT_OUT)


def test_defaults_shown_in_the_example_are_the_defaults() -> None:
    """Switching on every commented line that shows a default changes nothing."""
    shown = loads(example())
    section = ""
    lines = []
    for line in example().splitlines():
        found = re.fullmatch(r"#?\[+([a-z.]+)\]+", line)
        section = found.group(1) if found else section
        setting = re.fullmatch(r"#([a-z0-9_]+) = (.*)", line)
        if setting and section.partition(".")[0] not in LEFT_OUT:
            owner = shown
            for step in filter(None, section.split(".")):
                owner = getattr(owner, step)
                owner = owner[0] if isinstance(owner, tuple) else owner
            if getattr(owner, setting.group(1)) is not None:
                line = line[1:]  # noqa: PLW2901
        lines.append(line)
    assert len(lines) > 200
    assert loads("\n".join(lines)) == shown


def test_each_commented_line_of_the_example_is_a_setting() -> None:
    """Switched on alone, a line may clash with another setting but is never unknown."""
    text = example()
    of_bus = text[text.index("#[modbus]") : text.index("[uncertainty]")]
    active = text.replace(of_bus, "")  # as of tests/config/test_config_instruments.py
    for first, after in (("#[broker]", "[recorder]"), ("#[stamping]", "[service]")):
        part = text[text.index(first) : text.index(after)]
        given = part.replace("#[", "[").replace("#host", "host").replace("#url", "url")
        active = active.replace(part, given)
    alerts = text[text.index("#[alerts]") : text.index("[display]")]
    given = r"^#(\[|(?:time_zone|name|people|address_file) = )"
    active = active.replace(alerts, re.sub(given, r"\1", alerts, flags=re.MULTILINE))
    loads(active)
    off = [m.group() for m in re.finditer(r"^#[a-z0-9_]+ = .*$", active, re.MULTILINE)]
    assert len(off) > 60
    for line in set(off):
        before, _, after = active.partition(f"\n{line}\n")
        try:
            loads(f"{before}\n{line[1:]}\n{after}")
        except ConfigError as error:
            allowed = (
                "is not for sensor",
                "go together",
                "must be true to use",
                "needs its name",
                "give one of",
                "give each recorder its own",
                "different numbers from 0 to 0",
                "is for an MQTT broker",
            )
            assert any(words in str(error) for words in allowed), (line, str(error))
