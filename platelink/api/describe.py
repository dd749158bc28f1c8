"""The service's OpenAPI document: what FastAPI makes of the routes, with rights and problems. Pure.

Every route may answer with each of the problems; they are described once.
"""

from __future__ import annotations

from typing import Any

from platelink.api.access import ANYBODY, ROWS
from platelink.contract.base import Problem

Document = dict[str, Any]
PROBLEMS = {
    400: "Not understood.",
    401: "Sign in first.",
    403: "The person may not, or the request is not from the unit's own page.",
    404: "There is no such thing.",
    405: "Another method is used here.",
    409: "Not possible as things are now.",
    413: "Larger than the service takes.",
    415: "Not JSON.",
    421: "For a name that is not this unit's.",
    422: "Wrong in itself.",
    429: "Too many at once.",
    500: "A fault of ours, or of the daemon; its log has it whole.",
    503: "The daemon or a file cannot be reached.",
}
FASTAPIS_OWN = 422
"""What FastAPI tells of it is not what is answered."""
SCHEMES = {
    "cookie": {"type": "apiKey", "in": "cookie", "name": "platelink_session"},
    "bearer": {"type": "http", "scheme": "bearer"},
}


def described(found: Document) -> Document:
    """FastAPI's document, completed in place."""
    parts = found["components"]
    parts["schemas"]["Problem"] = Problem.model_json_schema()
    for name in ("HTTPValidationError", "ValidationError"):
        parts["schemas"].pop(name, None)
    parts["securitySchemes"] = SCHEMES
    parts["responses"] = {f"Problem{code}": _problem(text) for code, text in PROBLEMS.items()}
    for path, methods in found["paths"].items():
        for method, operation in methods.items():
            told = operation["responses"]
            for code in PROBLEMS:
                if code == FASTAPIS_OWN or str(code) not in told:
                    told[str(code)] = {"$ref": f"#/components/responses/Problem{code}"}
            rights = sorted(_rights(method.upper(), path))
            if rights:
                operation["security"] = [{name: []} for name in SCHEMES]
                operation["x-rights"] = rights
    return found


def _problem(text: str) -> Document:
    schema = {"$ref": "#/components/schemas/Problem"}
    return {"description": text, "content": {"application/json": {"schema": schema}}}


def _rights(method: str, path: str) -> set[str]:
    """Rights that a route may need: one for each act where its path ends with the act."""
    before_act = path.removesuffix("{act}")
    return {
        row.right.value
        for row in ROWS
        if row.method == method
        and row.right is not ANYBODY
        and (row.path == path or f"{row.path.rpartition('/')[0]}/" == before_act)
    }
