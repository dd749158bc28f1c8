"""The plate of the demonstration: its recipe, what goes wrong with it, and the person who makes it.

Everything is asked of the service, as any face does. All names and figures are invented.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

from pydantic import JsonValue

from platelink.client import Client, ClientError
from platelink.contract.plates import ActOnPlate, BakeNow, NewPlate, PlateBrief, StepNow
from platelink.contract.recipes import RecipeFile
from platelink.contract.stock import NewLot, NewScreen
from platelink.contract.unit import EndedLine, LiveLine, StatusLine
from platelink.contract.words import PlateAct
from platesim.ptyprocess import PtyProcess

PLATE, JOB, LOT, SCREEN = "demo-plate-1", "invented-job", "demo-lot-1", "demo-screen-fine"
AREA_CM2 = 300.0
LEAK = {"conductance_l_s": 1.2, "at_light_s": 8.0, "for_s": 6.0}
DOOR_S = 50.0
"""How long the oven's door stays open, seconds of the unit."""
BEFORE_DOOR_S = 20.0
UV_CAUTION = (
    '[{ en = "UV injures eyes and skin. The lid stays closed while light is on.", '
    'de = "UV verletzt Augen und Haut. Der Deckel bleibt zu, solange Licht an ist.", '
    'es = "La luz UV daña ojos y piel. La tapa queda cerrada mientras haya luz." }]'
)

WET_FLOOR = (
    '[{ en = "The floor gets wet and slippery.", '
    'de = "Der Boden wird nass und rutschig.", '
    'es = "El suelo se moja y resbala." }]'
)

GOGGLES = (
    '[{ en = "Wear goggles.", de = "Schutzbrille tragen.", es = "Llevar gafas protectoras." }]'
)

HOT = (
    '[{ en = "The oven and the plate are hot.", '
    'de = "Ofen und Klischee sind heiß.", '
    'es = "El horno y el cliché están calientes." }]'
)
RECIPE = f"""# Invented for the demonstration; short times, so that it ends soon.
format = 1
id = "demo-plate"
title = "A demonstration plate (invented)"
stock = "demo-stock"

[[step]]
kind = "prompt"
name = "identify"
instructions.en = "Read lot, screen and job aloud. Take the cover film off."
instructions.de = "Charge, Raster und Auftrag laut lesen. Schutzfolie abziehen."
instructions.es = "Leer en voz alta lote, trama y trabajo. Retirar la lámina protectora."

[[step]]
kind = "expose"
name = "film"
instructions.en = "Lay the artwork film on, emulsion down. Close the blanket."
instructions.de = "Film auflegen, Schichtseite nach unten. Drucktuch schließen."
instructions.es = "Colocar la película con la emulsión hacia abajo. Cerrar la manta."
cautions = {UV_CAUTION}
dose_mj_cm2 = 190

[step.contact]
low_kpa = "58 kPa"
high_kpa = "92 kPa"

[[step]]
kind = "expose"
name = "screen"
instructions.en = "Film off, line screen on. Close the blanket."
instructions.de = "Film abnehmen, Raster auflegen. Drucktuch schließen."
instructions.es = "Retirar la película, colocar la trama. Cerrar la manta."
cautions = {UV_CAUTION}
dose_mj_cm2 = 150
screen = "{SCREEN}"

[step.contact]
low_kpa = "58 kPa"
high_kpa = "92 kPa"

[[step]]
kind = "wash"
name = "washout"
cautions = {WET_FLOOR}

[[step.stage]]
name = "soak"
duration_s = 14
prompt.en = "Put the plate under the water."
prompt.de = "Klischee unter Wasser legen."
prompt.es = "Poner el cliché bajo el agua."

[[step.stage]]
name = "rub"
duration_s = 17
prompt.en = "Rub with a soft pad."
prompt.de = "Mit weichem Kissen reiben."
prompt.es = "Frotar con una almohadilla suave."

[[step]]
kind = "blow_off"
name = "blow-off"
instructions.en = "Water off with low-pressure air, away from people."
instructions.de = "Wasser mit schwacher Druckluft abblasen, von Personen weg."
instructions.es = "Quitar el agua con aire a baja presión, lejos de las personas."
cautions = {GOGGLES}

[[step]]
kind = "bake"
name = "dry"
cautions = {HOT}
low_c = 54
nominal_c = 57
high_c = 60
limit_c = 68
in_band_s = "80 s"
activation_energy_kj_mol = 80

[[step]]
kind = "expose"
name = "hardening"
instructions.en = "Lay the plate face up, uncovered; no vacuum."
instructions.de = "Klischee mit der Bildseite nach oben legen, unbedeckt; kein Vakuum."
instructions.es = "Poner el cliché boca arriba, descubierto; sin vacío."
cautions = {UV_CAUTION}
dose_mj_cm2 = 260
contact = false

[[step]]
kind = "inspect"
name = "inspect"
instructions.en = "Let the plate cool first."
instructions.de = "Klischee zuerst abkühlen lassen."
instructions.es = "Dejar enfriar el cliché primero."

[[step.point]]
name = "large area"
low_um = 31
high_um = 35

[[step.check]]
name = "dots"
question.en = "Are all screen dots standing?"
question.de = "Stehen alle Rasterpunkte?"
question.es = "¿Están todos los puntos de trama en pie?"
defect = "dots-missing"
"""
VALUES: dict[str, JsonValue] = {"points": {"large area": 32.6}, "checks": {"dots": True}}
DOES = {
    ("film", "begin"): "lays the film on, closes the blanket and begins",
    ("screen", "begin"): "takes the film off, lays the screen on and begins",
    ("hardening", "begin"): "lays the plate face up, uncovered, and begins",
    ("washout", "begin"): "puts the plate under the water",
    ("dry", "begin"): "puts the plate into the oven, and leaves its door ajar",
    ("inspect", "measure"): "measures 32.6 µm, and all dots are standing",
}


