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
}

NO_SERVICE = N_(
    "The unit's service does not answer. Is its daemon running? On its computer, run: "
    "platelink doctor"
)
ON_ITS_COMPUTER = N_(
    "This is done on the unit's own computer only; run there: platelink user --help"
)
NO_ADDRESS = N_("There is no such address.")
TOO_MUCH = N_("That is more than the service takes at once.")
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

ALARMS = (
    N_("contact lost"),
    N_("the blanket or its seal leaks, or the pump has stopped"),
    N_("look for the leak, then restart the exposure"),
    N_("gauge silent"),
    N_("the vacuum gauge's wire is broken or shorted"),
    N_("check the gauge and its wiring"),
    N_("gauge stuck"),
    N_("the gauge or its line is blocked"),
    N_("vent the blanket and see whether the gauge follows"),
    N_("light sensor saturated"),
    N_("the sensor's gain is too high for these lamps"),
    N_("judge the plate: its dose is not known; lower the gain and calibrate again"),
    N_("light sensor blind"),
    N_("the lamps did not start, or the sensor is covered or unplugged"),
    N_("look at the lamps through the unit's own window only, then at the sensor"),
    N_("doses disagree"),
    N_("samples were lost, or the device has other weights than the calibration"),
    N_("judge the plate; compare calibration and device before the next exposure"),
    N_("guard ended it"),
    N_("the lamps give much less light than was expected"),
    N_("look at the lamps; restart for the remainder, or stop"),
    N_("link lost"),
    N_("the cable is out, or the device has no power"),
    N_("check cable and power; a running exposure ends at its dose by itself"),
    N_("device restarted"),
    N_("its supply dipped, or it hung and its watchdog started it anew"),
    N_("check the supply; judge a plate that was being exposed"),
    N_("oven over-temperature"),
    N_("the oven's thermostat has failed or is set too high"),
    N_("take the plate out with gloves, switch the oven off, judge the plate"),
    N_("oven door open"),
    N_("the oven's door is open or not latched"),
    N_("close the door; minutes count again in the band"),
    N_("oven sensor lost"),
    N_("the oven sensor's wire is broken or shorted"),
    N_("check the sensor; no minutes count without it"),
    N_("oven band never reached"),
    N_("the oven is off or set to another temperature, or its door is open"),
    N_("check the oven's setting and door"),
    N_("stage overdue"),
    N_("nobody confirmed that the stage is done"),
    N_("end the stage and confirm it; a plate left in water goes on swelling"),
    N_("calibration overdue"),
    N_("a sensor was not compared with its reference by its date"),
    N_("calibrate it"),
    N_("journal cannot write"),
    N_("the disk is full or failing"),
    N_("free space on the disk; begin no plate before it writes again"),
    N_("broker down"),
    N_("the network or the broker's computer is down"),
    N_("check the network; nothing is lost, it is published later"),
)
"""Names, likely causes and next acts of the unit's own alarms; a test holds them to the unit's."""

KEYS = (
    N_("dose"), N_("tolerance"), N_("on leak"), N_("guard factor"), N_("screen"), N_("contact"),
    N_("pull down limit"), N_("hold test"), N_("fall limit"), N_("water low"), N_("water high"),
    N_("duration"), N_("limit"), N_("nominal"), N_("in band"), N_("reach limit"),
    N_("activation energy"), N_("where"), N_("question"), N_("defect"), N_("irradiance"),
    N_("afterglow"), N_("warm up deficit"), N_("firmware"), N_("board"), N_("boot id"),
    N_("reset cause"), N_("lower end"), N_("upper end"),
)  # fmt: skip
"""Words of keys in recipes and of the device."""

KEY_WORDS = {"low": "lower end", "high": "upper end"}
"""Keys whose own word means something else here."""
