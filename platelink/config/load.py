"""Reads the configuration file: everything that is wrong with it is told at once."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from platelink.config.model import (
    FORMAT,
    SECRETS,
    Config,
    FleetConfig,
    RecorderConfig,
    faults,
)
from platelink.forms.keys import Section
from platelink.forms.problems import FormError, Reading, parse, read
from platelink.forms.walk import Loc, steps

_Model = TypeVar("_Model", bound=Section)
_WITH_SECRETS = ("broker", "store", "alerts", "recorder", "fleet", "shop")
_WORDS = {"string_pattern_mismatch": "must begin with http:// or https:// and a name"}
_TO_RECIPE = (
    "belongs to the plate stock: write it into its recipes as [reciprocity] {key}, add and "
    "approve them, and remove it here; without a recipe, plain dose counts"
)
_MOVED = {
    "light.reciprocity_p": _TO_RECIPE.format(key="p"),
    "light.reference_mw_cm2": _TO_RECIPE.format(key="reference_mw_cm2"),
}
_MISSING = "write one, starting from the example"


class ConfigError(FormError):
    """The file cannot be used; ``problems`` says everything that is wrong with it."""


def load(path: Path | str) -> Config:
    """The configuration of a unit's daemon; ``ConfigError`` lists everything wrong."""
    path = Path(path)
    return _config(_read(path), path)


def loads(text: str, file: str = "platelink.toml") -> Config:
    """``load`` of a text; its paths are relative to the directory of ``file``."""
    return _config(_parse(text, file), Path(file))


def load_recorder(path: Path | str) -> RecorderConfig:
    """The recorder's part of the same file; the sections of a unit may be there or not."""
    return _part(RecorderConfig, Path(path))


def load_fleet(path: Path | str) -> FleetConfig:
    """The fleet's part of the same file; other sections may be there or not."""
    return _part(FleetConfig, Path(path))


def _part(model: type[_Model], path: Path) -> _Model:
    others = Config.model_fields.keys() - model.model_fields.keys()
    data = {name: value for name, value in _read(path).items() if name not in others}
    return _validate(model, data, path)


def _config(data: dict[str, Any], path: Path) -> Config:
    config = _validate(Config, data, path)
    reading = _reading(Config, data, path)
    problems = [reading.problem(steps(name), text) for name, text in faults(config)]
    if problems:
        raise ConfigError(problems)
    return config


def _read(path: Path) -> dict[str, Any]:
    return _parse(read(path, missing=_MISSING, kind=ConfigError), str(path))


def _parse(text: str, file: str) -> dict[str, Any]:
    return parse(text, file, form=FORMAT, kind=ConfigError)


def _validate(model: type[_Model], data: dict[str, Any], path: Path) -> _Model:
    try:
        return model.model_validate(data, context={"base": path.absolute().parent})
    except ValidationError as error:
        raise ConfigError(_reading(model, data, path).problems(error)) from None


def _reading(model: type[Section], data: dict[str, Any], path: Path) -> Reading:
    return Reading(model, data, str(path), hide=_hide, words=_WORDS, moved=_MOVED)


def _hide(path: Loc, unknown: bool) -> bool:
    """True of a secret; a misspelt password must not be shown either."""
    return path[-1] in SECRETS or (unknown and path[0] in _WITH_SECRETS)
