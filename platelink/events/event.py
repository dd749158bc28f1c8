"""Names of events, and what all events have in common. Data only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, ClassVar, TypeVar, dataclass_transform

from pydantic import JsonValue, TypeAdapter, ValidationError
from pydantic_core import to_json

Data = dict[str, JsonValue]


class EventName(StrEnum):
    """The names. See the class of each for what it means."""

    # of an exposure
    STATE = "state"
    WAITING = "waiting"
    CONTACT_HELD = "contact held"
    CONTACT_WEAKER = "contact weaker"
    ARMED = "armed"
    LAMP_ON = "lamp on"
    LIGHT_SEEN = "light seen"
    GUARD_ENDS_FIRST = "guard ends first"
    LAMP_OFF = "lamp off"
    HOLDING = "holding"
    STOPPING = "stopping"
    ABORTING = "aborting"
    HELD = "held"
    RESTARTED = "restarted"
    REFUSED = "refused"
    DOUBTED = "doubted"
    LEARNED = "learned"
    CALIBRATION_OVERDUE = "calibration overdue"
    # of an exposure on a unit that switches its own lamps
    TIMER_ADVICE = "timer advice"
    ADVICE_OVER_LIMIT = "advice over limit"
    DARK_NOT_READ = "dark not read"
    DOSE_REACHED = "dose reached"
    SENSOR_AT_ITS_LIMIT = "sensor at its limit"
    LIGHT_GONE = "light gone"
    # of link and device
    LINK_UP = "link up"
    LINK_LOST = "link lost"
    DEVICE_RESTARTED = "device restarted"
    DEVICE_DOES_NOT_MATCH = "device does not match"
    PROTOCOL_MISMATCH = "protocol mismatch"
    GARBAGE_ON_THE_PORT = "garbage on the port"
    DEVICE_EVENTS_LOST = "device events lost"
    LIGHT_SUMS_REFUSED = "light sums refused"
    DEVICE_CLOCK_JUMPED = "device clock jumped"
    INSTRUMENT_LOST = "instrument lost"
    INSTRUMENT_BACK = "instrument back"
    LIGHT_FOUND = "light found on"
    LAMP_SWITCHED_OFF = "lamp switched off"
    ASKED = "asked"
    LESSONS_DROPPED = "lessons dropped"
    LAMPS_CHANGED = "lamps changed"
    LAMPS_CLEANED = "lamps cleaned"
    LAMPS_MEASURED = "lamps measured"
    COMPUTER_CLOCK_SET = "computer clock set"
    DOSE_CORRECTED = "dose corrected"
    INPUTS_TAPED = "inputs taped"
    # of who is let in, and of damage
    PEOPLE_ENTERED = "people entered"
    SECURITY = "security"
    SENT_BY_SHOP = "sent by the shop"
    JOURNAL_BEGUN_ANEW = "journal begun anew"
    SAMPLES_REMOVED = "samples removed"
    # edges that the device stamps itself
    DEVICE_STARTED = "device started"
    INTERLOCK_OPENED = "interlock opened"
    INTERLOCK_CLOSED = "interlock closed"
    STOP_PRESSED = "stop pressed"
    STOP_RELEASED = "stop released"
    DEVICE_HEARD_NO_HOST = "device heard no host"
    DEVICE_HEARS_THE_HOST_AGAIN = "device hears the host again"
    OUTPUT_EXPIRED = "output expired"
    LATCH_RESET = "latch reset"
    ORDER_ARMED = "order armed"
    LAMP_OPENED = "lamp opened"
    LAMP_CLOSED = "lamp closed"
    # alarms
    ALARM = "alarm"
    ALARM_FLOOD = "alarm flood"
    # of a plate
    PLATE_MADE = "plate made"
    STEP = "step"
    DEVIATION = "deviation"
    EXPOSURE_RECOVERED = "exposure recovered"
    PLATE_RESUMED = "plate resumed"
    PLATE_ENDED = "plate ended"
    PLATE_NOTED = "plate noted"
    PLATE_CORRECTED = "plate corrected"
    # of stages done by hand
    STAGE_PROMPT = "stage prompt"
    STAGE_STARTED = "stage started"
    STAGE_DUE = "stage due"
    STAGE_OVERDUE = "stage overdue"
    STAGE_ENDED = "stage ended"
    STAGES_ENDED = "stages ended"
    STAGES_RESUMED = "stages resumed"
    WATER_TYPED = "water typed"
    WATER_IN_BAND = "water in band"
    WATER_OUT_OF_BAND = "water out of band"
    # of a bake
    BAKE_STARTED = "bake started"
    IN_BAND = "in band"
    OUT_OF_BAND = "out of band"
    BAND_NEVER_REACHED = "band never reached"
    OVEN_OVER_TEMPERATURE = "oven over-temperature"
    OVEN_DOOR_OPEN = "oven door open"
    OVEN_DOOR_CLOSED = "oven door closed"
    OVEN_GAP = "oven gap"
    OVEN_SENSOR_LOST = "oven sensor lost"
    OVEN_SENSOR_BACK = "oven sensor back"
    BAKE_ENDED = "bake ended"
    BAKE_RESUMED = "bake resumed"
    # of an inspection
    INSPECTED = "inspected"


class EventWord(StrEnum):
    """What people read where the name, which old records keep, would mislead them."""

    LEARNED = "lamp values recorded"
    LESSONS_DROPPED = "lamp values discarded"
    JOURNAL_BEGUN_ANEW = "journal begun again"


def for_people(name: str) -> str:
    """The name of an event for people."""
    return next((word for word in EventWord if EventName[word.name] == name), name)


def if_known(*, default: None) -> Any:
    """A value that is left out of the data where it is not known."""
    return field(default=default, metadata={"if_known": True})


def per_channel(*, default: tuple[float, ...]) -> Any:
    """Values of the light channels, in the data as ``name_0``, ``name_1`` ..."""
    return field(default=default, metadata={"per_channel": True})


@dataclass_transform(frozen_default=True, field_specifiers=(if_known, per_channel))
@dataclass(frozen=True)
class Event:
    """What all have in common. A field named like a word of Python has an underscore behind it."""

    NAME: ClassVar[EventName]

    def __init_subclass__(cls, *, name: EventName | None = None) -> None:
        if name is not None:
            cls.NAME = name
        dataclass(frozen=True)(cls)

    @property
    def name(self) -> str:
        """As it stands in the record."""
        return self.NAME

    def data(self) -> Data:
        """What it carries, as plain JSON values in the order of its fields."""
        found: Data = {}
        for each in fields(self):
            key, value = each.name.rstrip("_"), getattr(self, each.name)
            if each.metadata.get("per_channel"):
                found |= {f"{key}_{i}": one for i, one in enumerate(value)}
            elif value is not None or not each.metadata.get("if_known"):
                found[key] = _plain(value)
        return found


E = TypeVar("E", bound=Event)


def _plain(value: Any) -> JsonValue:
    if isinstance(value, StrEnum):
        return str(value)
    return list(value) if isinstance(value, tuple) else value


_ADAPTERS: dict[EventName, TypeAdapter[Any]] = {}


def read(kind: type[E], name: str, data: Mapping[str, JsonValue]) -> E | None:
    """The event of a record's entry; None when it is another one. What is missing or makes no sense
    here (another release wrote it) is as not known; None where nothing is left without it."""
    if name != kind.NAME:
        return None
    known: dict[str, Any] = {}
    for each in fields(kind):
        key = each.name.rstrip("_")
        if each.metadata.get("per_channel"):
            values = (data.get(f"{key}_{i}") for i in range(len(data)))
            known[each.name] = tuple(value for value in values if value is not None)
        elif key in data:
            known[each.name] = data[key]
    if name not in _ADAPTERS:
        _ADAPTERS[kind.NAME] = TypeAdapter(kind)
    while True:
        try:
            found: E = _ADAPTERS[kind.NAME].validate_json(to_json(known), strict=True)
        except ValidationError as error:
            wrong = {str(each["loc"][0]) for each in error.errors()} & known.keys()
            if not wrong:
                return None
            known = {key: value for key, value in known.items() if key not in wrong}
        else:
            return found
