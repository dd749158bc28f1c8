"""What an exposure says when it must stop: what was measured, the limit, what to do. Pure."""

from __future__ import annotations

from platelink.contract.words import LampsWere
from platelink.link import messages as m

_CLOSED_BY = {
    m.CloseReason.NONE: (
        "the lamps went off for an unknown reason with {:.1f} mJ/cm² to go; restart"
    ),
    m.CloseReason.HOST: "the lamps were switched off with {:.1f} mJ/cm² to go; restart",
    m.CloseReason.GUARD: (
        "the guard time ran out with {:.1f} mJ/cm² to go; check lamps and sensor, then restart"
    ),
    m.CloseReason.SILENCE: (
        "the device lost contact with the computer and switched the light off with {:.1f} "
        "mJ/cm² to go; restart"
    ),
    m.CloseReason.INTERLOCK: (
        "interlock opened with {:.1f} mJ/cm² to go; close the lid, then restart"
    ),
}

FORGOTTEN = (
    "the device lost its order, so the computer switched the light off; have the device "
    "checked before you restart"
)


UNRECORDED = "the record cannot be written, so the light stays off; free disk space, then restart"


def closed_by(reason: m.CloseReason, remaining_mj_cm2: float) -> str:
    """The device has closed before the dose was reached."""
    return _CLOSED_BY[reason].format(remaining_mj_cm2)


def hour_spent(needed_s: float, left_s: float, free_in_s: float) -> str:
    """The device will not give so much light now."""
    return (
        f"about {needed_s:.0f} s of light are needed, but the device allows 45 min of light "
        f"in an hour and has {left_s:.0f} s left; restart in "
        f"{free_in_s / 60.0:.0f} min"
    )


def device_limit(remaining_mj_cm2: float) -> str:
    """The device has closed by its own limit, not because the lamps are weak."""
    return (
        "the device switched the light off at its own limit (30 min at a time, 45 min in an "
        "hour) with "
        f"{remaining_mj_cm2:.1f} mJ/cm² to go; restart for the remaining dose"
    )


def refused(command: m.Arm | m.Open, code: m.ReplyCode) -> str:
    """The device has refused to begin. What it calls a bad value of an order is light beyond its
    own limits (PROTOCOL.md, Limits): ours are within those of one order."""
    if isinstance(command, m.Arm) and code is m.ReplyCode.BAD_VALUE:
        return (
            "the device refused the order: it allows 30 min of light at a time and 45 min in "
            "an hour; wait some minutes, then restart"
        )
    what = "the order" if isinstance(command, m.Arm) else "light"
    why = code.name.lower().replace("_", " ")
    return f"the device refused {what} ({why}); check lid and stop button, then restart"


def none_seen(light_s: float, limit_s: float) -> str:
    """The lamp is said to be on."""
    return (
        f"no light seen {light_s:.1f} s after the lamps were switched on (limit {limit_s:.0f} s); "
        "check lamps and light sensor, then restart"
    )


def jumped(from_mw_cm2: float, to_mw_cm2: float) -> str:
    """Faster than lamps can."""
    how = "fell" if to_mw_cm2 < from_mw_cm2 else "rose"
    return (
        f"the light seen {how} from {from_mw_cm2:.2f} to {to_mw_cm2:.2f} mW/cm² at once: "
        "lamps or light sensor have failed, the dose is in doubt; check both, then restart"
    )


def not_as_foretold(seen_mw_cm2: float, low_mw_cm2: float, high_mw_cm2: float) -> str:
    """Warm enough to be compared with the exposures before."""
    return (
        f"the light seen is {seen_mw_cm2:.2f} mW/cm²; expected from recent exposures: "
        f"{low_mw_cm2:.2f} to {high_mw_cm2:.2f}: lamps or light sensor have changed; check "
        "both, then restart; if lamps were replaced, record it (platelink lamps changed)"
    )


def untrusted(ours_mj_cm2: float, device_mj_cm2: float, limit_mj_cm2: float) -> str:
    """Our dose and the device's."""
    return (
        f"platelink's dose {ours_mj_cm2:.2f} and the device's {device_mj_cm2:.2f} mJ/cm² "
        "differ by more "
        f"than {limit_mj_cm2:.2f}; check the light sensors"
    )


