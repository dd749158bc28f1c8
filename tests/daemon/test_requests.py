"""Requests as clients may send them, good and bad."""

from __future__ import annotations

import asyncio
import json
import math
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time
from platelink.contract.wire import Expose, read_request
from platelink.contract.words import Command
from platelink.daemon.setup import make_job
from platelink.unit.job import Job

CONFIG = config_for(Path("/nowhere"))
GOOD = {"dose": "340 mJ/cm2"}


def job_of(asked: Any) -> Job:
    request = read_request({"do": "expose", "job": asked})
    assert isinstance(request, Expose)
    return make_job(CONFIG, request.job)


def test_a_whole_request() -> None:
    asked = {
        "dose": "0.34 J/cm2", "step": "screen", "operator": "op", "plate": "p-1", "job": "1234",
        "note": "", "contact": False, "accept_overdue": True, "max_light_s": 90,
    }  # fmt: skip
    job = job_of(asked)
    assert job.request.target_dose_mj_cm2 == 340.0
    assert (job.step, job.operator, job.plate, job.job, job.note) == (
        "screen", "op", "p-1", "1234", "",
    )  # fmt: skip
    assert job.request.contact is None and job.accept_overdue
    assert job.request.max_light_s == 90.0
    assert job.recorded_request == asked


def test_what_is_not_said_is_as_configured() -> None:
    job = job_of(GOOD)
    assert job.step == "film" and not job.accept_overdue
    assert job.request.contact == CONFIG.contact_limits()
    assert job.request.max_light_s == CONFIG.exposure.max_exposure_s
    assert job.recorded_request == {**GOOD, "contact": True}
    assert job_of({**GOOD, "max_light_s": 1e9}).request.max_light_s == 1800.0


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({}, "nothing was given"),
        ({"dose": None}, "write a number"),
        ({"dose": 340}, "the unit is missing"),
        ({"dose": "340"}, "the unit is missing"),
        ({"dose": "340 furlongs"}, "not known here"),
        ({"dose": "-5 mJ/cm2"}, "greater than 0"),
        ({"dose": "0 mJ/cm2"}, "greater than 0"),
        ({"dose": "nan mJ/cm2"}, "finite number"),
        ({"dose": "inf mJ/cm2"}, "finite number"),
        ({"dose": "1e999 mJ/cm2"}, "too large"),
        ({"dose": "1e7 mJ/cm2"}, "at most 1e.06"),
        ({"dose": "1e-6 mJ/cm2"}, "at least 0.1"),
        ({"dose": "1,000 mJ/cm2"}, "a comma may mean"),
        ({"dose": ["340 mJ/cm2"]}, "dose"),
        ({**GOOD, "dosis": 1}, "dosis: not known; use dose, step, operator"),
        ({**GOOD, "step": "FILM"}, "small letters"),
        ({**GOOD, "step": 5}, "step"),
        ({**GOOD, "step": "x" * 40}, "small letters"),
        ({**GOOD, "contact": None}, "contact: give true or false"),
        ({**GOOD, "contact": "false"}, "contact: give true or false"),
        ({**GOOD, "contact": 0}, "contact: give true or false"),
        ({**GOOD, "accept_overdue": "no"}, "accept_overdue: give true or false"),
        ({**GOOD, "max_light_s": 0}, "max_light_s"),
        ({**GOOD, "max_light_s": -1.0}, "max_light_s"),
        ({**GOOD, "max_light_s": math.nan}, "max_light_s"),
        ({**GOOD, "max_light_s": math.inf}, "max_light_s"),
        ({**GOOD, "max_light_s": True}, "max_light_s"),
        ({**GOOD, "max_light_s": "long"}, "max_light_s"),
        ({**GOOD, "max_light_s": [1]}, "max_light_s"),
        ({**GOOD, "plate": {"a": math.nan}}, "plate: give a text"),
        ({**GOOD, "plate": True}, "plate: give a text"),
        ({**GOOD, "plate": "\ud800"}, "plate: .* UTF-8"),
        ({**GOOD, "note": "x" * 201}, "note: 201 characters, at most 200"),
        ([], "a job is an object"),
        (["dose"], "a job is an object"),
        ("dose", "a job is an object"),
        (7, "a job is an object"),
    ],
)  # fmt: skip
def test_bad_requests_are_refused_with_the_reason(asked: Any, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        job_of(asked)


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)
KEYS = st.text(max_size=5) | st.sampled_from(
    ["dose", "step", "operator", "note", "contact", "accept_overdue", "max_light_s"]
)


@given(ANY_JSON | st.dictionaries(KEYS, ANY_JSON | st.just("340 mJ/cm2"), max_size=5))
def test_any_json_is_a_job_or_a_reason(asked: Any) -> None:
    try:
        job = job_of(asked)
    except ValueError as error:
        assert str(error)
        return
    assert 0.0 < job.request.target_dose_mj_cm2 <= 1e6
    json.dumps(job.recorded_request, allow_nan=False).encode()


def test_requests_to_a_daemon(tmp_path: Path) -> None:
    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            refused = daemon.ask("expose", job=dict(GOOD))
            assert not refused["ok"] and "no link to the device" in refused["error"]
            await daemon.until_up()
            for bad in (None, [], "x", 5, {"dose": "340"}):
                refused = daemon.ask("expose", job=bad)
                assert not refused["ok"] and refused["error"]
            for do in Command:
                assert daemon.ask(do)["error"] == f"{do}: no exposure is running"
            for do in ("", "polish", None, 5, ["hold"]):
                assert "not known; use status, expose" in daemon.shell.handle({"do": do})["error"]
            assert daemon.shell.handle({})["ok"] is False
            daemon.expose()
            assert daemon.ask("restart")["error"] == "restart is not possible while running"
            assert "end it first" in daemon.ask("expose", job=dict(GOOD))["error"]
            assert daemon.ask("abort", reason="the test is over")["ok"]
            assert daemon.state == "aborted"

    in_simulated_time(work())


OVERDUE = date(2126, 1, 16)
"""A day past the due date of the simulated unit's calibration."""


def test_an_overdue_calibration_needs_leave_and_is_recorded(tmp_path: Path) -> None:
    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench, today=lambda: OVERDUE) as daemon:
            await daemon.until_up()
            refused = daemon.ask("expose", job=dict(GOOD))
            assert not refused["ok"]
            assert "due on 2126-01-15, 1 day ago; calibrate" in refused["error"]
            assert "continue with it overdue" in refused["error"]
            run_id = daemon.expose(accept_overdue=True)
            event = daemon.shell.journal.reader.events(run_id)[0]
            assert event.name == "calibration overdue" and "2126-01-15" in event.text
            assert daemon.shell.journal.reader.run(run_id).start.request["accept_overdue"] is True
            daemon.ask("abort")

    in_simulated_time(work())


def test_a_calibration_falls_due_while_the_daemon_runs(tmp_path: Path) -> None:
    async def work() -> None:
        days = [date(2126, 1, 15)]
        async with Daemon(config_for(tmp_path), Bench(), today=lambda: days[-1]) as daemon:
            await daemon.until_up()
            daemon.expose()
            daemon.ask("abort")
            days.append(OVERDUE)
            assert "due on 2126-01-15" in daemon.ask("expose", job=dict(GOOD))["error"]
            await asyncio.sleep(2.0)  # looked at once a second
            (late,) = (
                a for a in daemon.ask("status")["alarms"]["list"]
                if a["name"] == "calibration overdue"
            )  # fmt: skip
            assert (late["value"], late["limit"], late["unit"]) == (1.0, 0.0, "days")

    in_simulated_time(work())
