"""Documents against the tree: lines that are run, files that are named, names that are noted."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import tomllib
from importlib.metadata import distributions
from pathlib import Path

import pytest
from documents import blocks, not_shown
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from platelink.config.load import load
from platelink.contract.words import PlateAct
from platelink.control.alarm.unit import UNIT_ALARMS
from platelink.control.procedure import kinds, table
from platelink.control.procedure.kinds import cannot_make
from platelink.control.states import State, Step, diagram
from platelink.daemon import docs as generated
from platelink.daemon.docs import KINDS
from platelink.daemon.setup import step_defaults
from platelink.events.event import EventName
from platelink.events.unit import EDGES
from platelink.recipe.example import text as example_text
from platelink.recipe.load import loads

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
EXPOSURE = (ROOT / "docs/exposure.md").read_text("utf-8")
PROCEDURE = (ROOT / "docs/procedure.md").read_text("utf-8")
ALARMS = (ROOT / "docs/alarms.md").read_text("utf-8")
DOCUMENTS = [
    *sorted(ROOT.glob("*.md")),
    *sorted((ROOT / "docs").rglob("*.md")),
    ROOT / "dashboards/README.md",
    ROOT / "firmware-sim/PROTOCOL.md",
]
DECISIONS = sorted((ROOT / "docs/decisions").glob("[0-9]*.md"))
TOP = ("platelink/", "firmware-sim/", "tests/", "docs/", "deploy/", "dashboards/", ".ci/")


def fenced(text: str, mark: str) -> str:
    """The fenced block after an HTML comment."""
    found = re.search(rf"<!-- {mark} -->\n```\w*\n(.*?)```\n", text, re.DOTALL)
    assert found, f"no block after <!-- {mark} -->"
    return found[1]


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


# --- the two lines -------------------------------------------------------------------------


@pytest.mark.parametrize("mark", ["demo line", "test line"])
def test_a_line_is_one_line_and_installs_with_fixed_versions(mark: str) -> None:
    line = fenced(README, mark)
    assert line.count("\n") == 1
    assert "-c deploy/constraints.txt" in line
    assert subprocess.run(["bash", "-n", "-c", line], check=False).returncode == 0


def test_the_test_line_installs_what_the_demo_line_does_and_more() -> None:
    demo, test = fenced(README, "demo line"), fenced(README, "test line")
    programs = [set(line.split(" && ")[1].split()) for line in (demo, test)]
    assert "--no-install-recommends" in programs[0] < programs[1]
    assert demo.rstrip().endswith("&& .venv/bin/platelink demo")
    assert test.rstrip().endswith(
        '&& .venv/bin/python -m pytest -n 2 --dist loadscope -m "not alone and not long"'
        ' && .venv/bin/python -m pytest -m "alone and not long"'
    )


def test_ci_runs_the_test_line_as_it_stands(tmp_path: Path) -> None:
    """A copy of the script beside a README of our own runs that one's line."""
    (tmp_path / ".ci").mkdir()
    script = tmp_path / ".ci/run"
    script.write_bytes((ROOT / ".ci/run").read_bytes())
    line = fenced(README, "test line")
    readme = README.replace(line, "echo one && echo two >&2\n")
    (tmp_path / "README.md").write_text(readme, "utf-8")
    run = subprocess.run(
        ["bash", str(script)], cwd="/", capture_output=True, text=True, check=False
    )
    assert (run.returncode, run.stderr) == (0, "two\n")
    assert run.stdout == "+ echo one && echo two >&2\none\n"
    (tmp_path / "README.md").write_text(README.replace(line, "false\n"), "utf-8")
    assert subprocess.run(["bash", str(script)], capture_output=True, check=False).returncode == 1
    (tmp_path / "README.md").write_text("nothing", "utf-8")
    run = subprocess.run(["bash", str(script)], capture_output=True, text=True, check=False)
    assert run.returncode == 1
    assert "no test line" in run.stdout
    assert os.access(ROOT / ".ci/run", os.X_OK)


