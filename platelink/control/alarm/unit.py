"""The alarms a unit has. Data only.

All invented but for the trade's plain sense: delays, deadbands and priorities are starting values.
"""

from __future__ import annotations

from platelink.control.alarm.states import Definition, Priority, Source

_WHY = ("port cannot be opened", "garbage on the line", "another protocol")
_LINK = ("link lost", *_WHY)

CONTACT_LOST = Definition(
    name="contact lost", source=Source.STEP, priority=Priority.HIGH, group="contact", unit="kPa",
    low_side=True, deadband=1.0, suppressed_by=(*_LINK, "gauge silent"),
    cause="the blanket or its seal leaks, or the pump has stopped",
    next_act="find the leak, then restart the exposure",
)  # fmt: skip
CONTACT_LEAKS = Definition(
    name="contact leaks", source=Source.STEP, priority=Priority.MEDIUM, group="contact", unit="kPa",
    low_side=True, suppressed_by=(*_LINK, "gauge silent", "contact lost"),
    cause="the blanket, its seal or a hose leaks slightly, or the pump is getting weaker",
    next_act=(
        "find the leak before the next exposure; this one continues as long as contact is "
        "good enough"
    ),
)  # fmt: skip
GAUGE_SILENT = Definition(
    name="gauge silent", source=Source.STEP, priority=Priority.HIGH, group="contact", unit="s",
    on_delay_s=1.0, off_delay_s=2.0, suppressed_by=_LINK,
    cause="the vacuum gauge's wire is broken or shorted",
    next_act="check the gauge and its wiring",
)  # fmt: skip
GAUGE_STUCK = Definition(
    name="gauge stuck", source=Source.STEP, priority=Priority.HIGH, group="contact", unit="kPa",
    suppressed_by=(*_LINK, "gauge silent"),
    cause="the gauge or its line is blocked",
    next_act="vent the blanket and check that the gauge follows",
)  # fmt: skip
GAUGE_OFF_ZERO = Definition(
    name="gauge off zero", source=Source.STEP, priority=Priority.HIGH, group="contact", unit="kPa",
    suppressed_by=(*_LINK, "gauge silent"),
    cause=(
        "the vacuum gauge has drifted or is stuck, its hose is blocked, or the frame was not "
        "vented"
    ),
    next_act="open the frame and check that the gauge reads zero; calibrate it",
)  # fmt: skip
INSTRUMENT_LOST = Definition(
    name="instrument lost", source=Source.UNIT, priority=Priority.MEDIUM, group="device", unit="s",
    off_delay_s=2.0,
    cause="the bus or the instrument has no power, a wire is broken, or its sensor is",
    next_act="see the unit's status for which and why; check power, wires and address",
)  # fmt: skip
LIGHT_STILL_ON = Definition(
    name="light still on", source=Source.STEP, priority=Priority.HIGH, group="light",
    unit="mW/cm²", longest_shelf_s=0.0,
    cause="the lamp relay or contactor does not open, or other light reaches the sensor",
    next_act="switch the unit off at its main switch and keep the lid closed",
)  # fmt: skip
LIGHT_SENSOR_SATURATED = Definition(
    name="light sensor saturated", source=Source.STEP, priority=Priority.HIGH, group="light",
    unit="counts", suppressed_by=_LINK,
    cause="the sensor's gain is too high for these lamps",
    next_act="judge the plate: its dose is not known; lower the gain and calibrate again",
)  # fmt: skip
LIGHT_SENSOR_BLIND = Definition(
    name="light sensor blind", source=Source.STEP, priority=Priority.HIGH, group="light",
    unit="mW/cm²", low_side=True, suppressed_by=_LINK,
    cause="the lamps did not start, or the sensor is covered, unplugged or stuck",
    next_act="check the lamps, through the unit's own window only, then the sensor",
)  # fmt: skip
DOSES_DISAGREE = Definition(
    name="doses disagree", source=Source.STEP, priority=Priority.HIGH, group="light", unit="%",
    latched=True, longest_shelf_s=0.0,
    cause="samples were lost, or the device's weights differ from the calibration",
    next_act="judge the plate; check calibration and device before the next exposure",
)  # fmt: skip
MAXIMUM_LIGHT_TIME_REACHED = Definition(
    name="maximum light time reached", source=Source.STEP, priority=Priority.HIGH, group="light",
    unit="s",
    longest_shelf_s=0.0,
    cause="the lamps give much less light than was expected",
    next_act="check the lamps; restart for the remaining dose, or stop",
)  # fmt: skip
LINK_LOST = Definition(
    name="link lost", source=Source.UNIT, priority=Priority.HIGH, group="device", unit="s",
    on_delay_s=1.0, suppressed_by=_WHY,
    cause="the cable is unplugged, or the device has no power",
    next_act="check cable and power; if the lamps are on, use the unit's own stop button",
)  # fmt: skip
PORT_CANNOT_BE_OPENED = Definition(
    name="port cannot be opened", source=Source.SHELL, priority=Priority.HIGH, group="device",
    cause="the port is missing, not a serial port, in use, or this user may not open it",
    next_act="see the unit's status for which; if the lamps are on, use the unit's own stop button",
)  # fmt: skip
GARBAGE_ON_THE_LINE = Definition(
    name="garbage on the line", source=Source.UNIT, priority=Priority.HIGH, group="device",
    cause=(
        "something else is connected to this port, the baud rate is wrong, or the line is "
        "disturbed"
    ),
    next_act=(
        "check port and baud rate, then the cable; if the lamps are on, use the unit's own "
        "stop button"
    ),
)  # fmt: skip
ANOTHER_PROTOCOL = Definition(
    name="another protocol", source=Source.UNIT, priority=Priority.HIGH, group="device",
    cause="the device's firmware is of another release than this program",
    next_act="load this release's firmware; if the lamps are on, use the unit's own stop button",
)  # fmt: skip
LIGHT_SUMS_DAMAGED = Definition(
    name="light sums damaged", source=Source.STEP, priority=Priority.HIGH, group="device",
    on_delay_s=2.0, off_delay_s=2.0, suppressed_by=_LINK, longest_shelf_s=0.0,
    cause="the line to the device is disturbed, or its memory is damaged",
    next_act=(
        "begin no exposure; check the cable, then switch the device off and on; if the lamps "
        "are on, use the unit's own stop button"
    ),
)  # fmt: skip
DEVICE_RESTARTED = Definition(
    name="device restarted", source=Source.UNIT, priority=Priority.MEDIUM, group="device",
    cause="its supply dipped, or it hung and its watchdog restarted it",
    next_act="check the supply; judge the plate that was being exposed",
)  # fmt: skip
OVEN_OVER_TEMPERATURE = Definition(
    name="oven over-temperature", source=Source.STEP, priority=Priority.HIGH, group="oven",
    unit="°C", deadband=1.0, latched=True, longest_shelf_s=0.0,
    cause="the oven's thermostat has failed or is set too high",
    next_act="take the plate out with gloves, switch the oven off, judge the plate",
)  # fmt: skip
OVEN_DOOR_OPEN = Definition(
    name="oven door open", source=Source.STEP, priority=Priority.MEDIUM, group="oven",
    unit="°C/min", low_side=True, on_delay_s=5.0, off_delay_s=5.0,
    suppressed_by=(*_LINK, "oven sensor lost"),
    cause="the oven's door is open or not latched",
    next_act="close the door; minutes are counted again once back in the band",
)  # fmt: skip
OVEN_SENSOR_LOST = Definition(
    name="oven sensor lost", source=Source.STEP, priority=Priority.HIGH, group="oven", unit="s",
    off_delay_s=5.0, suppressed_by=_LINK,
    cause="the oven sensor's wire is broken or shorted",
    next_act="check the sensor; no minutes are counted without it",
)  # fmt: skip
OVEN_BAND_NEVER_REACHED = Definition(
    name="oven band never reached", source=Source.STEP, priority=Priority.MEDIUM, group="oven",
    unit="s", suppressed_by=(*_LINK, "oven sensor lost"),
    cause="the oven is off, set to another temperature, or its door is open",
    next_act="check the oven's setting and door",
)  # fmt: skip
STAGE_OVERDUE = Definition(
    name="stage overdue", source=Source.STEP, priority=Priority.MEDIUM, group="stage", unit="s",
    longest_shelf_s=1800.0,
    cause="nobody has confirmed that the stage is done",
    next_act="end the stage and confirm; a plate left in water keeps swelling",
)  # fmt: skip
CALIBRATION_OVERDUE = Definition(
    name="calibration overdue", source=Source.SHELL, priority=Priority.LOW, group="calibration",
    unit="days", longest_shelf_s=7 * 86400.0,
    cause="a sensor's calibration is past its due date",
    next_act="calibrate it",
)  # fmt: skip
SUPPLY_DRIFTED = Definition(
    name="supply drifted", source=Source.SHELL, priority=Priority.MEDIUM,
    group="calibration", unit="%", deadband=0.1, on_delay_s=5.0, off_delay_s=5.0,
    cause=(
        "the device's 5 V supply has changed since light was calibrated; doses are off by as "
        "much"
    ),
    next_act="check the supply of the device; if it stays so, calibrate light again",
)  # fmt: skip
JOURNAL_CANNOT_WRITE = Definition(
    name="journal cannot write", source=Source.SHELL, priority=Priority.HIGH, group="record",
    unit="entries", longest_shelf_s=0.0,
    cause="the disk is full or failing",
    next_act="free disk space; start no plate until it can be written again",
)  # fmt: skip
JOURNAL_DAMAGED = Definition(
    name="journal damaged", source=Source.SHELL, priority=Priority.HIGH, group="record",
    longest_shelf_s=0.0,
    cause="the journal file was cut, replaced or removed, or the disk is failing",
    next_act=(
        "keep the damaged file, recover what is sound with platelink doctor --repair, and "
        "check the disk; a new journal is in use"
    ),
)  # fmt: skip
BROKER_DOWN = Definition(
    name="broker down", source=Source.SHELL, priority=Priority.LOW, group="record", unit="s",
    on_delay_s=60.0, off_delay_s=10.0, longest_shelf_s=86400.0,
    cause="the network or the broker is down",
    next_act="check the network; nothing is lost, it is published later",
)  # fmt: skip

UNIT_ALARMS = tuple(value for value in tuple(globals().values()) if isinstance(value, Definition))
"""Every definition above, in its order."""


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
        latching = f"latched, {shelf}" if d.latched else shelf
        cells = (
            f"`{d.name}`", d.priority.name.lower(), delays, band, latching, d.cause, d.next_act,
        )  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |".replace("|  |", "| |"))
    return "\n".join(lines) + "\n"
