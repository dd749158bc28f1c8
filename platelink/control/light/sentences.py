"""What an exposure says when it must stop: what was measured, the limit, what to do. Pure."""

from __future__ import annotations

from platelink.contract.words import LampsWere
from platelink.link import messages as m

_CLOSED_BY = {
    m.CloseReason.NONE: "the lamp went off for no stated reason with {:.1f} mJ/cm² to go; restart",
    m.CloseReason.HOST: "the lamp was switched off with {:.1f} mJ/cm² to go; restart",
    m.CloseReason.GUARD: (
        "the guard time ran out with {:.1f} mJ/cm² to go; check lamps and sensor, then restart"
    ),
    m.CloseReason.SILENCE: (
        "the device heard nothing from the host and closed with {:.1f} mJ/cm² to go; restart"
    ),
    m.CloseReason.INTERLOCK: "interlock opened with {:.1f} mJ/cm² to go; close it, then restart",
}

FORGOTTEN = (
    "the device knows nothing of its order any more, so the computer ended the light; have the "
    "device looked at before you restart"
)


UNRECORDED = "the record cannot be written, so no light is given; make room for it, then restart"


def closed_by(reason: m.CloseReason, remaining_mj_cm2: float) -> str:
    """The device has closed before the dose was reached."""
    return _CLOSED_BY[reason].format(remaining_mj_cm2)


def hour_spent(needed_s: float, left_s: float, free_in_s: float) -> str:
    """The device will not give so much light now."""
    return (
        f"about {needed_s:.0f} s of light are needed, and the device, which gives no more than 45 "
        f"min of light in an hour, has {left_s:.0f} s left; it has enough in "
        f"{free_in_s / 60.0:.0f} min: restart then"
    )


def device_limit(remaining_mj_cm2: float) -> str:
    """The device has closed by its own limit, not because the lamps are weak."""
    return (
        "the device ended the light by its own limit, 30 min at a time and 45 min in an hour, with "
        f"{remaining_mj_cm2:.1f} mJ/cm² to go; restart for the remainder"
    )


def refused(command: m.Arm | m.Open, code: m.ReplyCode) -> str:
    """The device has refused to begin. What it calls a bad value of an order is light beyond its
    own limits (PROTOCOL.md, Limits): ours are within those of one order."""
    if isinstance(command, m.Arm) and code is m.ReplyCode.BAD_VALUE:
        return (
            "the device refused the standing order: it gives no order more than 30 min of light, "
            "and no hour more than 45; wait some minutes, then restart"
        )
    what = "the standing order" if isinstance(command, m.Arm) else "light"
    why = code.name.lower().replace("_", " ")
    return f"the device refused {what} ({why}); check interlock and stop, then restart"


def none_seen(light_s: float, limit_s: float) -> str:
    """The lamp is said to be on."""
    return (
        f"no light seen {light_s:.1f} s after the lamp was switched on (limit {limit_s:.0f} s); "
        "check lamps and light sensor, then restart"
    )


def jumped(from_mw_cm2: float, to_mw_cm2: float) -> str:
    """Faster than lamps can."""
    how = "fell" if to_mw_cm2 < from_mw_cm2 else "rose"
    return (
        f"the light seen {how} from {from_mw_cm2:.2f} to {to_mw_cm2:.2f} mW/cm² at once: lamps or "
        "light sensor have failed, what falls is not known; look at both, then restart"
    )


def not_as_foretold(seen_mw_cm2: float, low_mw_cm2: float, high_mw_cm2: float) -> str:
    """Warm enough to be compared with the exposures before."""
    return (
        f"the light seen is {seen_mw_cm2:.2f} mW/cm²; the last exposures foretell "
        f"{low_mw_cm2:.2f} to {high_mw_cm2:.2f}: lamps or light sensor are not as they were; look "
        "at both, then restart, and if lamps were changed enter it (platelink lamps changed)"
    )


def untrusted(ours_mj_cm2: float, device_mj_cm2: float, limit_mj_cm2: float) -> str:
    """Our dose and the device's."""
    return (
        f"our dose {ours_mj_cm2:.2f} and the device's {device_mj_cm2:.2f} mJ/cm² differ by more "
        f"than {limit_mj_cm2:.2f}; trust neither, check the light sensors"
    )