def constraints() -> dict[str, str]:
    lines = (ROOT / "deploy/constraints.txt").read_text("utf-8").splitlines()
    pairs = [line.split("==") for line in lines if not line.startswith("#")]
    assert all(len(pair) == 2 for pair in pairs), pairs
    return {canonicalize_name(name): number for name, number in pairs}


def test_everything_asked_for_has_a_fixed_version_that_fits() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    fixed = constraints()
    for text in project["dependencies"] + project["optional-dependencies"]["test"]:
        asked = Requirement(text)
        assert fixed[canonicalize_name(asked.name)] in asked.specifier, text


def test_the_fixed_versions_are_the_tested_ones() -> None:
    have = {canonicalize_name(d.name): d.version for d in distributions()}
    other = {n: (v, have[n]) for n, v in constraints().items() if have.get(n, v) != v}
    assert not other, "fixed and installed differ; use -c deploy/constraints.txt"


def test_without_a_compiler_the_demo_says_what_to_install(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "platelink", "demo"],
        env={"PATH": str(tmp_path), "HOME": str(tmp_path)}, cwd=tmp_path,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 1
    assert "Traceback" not in run.stderr
    found = re.search(r"sudo apt install -y (.+)", run.stderr)
    assert found, run.stderr
    assert set(found[1].split()) <= set(fenced(README, "demo line").split())


# --- what documents name -------------------------------------------------------------------


def named_files(text: str) -> set[str]:
    """Paths of this tree in `code`, without what follows them."""
    spans = re.findall(r"`([^`\n]+)`", text)
    words = {word.rstrip(".,;:") for span in spans for word in span.split()}
    return {w for w in words if w.startswith(TOP) and not set(w) & set("*<>{")}


@pytest.mark.parametrize("path", DOCUMENTS, ids=name_of)
def test_named_files_exist(path: Path) -> None:
    missing = {name for name in named_files(path.read_text("utf-8")) if not (ROOT / name).exists()}
    assert not missing


@pytest.mark.parametrize("path", DOCUMENTS, ids=name_of)
def test_links_within_the_tree_lead_somewhere(path: Path) -> None:
    targets = re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", path.read_text("utf-8"))
    broken = [t for t in targets if "://" not in t and not (path.parent / t).exists()]
    assert not broken


HOSTS = ("pypi", "pythonhosted", "npmjs", "crates.io", "proxy.golang", "anaconda")
OF_ONE_MACHINE = re.compile(r"(?<![\w.])/(?:home|root|work|Users|mnt|media)(?=[/\s`\"']|$)", re.M)


@pytest.mark.parametrize(
    "path", [*DOCUMENTS, ROOT / "deploy/constraints.txt", ROOT / ".ci/run"], ids=name_of
)
def test_no_registry_and_no_path_of_one_machine_is_named(path: Path) -> None:
    text = path.read_text("utf-8")
    assert not [host for host in HOSTS if host in text.lower()]
    assert not OF_ONE_MACHINE.findall(text)


def test_the_first_page_leads_to_every_document() -> None:
    wanted = {name_of(path) for path in (ROOT / "docs").glob("*.md")}
    for part in ("how-to", "explanation"):
        wanted |= {name_of(path) for path in (ROOT / "docs" / part).glob("*.md")}
    wanted |= {"DEVELOPERS.md", "LICENSE", "firmware-sim/PROTOCOL.md", "dashboards/README.md"}
    newest = max((ROOT / "docs/changes").glob("*.md"))
    wanted.add(name_of(newest))
    assert not {name for name in wanted if f"`{name}`" not in README}


def test_the_newest_change_notes_are_of_this_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    notes = ROOT / f"docs/changes/{project['version']}.md"
    assert notes.read_text("utf-8").startswith(f"# {project['version']}\n")


BESIDE = ("alarm", "steps", "procedure")
"""Folders of ``control`` that no exposure goes through."""


def no_init(path: Path) -> bool:
    return path.name != "__init__.py"


