"""Events of an exposure, whoever switches the lamps: it or the unit itself. Data only."""

from __future__ import annotations

from enum import StrEnum

from platelink.events.event import Event, EventName, if_known, per_channel


class Cause(StrEnum):
    """Why an exposure or a step was held, stopped or aborted; of contact, of which kind it is."""

    SUDDEN = "sudden"
    CREEPING = "creeping"
    UNSTEADY = "unsteady"
    PUMP = "pump"
    GAUGE = "gauge"
    PERSON = "person"
    STOP_BUTTON = "stop button"
    INTERLOCK = "interlock"
    LIGHT = "light"
    """Lamps or light sensor."""
    DOSE = "dose"
    """It is not known well enough, or not as asked."""
    LINK = "link"
    DEVICE = "device"
    RECORD = "record"
    OVEN = "oven"
    TOO_LONG = "too long"
    """Something that was waited for did not come."""


CONTACT = (Cause.SUDDEN, Cause.CREEPING, Cause.UNSTEADY, Cause.PUMP, Cause.GAUGE)
"""Causes that are of the contact."""

# --- of an exposure ------------------------------------------------------------------------------


class StateMoved(Event, name=EventName.STATE):
    """One move in the diagram."""

    from_: str
    to: str


class Waiting(Event, name=EventName.WAITING):
    """What light still waits for; again whenever that changes."""


class ContactHeld(Event, name=EventName.CONTACT_HELD):
    """The hold test has passed: the fall, with half of its interval, is within its limit;
    what the gauge showed of the vented frame before, and the pull-down's time constant, where they
    are known."""

    vacuum_kpa: float | None = None
    pull_down_s: float | None = None
    fall_kpa_per_min: float | None = None
    sd_kpa: float | None = None
    unsure_kpa_per_min: float | None = None
    vented_kpa: float | None = None
    settles_s: float | None = if_known(default=None)


class ContactWeaker(Event, name=EventName.CONTACT_WEAKER):
    """The vacuum has fallen in the light, or is unsteady. By its slope it stays in its band until
    the light ends, or it is too early to say: the exposure continues, and the band is watched.
    ``cause`` is its
    kind: sudden, creeping, unsteady or pump."""

    vacuum_kpa: float
    held_kpa: float
    since_s: float
    fall_kpa_per_min: float
    unsure_kpa_per_min: float
    cause: str | None = None


class Armed(Event, name=EventName.ARMED):
    """The order is on its way to the device."""

    order: int
    predicted_s: float | None = None
    guard_s: float | None = None
    head_c: float | None = None
    dark_counts: tuple[float, ...] = per_channel(default=())


class LampOn(Event, name=EventName.LAMP_ON):
    """The device has switched the lamps on."""


class LightSeen(Event, name=EventName.LIGHT_SEEN):
    """The sensors see it; where the lamps are the unit's own, with the dark reading before it."""

    dark_counts: tuple[float, ...] = per_channel(default=())


class GuardEndsFirst(Event, name=EventName.GUARD_ENDS_FIRST):
    """At the present light the guard time will be over before the dose is reached."""


class LampOff(Event, name=EventName.LAMP_OFF):
    """The lamps are off and their after-glow is counted. The dose is that of the exposure so far;
    the
    device's and the plain dose are of this stretch of light."""

    reason: str = "none"
    light_s: float | None = None
    dose_mj_cm2: float | None = None
    plain_mj_cm2: float | None = None
    device_mj_cm2: float | None = None
    irradiance_mw_cm2: float | None = None


class Holding(Event, name=EventName.HOLDING):
    """Why it left ``running``: it can continue."""

    cause: Cause | None = if_known(default=None)


class Stopping(Event, name=EventName.STOPPING):
    """Why it left ``running``: it is being stopped."""

    cause: Cause | None = if_known(default=None)


class Aborting(Event, name=EventName.ABORTING):
    """Why it left ``running``: something is wrong."""

    cause: Cause | None = if_known(default=None)


class Held(Event, name=EventName.HELD):
    """At rest and dark; of an exposure with the remaining dose, and at most how much more was
    given than counted and how much less."""

    remaining_mj_cm2: float | None = if_known(default=None)
    uncertain_mj_cm2: float | None = if_known(default=None)
    doubtful_mj_cm2: float | None = if_known(default=None)


class Restarted(Event, name=EventName.RESTARTED):
    """Continuing with the remaining dose; at most how much more or less was given than counted,
    after a person's statement."""

    uncertain_mj_cm2: float | None = if_known(default=None)
    doubtful_mj_cm2: float | None = if_known(default=None)


class Doubted(Event, name=EventName.DOUBTED):
    """What is not known of an order's light (0: light without one), after so much of it: at most
    how much more or less was given than counted, and how fast that grows."""

    order: int = 0
    light_s: float = 0.0
    uncertain_mj_cm2: float = 0.0
    doubtful_mj_cm2: float = 0.0
    uncertain_mw_cm2: float = 0.0
    doubtful_mw_cm2: float = 0.0


class Refused(Event, name=EventName.REFUSED):
    """What was asked is not possible in the present state. Shown to the person who asked."""


class Lesson(Event, name=EventName.LEARNED):
    """After-glow, warm-up and irradiance for the exposures to come."""

    afterglow_s: float | None = None
    warm_up_deficit_s: float | None = None
    irradiance_mw_cm2: float | None = None


class CalibrationOverdue(Event, name=EventName.CALIBRATION_OVERDUE):
    """A calibration is past its date; a person chose to continue."""


# --- of an exposure on a unit that switches its own lamps ----------------------------------------


class TimerAdvice(Event, name=EventName.TIMER_ADVICE):
    """What to set on the unit's own timer."""

    timer_s: float
    irradiance_mw_cm2: float | None = None


class AdviceOverLimit(Event, name=EventName.ADVICE_OVER_LIMIT):
    """That is longer than the limit."""


class DarkNotRead(Event, name=EventName.DARK_NOT_READ):
    """Light came before a dark reading was done; the calibration's dark reading is used."""


class DoseReached(Event, name=EventName.DOSE_REACHED):
    """Switch the light off now. The beeper sounds, too."""


class SensorAtItsLimit(Event, name=EventName.SENSOR_AT_ITS_LIMIT):
    """The light sensor is at the top of its converter: the dose counted is too low."""


class LightGone(Event, name=EventName.LIGHT_GONE):
    """The unit's timer has run out; what was delivered."""

    dose_mj_cm2: float
    off_pct: float
    light_s: float


OF_EXPOSURES: tuple[type[Event], ...] = (
    StateMoved, Waiting, ContactHeld, ContactWeaker, Armed, LampOn, LightSeen, GuardEndsFirst,
    LampOff, Holding, Stopping, Aborting, Held, Restarted, Doubted, Refused, Lesson,
    CalibrationOverdue,
)  # fmt: skip
OF_OWN_LAMPS: tuple[type[Event], ...] = (
    TimerAdvice, AdviceOverLimit, DarkNotRead, DoseReached, SensorAtItsLimit, LightGone,
)  # fmt: skip
