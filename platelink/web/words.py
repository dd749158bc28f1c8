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
    "bake": N_("oven"),
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
    # calibrations: how far, why, what was done
    "reading": N_("being read"),
    "finished": N_("waits for approval"),
    "dropped": N_("dropped"),
    "routine": N_("routine"),
    "new sensor": N_("new sensor"),
    "cleaned sensor": N_("cleaned sensor"),
    "new lamps": N_("new lamps"),
    "begun": N_("begun"),
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
    "calibration": N_("calibration"),
    "measured": N_("measured"),
    "assumed": N_("assumed"),
}

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
TOO_MANY_ASK = N_("Too much is asked at once; try again in a moment.")
TOO_SLOW = N_("The request did not come whole in time; send it again.")
NOT_OURS = N_("This did not come from the page itself; reload the page and try again.")
NOT_OUR_NAME = N_(
    "This name is not one of this page's; start it with --name and the name that you use, or open "
    "it by its own."
)
OF_THE_SERVICE = (
    N_(
        "the name or the PIN or password is wrong; try again, or let a lead give a new PIN or "
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
