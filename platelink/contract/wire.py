"""The wire between the daemon and its service: what the service asks, and the answers. Data only.

A request says what to ``do`` and ``who`` asks; rights were looked at before it comes here. It is
checked once, at the daemon's end. An answer has ``ok`` beside what stands here.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, ConfigDict, Field, ValidationError

from platelink.contract.base import Answer, Done, Json, Reasoned, Request, Text
from platelink.contract.lamps import LampWork
from platelink.contract.people import AnyRole
from platelink.contract.plates import ActOnPlate, PlateNow
from platelink.contract.unit import AlarmAnswer, ExposureJob, Reason
from platelink.contract.words import AlarmAct, Kind, PlateAct
from platelink.contract.wrong import RequestError, in_words

MAX_AREA_CM2 = 1e6
LOOSE = ConfigDict(extra="ignore")
_PLATE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,59}")


def _plate_name(name: object) -> object:
    if isinstance(name, str) and name and not _PLATE.fullmatch(name):
        raise ValueError(f"plate {name!r:.80}: use letters, digits, '.', '_' and '-', 60 at most")
    return name


class OnBed(Request):
    """Where a plate lies on a bed that was measured; light on it over that at the sensor, less
    1."""

    model_config = LOOSE

    experiment: Text
    place_cm: tuple[float, float, float, float] | None = Field(default=None, strict=False)
    low_pct: Annotated[float, Field(ge=-100.0, le=1e4)]
    mean_pct: Annotated[float, Field(ge=-100.0, le=1e4)]
    high_pct: Annotated[float, Field(ge=-100.0, le=1e4)]
    position_pct: Annotated[float, Field(ge=0.0, le=1e4)]


class Ages(Request):
    """How old is what a plate is made with, as it is made; null: not on record."""

    model_config = LOOSE

    lot_open_days: Annotated[float, Field(ge=0.0, le=1e5)] | None = None
    bath_days: Annotated[float, Field(ge=0.0, le=1e5)] | None = None
    bath_m2: Annotated[float, Field(ge=0.0, le=1e6)] | None = None


class PlateToMake(Request):
    """A plate with its whole recipe."""

    model_config = LOOSE

    recipe: Json
    revision: Text | None = None
    findings: tuple[Annotated[str, Field(max_length=2000)], ...] = Field(default=(), strict=False)
    plate: Annotated[str | None, BeforeValidator(_plate_name)] = None
    lot: Text | None = None
    film: Text | None = None
    on_bed: OnBed | None = None
    ages: Ages | None = None
    job: Text | None = None
    note: Text | None = None
    area_cm2: Annotated[float, Field(gt=0.0, le=MAX_AREA_CM2)] | None = None


class AskStatus(Request):
    """The unit now."""

    model_config = LOOSE

    do: Literal["status"] = "status"


class Expose(Request):
    """Begin an exposure."""

    model_config = LOOSE

    do: Literal["expose"] = "expose"
    job: ExposureJob
    who: Text | None = None
    role: AnyRole | None = None


class Control(Reason):
    """Hold, restart, stop or abort the exposure that is going on."""

    model_config = LOOSE

    do: Literal["hold", "restart", "stop", "abort"]
    who: Text | None = None
    role: AnyRole | None = None


class DropLessons(Reasoned):
    """Have what lamps taught dropped, as when they were changed."""

    model_config = LOOSE

    do: Literal["lessons_drop"] = "lessons_drop"
    who: Text | None = None
    role: AnyRole | None = None


class OnLamps(LampWork):
    """What a person did to the lamps, or measured."""

    model_config = LOOSE

    do: Literal["lamps"] = "lamps"
    who: Text | None = None
    role: AnyRole | None = None


class NotePlate(Request):
    """Put down what a person noted of a plate that has ended."""

    model_config = LOOSE

    do: Literal["plate_note"] = "plate_note"
    plate: str
    text: Annotated[str, Field(min_length=1, max_length=1000)]
    who: Text | None = None
    role: AnyRole | None = None


class CorrectPlate(Request):
    """Put down what a person corrected of it; the service has looked up what ``was``."""

    model_config = LOOSE

    do: Literal["plate_correct"] = "plate_correct"
    plate: str
    field: Text
    was: str | float | None
    now: str | float
    why: Annotated[str, Field(min_length=1, max_length=1000)]
    who: Text | None = None
    role: AnyRole | None = None


class MakePlate(Request):
    """Take up a plate."""

    model_config = LOOSE

    do: Literal["plate_make"] = "plate_make"
    plate: PlateToMake
    who: Text | None = None
    role: AnyRole | None = None


class OnPlate(ActOnPlate):
    """Do something to a plate."""

    model_config = LOOSE

    do: Literal["plate"] = "plate"
    plate: str
    act: Annotated[PlateAct, Field(strict=False)]
    who: Text | None = None
    role: AnyRole | None = None


class NoteSecurity(Request):
    """Put down who was let in, who was not, or that people are entered."""

    model_config = LOOSE

    do: Literal["security"] = "security"
    what: Text
    text: Annotated[str, Field(max_length=1000)]
    who: Text | None = None
    address: Text | None = None
    times: Annotated[int, Field(ge=1)] = 1


class AskPlates(Request):
    """Plates in progress."""

    model_config = LOOSE

    do: Literal["plates"] = "plates"


class AskCounts(Request):
    """What the device counts at an input; it is watched from the first question on."""

    model_config = LOOSE

    do: Literal["counts"] = "counts"
    sensor: Text


class TakeUpCalibrations(Request):
    """Calibrations were approved or dropped."""

    model_config = LOOSE

    do: Literal["calibrations"] = "calibrations"
    who: Text | None = None
    role: AnyRole | None = None


class OnAlarm(AlarmAnswer):
    """Answer an alarm; ``minutes`` are looked at where alarms are."""

    model_config = LOOSE

    do: Literal["alarm"] = "alarm"
    name: str
    act: Annotated[AlarmAct, Field(strict=False)]
    minutes: float | None = Field(default=None, allow_inf_nan=True)
    who: Text | None = None
    role: AnyRole | None = None


AnyRequest = (
    AskStatus | Expose | Control | DropLessons | OnLamps | MakePlate | OnPlate | AskPlates | OnAlarm
    | NoteSecurity | AskCounts | TakeUpCalibrations | NotePlate | CorrectPlate
)  # fmt: skip
KINDS: dict[str, type[AnyRequest]] = {
    do: kind for kind in get_args(AnyRequest) for do in get_args(kind.model_fields["do"].annotation)
}
ENDS = frozenset({PlateAct.HOLD, PlateAct.STOP, PlateAct.ABORT})
READS = frozenset({"status", "plates", "counts"})
"""What is asked without changing anything."""


def only_ends(request: AnyRequest) -> bool:
    """True for what only ends or holds what is going on: it waits for nothing else."""
    if isinstance(request, Control):
        return request.do != "restart"
    return isinstance(request, OnPlate) and request.act in ENDS


def read_request(line: Json) -> AnyRequest:
    """A request as it came; ``RequestError`` says what is wrong with it."""
    do = line.get("do")
    if not isinstance(do, str) or do not in KINDS:
        raise RequestError(f"{do}: not known; use {', '.join(KINDS)}", "unknown")
    try:
        return KINDS[do].model_validate(line)
    except ValidationError as error:
        raise RequestError(in_words(error, KINDS[do]), "refused") from None


def line_of(request: AnyRequest) -> Json:
    """A request as it is sent: what it does, and what was given."""
    return {"do": request.do, **request.given()}


def refusal(text: str, kind: Kind = "refused") -> Json:
    """The answer to what is not done."""
    return {"ok": False, "error": text, "kind": kind}


class Refused(Answer):
    """Why a request was not carried out."""

    error: str
    kind: Kind


# --- answers that are more than ``Done`` --------------------------------------------------------


class PlateTaken(Done):
    """A plate is in progress from now on."""

    plate: str


class InFlight(Done):
    """Plates in progress, oldest first."""

    plates: list[PlateNow]
