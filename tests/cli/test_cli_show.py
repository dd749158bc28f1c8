"""One run on one page."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from cli_runs import GOOD, MINIMAL, OPEN, T0, add_run, make_journal, run, samples

from platelink.cli.quantities import Display, facts, shown
from platelink.record.journal import Journal


@pytest.fixture(scope="module")
def journal(tmp_path_factory) -> Path:
    return make_journal(tmp_path_factory.mktemp("show") / "journal.sqlite")


def test_everything_recorded_is_on_the_page(journal: Path) -> None:
    text = run("show", GOOD, "--journal", journal).stdout
    for part in (
        f"RUN {GOOD}",
        "complete: target dose reached",
        "operator  A. Example",
        "delivered          340.00 mJ/cm²\n",
        "control            +0.000 % of target, as this sensor reads\n",
        "plate to plate     not recorded with this run\n",
        "against the meter  not recorded with this run\n",
        "by the device      339.90 mJ/cm²  -0.029 % of delivered",
        "701 samples, 2 events, 0 gaps",
        "contact  yes",
        "dark           20 counts",
        "slope          0.0125 mW/cm² per count",
        "learned afterglow  0.0047 s",
        '  unit.lamps = "wired"',
        "   +0.500 s  lamp on  lamps on, order 1",
        "irradiance, mW/cm²",
        "dose, mJ/cm²",
        "vacuum, kPa",
    ):
        assert part in text, part
    assert "nan" not in text.lower()


def told(**more: object) -> dict[str, object]:
    """What the end of an exposure says of how sure its dose is; invented."""
    one = {
        "name": "position", "channel": None, "value": 5.0, "unit": "%", "distribution": "uniform",
        "dof": 8.0, "source": "assumed", "sensitivity": 1.0, "plate_sensitivity": 0.1,
        "u_pct": 2.8868, "plate_u_pct": 0.28868,
    }  # fmt: skip
    clock = one | {"name": "timing", "value": 0.01, "dof": None, "source": "measured",
                   "u_pct": 0.01, "plate_u_pct": 0.01, "distribution": "normal"}  # fmt: skip
    return {
        "plate_to_plate_pct": 1.8447, "against_meter_pct": 13.96, "k": 2.0,
        "plate_to_plate_dof": None, "against_meter_dof": 44.4,
        "plate_to_plate_holds_pct": 95.45, "against_meter_holds_pct": 94.8, "assumed": ["position"],
        "lines": [one, clock],
    } | more  # fmt: skip


DOUBT = {"doubt": {"uncertain_mj_cm2": 12.5, "doubtful_mj_cm2": 3.0}}


@pytest.fixture(scope="module")
def sure(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run that says how sure its dose is, and one that says it in words not known here."""
    path = tmp_path_factory.mktemp("sure") / "journal.sqlite"
    with Journal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=4096) as journal:
        for name, uncertainty in (
            ("sure", told()),
            ("odd", told(lines="?")),
            ("all", told(assumed=[])),
            ("doubt", told()),
            ("few", told(against_meter_dof=3.0, against_meter_holds_pct=86.1)),
        ):
            add_run(journal, name, samples(), ended=False)
            journal.end_run(
                name, T0 + timedelta(seconds=35.2), "complete", "target dose reached",
                dose_mj_cm2=340.01, device_dose_mj_cm2=340.0, light_s=34.0,
                data={"uncertainty": uncertainty} | DOUBT.get(name, {}),
            )  # fmt: skip
    return path


def test_a_dose_has_three_numbers_and_never_one(sure: Path) -> None:
    text = run("show", "sure", "--no-plot", "--journal", sure).stdout
    for part in (
        "delivered          340.01 mJ/cm²\n",
        "control            +0.003 % of target, as this sensor reads\n",
        "plate to plate     ±1.8 % (k = 2): plates of this unit, place, month and calibration\n",
        "against the meter  ±14 % (k = 2): the reference meter at the plate\n",
        "assumed            position: see [uncertainty]\n",
    ):
        assert part in text, part
    table = text[text.index("UNCERTAINTY") : text.index("REQUEST")]
    for row in (
        r"position +5 % +uniform +1 +8 +0\.289 % +2\.887 % +assumed",
        r"timing +0\.01 % +normal +1 +∞ +0\.010 % +0\.010 % +measured",
        r"combined, k = 1 +∞ / 44 +0\.922 % +6\.980 %",
        r"U, k = 2 +1\.845 % +13\.960 %",
    ):
        assert re.search(row, table), (row, table)
    assert "1.8447" not in text  # not once more as data


