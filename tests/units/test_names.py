"""Units at the end of names: one table has those of recipes, configuration and record."""

from __future__ import annotations

import dataclasses
import typing
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import BaseModel

from platelink.config.model import Config, RecorderConfig
from platelink.daemon.docs import KINDS
from platelink.events.event import Event
from platelink.recipe.model import Recipe
from platelink.recipe.supplies import Lot, Screen
from platelink.unit.sample_buffer import run_channels
from platelink.units import SUFFIXES, named

ELSEWHERE = {
    "baud", "cold_junction", "kpa_low", "kpa_high", "volts_low", "volts_high", "mv_at_0c",
    "stock_per_m2", "lamp_hour", "labour_minute",
}  # fmt: skip
"""Names that have their unit in front, prices by what they are for, or none."""
OF_ITS_FIELD = {"was", "now"}
"""Values of corrections, in the unit of what they correct, where it has one."""
OF_ITS_ALARM = {"value", "limit"}
"""Values of events whose unit is that of the alarm they belong to."""


def models(kind: Any, found: dict[type[BaseModel], None]) -> None:
    """Every model that a model is made of."""
    if isinstance(kind, type) and issubclass(kind, BaseModel) and kind not in found:
        found[kind] = None
        for field in kind.model_fields.values():
            models(field.annotation, found)
    for part in typing.get_args(kind):
        models(part, found)


def keys() -> Iterator[tuple[str, str, bool]]:
    """(name, unit in its description, True for a number) of every key that people write."""
    found: dict[type[BaseModel], None] = {}
    for whole in (Config, RecorderConfig, Recipe, Lot, Screen):
        models(whole, found)
    for model in found:
        for name, field in model.model_fields.items():
            extra = typing.cast("dict[str, str]", field.json_schema_extra or {})
            yield name, extra.get("unit", ""), "float" in str(field.annotation)


def unit(name: str) -> str:
    suffix = named(name)[1]
    return f"{suffix.symbol} {suffix.words}".strip()


@pytest.mark.parametrize("key", sorted(set(keys())), ids=lambda key: key[0])
def test_a_key_has_the_unit_of_its_description(key: tuple[str, str, bool]) -> None:
    name, said, number = key
    if name in ELSEWHERE:
        assert unit(name) == ""
    elif said or number:
        assert unit(name) == said.replace("cm2", "cm²")


@pytest.mark.parametrize("kind", KINDS.values(), ids=str)
def test_a_measured_value_of_an_event_has_a_unit(kind: type[Event]) -> None:
    for field in dataclasses.fields(kind):
        if "float" in str(field.type) and field.name not in OF_ITS_ALARM | OF_ITS_FIELD:
            assert unit(field.name), field.name


def test_a_column_of_the_record_has_the_unit_it_says() -> None:
    columns = [c for c in run_channels(2) if c.unit != "1"]
    assert len(columns) > 5
    for column in columns:
        assert unit(column.name) == column.unit, column.name


def test_the_longest_ending_counts() -> None:
    assert named("slope_c_per_min") == ("slope", SUFFIXES["_c_per_min"])
    assert named("temp_coeff_per_c") == ("temp coeff", SUFFIXES["_per_c"])
    assert named("mv_per_c") == ("mv per c", SUFFIXES["mv_per_c"])
    assert named("activation_energy_kj_mol") == ("activation energy", SUFFIXES["_kj_mol"])
    assert unit("boot_id") == unit("c") == unit("reset_cause") == ""