def provide(client: Client) -> str:
    """Recipe, lot and screen, as a shop enters them; the revision approved."""
    added = client.add_recipe(RecipeFile(toml=RECIPE, why="for the demonstration"))
    client.approve_recipe(added.name, "the demonstration's own")
    today = time.strftime("%Y-%m-%d")
    client.stock.add_lot(NewLot(name=LOT, stock="demo-stock", received_on=today, area_cm2=5000.0))
    client.stock.add_screen(NewScreen(name=SCREEN, ruling_lines_per_cm=46.0, tint_pct=82.0))
    return added.name


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

    def make(self) -> Iterator[LiveLine]:
        """Every line of the unit until the plate is over."""
        revision = provide(self._client)
        self._say(f"plate {PLATE} by {revision}, lot {LOT}, screen {SCREEN}")
        plate = NewPlate(recipe=revision, plate=PLATE, job=JOB, lot=LOT, area_cm2=AREA_CM2)
        with self._client.live() as lines:
            self._client.make_plate(plate)
            for line in lines:
                yield line
                match line:
                    case EndedLine(ended=ended) if ended == PLATE:
                        return
                    case StatusLine(status=status):
                        for one in status.plates:
                            self._look(one)

    def _look(self, plate: PlateBrief) -> None:
        now = plate.now
        if now.name == "dry":
            self._mind_the_door(now)
        act = self._next(now)
        seen = (plate.step, now.state, act, now.stage.number if now.stage else None)
        if act is None or seen == self._acted:
            return
        self._acted = seen
        self._act(plate, now, act)

    def _next(self, now: StepNow) -> PlateAct | None:
        acts, stage = now.acts, now.stage
        if PlateAct.RESTART in acts:
            self._restart_at = self._restart_at or time.monotonic() + LEAK["for_s"] / self._speed
            return PlateAct.RESTART if time.monotonic() >= self._restart_at else None
        for act in (PlateAct.BEGIN, PlateAct.MEASURE):
            if act in acts:
                return act
        if PlateAct.DONE in acts and stage and (stage.due or stage.planned_s is None):
            return PlateAct.DONE
        return None

    def _act(self, plate: PlateBrief, now: StepNow, act: PlateAct) -> None:
        if act is PlateAct.BEGIN and now.kind == "expose":
            self._unit.order(do="mark")
            if now.name == "film":
                self._unit.order(fault="leak", **LEAK)
        if act is PlateAct.RESTART:
            does = "reseats the blanket's edge and restarts"
        else:
            does = DOES.get((now.name, act), "does it and confirms")
        self._say(f"  ({now.name}: the operator {does})")
        values = VALUES if act is PlateAct.MEASURE else None
        try:
            self._client.act(PLATE, act, ActOnPlate(step=plate.step, values=values))
        except ClientError as error:
            self._say(f"  (refused: {error})")
            self._acted = ()

    def _mind_the_door(self, now: StepNow) -> None:
        in_band_s = (now.bake.in_band_s if isinstance(now.bake, BakeNow) else None) or 0.0
        if self._door == "shut" and in_band_s >= BEFORE_DOOR_S:
            self._unit.order(fault="door", for_s=DOOR_S)
            self._door = "was ajar"

    def ended(self, step: str) -> None:
        """An exposure of the plate is over: what did the lamps give?"""
        self.true_mj_cm2[step] = self._unit.truth()["dose_mj_cm2"]
