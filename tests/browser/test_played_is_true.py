"""The played service against the real one: shapes of its answers, addresses, rights, words.

Needs no browser: a played answer that the real service would not give makes tests worthless.
"""

from __future__ import annotations

import asyncio
import json
import re
from pathlib import Path
from typing import Any

import httpx
import pytest

from browser import documents as d
from browser.played import Played
from platelink.api import access, authentication
from platelink.contract.calibrations import Calibrations, CalibrationWhole, CountsNow
from platelink.contract.experiments import Design, Experiments, ExperimentWhole
from platelink.contract.facts import Compared, Pieces, There, Touched
from platelink.contract.lamps import LampsNow
from platelink.contract.people import Me, People
from platelink.contract.plates import Plates
from platelink.contract.predicted import DepthPredicted
from platelink.contract.recipes import Diff, Recipes, RecipeWhole
from platelink.contract.runs import Device, Events, Runs, RunWhole, Samples
from platelink.contract.stock import Lots, Screens
from platelink.contract.story import RunStory
from platelink.contract.trends import Trends
from platelink.contract.unit import JournalNow
from platelink.contract.words import Role
from platelink.people.rights import Right, may
from platelink.simulated.plates import Operator, example, plan, unit_for_plates
from platelink.unit.plate_view import status_now
from platelink.unit.stamp import Stamp
from platelink.web.catalogue import HERE
from platelink.web.service import NOBODY

SHAPES = {
    "/v1/me": Me,
    "/v1/runs": Runs,
    "/v1/runs/P-1039": RunWhole,
    "/v1/runs/P-1039/events": Events,
    "/v1/runs/P-1039/story": RunStory,
    "/v1/plates/P-1039/depth": DepthPredicted,
    "/v1/trends": Trends,
    "/v1/ask/values": There,
    "/v1/ask/plates": Pieces,
    "/v1/ask/plates?where=vacuum below 50 kPa": Pieces,
    "/v1/ask/compare?first=P-1039&second=P-1031": Compared,
    "/v1/ask/sensors/light%200?since=2026-03-02": Touched,
    "/v1/ask/sensors/light%200?since=2026-03-02&factor=1.03": Touched,
    "/v1/runs/P-1039/samples?points=100": Samples,
    "/v1/recipes": Recipes,
    "/v1/recipes/plate-a-fine@2": RecipeWhole,
    "/v1/recipe-diff?a=plate-a-fine@2&b=plate-a-fine@3": Diff,
    "/v1/lots": Lots,
    "/v1/screens": Screens,
    "/v1/device": Device,
    "/v1/lamps": LampsNow,
    "/v1/calibrations": Calibrations,
    "/v1/calibrations/light%200@2": CalibrationWhole,
    "/v1/calibrations/light%200@3": CalibrationWhole,
    "/v1/counts/light%200": CountsNow,
    "/v1/experiments": Experiments,
    "/v1/experiments/wedge-1": ExperimentWhole,
    "/v1/experiments/depth-1": ExperimentWhole,
    "/v1/experiment-design?kind=wedge&dose=450 mJ/cm2": Design,
    "/v1/people": People,
    "/v1/plates": Plates,
}
JOURNAL = JournalNow(pending=0, fault="")
SOURCES = [*sorted((HERE / "templates").glob("*.html")), *sorted((HERE / "static").glob("*.js"))]


def played(tmp_path: Path, role: str) -> dict[str, Any]:
    """Every answer of the played service."""

    async def asking() -> dict[str, Any]:
        service = Played(tmp_path / "s", d.status())
        await service.start()
        transport = httpx.AsyncHTTPTransport(uds=str(service.socket))
        cookies = {"platelink_session": role}
        async with httpx.AsyncClient(
            transport=transport, base_url="http://localhost", cookies=cookies
        ) as client:
            found = {path: (await client.get(path)).json() for path in SHAPES}
        await service.stop()
        return found

    return asyncio.run(asking())


def test_its_answers_have_the_shapes_of_the_real_ones(tmp_path: Path) -> None:
    answers = played(tmp_path, "lead")
    for path, shape in SHAPES.items():
        shape.model_validate(json.loads(json.dumps(answers[path])), extra="forbid")


@pytest.mark.parametrize("role", list(Role))
def test_its_rights_are_the_real_ones(tmp_path: Path, role: Role) -> None:
    rights = played(tmp_path, str(role))["/v1/me"]["rights"]
    assert sorted(rights) == sorted(r.name.lower() for r in Right if may(role, r))


def test_rights_that_the_page_asks_for_exist() -> None:
    asked = set()
    for path in SOURCES:
        text = path.read_text("utf-8")
        asked |= set(re.findall(r"'(\w+)' (?:not )?in rights", text))
        asked |= set(re.findall(r"\bcan\(\s*\"(\w+)\"", text))
    assert len(asked) >= 8
    assert asked <= {right.name.lower() for right in Right}


def test_addresses_that_the_page_sends_to_exist() -> None:
    """Each data-post of the templates, with a name in place of what is computed."""
    posts = set()
    for path in SOURCES:
        for found in re.findall(r"data-post=\"([^\"]+)\"", path.read_text("utf-8")):
            posts.add(re.sub(r"\{\{.*?\}\}", "X", found))
    acts = {
        "/lots/X/X": ["/lots/X/open", "/lots/X/count", "/lots/X/close"],
        "/X/X/X": ["/lots/X/open", "/lots/X/count", "/lots/X/close", "/screens/X/close"],
        "/people/X/X": [
            f"/people/X/{act}" for act in ("open", "unlock", "secret", "role", "close")
        ],
        "/calibrations/X/X": ["/calibrations/X/approve", "/calibrations/X/drop"],
        "/recipes/X/X": ["/recipes/X/approve", "/recipes/X/retire"],
    }
    assert len(posts) >= 8
    for post in posts:
        for address in acts.get(post, [post]):
            assert "POST" in access.rows_of(f"/v1{address}"), post


def test_the_word_for_nobody_at_all_is_the_services() -> None:
    assert authentication.BEGIN.startswith(NOBODY)


def real_plates() -> dict[str, list[dict[str, Any]]]:
    """Plates as the status tells them at every look of an operator, by the kind of their step."""
    simulation = unit_for_plates()
    seen: dict[str, list[dict[str, Any]]] = {}

    class Looking(Operator):
        def look(self) -> None:
            status = status_now(simulation.core, "unit-1", journal=JOURNAL, at=Stamp(0.0, 0))
            for plate in status.model_dump(mode="json")["plates"]:
                seen.setdefault(plate["now"]["kind"], []).append(plate)
            super().look()

    simulation.make_plate(plan("P-1", example()))
    Looking(simulation).work()
    return seen


def test_played_plates_have_no_key_that_real_ones_lack() -> None:
    real = real_plates()
    assert set(real) == {"prompt", "expose", "wash", "blow_off", "bake", "inspect"}
    for plate in (d.READY, d.WAITING, d.LIGHT, d.HELD, d.WASH, d.WASH_DUE, d.OVEN, d.INSPECT):
        now = plate["now"]
        others = real[now["kind"]]
        assert set(plate) <= set(others[0]), plate["plate"]
        assert any(set(now) <= set(other["now"]) for other in others), now
        part = next(value for value in now.values() if isinstance(value, dict))
        name = next(key for key, value in now.items() if value is part)
        assert any(set(part) <= set(other["now"][name]) for other in others), part
