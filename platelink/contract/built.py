"""Requests built before the first of them comes; elsewhere each is built when it is first used."""

from __future__ import annotations

from platelink.contract import (
    base,
    calibrations,
    depths,
    experiments,
    facts,
    people,
    plates,
    predicted,
    recipes,
    runs,
    stock,
    trends,
    unit,
    upkeep,
    wire,
)

MODULES = (
    base,
    calibrations,
    depths,
    experiments,
    facts,
    people,
    plates,
    predicted,
    recipes,
    runs,
    stock,
    trends,
    unit,
    upkeep,
    wire,
)


def build_requests() -> None:
    """FastAPI wants bodies built when it meets them."""
    for module in MODULES:
        for model in vars(module).values():
            if isinstance(model, type) and issubclass(model, base.Request):
                model.model_config["defer_build"] = False
                model.model_rebuild()
