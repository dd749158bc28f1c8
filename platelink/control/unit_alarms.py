"""The alarms a unit has. Data only.

All invented but for the trade's plain sense: delays, deadbands and priorities are starting values.
"""

from __future__ import annotations

from platelink.control.alarm_states import Definition, Priority

_LINK = ("link lost",)
UNIT_ALARMS: tuple[Definition, ...] = (
    Definition(
        name="contact lost", priority=Priority.HIGH, group="contact", unit="kPa", low_side=True,
        deadband=1.0, suppressed_by=("link lost", "gauge silent"),
        cause="the blanket or its seal leaks, or the pump has stopped",
        next_act="look for the leak, then restart the exposure",
    ),
    Definition(
        name="gauge silent", priority=Priority.HIGH, group="contact", unit="s", on_delay_s=1.0,
        off_delay_s=2.0, suppressed_by=_LINK,
        cause="the vacuum gauge's wire is broken or shorted",
        next_act="check the gauge and its wiring",
    ),
    Definition(
        name="gauge stuck", priority=Priority.MEDIUM, group="contact", unit="kPa", off_delay_s=2.0,
        suppressed_by=("link lost", "gauge silent"),
        cause="the gauge or its line is blocked",
        next_act="vent the blanket and see whether the gauge follows",
    ),
    Definition(
        name="light sensor saturated", priority=Priority.HIGH, group="light", unit="counts",
        suppressed_by=_LINK,
        cause="the sensor's gain is too high for these lamps",
        next_act="judge the plate: its dose is not known; lower the gain and calibrate again",
    ),
    Definition(
        name="light sensor blind", priority=Priority.HIGH, group="light", unit="mW/cm²",
        low_side=True, suppressed_by=_LINK,
        cause="the lamps did not start, or the sensor is covered or unplugged",
        next_act="look at the lamps through the unit's own window only, then at the sensor",
    ),
    Definition(
        name="doses disagree", priority=Priority.HIGH, group="light", unit="%", latched=True,
        longest_shelf_s=0.0,
        cause="samples were lost, or the device has other weights than the calibration",
        next_act="judge the plate; compare calibration and device before the next exposure",
    ),
    Definition(
        name="guard ended it", priority=Priority.HIGH, group="light", unit="s", longest_shelf_s=0.0,
        cause="the lamps give much less light than was expected",
        next_act="look at the lamps; restart for the remainder, or stop",
    ),
    Definition(
        name="link lost", priority=Priority.HIGH, group="device", unit="s", on_delay_s=1.0,
        cause="the cable is out, or the device has no power",
        next_act="check cable and power; a running exposure ends at its dose by itself",
    ),
    Definition(
        name="device restarted", priority=Priority.MEDIUM, group="device",
        cause="its supply dipped, or it hung and its watchdog started it anew",
        next_act="check the supply; judge a plate that was being exposed",
    ),
    Definition(
        name="oven over-temperature", priority=Priority.HIGH, group="oven", unit="°C", deadband=1.0,
        latched=True, longest_shelf_s=0.0,
        cause="the oven's thermostat has failed or is set too high",
        next_act="take the plate out with gloves, switch the oven off, judge the plate",
    ),
    Definition(
        name="oven door open", priority=Priority.MEDIUM, group="oven", unit="°C/min", low_side=True,
        on_delay_s=5.0, off_delay_s=5.0, suppressed_by=("link lost", "oven sensor lost"),
        cause="the oven's door is open or not latched",
        next_act="close the door; minutes count again in the band",
    ),
    Definition(
        name="oven sensor lost", priority=Priority.HIGH, group="oven", unit="s", off_delay_s=5.0,
        suppressed_by=_LINK,
        cause="the oven sensor's wire is broken or shorted",
        next_act="check the sensor; no minutes count without it",
    ),
    Definition(
        name="oven band never reached", priority=Priority.MEDIUM, group="oven", unit="s",
        suppressed_by=("link lost", "oven sensor lost"),
        cause="the oven is off or set to another temperature, or its door is open",
        next_act="check the oven's setting and door",
    ),
    Definition(
        name="stage overdue", priority=Priority.MEDIUM, group="stage", unit="s",
        longest_shelf_s=1800.0,
        cause="nobody confirmed that the stage is done",
        next_act="end the stage and confirm it; a plate left in water goes on swelling",
    ),
    Definition(
        name="calibration overdue", priority=Priority.LOW, group="calibration", unit="days",
        longest_shelf_s=7 * 86400.0,
        cause="a sensor was not compared with its reference by its date",
        next_act="calibrate it",
    ),
    Definition(
        name="journal cannot write", priority=Priority.HIGH, group="record", unit="entries",
        longest_shelf_s=0.0,
        cause="the disk is full or failing",
        next_act="free space on the disk; begin no plate before it writes again",
    ),
    Definition(
        name="broker down", priority=Priority.LOW, group="record", unit="s", on_delay_s=60.0,
        off_delay_s=10.0, longest_shelf_s=86400.0,
        cause="the network or the broker's computer is down",
        next_act="check the network; nothing is lost, it is published later",
    ),
)  # fmt: skip


def table() -> str:
    """The alarms as a Markdown table."""
    lines = [
        "| alarm | priority | delays on, off | deadband | kept, longest shelf "
        "| likely cause | next act |",
        "|---|---|---|---|---|---|---|",
    ]
    for d in UNIT_ALARMS:
        delays = f"{d.on_delay_s:g} s, {d.off_delay_s:g} s"
        band = f"{d.deadband:g} {d.unit}" if d.deadband else ""
        shelf = f"{d.longest_shelf_s / 3600.0:g} h" if d.longest_shelf_s else "never shelved"
        kept = f"latched, {shelf}" if d.latched else shelf
        cells = (
            f"`{d.name}`", d.priority.name.lower(), delays, band, kept, d.cause, d.next_act,
        )  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |".replace("|  |", "| |"))
    return "\n".join(lines) + "\n"
