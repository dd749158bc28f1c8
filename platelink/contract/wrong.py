"""What is wrong with a request, in words that say what to do. Pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from platelink.contract.words import Kind


class RequestError(ValueError):
    """A request that cannot be understood; ``kind`` is misuse, unknown or refused."""

    def __init__(self, text: str, kind: Kind) -> None:
        super().__init__(text)
        self.kind = kind


_P = ParamSpec("_P")
_R = TypeVar("_R", bound=BaseModel)


def made(model: Callable[_P, _R], *args: _P.args, **values: _P.kwargs) -> _R:
    """A request of these values; ``RequestError`` says what is wrong with them."""
    try:
        return model(*args, **values)
    except ValidationError as error:
        assert isinstance(model, type)
        raise RequestError(in_words(error, model), "misuse") from None


def in_words(error: ValidationError, model: type[BaseModel]) -> str:
    """Everything that is wrong with what should have been ``model``."""
    return "; ".join(dict.fromkeys(_text(one, model) for one in error.errors(include_url=False)))


def _text(error: ErrorDetails, model: type[BaseModel]) -> str:
    """One thing, with the name of the key that it is about."""
    where = [str(part) for part in error["loc"] if isinstance(part, str)]
    name = where[-1] if where else model.__name__
    if error["type"] == "value_error":
        return str(error["ctx"]["error"])
    if error["type"] == "extra_forbidden":
        return f"{name}: not known; use {', '.join(_at(model, where[:-1]).model_fields)}"
    if error["type"] in ("model_type", "model_attributes_type"):
        keys = ", ".join(_at(model, where).model_fields)
        return f"a {name} is an object with {keys}: give an object, not {error['input']!r:.40}"
    return f"{name}: {_fault(error['type'], error['input'], error.get('ctx', {}), error['msg'])}"


def _fault(kind: str, given: Any, limits: dict[str, Any], otherwise: str) -> str:
    match kind:
        case "missing":
            return "nothing was given"
        case "string_unicode":
            return "holds what UTF-8 cannot; type it again"
        case "string_too_long":
            return f"{len(given)} characters, at most {limits['max_length']} are kept"
        case "enum":
            names = str(limits["expected"]).replace(" or ", ", ").replace("'", "")
            return f"{given!r:.40} is not known; use {names}"
        case "greater_than":
            return f"must be above {limits['gt']:g}, not {given!r:.40}"
    wanted = WANTED.get(kind)
    return otherwise if wanted is None else f"give {wanted}, not {given!r:.40}"


WANTED = {
    "string_type": "a text",
    "bool_type": "true or false",
    "float_type": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "dict_type": "an object",
    "list_type": "a list",
}


def _at(model: type[BaseModel], where: list[str]) -> type[BaseModel]:
    """The model that stands at a place within another."""
    for name in where:
        field = model.model_fields.get(name)
        inner = field.annotation if field is not None else None
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            model = inner
    return model
