"""Events of the link, the device and the alarms. Data only."""

from __future__ import annotations

from platelink.events.event import Data, Event, EventName, if_known

# --- of link and device --------------------------------------------------------------------------


class LinkUp(Event, name=EventName.LINK_UP):
    """The device answers."""

    boot_id: int
    firmware: str
    board: int
    reset_cause: int


class LinkLost(Event, name=EventName.LINK_LOST):
    """Nothing received from it for too long, or the port is gone."""


class DeviceRestarted(Event, name=EventName.DEVICE_RESTARTED):
    """It answers and has restarted since; data as in ``link up``. In an exposure: what light is
    not known because of it."""

    boot_id: int | None = if_known(default=None)
    firmware: str | None = if_known(default=None)
    board: int | None = if_known(default=None)
    reset_cause: int | None = if_known(default=None)


class DeviceDoesNotMatch(Event, name=EventName.DEVICE_DOES_NOT_MATCH):
    """Its converter or its number of light channels is not as configured. No exposure begins."""


class ProtocolMismatch(Event, name=EventName.PROTOCOL_MISMATCH):
    """It speaks another version of the protocol."""


class GarbageOnThePort(Event, name=EventName.GARBAGE_ON_THE_PORT):
    """Bytes come, but no frames: wrong device or speed."""


class DeviceEventsLost(Event, name=EventName.DEVICE_EVENTS_LOST):
    """Events that the device no longer had when it was asked for them."""


class LightSumsRefused(Event, name=EventName.LIGHT_SUMS_REFUSED):
    """Impossible light sums from the device: damaged, not counted. Counting continues from the
    last good ones. Reported at most once a second, and when an exposure is held for it."""

    refused: int
    """All of them since the daemon's start."""
    in_a_row: int


class DeviceClockJumped(Event, name=EventName.DEVICE_CLOCK_JUMPED):
    """The device's tick count has jumped, against its sample counts. Those are used instead; no
    light is lost. Reported at most once a second."""

    ticks: int
    """How far this time."""
    jumps: int
    """All of them since the daemon's start."""


class InstrumentLost(Event, name=EventName.INSTRUMENT_LOST):
    """An instrument on the bus has given no value that can be for longer than its stale_after_s.
    An exposure that needs its vacuum is held, minutes of a bake are not counted."""

    instrument: str


class InstrumentBack(Event, name=EventName.INSTRUMENT_BACK):
    """It gives values again."""

    instrument: str


class LightFound(Event, name=EventName.LIGHT_FOUND):
    """The light of an exposure begun before this start of the daemon is on."""

    order: int | None = None


class LampSwitchedOff(Event, name=EventName.LAMP_SWITCHED_OFF):
    """Light that belongs to no present exposure was switched off: an order from before this start
    of the daemon that was stopped or is no longer needed."""


class Asked(Event, name=EventName.ASKED):
    """A person asked for hold, restart, stop or abort."""

    act: str
    who: str
    reason: str = ""


class LessonsDropped(Event, name=EventName.LESSONS_DROPPED):
    """A person discarded the lamp values, as after a lamp change; new ones are recorded by the
    next exposures."""

    who: str
    why: str


class LampsChanged(Event, name=EventName.LAMPS_CHANGED):
    """Lamps were replaced; hours they had burned before."""

    who: str
    why: str
    burn_h: float = 0.0


class LampsCleaned(Event, name=EventName.LAMPS_CLEANED):
    """Lamps and their glass, the light sensor, or both were cleaned."""

    who: str
    why: str
    part: str = "both"


class LampsMeasured(Event, name=EventName.LAMPS_MEASURED):
    """A reading of a hand meter at the sensor's place, with its expanded uncertainty (k = 2): with
    one channel, the only way to separate fading lamps from an ageing sensor."""

    who: str
    why: str
    irradiance_mw_cm2: float
    meter: str
    u_pct: float | None = if_known(default=None)


class ComputerClockSet(Event, name=EventName.COMPUTER_CLOCK_SET):
    """The computer's clock was set. Times in this run keep to the old clock."""

    step_ms: int | None = if_known(default=None)
    """Positive: forward."""


class DoseCorrected(Event, name=EventName.DOSE_CORRECTED):
    """The device's report on a run came after the run had ended without it: the dose as believed
    and as reported. The recorded end stays as it was written."""

    of_run: str
    believed_mj_cm2: float
    believed_uncertain_mj_cm2: float
    dose_mj_cm2: float
    uncertain_mj_cm2: float


class InputsTaped(Event, name=EventName.INPUTS_TAPED):
    """A plate is closed: so many inputs are on this tape since its begin, with this hash. What the
    unit did is made again from them by ``platelink replay``."""

    tape: str
    inputs: int
    sha256: str


class DeviceEdge(Event, name=EventName.ALARM):
    """An edge that the device stamped with its own tick."""

    word: str
    arg: int = 0
    number: int = 0

    @property
    def name(self) -> str:
        """One of the device's own, or ``device event 77`` for a code that this host does not
        know."""
        return self.word

    def data(self) -> Data:
        """Its argument and its number."""
        return {"arg": self.arg, "number": self.number}


EDGES: dict[EventName, str] = {
    EventName.DEVICE_STARTED: "with the cause of its reset",
    EventName.ORDER_ARMED: "it has taken the standing order",
    EventName.LAMP_OPENED: "the lamp output switched on",
    EventName.LAMP_CLOSED: "the lamp output switched off, with the reason",
    EventName.INTERLOCK_OPENED: "the lid",
    EventName.INTERLOCK_CLOSED: "the lid",
    EventName.STOP_PRESSED: "the stop button",
    EventName.STOP_RELEASED: "the stop button",
    EventName.DEVICE_HEARD_NO_HOST: "heartbeats are missing",
    EventName.DEVICE_HEARS_THE_HOST_AGAIN: "heartbeats are back",
    EventName.OUTPUT_EXPIRED: "vacuum or beeper was not renewed and went off",
    EventName.LATCH_RESET: "light is allowed again after an interlock or stop",
}
"""Names of ``DeviceEdge``, and what each means."""


# --- alarms --------------------------------------------------------------------------------------


class AlarmMoved(Event, name=EventName.ALARM):
    """One move of one alarm (ISA-18.2), and why; of which run and plate, where it is of one."""

    alarm: str
    priority: str
    group: str
    from_: str
    to: str
    act: str
    value: float | None
    limit: float | None
    unit: str
    since_utc_ms: int | None
    until_utc_ms: int | None
    first_out: bool
    who: str | None
    why: str | None
    of_run: str | None = if_known(default=None)
    plate: str | None = if_known(default=None)


class AlarmFlood(Event, name=EventName.ALARM_FLOOD):
    """More alarms than a person can follow, or no longer."""

    active: bool
    count: int


OF_THE_LINK: tuple[type[Event], ...] = (
    LinkUp, LinkLost, DeviceRestarted, DeviceDoesNotMatch, ProtocolMismatch, GarbageOnThePort,
    DeviceEventsLost, LightSumsRefused, DeviceClockJumped, InstrumentLost, InstrumentBack,
    LightFound, LampSwitchedOff, Asked, LessonsDropped, LampsChanged, LampsCleaned, LampsMeasured,
    ComputerClockSet, DoseCorrected,
)  # fmt: skip
OF_ALARMS: tuple[type[Event], ...] = (AlarmMoved, AlarmFlood)
