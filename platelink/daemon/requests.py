"""Requests of the service, as plain JSON values, and their answers.

Each request says what to ``do`` and ``who`` asks; rights were looked at before it came here. What
is wrong with one is an answer with its reason, never an exception.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.said import Act, Asked
from platelink.daemon.asked import flag, new_run_id, text_of
from platelink.daemon.plate_view import plate_line
from platelink.recipe.load import from_content

if TYPE_CHECKING:
    from platelink.daemon.shell import Shell

Answer = dict[str, Any]
COMMANDS = ("hold", "restart", "stop", "abort")
"""On the exposure that is going on."""
MAX_AREA_CM2 = 1e6
_PLATE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,59}")
_TEXTS = ("job", "lot", "note")


def answer(shell: Shell, request: Answer) -> Answer:
    """Carry out one request."""
    do = str(request.get("do"))
    found = _DO.get(do)
    if found is None:
        error = f"{do}: not known; use {', '.join(_DO)}"
        return {"ok": False, "error": error, "kind": "unknown"}
    try:
        said = found(shell, request)
    except (ValueError, TypeError) as error:
        return {"ok": False, "error": str(error), "kind": "refused"}
    if isinstance(said, str):
        if said:
            return {"ok": False, "error": said, "kind": "refused"}
        said = {}
    return {"ok": True, "run_id": shell.core.run_id, **said}


def _who(request: Answer) -> str:
    return text_of(request, "who") if request.get("who") is not None else ""


def _status(shell: Shell, _: Answer) -> Answer:
    return shell.status()


def _expose(shell: Shell, request: Answer) -> str:
    job = request.get("job")
    if isinstance(job, dict) and _who(request):
        job = {"operator": _who(request), **job}
    return shell.submit(shell.make_job(job))


def _command(shell: Shell, request: Answer) -> str:
    reason = str(request.get("reason") or "by request")
    return shell.command(str(request["do"]), reason, who=_who(request))


def _plate_make(shell: Shell, request: Answer) -> Answer | str:
    plan = plan_of_request(request.get("plate"), _who(request))
    refused = shell.make_plate(plan)
    return refused or {"plate": plan.plate}


def plan_of_request(asked: Any, who: str) -> PlatePlan:
    """The plan of a request; ValueError says what is wrong with it."""
    if not isinstance(asked, dict):
        raise ValueError("plate: give an object with recipe, revision, hash")
    try:
        recipe = from_content(asked.get("recipe"))
    except ValidationError as error:
        raise ValueError(f"recipe: {error}") from None
    plate = str(asked.get("plate") or f"plate-{new_run_id()}")
    if not _PLATE.fullmatch(plate):
        raise ValueError(f"plate {plate!r:.80}: use letters, digits, '.', '_' and '-', 60 at most")
    if not who.strip():
        raise ValueError("say who makes the plate")
    area = asked.get("area_cm2")
    number = isinstance(area, int | float) and not isinstance(area, bool)
    if area is not None and not (number and 0 < area <= MAX_AREA_CM2):
        raise ValueError(f"area_cm2: give a number above 0, not {area!r:.40}")
    texts = {name: text_of(asked, name) for name in _TEXTS if asked.get(name) is not None}
    findings = asked.get("findings") or []
    if not isinstance(findings, list):
        raise ValueError("findings: give a list of texts")
    return PlatePlan(
        plate=plate,
        recipe=recipe,
        revision=text_of({"revision": asked.get("revision") or recipe.id}, "revision"),
        content_hash=recipe.content_hash(),
        who=who,
        area_cm2=float(area) if area is not None else None,
        findings=tuple(text_of({"findings": one}, "findings") for one in findings),
        **texts,
    )


def _plate_act(shell: Shell, request: Answer) -> str:
    step, values = request.get("step"), request.get("values") or {}
    try:
        act = Act(str(request.get("act")))
    except ValueError:
        raise ValueError(f"{request.get('act')}: not known; use {', '.join(Act)}") from None
    if step is not None and (isinstance(step, bool) or not isinstance(step, int)):
        raise ValueError(f"step: give the number of the step from 0, not {step!r:.40}")
    if not isinstance(values, dict):
        raise ValueError("values: give an object")
    asked = Asked(
        act=act,
        who=_who(request),
        reason=text_of(request, "reason") if request.get("reason") is not None else "",
        step=step,
        values=values,
        run_id=new_run_id(),
    )
    accept = flag(request, "accept_overdue", otherwise=False)
    return shell.act(str(request.get("plate")), asked, accept_overdue=accept)


def _plates(shell: Shell, _: Answer) -> Answer:
    room, exposure = shell.core.room, shell.core.exposure
    status = exposure.status() if exposure is not None else None
    busy = shell.core.busy()
    return {
        "plates": [
            plate_line(room, plate, status, busy, whole=True) for plate in room.plates.values()
        ]
    }


def _plate_show(shell: Shell, request: Answer) -> Answer | str:
    wanted = str(request.get("plate"))
    found = [p for p in _plates(shell, request)["plates"] if p["plate"] == wanted]
    return found[0] if found else f"plate {wanted} is not in flight"


def _alarm(shell: Shell, request: Answer) -> str:
    minutes = request.get("minutes")
    if minutes is not None and (isinstance(minutes, bool) or not isinstance(minutes, int | float)):
        raise ValueError(f"minutes: give a number, not {minutes!r:.40}")
    why = text_of(request, "why") if request.get("why") is not None else ""
    name, act = str(request.get("name")), str(request.get("act"))
    return shell.alarm(name, act, who=_who(request), why=why, minutes=minutes)


_DO: dict[str, Callable[[Shell, Answer], Answer | str]] = {
    "status": _status,
    "expose": _expose,
    **dict.fromkeys(COMMANDS, _command),
    "plate_make": _plate_make,
    "plate": _plate_act,
    "plates": _plates,
    "plate_show": _plate_show,
    "alarm": _alarm,
}