def frozen(irradiance_mw_cm2: float) -> str:
    """Nothing that measures gives the same for so long."""
    return (
        f"the light sensor stands still at {irradiance_mw_cm2:.2f} mW/cm²: it does not measure, "
        "what falls is not known; look at lamps and light sensor, then restart"
    )


def sums_damaged(samples: int) -> str:
    """So many in a row."""
    return (
        f"light sums of {samples} samples in a row cannot be, the dose is not known any more; "
        "check the device and its cable, then restart"
    )


def doubt(more_mj_cm2: float, less_mj_cm2: float) -> str:
    """In numbers; empty where there is none."""
    texts = (
        f"up to {more_mj_cm2:.1f} mJ/cm² may have fallen unseen" if more_mj_cm2 else "",
        f"up to {less_mj_cm2:.1f} mJ/cm² of what is counted may not have fallen"
        if less_mj_cm2 else "",
    )  # fmt: skip
    return ", ".join(filter(None, texts))


def what_fell(more_mj_cm2: float, less_mj_cm2: float) -> str:
    """A person is to say."""
    return (
        f"{doubt(more_mj_cm2, less_mj_cm2)}; judge the plate, or say what the lamps did all the "
        "time while the light sensor was in doubt, as the reason of a restart: "
        f"{', '.join(repr(str(word)) for word in LampsWere)}"
    )


def unsure(more_mj_cm2: float, less_mj_cm2: float) -> str:
    """Too much is not known."""
    return f"{doubt(more_mj_cm2, less_mj_cm2)}; judge the plate"


def not_known(unseen_mj_cm2: float, gap_s: float) -> str:
    """The device has lost its sums in the light."""
    return (
        f"the device restarted with the lamp on; up to {unseen_mj_cm2:.2f} mJ/cm² in {gap_s:.2f} s "
        "are not known, half of it is taken as given"
    )


def silent(dose_mj_cm2: float, target_mj_cm2: float, unknown_mj_cm2: float) -> str:
    """The device has said nothing for longer than its lamp can have been on, unless it hangs."""
    return (
        f"no word from the device past its guard time; last known dose {dose_mj_cm2:.1f} of "
        f"{target_mj_cm2:.1f} mJ/cm², up to {unknown_mj_cm2:.1f} more may have fallen; the lamp "
        "may be burning: use the unit's own stop, check the cable, then judge the plate"
    )


LEFT_ON = "light is still on: switch the unit off at its main switch, leave it closed"


def never_dark(seconds: float) -> str:
    """Nothing has ended the light."""
    return f"{LEFT_ON}; {seconds:.0f} s after its end it is not dark, judge the plate"


def was_left_on(remaining_mj_cm2: float) -> str:
    """It became dark later than it should have."""
    return (
        f"light went on after its end, {remaining_mj_cm2:.1f} mJ/cm² are still to go; "
        "have the lamps' relay looked at, then restart"
    )


def off_target(dose_mj_cm2: float, target_mj_cm2: float, limit_mj_cm2: float) -> str:
    """What was given is not what was asked for."""
    off = dose_mj_cm2 - target_mj_cm2
    word = "more" if off > 0.0 else "less"
    return (
        f"{dose_mj_cm2:.1f} mJ/cm² have fallen, {abs(off):.1f} {word} than the target (limit "
        f"{limit_mj_cm2:.1f}); judge the plate" + ("" if off > 0.0 else ", restart or stop")
    )


def disagree(apart_mj_cm2: float, limit_mj_cm2: float) -> str:
    """Two accounts of one light."""
    return (
        f"our dose and the device's differ by {apart_mj_cm2:.2f} mJ/cm² (limit "
        f"{limit_mj_cm2:.2f}); trust neither, check the light sensors, judge the plate"
    )


def saturated(adc_max: int) -> str:
    """The light is more than the sensor can tell."""
    return (
        f"light sensor at its limit of {adc_max} counts: the dose counted is the least that fell; "
        "lower its gain, calibrate, then restart"
    )
