"""Words of the service that people see, for the catalogues. Free text stays as it was recorded.

``WORDS`` says what a name is shown as; a name that is not in it is its own word.
"""

from __future__ import annotations


def N_(text: str) -> str:  # noqa: N802 -- gettext's own name for: translate this later
    """Marks a text for the catalogues."""
    return text


WORDS = {
    # states of exposures, steps, plates, recipes
    "idle": N_("idle"),
    "waiting": N_("waiting"),
    "ready": N_("ready"),
    "running": N_("running"),
    "holding": N_("holding"),
    "held": N_("held"),
    "restarting": N_("restarting"),
    "complete": N_("complete"),
    "skipped": N_("skipped"),
    "stopping": N_("stopping"),
    "stopped": N_("stopped"),
    "aborting": N_("aborting"),
    "aborted": N_("aborted"),
    "interrupted": N_("interrupted"),
    "open": N_("not ended"),
    "draft": N_("draft"),
    "approved": N_("approved"),
    "retired": N_("retired"),
    # kinds of step
    "expose": N_("exposure"),
    "bake": N_("drying"),
    "wash": N_("washout"),
    "blow_off": N_("blow-off"),
    "inspect": N_("inspection"),
    "prompt": N_("hand work"),
    "plate": N_("plate"),
    # what light waits for
    "contact vacuum": N_("contact vacuum"),
    "dark reading": N_("dark reading"),
    "interlock": N_("the lid (interlock open)"),
    "stop button": N_("the stop button (pressed)"),
    "device clock": N_("the device's clock"),
    "record": N_("the record (it cannot be written)"),
    # roles, priorities, sensors
    "operator": N_("operator"),
    "lead": N_("lead"),
    "auditor": N_("auditor"),
    "high": N_("high priority"),
    "medium": N_("medium priority"),
    "low": N_("low priority"),
    "vacuum": N_("vacuum"),
    "oven": N_("oven"),
    "head": N_("sensor head"),
    # what stands against a lot, a screen or a film
    "no lot": N_("no lot"),
    "lot not entered": N_("lot not entered"),
    "lot closed": N_("lot closed"),
    "wrong stock": N_("wrong stock"),
    "lot expired": N_("lot expired"),
    "lot not received": N_("lot not received"),
    "lot used up": N_("lot used up"),
    "not enough area": N_("not enough area"),
    # maintenance
    "exposures": N_("exposures"),
    "lamp_h": N_("hours of light"),
    "plates": N_("plates"),
    "washed_m2": N_("m² washed"),
    "days": N_("days"),
    "lot open too long": N_("lot open too long"),
    "lot opening unknown": N_("day of opening not known"),
    "lot stored badly": N_("lot stored badly"),
    "bed not measured since lamps": N_("bed not measured since the lamps"),
    "store not read": N_("store not read"),
    "film not entered": N_("film not entered"),
    "film closed": N_("film retired"),
    "film not made yet": N_("film not made yet"),
    "film density unknown": N_("film density not measured"),
    "film too thin": N_("film not dense enough"),
    "film worn": N_("film at its limit"),
    # calibrations: how far, why, what was done
    "reading": N_("being read"),
    "finished": N_("waits for approval"),
    "dropped": N_("dropped"),
    "routine": N_("routine"),
    "new sensor": N_("new sensor"),
    "cleaned sensor": N_("cleaned sensor"),
    "new lamps": N_("new lamps"),
    "begun": N_("begun"),
    # experiments: how far, what was done
    "concluded": N_("concluded"),
    "changed": N_("changed"),
    "named": N_("run named"),
    "taken off": N_("run taken off"),
    "read": N_("reading kept"),
    "corrected": N_("corrected"),
    "level": N_("level read"),
    "left out": N_("left out"),
    # lines of a dose's uncertainty, and where they are from
    "reference": N_("reference meter"),
    "fit": N_("calibration line"),
    "dark": N_("dark reading"),
    "resolution": N_("resolution"),
    "non-linearity": N_("non-linearity"),
    "temperature": N_("temperature"),
    "supply": N_("supply"),
    "drift": N_("drift since calibration"),
    "ageing": N_("ageing"),
    "position": N_("position"),
    "cosine": N_("slanting light"),
    "spectral": N_("colour of the light"),
    "timing": N_("timing"),
    "reciprocity": N_("reciprocity"),
    "set": N_("stated"),
    "experiment": N_("experiment"),
    "calibration": N_("calibration"),
    "measured": N_("measured"),
    "assumed": N_("assumed"),
    # verdicts; figures of trends and what changed
    "good": N_("good"),
    "reject": N_("reject"),
    "irradiance": N_("irradiance, lamps warm"),
    "pull-down": N_("pull-down, time constant"),
    "dose error": N_("dose error"),
    "depth": N_("depth"),
    "lamps": N_("lamps"),
    "cleaning": N_("cleaning"),
    "recipe": N_("recipe"),
    "version": N_("version"),
    # marks on curves
    "hold": N_("hold"),
    "leak": N_("leak"),
    "door": N_("door"),
    "act": N_("act"),
    "alarm": N_("alarm"),
    # why something was held, stopped or aborted
    "sudden": N_("contact lost suddenly"),
    "creeping": N_("contact lost slowly"),
    "unsteady": N_("contact unsteady"),
    "pump": N_("vacuum pump"),
    "gauge": N_("vacuum gauge"),
    "person": N_("by a person"),
    "light": N_("lamps or light sensor"),
    "dose": N_("dose not known or not as asked"),
    "link": N_("link to the device"),
    "device": N_("device"),
    "too long": N_("waited too long"),
    # causes of a depth other than predicted, and what of the record speaks for them
    "nothing": N_("chance alone"),
    "contact": N_("contact"),
    "washout": N_("washout"),
    "stock": N_("plate stock"),
    "too deep": N_("too deep"),
    "too shallow": N_("too shallow"),
    "below the forecast": N_("light weaker than usual"),
    "above the forecast": N_("light stronger than usual"),
    "vacuum lost": N_("vacuum lost"),
    "first plates of a lot": N_("first plates of a lot"),
    "the lot's others too": N_("others of the lot, too"),
    "the plates before too": N_("the plates before it, too"),
    "one before too": N_("one before it, too"),
    "old bath": N_("old bath"),
    "cold": N_("cold bath"),
    "place on the bed": N_("place on the bed"),
    "age and area of the bath": N_("age and area of the bath"),
    "short": N_("dried too short"),
    # how a stage ended, what people did, states of alarms
    "in time": N_("in time"),
    "early": N_("early"),
    "late": N_("late"),
    "confirmed": N_("confirmed"),
    "broken off": N_("broken off"),
    "made it": N_("made it"),
    "begin": N_("begun"),
    "done": N_("confirmed"),
    "restart": N_("restarted"),
    "stop": N_("stopped"),
    "abort": N_("aborted"),
    "skip": N_("skipped"),
    "measure": N_("measured"),
    "measured the water": N_("water measured"),
    "acknowledged": N_("acknowledged"),
    "unacknowledged": N_("not acknowledged"),
    "returned, unacknowledged": N_("over, not acknowledged"),
    "latched, unacknowledged": N_("latched, not acknowledged"),
    "latched, acknowledged": N_("latched, acknowledged"),
    "shelved": N_("shelved"),
    "normal": N_("normal"),
    "out of service": N_("out of service"),
    "lot": N_("lot"),
    "job": N_("job"),
    "verdict": N_("verdict"),
}