def frozen(irradiance_mw_cm2: float) -> str:
    """Nothing that measures gives the same for so long."""
    return (
        f"the light sensor is stuck at {irradiance_mw_cm2:.2f} mW/cm²: the dose is in doubt; "
        "check lamps and light sensor, then restart"
    )


def sums_damaged(samples: int) -> str:
    """So many in a row."""
    return (
        f"light sums of {samples} samples in a row are impossible, the dose is in doubt; "
        "check the device and its cable, then restart"
    )


def doubt(more_mj_cm2: float, less_mj_cm2: float) -> str:
    """In numbers; empty where there is none."""
    texts = (
        f"up to {more_mj_cm2:.1f} mJ/cm² more may have been given" if more_mj_cm2 else "",
        f"up to {less_mj_cm2:.1f} mJ/cm² of it may not have been given"
        if less_mj_cm2 else "",
    )  # fmt: skip
    return ", ".join(filter(None, texts))


def what_fell(more_mj_cm2: float, less_mj_cm2: float) -> str:
    """A person is to say."""
    return (
        f"{doubt(more_mj_cm2, less_mj_cm2)}; judge the plate, or restart and give as the "
        "reason what the lamps did while the light sensor failed: "
        f"{', '.join(repr(str(word)) for word in LampsWere)}"
    )


def unsure(more_mj_cm2: float, less_mj_cm2: float) -> str:
    """Too much is not known."""
    return f"{doubt(more_mj_cm2, less_mj_cm2)}; judge the plate"


def not_known(unseen_mj_cm2: float, gap_s: float) -> str:
    """The device has lost its sums in the light."""
    return (
        f"the device restarted with the lamps on; up to {unseen_mj_cm2:.2f} mJ/cm² in "
        f"{gap_s:.2f} s "
        "are not known; half of it is counted"
    )


def silent(dose_mj_cm2: float, target_mj_cm2: float, unknown_mj_cm2: float) -> str:
    """The device has said nothing for longer than its lamp can have been on, unless it hangs."""
    return (
        f"no reply from the device past the guard time; last known dose {dose_mj_cm2:.1f} of "
        f"{target_mj_cm2:.1f} mJ/cm², up to {unknown_mj_cm2:.1f} more may have been given; "
        "the lamps may be on: use the unit's own stop button, check the cable, then judge "
        "the plate"
    )


LEFT_ON = "light is still on: switch the unit off at its main switch and keep the lid closed"


def never_dark(seconds: float) -> str:
    """Nothing has ended the light."""
    return f"{LEFT_ON}; {seconds:.0f} s after the end the light is still on; judge the plate"


def was_left_on(remaining_mj_cm2: float) -> str:
    """It became dark later than it should have."""
    return (
        f"the light stayed on after its end, {remaining_mj_cm2:.1f} mJ/cm² are still to go; "
        "have the lamp relay checked, then restart"
    )


def off_target(dose_mj_cm2: float, target_mj_cm2: float, limit_mj_cm2: float) -> str:
    """What was given is not what was asked for."""
    off = dose_mj_cm2 - target_mj_cm2
    word = "more" if off > 0.0 else "less"
    return (
        f"{dose_mj_cm2:.1f} mJ/cm² were given, {abs(off):.1f} {word} than the target (limit "
        f"{limit_mj_cm2:.1f}); judge the plate" + ("" if off > 0.0 else ", restart or stop")
    )


def disagree(apart_mj_cm2: float, limit_mj_cm2: float) -> str:
    """Two accounts of one light."""
    return (
        f"platelink's dose and the device's differ by {apart_mj_cm2:.2f} mJ/cm² (limit "
        f"{limit_mj_cm2:.2f}); check the light sensors, judge the plate"
    )


def saturated(adc_max: int) -> str:
    """The light is more than the sensor can tell."""
    return (
        f"light sensor at its limit of {adc_max} counts: the true dose is higher than "
        "counted; lower the gain, calibrate, then restart"
    )
