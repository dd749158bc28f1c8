"""The plate of the demonstration: its recipe, what goes wrong with it, and the person who makes it.

Everything is asked of the service, as any face does. All names and figures are invented.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

from platelink.client import Client, ClientError
from platesim.ptyprocess import PtyProcess

Line = dict[str, Any]
PLATE, JOB, LOT, SCREEN = "demo-plate-1", "invented-job", "demo-lot-1", "demo-screen-fine"
AREA_CM2 = 300.0
LEAK = {"conductance_l_s": 1.2, "at_light_s": 8.0, "for_s": 6.0}
DOOR_S = 45.0
"""How long the oven's door stays open, seconds of the unit."""
BEFORE_DOOR_S = 15.0
RECIPE = f"""# Invented for the demonstration; short times, so that it ends soon.
format = 1
id = "demo-plate"
title = "A demonstration plate (invented)"
stock = "demo-stock"

[[step]]
kind = "prompt"
name = "identify"
instructions = "Read lot, screen and job aloud. Take the cover film off."

[[step]]
kind = "expose"
name = "film"
instructions = "Lay the artwork film on, emulsion down. Close the blanket."
cautions = ["UV injures eyes and skin. The lid stays closed while light is on."]
dose_mj_cm2 = 210

[step.contact]
low_kpa = "15 inHg"
high_kpa = "27 inHg"

[[step]]
kind = "expose"
name = "screen"
instructions = "Film off, line screen on. Close the blanket."
cautions = ["UV injures eyes and skin. The lid stays closed while light is on."]
dose_mj_cm2 = 120
screen = "{SCREEN}"

[step.contact]
low_kpa = "15 inHg"
high_kpa = "27 inHg"

[[step]]
kind = "wash"
name = "washout"
cautions = ["The floor gets wet and slippery."]

[[step.stage]]
name = "agitate"
duration_s = 20
prompt = "Lay the plate in the water and agitate it."

[[step.stage]]
name = "brush"
duration_s = 10
prompt = "Brush lightly, in circles."

[[step]]
kind = "blow_off"
name = "blow-off"
instructions = "Water off with low-pressure air, away from people."
cautions = ["Wear goggles."]

[[step]]
kind = "bake"
name = "dry"
cautions = ["The oven and the plate are hot."]
low_c = "145 degF"
nominal_c = "150 degF"
high_c = "155 degF"
limit_c = "170 degF"
in_band_s = "90 s"
activation_energy_kj_mol = 80

[[step]]
kind = "expose"
name = "hardening"
instructions = "Lay the plate on top of the blanket."
cautions = ["UV injures eyes and skin. The lid stays closed while light is on."]
dose_mj_cm2 = 300
contact = false

[[step]]
kind = "inspect"
name = "inspect"
instructions = "Let the plate cool first."

[[step.point]]
name = "large area"
low_um = 22
high_um = 26

[[step.check]]
name = "dots"
question = "Are all screen dots standing?"
defect = "dots-missing"
"""
VALUES = {"points": {"large area": 24.1}, "checks": {"dots": True}}
DOES = {
    ("film", "begin"): "lays the film on, closes the blanket and begins",
    ("screen", "begin"): "takes the film off, lays the screen on and begins",
    ("hardening", "begin"): "lays the plate on top of the blanket and begins",
    ("washout", "begin"): "lays the plate in the water",
    ("dry", "begin"): "puts the plate into the oven, and leaves its door ajar",
    ("inspect", "measure"): "measures 24.1 µm, and all dots are standing",
}


def provide(client: Client) -> str:
    """Recipe, lot and screen, as a shop enters them; the revision approved."""
    added = client.post("/recipes", toml=RECIPE, why="for the demonstration")
    revision = f"demo-plate@{added['revision']}"
    client.post(f"/recipes/{revision}/approve", why="the demonstration's own")
    client.post(
        "/lots", name=LOT, stock="demo-stock", received_on=f"{time.strftime('%Y-%m-%d')}",
        area_cm2=5000.0,
    )  # fmt: skip
    client.post("/screens", name=SCREEN, ruling_lines_per_cm=80.0, tint_pct=85.0)
    return revision


class PlateMaker:
    """Makes the plate: begins what is ready, confirms what is due, restarts what is held."""

    def __init__(
        self, client: Client, unit: PtyProcess, say: Callable[[str], None], *, speed: float
    ) -> None:
        self._client, self._unit, self._say, self._speed = client, unit, say, speed
        self._acted: tuple[Any, ...] = ()
        self._restart_at = 0.0
        self._door = "shut"
        self.true_mj_cm2: dict[str, float] = {}
        """What the simulated lamps gave, by step."""

    def make(self) -> Iterator[Line]:
        """Every line of the unit until the plate is over."""
        revision = provide(self._client)
        self._say(f"plate {PLATE} by {revision}, lot {LOT}, screen {SCREEN}")
        with self._client.live() as lines:
            self._client.make_plate(
                recipe=revision, plate=PLATE, job=JOB, lot=LOT, area_cm2=AREA_CM2
            )
            for line in lines:
                yield line
                if line.get("ended") == PLATE:
                    return
                for plate in line.get("status", {}).get("plates", ()):
                    self._look(plate)

    def _look(self, plate: Line) -> None:
        now = plate["now"]
        if now["name"] == "dry":
            self._mind_the_door(now["bake"])
        act = self._next(now)
        seen = (plate["step"], now["state"], act, (now.get("stage") or {}).get("number"))
        if act is None or seen == self._acted:
            return
        self._acted = seen
        self._act(plate, now, act)

    def _next(self, now: Line) -> str | None:
        acts = now["acts"]
        if "restart" in acts:
            self._restart_at = self._restart_at or time.monotonic() + LEAK["for_s"] / self._speed
            return "restart" if time.monotonic() >= self._restart_at else None
        if "begin" in acts:
            return "begin"
        if "measure" in acts:
            return "measure"
        stage = now.get("stage")
        if "done" in acts and stage and (stage["due"] or stage["planned_s"] is None):
            return "done"
        return None

    def _act(self, plate: Line, now: Line, act: str) -> None:
        name = now["name"]
        if act == "begin" and now["kind"] == "expose":
            self._unit.order(do="mark")
            if name == "film":
                self._unit.order(fault="leak", **LEAK)
        if act == "restart":
            does = "smooths the blanket and restarts"
        else:
            does = DOES.get((name, act), "does it and confirms")
        self._say(f"  ({name}: the operator {does})")
        values = VALUES if act == "measure" else None
        try:
            self._client.act(PLATE, act, step=plate["step"], values=values)
        except ClientError as error:
            self._say(f"  (refused: {error})")
            self._acted = ()

    def _mind_the_door(self, bake: Line) -> None:
        in_band_s = bake.get("in_band_s") or 0.0
        if self._door == "shut" and in_band_s >= BEFORE_DOOR_S:
            self._unit.order(fault="door", for_s=DOOR_S)
            self._door = "was ajar"

    def ended(self, step: str) -> None:
        """An exposure of the plate is over: what did the lamps give?"""
        self.true_mj_cm2[step] = self._unit.truth()["dose_mj_cm2"]