ALARMS = (
    "contact lost",
    "contact leaks",
    "gauge silent",
    "gauge stuck",
    "gauge off zero",
    "instrument lost",
    "light still on",
    "light sensor saturated",
    "light sensor blind",
    "doses disagree",
    "maximum light time reached",
    "link lost",
    "port cannot be opened",
    "garbage on the line",
    "another protocol",
    "light sums damaged",
    "device restarted",
    "oven over-temperature",
    "oven door open",
    "oven sensor lost",
    "oven band never reached",
    "stage overdue",
    "calibration overdue",
    "supply drifted",
    "journal cannot write",
    "journal damaged",
    "broker down",
)
"""Names of the unit's alarms, to choose one; their texts stand where alarms are defined."""

NO_SERVICE = N_(
    "The unit's service does not answer. Is its daemon running? On its computer, run: "
    "platelink doctor"
)
ON_ITS_COMPUTER = N_(
    "This is done on the unit's own computer only; run there: platelink user --help"
)
NO_ADDRESS = N_("There is no such address.")
NO_HEADER = N_("A header of this request is not plain text.")
TOO_MUCH = N_("That is more than the service accepts at once.")
TOO_MANY_ASK = N_("Too many requests at once; try again in a moment.")
TOO_SLOW = N_("The request did not arrive in time; send it again.")
NOT_OURS = N_("This did not come from the page itself; reload the page and try again.")
NOT_OUR_NAME = N_(
    "The page does not answer to this name; start it with --name and the name that you use, "
    "or open it by its own name."
)
OF_THE_SERVICE = (
    N_(
        "the name or the PIN or password is wrong; try again, or ask a lead for a new PIN or "
        "password"
    ),
    N_("the page is out of date; load it again"),
    N_("the sign-in has ended; sign in again"),
    N_("sign in first"),
)
"""Refusals of the service that come in the same words each time."""
OF_THE_UNIT = (N_("cannot reach the unit: use its stop button"),)
"""The same of the unit."""

KEYS = (
    N_("dose"), N_("tolerance"), N_("on leak"), N_("guard factor"), N_("screen"), N_("contact"),
    N_("pull down limit"), N_("hold test"), N_("draw down"), N_("fall limit"),
    N_("water low"), N_("water high"),
    N_("duration"), N_("limit"), N_("nominal"), N_("in band"), N_("reach limit"),
    N_("activation energy"), N_("where"), N_("question"), N_("defect"), N_("irradiance"),
    N_("afterglow"), N_("warm up deficit"), N_("firmware"), N_("board"), N_("boot id"),
    N_("reset cause"), N_("lower end"), N_("upper end"),
)  # fmt: skip
"""Words of keys in recipes and of the device."""

KEY_WORDS = {"low": "lower end", "high": "upper end"}
"""Keys whose own word means something else here."""