def test_what_is_all_stated_assumes_nothing(sure: Path) -> None:
    assert "assumed  " not in run("show", "all", "--no-plot", "--journal", sure).stdout


def test_doubt_is_told_beside_the_numbers_that_do_not_hold_it(sure: Path) -> None:
    text = run("show", "doubt", "--no-plot", "--journal", sure).stdout
    assert (
        "in doubt           up to 12.50 mJ/cm² more or 3.00 mJ/cm² less may have been given; "
        "none of these figures includes that\n"
    ) in text
    assert "12.5 mJ" not in text  # not once more as data
    assert "in doubt" not in run("show", "sure", "--no-plot", "--journal", sure).stdout


def test_a_u_with_little_behind_it_says_so(sure: Path) -> None:
    text = run("show", "few", "--no-plot", "--journal", sure).stdout
    assert "at the plate; it covers 86 % of cases only: it rests on few readings\n" in text
    assert text.count("it covers") == 1
    assert "it covers" not in run("show", "sure", "--no-plot", "--journal", sure).stdout


def test_what_is_said_in_other_words_is_not_guessed(sure: Path) -> None:
    text = run("show", "odd", "--no-plot", "--journal", sure).stdout
    assert "plate to plate     not recorded with this run\n" in text
    assert "UNCERTAINTY" not in text


def test_lists_have_all_three_numbers(sure: Path) -> None:
    lines = run("runs", "--journal", sure, env={"COLUMNS": "200"}).stdout.splitlines()
    head = next(line for line in lines if "CONTROL" in line)
    assert head.split()[6:9] == ["CONTROL", "PLATES", "METER"], head
    row = next(line for line in lines if line.lstrip().startswith("sure"))
    assert "+0.00 %  ±1.8 %  ±14 %" in row
    found = json.loads(run("runs", "--json", "--journal", sure).stdout)["runs"]
    by_name = {one["run_id"]: one for one in found}
    assert by_name["sure"]["against_meter_pct"] == 13.96
    assert by_name["odd"]["plate_to_plate_pct"] is None


def test_units_are_those_of_the_configuration(journal: Path, tmp_path: Path) -> None:
    config = tmp_path / "platelink.toml"
    config.write_text(MINIMAL + '[display]\ndose = "J/m2"\nirradiance = "W/m2"\nvacuum = "inHg"\n')
    text = run("--config", config, "show", GOOD, "--journal", journal).stdout
    # 340 mJ/cm² = 3400 J/m²; 10 mW/cm² = 100 W/m²; 80 kPa = 23.62 inHg (NIST SP 811: 3.386 389 kPa)
    assert "delivered          3400.0 J/m²" in text
    assert "irradiance, W/m²\n       100 │" in text
    assert "vacuum, inHg" in text and "     23.62 │" in text


def test_a_faulty_configuration_does_not_hide_a_journal(journal: Path, tmp_path: Path) -> None:
    config = tmp_path / "platelink.toml"
    config.write_text("format = 1\n")
    result = run("--config", config, "show", GOOD, "--journal", journal)
    assert result.exit_code == 0 and "340.00 mJ/cm²" in result.stdout
    assert "config check" in result.stderr
    without = run("--config", config, "show", GOOD)
    assert without.exit_code == 2 and "unit" in without.stderr


def test_plots_can_be_left_out_and_given_a_width(journal: Path) -> None:
    text = run("show", GOOD, "--no-plot", "--journal", journal).stdout
    assert "│" not in text and "EVENTS" in text
    text = run("show", GOOD, "--width", "44", "--journal", journal).stdout
    drawn = [line for line in text.splitlines() if "│" in line]
    assert drawn and 40 <= max(map(len, drawn)) <= 44
    assert run("show", GOOD, "--width", "3", "--journal", journal).exit_code == 2


