"""Questions that have no answer, and what to do. Pure."""

from __future__ import annotations

from platelink.ledger.errors import StoreRefused


def not_understood(text: str) -> StoreRefused:
    """A threshold that is none."""
    return StoreRefused(
        f"'{text}' is not understood; write it as in 'vacuum below 50 kPa for 2 s': vacuum, "
        "irradiance or oven, below or above, a level with its unit, a time with its unit"
    )


def nobody(name: str) -> StoreRefused:
    """A plate that is not there."""
    return StoreRefused(f"no plate or run '{name}' is recorded; ask for a part of its name")


def two_plates() -> StoreRefused:
    """One end of a time alone."""
    return StoreRefused("name two plates, to ask for what was made between them")


def no_sensor(sensor: str, names: str) -> StoreRefused:
    """A sensor that nothing was read with."""
    return StoreRefused(f"nothing was read with a sensor '{sensor}'; on record are: {names}")


def no_dose(sensor: str) -> StoreRefused:
    """A sensor that a dose does not depend on."""
    return StoreRefused(f"'{sensor}' has no part in a dose; name a light channel, as light 0")


def no_point(recipe: str, there: str) -> StoreRefused:
    """Of a recipe, no such point was measured, or more than one."""
    return StoreRefused(f"say which point of {recipe}; there are: {there}")
