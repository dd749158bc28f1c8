"""What kind of plate a recipe is for, and what follows: limits that are refused, cautions. Pure.

Cautions are the usual ones, and no safety data sheet; local codes and the makers of oven and bath
go before them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal, Self

from pydantic import model_validator

from platelink.forms.keys import Celsius, Section, key
from platelink.forms.walk import Loc
from platelink.recipe.quantities import Micrometres
from platelink.recipe.steps import BakeStep, BlowOffStep, InspectStep, Step, WashStep
from platelink.recipe.texts import joined

BELOW_FLASH_K = 15.0
"""So far below its flash point a mixture of solvents is kept where nobody has studied it further
(EN 1127-1, from memory)."""
FILM_MOST_C = 70.0
"""Backing of polyester film softens from about its glass transition, 67 to 81 °C (handbooks of
polymers, from memory)."""


class PlateSection(Section):
    """What kind of plate it is. What follows from it is refused or shown as a caution."""

    wash: Literal["water", "solvent"] = key(
        "What it is washed out with. solvent: each wash needs limits of the bath, the upper one at "
        "least 15 K below the flash point, and cautions of fire and ventilation are shown."
    )
    backing: Literal["steel", "film"] = key(
        "What carries the layer. film: ovens go no higher than heat_limit_c. steel: its edges "
        "cut and it rusts, which cautions say; heat needs no limit for its sake."
    )
    layer_um: Micrometres | None = key(
        "Thickness of the photopolymer: no depth may be more.", None, unit="µm", gt=0.0, le=10_000.0
    )
    flash_point_c: Celsius | None = key(
        "Flash point of the solvent, from its safety data sheet; needed for a solvent.",
        None,
        unit="°C",
        ge=-50.0,
        le=400.0,
    )
    heat_limit_c: Celsius | None = key(
        "Highest over-temperature limit that the backing bears; left out, 70 °C for film and none "
        "for steel.",
        None,
        unit="°C",
        gt=0.0,
        le=500.0,
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.wash == "solvent" and self.flash_point_c is None:
            raise ValueError("flash_point_c: is needed for a solvent; its safety data sheet has it")
        if self.wash == "water" and self.flash_point_c is not None:
            raise ValueError('flash_point_c: is for wash = "solvent"')
        return self

    @property
    def heat_most_c(self) -> float | None:
        """What the backing bears; None: it sets no limit."""
        if self.heat_limit_c is not None:
            return self.heat_limit_c
        return FILM_MOST_C if self.backing == "film" else None


def faults(plate: PlateSection | None, steps: Sequence[Step]) -> Iterator[tuple[Loc, str]]:
    """(path, text) of limits that such a plate does not bear."""
    if plate is None:
        return
    for i, step in enumerate(steps):
        match step:
            case WashStep():
                yield from _bath(plate, step, i)
            case BakeStep():
                most_c = plate.heat_most_c
                if most_c is not None and step.limit_c > most_c:
                    yield (
                        ("step", i, "limit_c"),
                        f"must be at most {most_c:g} °C, which {plate.backing} backing bears "
                        "([plate] heat_limit_c)",
                    )
            case InspectStep():
                for j, point in enumerate(step.point):
                    if plate.layer_um is not None and point.high_um > plate.layer_um:
                        yield (
                            ("step", i, "point", j, "high_um"),
                            f"must be at most {plate.layer_um:g} µm, the layer's thickness",
                        )


def _bath(plate: PlateSection, step: WashStep, i: int) -> Iterator[tuple[Loc, str]]:
    if plate.flash_point_c is None:
        return
    most_c = plate.flash_point_c - BELOW_FLASH_K
    if step.water_high_c is None:
        yield ("step", i, "water_high_c"), "is needed: a bath of solvent has limits"
    elif step.water_high_c > most_c:
        yield (
            ("step", i, "water_high_c"),
            f"must be at most {most_c:g} °C: {BELOW_FLASH_K:g} K below the flash point of the "
            "solvent",
        )


# --- cautions ------------------------------------------------------------------------------------


def _said(en: str, de: str, es: str) -> str:
    return str(joined({"en": en, "de": de, "es": es}))


SOLVENT_BATH = _said(
    "Solvent: extract its vapour; no flame, spark or hot surface near it; gloves and goggles as "
    "its safety data sheet says. Local codes go first.",
    "Lösemittel: Dämpfe absaugen; keine Flamme, kein Funke, nichts Heißes in der Nähe; Handschuhe "
    "und Schutzbrille nach Sicherheitsdatenblatt. Örtliche Vorschriften gehen vor.",
    "Disolvente: aspire los vapores; sin llama, chispa ni superficie caliente cerca; guantes y "
    "gafas según la ficha de datos de seguridad. Prevalecen las normas locales.",
)
SOLVENT_MIST = _said(
    "Solvent flies off as mist: under extraction only, no flame or spark near it.",
    "Lösemittel wird zu Nebel: nur unter Absaugung, keine Flamme, kein Funke in der Nähe.",
    "El disolvente sale como niebla: solo bajo aspiración, sin llama ni chispa cerca.",
)
SOLVENT_OVEN = _said(
    "A plate wet with solvent gives off vapour that burns: let it air under extraction first, "
    "and use only an oven whose maker allows solvents.",
    "Von einem lösemittelnassen Klischee steigt brennbarer Dampf auf: erst unter Absaugung "
    "ablüften lassen, nur in einen Ofen, den der Hersteller für Lösemittel zulässt.",
    "Un cliché mojado de disolvente desprende vapor inflamable: déjelo airear bajo aspiración y "
    "use solo un horno que el fabricante admita para disolventes.",
)
STEEL_EDGES = _said(
    "Edges of steel cut: wear gloves.",
    "Stahlkanten schneiden: Handschuhe tragen.",
    "Los bordes de acero cortan: use guantes.",
)
STEEL_RUST = _said(
    "Steel rusts: dry its back and edges at once.",
    "Stahl rostet: Rückseite und Kanten sofort trocknen.",
    "El acero se oxida: seque enseguida el dorso y los bordes.",
)
FILM_HEAT = _said(
    "Film backing softens and shrinks with heat: never above the oven's limit.",
    "Folienträger wird in der Hitze weich und schrumpft: nie über die Grenze des Ofens.",
    "El soporte de película se ablanda y encoge con el calor: nunca por encima del límite del "
    "horno.",
)


def cautions(plate: PlateSection, step: Step) -> tuple[str, ...]:
    """What is shown at a step of such a plate, besides what the recipe says. Common practice."""
    solvent, steel = plate.wash == "solvent", plate.backing == "steel"
    match step:
        case WashStep():
            found = [(solvent, SOLVENT_BATH), (steel, STEEL_EDGES)]
        case BlowOffStep():
            found = [(solvent, SOLVENT_MIST), (steel and not solvent, STEEL_RUST)]
        case BakeStep():
            found = [(solvent, SOLVENT_OVEN), (not steel, FILM_HEAT)]
        case _:
            found = []
    return tuple(text for so, text in found if so and text not in step.cautions)


def with_cautions(step: Step, plate: PlateSection | None) -> Step:
    """The step with these after its own."""
    more = () if plate is None else cautions(plate, step)
    return step.model_copy(update={"cautions": (*step.cautions, *more)}) if more else step
