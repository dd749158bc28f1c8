"""Events of an exposure, whoever switches the lamps: it or the unit itself. Data only."""

from __future__ import annotations

from platelink.events.event import Event, EventName, if_known, per_channel

# --- of an exposure ------------------------------------------------------------------------------


class StateMoved(Event, name=EventName.STATE):
    """One move in the diagram."""

    from_: str
    to: str


class Waiting(Event, name=EventName.WAITING):
    """What light still waits for; again whenever that changes."""


class ContactHeld(Event, name=EventName.CONTACT_HELD):
    """The hold test has passed: the fall with half of its interval lies within its limit;
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
    """The vacuum has fallen in the light, or is unsteady. By its slope it keeps its band until the
    light ends, or that cannot be told yet: it goes on, and the band is watched. ``cause`` is its
    kind: sudden, creeping, unsteady or pump."""

    vacuum_kpa: float
    held_kpa: float
    since_s: float
    fall_kpa_per_min: float
    unsure_kpa_per_min: float
    cause: str | None = None


class Armed(Event, name=EventName.ARMED):
    """The standing order is on its way."""

    order: int
    predicted_s: float | None = None
    guard_s: float | None = None
    head_c: float | None = None
    dark_counts: tuple[float, ...] = per_channel(default=())


class LampOn(Event, name=EventName.LAMP_ON):
    """The device has switched the lamp on."""


class LightSeen(Event, name=EventName.LIGHT_SEEN):
    """The sensors see it; where the lamps are the unit's own, with the dark reading before it."""

    dark_counts: tuple[float, ...] = per_channel(default=())


class GuardEndsFirst(Event, name=EventName.GUARD_ENDS_FIRST):
    """At the present light the guard time will be over before the dose is reached."""


class LampOff(Event, name=EventName.LAMP_OFF):
    """The lamp is off and its after-glow counted. The dose is that of the exposure so far; the
    device's and the plain dose are of this stretch of light."""

    reason: str = "none"
    light_s: float | None = None
    dose_mj_cm2: float | None = None
    plain_mj_cm2: float | None = None
    device_mj_cm2: float | None = None
    irradiance_mw_cm2: float | None = None


class Holding(Event, name=EventName.HOLDING):
    """Why it left ``running``: it can go on. Where contact is the reason, of which kind: sudden,
    creeping, unsteady, pump or gauge."""

    cause: str | None = if_known(default=None)


class Stopping(Event, name=EventName.STOPPING):
    """Why it left ``running``: it ends in order."""


class Aborting(Event, name=EventName.ABORTING):
    """Why it left ``running``: something is wrong. Where contact is the reason, of which kind:
    sudden, creeping, unsteady, pump or gauge."""

    cause: str | None = if_known(default=None)


class Held(Event, name=EventName.HELD):
    """At rest and dark; of an exposure with the dose that is still missing, how much fell unseen
    and how much of the dose did not fall, at most."""

    remaining_mj_cm2: float | None = if_known(default=None)
    uncertain_mj_cm2: float | None = if_known(default=None)
    doubtful_mj_cm2: float | None = if_known(default=None)


class Restarted(Event, name=EventName.RESTARTED):
    """Going on, with the remainder; what fell unseen, and what of the dose did not fall, at most,
    after a person's word on it."""

    uncertain_mj_cm2: float | None = if_known(default=None)
    doubtful_mj_cm2: float | None = if_known(default=None)


class Doubted(Event, name=EventName.DOUBTED):
    """What is not known of an order's light (0: of light without one), after so much of it: how
    much fell unseen, and what of the dose did not fall, at most; and by how much that grows."""

    order: int = 0
    light_s: float = 0.0
    uncertain_mj_cm2: float = 0.0
    doubtful_mj_cm2: float = 0.0
    uncertain_mw_cm2: float = 0.0
    doubtful_mw_cm2: float = 0.0


class Refused(Event, name=EventName.REFUSED):
    """What was asked is not possible in the present state. Told to the person who asked."""


class Lesson(Event, name=EventName.LEARNED):
    """After-glow, warm-up and irradiance for the exposures to come."""

    afterglow_s: float | None = None
    warm_up_deficit_s: float | None = None
    irradiance_mw_cm2: float | None = None


class CalibrationOverdue(Event, name=EventName.CALIBRATION_OVERDUE):
    """A calibration is past its date; going on was accepted."""


# --- of an exposure on a unit that switches its own lamps ----------------------------------------


class TimerAdvice(Event, name=EventName.TIMER_ADVICE):
    """What to set on the unit's own timer."""

    timer_s: float
    irradiance_mw_cm2: float | None = None


class AdviceOverLimit(Event, name=EventName.ADVICE_OVER_LIMIT):
    """That is longer than the limit."""


class DarkNotRead(Event, name=EventName.DARK_NOT_READ):
    """Light came before a dark reading was done; the calibration's is used."""


class DoseReached(Event, name=EventName.DOSE_REACHED):
    """End the light now. The beeper says so too."""


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
