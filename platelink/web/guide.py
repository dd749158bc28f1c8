"""How the page leads through experiments that find doses.

What each is for, what to expose, what is typed, and between what a value can be. The service
refuses what cannot be; what stands here only says so sooner, and in words of the page.
"""

from __future__ import annotations

from typing import NamedTuple

from platelink.web.words import N_


class Field(NamedTuple):
    """One value that is typed."""

    name: str
    label: str
    unit: str = ""
    least: float | None = None
    """None: a text."""
    most: float | None = None
    needed: bool = True
    many: int = 0
    """How many of it are typed at most; 0: it is one value, no list."""
    whole: bool = False


class Guide(NamedTuple):
    """One kind of experiment."""

    title: str
    finds: str
    expose: str
    read: str
    head: tuple[Field, ...]
    """What it asks once."""
    reading: tuple[Field, ...]
    design: bool = False
    """Whether the service says which doses to expose."""
    lit: bool = True
    """Whether something is exposed and washed."""


DOSE = Field("dose_mj_cm2", N_("Dose"), "mJ/cm²", 0.01, 1e6, needed=False)
RUN = Field("run", N_("Instead of the dose: run of the exposure"), needed=False)
HELD = Field("held", N_("Last step held whole (0: none)"), "", 0, 60, whole=True)
WASHED = Field("washed", N_("First step washed away whole"), "", 1, 61, whole=True)
LIGHT = Field("irradiance_mw_cm2", N_("Irradiance at the plate"), "mW/cm²", 0.001, 1000)
GUIDES: dict[str, Guide] = {
    "wedge": Guide(
        N_("1. Step wedge"),
        N_("Finds the dose that just holds the plate. Begin with it."),
        N_(
            "Expose three or four step wedges, each with another dose within one step. Wash and "
            "dry them as plates."
        ),
        N_(
            "Count from 1 at the lightest step: the last one held whole, and the first one washed "
            "away whole."
        ),
        (
            Field("hold_step", N_("Step to be held"), "", 1, 60, needed=False, whole=True),
            Field("film_density", N_("Density of the film’s black"), "", 0, 8, needed=False),
            Field("film_dose_mj_cm2", N_("Dose of the film’s exposure"), "mJ/cm²", 0.01, 1e6,
                  needed=False),
        ),
        (DOSE, HELD, WASHED, RUN),
        design=True,
    ),
    "depth": Guide(
        N_("2. Depth strip"),
        N_("Finds the dose that gives a depth, for the lot in hand."),
        N_(
            "Expose a strip of eight patches under the screen, four in its middle, in chance "
            "order, on each of two plates. Wash and dry them as plates."
        ),
        N_("Measure three points of each patch."),
        (
            Field("target_um", N_("Depth that is wanted"), "µm", 0.1, 10_000),
            Field("for_lot", N_("Lot in hand (if left empty, the last one read)"), needed=False),
        ),
        (
            DOSE, Field("plate", N_("Plate")), Field("lot", N_("Lot of the plate")),
            Field("points_um", N_("Depth at a point"), "µm", 0, 1000, many=3), RUN,
        ),
        design=True,
    ),
    "reciprocity": Guide(
        N_("3. Reciprocity"),
        N_("Finds whether weak light counts less than strong light on this stock."),
        N_(
            "Expose five step wedges or more at full light, and the same doses through a neutral "
            "mesh of 4 to 1. Wash and dry them as plates."
        ),
        N_(
            "Count from 1 at the lightest step: the last one held whole, and the first one washed "
            "away whole."
        ),
        (),
        (DOSE, LIGHT, HELD, WASHED, RUN),
        design=True,
    ),
    "bed": Guide(
        N_("4. Evenness of the bed"),
        N_("Finds how even the light is, and where a plate lies best."),
        N_("Expose nothing. The lamps must be warm."),
        N_(
            "Read the meter on a grid of three by three places or more, with the lid as the maker "
            "built it, and at the end at the first place again."
        ),
        (
            Field("plate_cm", N_("Width and height of a plate to be placed"), "cm", 0.1, 1000,
                  needed=False, many=2),
            Field("sensor_cm", N_("Place of the unit’s sensor, across and along"), "cm", -1000,
                  1000, needed=False, many=2),
        ),
        (
            Field("x_cm", N_("Across, from the bed’s corner"), "cm", -1000, 1000),
            Field("y_cm", N_("Along, from the bed’s corner"), "cm", -1000, 1000), LIGHT,
        ),
        lit=False,
    ),
    "screens": Guide(
        N_("5. Screen first"),
        N_("Finds which depth each screen gives, and between which doses it hardly changes."),
        N_(
            "Under each screen expose six patches or more, from half to double the usual dose, on "
            "one stock and with one size of image. Wash and dry them as plates."
        ),
        N_("Measure each patch at three points or more, and type their mean."),
        (
            Field("tolerance_um", N_("Change that the press does not notice"), "µm", 0.01, 1000,
                  needed=False),
            Field("screen", N_("Screen that is asked about"), needed=False),
            Field("stock", N_("Stock that is asked about"), needed=False),
            Field("image", N_("Size of the image, in your own words"), needed=False),
            Field("target_um", N_("Depth that is wanted"), "µm", 0.1, 10_000, needed=False),
        ),
        (
            DOSE, Field("screen", N_("Screen")), Field("stock", N_("Stock")),
            Field("image", N_("Size of the image, in your own words"), needed=False),
            Field("depth_um", N_("Mean depth"), "µm", 0, 1000), RUN,
        ),
    ),
    "washout": Guide(
        N_("6. Washout and drying"),
        N_("Finds what age and warmth of the bath, brush and drying do to the depth, and when the "
           "bath is to be renewed."),
        N_(
            "Expose nothing for it: take plates as you make them, over the life of a bath or two. "
            "Change warmth, brush and drying a little on purpose, within the recipe: what never "
            "changes shows nothing."
        ),
        N_("Type each plate in the order of washing, with its depth less what was expected."),
        (
            Field("tolerance_um", N_("Depth that a bath’s age may cost"), "µm", 0.01, 1000,
                  needed=False),
        ),
        (
            Field("off_um", N_("Depth less what was expected"), "µm", -10_000, 10_000),
            Field("area_m2", N_("Washed in this water before"), "m²", 0, 10_000),
            Field("days", N_("Days since the water was renewed"), "", 0, 1000),
            Field("water_c", N_("Water"), "°C", 0, 100),
            Field("brush_s", N_("Brushing"), "s", 0, 3600),
            Field("dry_min", N_("Drying"), "min", 0, 600),
            Field("run", N_("Run of the plate"), needed=False),
        ),
    ),
}  # fmt: skip
"""In the order in which a shop makes them."""