def test_every_module_of_an_exposure_is_on_its_way() -> None:
    """The walk names the core's own files, all of them."""
    way = DEVELOPERS.split("## One exposure, end to end")[1].split("\n## ")[0]
    named = named_files(way)
    control = {name_of(p) for p in (ROOT / "platelink/control").rglob("*.py") if no_init(p)}
    beside = {n for n in control if n.startswith(tuple(f"platelink/control/{b}/" for b in BESIDE))}
    assert control - beside - named <= {
        "platelink/control/light/advisory.py",  # the other way to make one
        "platelink/control/states.py",  # data; has its own page
    }
    assert len(named) > 40


def test_every_module_of_a_plate_is_on_its_way() -> None:
    way = DEVELOPERS.split("## One plate, end to end")[1].split("\n## ")[0]
    control = {
        name_of(p) for part in BESIDE for p in (ROOT / "platelink/control" / part).glob("*.py")
        if no_init(p)
    }  # fmt: skip
    assert control - named_files(way) == {
        f"platelink/control/{name}.py"
        for name in ("alarm/states", "steps/bake_status", "steps/oven", "steps/unswitched")
    }, "what the others are made of need not be named, all others must"


def test_example_configuration_loads(tmp_path: Path) -> None:
    path = tmp_path / "platelink.toml"
    path.write_text(fenced(README, "configuration"), "utf-8")
    config = load(path)
    assert config.contact_limits() is not None
    assert config.broker is None
    path.write_text(fenced(README, "configuration") + fenced(README, "publishing"), "utf-8")
    assert load(path).broker is not None


def test_the_first_day_fits_together(tmp_path: Path) -> None:
    """Configuration, recipe, lot and screen of the first page make a plate on that unit."""
    path = tmp_path / "platelink.toml"
    path.write_text(fenced(README, "configuration"), "utf-8")
    for text in (README, (ROOT / "docs/installation.md").read_text("utf-8")):
        named = re.search(r"recipe example (\S+) >", text)
        assert named
        recipe = loads(example_text(named[1]))
        assert not list(cannot_make(recipe, step_defaults(load(path))))
        lot = re.search(r"lot add (\S+) --stock (\S+) --area", text)
        made = re.search(r"plate make (plate-\S+) --lot (\S+?)[`\n]", text)
        assert lot and made
        assert (recipe.id, lot[1], lot[2]) == (made[1], made[2], recipe.stock)
        assert re.findall(r"screen add (\S+) --ruling", text) == list(recipe.screens())
        assert f"recipe approve {recipe.id}@1" in text


# --- decisions -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path", [*DECISIONS, ROOT / "docs/decisions/template.md"], ids=lambda p: p.stem
)
def test_a_decision_has_its_three_parts(path: Path) -> None:
    text = path.read_text("utf-8")
    parts = re.findall(r"^\*\*(\w+)\.\*\* (?=\S)", text, re.MULTILINE)
    assert parts == ["Context", "Decision", "Consequences"]
    number = "N" if path.stem == "template" else str(int(path.stem[:4]))
    assert re.match(rf"# {number}\. \S.*\n\n\*\*Context", text)


def test_decisions_are_numbered_without_holes_and_linked() -> None:
    assert [int(p.stem[:4]) for p in DECISIONS] == list(range(1, len(DECISIONS) + 1))
    assert not [p for p in DECISIONS if f"`{name_of(p)}`" not in DEVELOPERS]


# --- states, steps, events -----------------------------------------------------------------


def test_the_diagram_is_current() -> None:
    assert fenced(EXPOSURE, "diagram") == diagram()


def section(title: str, document: str = EXPOSURE) -> str:
    return document.split(f"\n## {title}\n")[1].split("\n## ", maxsplit=1)[0]


def first_column(text: str) -> list[str]:
    """Every `name` in the first column of the tables."""
    cells = re.findall(r"^\|([^|]*)\|", text, re.MULTILINE)
    return [name for cell in cells for name in re.findall(r"`([^`]+)`", cell)]


