"""The example recipes that come with platelink. All their values are invented."""

from __future__ import annotations

from importlib.resources import files

_PLACE = "examples"


def names() -> tuple[str, ...]:
    """Names of the examples, in order."""
    entries = files(__package__).joinpath(_PLACE).iterdir()
    return tuple(sorted(e.name.removesuffix(".toml") for e in entries if e.name.endswith(".toml")))


def text(name: str) -> str:
    """The TOML of one example; ``KeyError`` when there is none of this name."""
    if name not in names():
        raise KeyError(name)
    return files(__package__).joinpath(_PLACE, f"{name}.toml").read_text(encoding="utf-8")