def test_a_poor_terminal_gets_ascii_plots(journal: Path) -> None:
    result = run("show", OPEN, "--journal", journal, charset="latin-1")
    text = result.stdout_bytes.decode("latin-1")
    assert result.exit_code == 0 and "irradiance, mW/cm2" in text and "  *****" in text
    assert "vacuum ?, order 1" in text  # a dash, which latin-1 has not


def test_an_unfinished_run_shows_how_far_it_came(journal: Path) -> None:
    text = run("show", OPEN, "--journal", journal).stdout
    assert "not ended" in text and "so far   340.00 mJ/cm² at the last stored sample" in text
    told = json.loads(run("show", OPEN, "--json", "--journal", journal).stdout)
    assert told["end"] is None and told["stored_samples"] == 701


def test_json_is_json(journal: Path) -> None:
    told = json.loads(
        run("show", GOOD, "--json", "--journal", journal).stdout,
        parse_constant=pytest.fail,
    )
    wanted = ["run", "start", "channels", "events", "end", "stored_samples", "samples_removed"]
    assert list(told) == [*wanted, "seal"]
    assert told["start"]["conditions"]["light"]["channels"][0]["dark_counts"] == 20.0
    assert [event["name"] for event in told["events"]] == ["lamp on", "strange"]
    assert told["end"]["dose_mj_cm2"] == 340.0


def test_a_run_of_nothing(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    block = samples()
    with Journal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=4096) as journal:
        add_run(journal, "bare", block, target_dose_mj_cm2=None, conditions={}, request={})
        block.values["vacuum_kpa"] = np.full(len(block), np.nan)
        none = type(block)(block.ticks[:0], block.at_utc_ms[:0], {}, {})
        add_run(journal, "none", none, begun_s=60.0, ended=False, target_dose_mj_cm2=None,
                conditions={"light": "torch", "list": [1, {"a_kpa": None}]})  # fmt: skip
    bare = run("show", "bare", "--journal", path).stdout
    assert "target         –" in bare and "CONDITIONS" not in bare
    none = run("show", "none", "--journal", path)
    assert none.exit_code == 0 and "no samples to plot" in none.stdout
    assert "light     torch" in none.stdout and "list 1 a  –" in none.stdout


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("expected_mw_cm2", 12, ("expected", "120 W/m²")),
        ("low_kpa", 60.954995526138, ("low", "18 inHg")),
        ("reference_temp_c", 25.0, ("reference temp", "77 °F")),
        ("temp_coeff_per_c", -0.0012, ("temp coeff", "-0.0012 1/°C")),
        ("slope_mw_cm2_per_count", 0.0149313159, ("slope", "0.0149313 mW/cm² per count")),
        ("fall_limit_kpa_per_min", 6.0, ("fall limit", "6 kPa/min")),
        ("low_um", 35.0, ("low", "35 µm")),
        ("activation_energy_kj_mol", 80.5, ("activation energy", "80.5 kJ/mol")),
        ("slope_c_per_min", -4.5, ("slope", "-4.5 °C/min")),
        ("dark_counts", 18, ("dark", "18 counts")),
        ("afterglow_s", float("nan"), ("afterglow", "– s")),
        ("vacuum_kpa", float("nan"), ("vacuum", "– inHg")),
        ("order", 3, ("order", "3")),
        ("contact", False, ("contact", "no")),
        ("note", None, ("note", "–")),
    ],
)
def test_values_in_the_units_asked_for(name: str, value: object, expected: tuple) -> None:
    display = Display(dose="J/cm2", irradiance="W/m2", vacuum="inHg", temperature="degF")
    assert shown(name, value, display) == expected


def test_nested_values_become_a_flat_list() -> None:
    nested = {"a": {"low_kpa": 1.0}, "b": [], "c": [1, 2]}
    assert facts(nested, Display()) == [("a low", "1 kPa"), ("b", "–"), ("c 0", "1"), ("c 1", "2")]


def test_a_run_names_the_calibrations_it_was_made_with(journal: Path) -> None:
    said = run("show", GOOD, "--journal", journal).stdout
    part = said.partition("CALIBRATIONS")[2].partition("\n\n")[0]
    assert "light 0@3; against hand meter, certificate EX-117; made 2026-01-15, due" in part
    assert "U (k = 2) 0.71 mW/cm²" in part
    assert "vacuum   as configured" in part