def test_every_state_and_step_has_its_meaning() -> None:
    assert first_column(section("States")) == [str(state) for state in State]
    assert first_column(section("Steps")) == [str(step) for step in Step]


def test_the_procedure_is_told_as_it_is() -> None:
    """Diagram, states, acts and where each is possible, kinds of step and their places."""
    assert fenced(PROCEDURE, "diagram") == table.diagram()
    states = section("States of a step", PROCEDURE)
    assert first_column(states) == [str(state) for state in table.StepState]
    rows = re.findall(r"^\| `(\w+)` \| (.*?) \|", section("Acts", PROCEDURE), re.MULTILINE)
    assert [act for act, _ in rows] == [str(act) for act in PlateAct]
    for act, where in rows:
        if act in ("done", "measure"):  # no moves of the table, but of work by hand
            continue
        move = table.Move(act)
        possible = {str(state) for state, m in table.TRANSITIONS if m is move}
        named = set(re.findall(r"`(\w+)`", where))
        assert possible == (going_on() - named if where.startswith("any but") else named), act
    levels = section("Levels", PROCEDURE)
    places = {name: kind.place for name, kind in kinds.KINDS.items()}
    assert dict(re.findall(r"^\| `(\w+)` \| ([\w ]+) \| ", levels, re.MULTILINE)) == places


def going_on() -> set[str]:
    return {str(s) for s in table.BEGUN | {table.StepState.READY}}


@pytest.mark.parametrize("document", generated.TABLES)
def test_diagrams_alarms_and_events_are_current(document: str) -> None:
    """Written by ``python -m platelink.daemon.docs docs``."""
    text = (ROOT / "docs" / document).read_text("utf-8")
    assert generated.written(document, text) == text


def test_every_event_is_told_and_no_other() -> None:
    documents = (EXPOSURE, PROCEDURE, ALARMS)
    told = set().union(*(first_column(section("Events", document)) for document in documents))
    assert told == set(map(str, EventName))
    assert set(KINDS) | set(EDGES) == set(EventName)


def test_events_are_named_by_their_catalogue_alone() -> None:
    """A name written as text where the record is read or made would survive its renaming."""
    others = {definition.name for definition in UNIT_ALARMS}  # names of other things as well
    others |= {"in band", "out of band", "protocol mismatch"}
    words = {str(name) for name in EventName if " " in name} - others
    for path in {*(ROOT / "platelink").rglob("*.py")} - {ROOT / "platelink/events/event.py"}:
        texts = {
            node.value
            for node in ast.walk(ast.parse(path.read_text("utf-8")))
            if isinstance(node, ast.Constant) and isinstance(node.value, str)
        }
        assert not texts & words, path


def test_what_light_waits_for_is_told() -> None:
    tree = ast.parse((ROOT / "platelink/control/light/readiness.py").read_text("utf-8"))
    missing = next(n for n in ast.walk(tree) if getattr(n, "name", "") == "missing")
    wants = next(n for n in ast.walk(missing) if isinstance(n, ast.Dict))
    cells = re.findall(r"^\| ([^|`-]+?) \|", section("What light waits for"), re.MULTILINE)
    assert cells[1:] == [key.value for key in wants.keys if isinstance(key, ast.Constant)]


# --- what is shown --------------------------------------------------------------------------


def test_what_is_stated_must_come_in_its_order() -> None:
    shown = "one  two\nthree 4.5 mm²\nfive"
    assert not not_shown("one two\nthree … mm²\n  five\n", shown)
    assert not_shown("five\none two\n", shown) == ["one two"]
    assert not_shown("three … cm²", shown) == ["three … cm²"]
    assert not_shown("one.two", shown) == ["one.two"]
    text = "<!-- run -->\n```sh\na\n```\n\n```sh\nb\n```\n<!-- shows -->\n```text\nc\n```\n"
    assert blocks(text) == [("run", "a\n"), ("shows", "c\n")]
