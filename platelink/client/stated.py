"""Requests and answers as the contract has them: what is wrong with one is a ``ClientError``."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar

import httpx
from pydantic import ValidationError

from platelink.client.errors import ClientError, of_another_release
from platelink.contract.base import Answer, Request
from platelink.contract.wrong import RequestError, made

_P = ParamSpec("_P")
_R = TypeVar("_R", bound=Request)
_A = TypeVar("_A", bound=Answer)


def request(model: Callable[_P, _R], *args: _P.args, **values: _P.kwargs) -> _R:
    """A request of these values; ``ClientError`` says what is wrong with them."""
    try:
        return made(model, *args, **values)
    except RequestError as error:
        raise ClientError(str(error), error.kind) from None


def read(answer: type[_A], response: httpx.Response) -> _A:
    """An answer of this model."""
    try:
        return answer.model_validate_json(response.content)
    except ValidationError as error:
        raise of_another_release(error) from None
