"""The unit in figures: from what is known of it to names and numbers. Pure.

No name of a person, plate, job or recipe is among them: whoever reaches the port may read them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time

from platelink.contract.lamps import LampsNow
from platelink.contract.runs import Sensor
from platelink.contract.unit import Status
from platelink.serving.figure import Figure

FRESH_S = 5.0
"""The daemon tells its status twice a second or more; one that is older says nothing of now."""


def of_unit(status: Status | None, labels: Mapping[str, str], age_s: float) -> Iterator[Figure]:
    """What the daemon said last; nothing of it but its age once it is old, or where it never
    said anything."""

    def one(name: str, text: str, value: float | None) -> Figure:
        return Figure(f"platelink_unit_{name}", text, [(labels, value)])

    yield one("status_age_seconds", "Since the daemon said how the unit is.", age_s)
    if status is None or age_s > FRESH_S:
        return
    link, light, publisher = status.link, status.light, status.publisher
    yield one("link_up", "1: the link to the device is up.", float(link.state == "up"))
    for name, text, count in (
        ("frames", "Frames of the device.", link.frames),
        ("frames_lost", "Frames that did not come.", link.frames_lost),
        ("crc_failures", "Frames with a wrong checksum.", link.crc_failures),
        ("commands_resent", "Commands sent again.", link.resent),
        ("reconnects", "Times the port was opened again.", link.reconnects),
        ("device_restarts", "Restarts of the device.", link.reboots),
    ):
        yield one(f"{name}_total", f"{text} Since the daemon began.", count)
    on = None if light.state == "unknown" else float(light.state != "dark")
    yield one("light_on", "1: there is light on the bed; no value: not known.", on)
    yield one("plates_in_progress", "Plates on their way.", len(status.plates))
    if status.exposure is not None:
        state = {**labels, "state": status.exposure.state}
        yield Figure("platelink_unit_exposure", "State of the last exposure.", [(state, 1.0)])
    reading = status.reading
    if reading is not None:
        yield one("vacuum_kilopascals", "Below the local atmosphere.", reading.vacuum_kpa)
        yield one("oven_celsius", "The oven's air.", reading.oven_c)
        yield one("head_celsius", "The light sensor's head.", reading.head_c)
    open_now = [
        ({**labels, "alarm": a.name, "priority": a.priority, "state": a.state}, 1.0)
        for a in status.alarms.list
    ]
    yield Figure("platelink_unit_alarm", "1: this alarm is not normal.", open_now)
    waiting = status.alarms.unacknowledged
    yield one("alarms_unacknowledged", "Alarms that wait for a person.", waiting)
    pending = status.journal.pending
    yield one("journal_pending", "Entries that cannot be written to the journal.", pending)
    if publisher is not None:
        yield one("publisher_connected", "1: the broker is there.", float(publisher.connected))
        yield one("publisher_pending", "Entries to be published.", publisher.pending)
        yield one("publisher_lag_seconds", "Age of the oldest of them.", publisher.lag_s)


def of_sensors(sensors: Sequence[Sensor], labels: Mapping[str, str]) -> Figure:
    """When their calibrations are due: the begin of that day, UTC."""
    due = [
        ({**labels, "sensor": s.name}, _begin(date.fromisoformat(s.due_on)))
        for s in sensors
        if s.due_on is not None
    ]
    text = "When the sensor's calibration is due, seconds since 1970."
    return Figure("platelink_unit_calibration_due_timestamp_seconds", text, due)


def of_lamps(lamps: LampsNow, labels: Mapping[str, str]) -> Iterator[Figure]:
    """The lamp set in use."""
    yield Figure(
        "platelink_unit_lamp_burn_seconds", "Of the set in use.", [(labels, 3600.0 * lamps.burn_h)]
    )
    yield Figure(
        "platelink_unit_lamp_change_percent",
        "Of each light channel since the set began.",
        [({**labels, "channel": c.name}, c.change_pct) for c in lamps.channels],
    )
    end = lamps.forecast.early_utc if lamps.forecast is not None else None
    yield Figure(
        "platelink_unit_lamp_end_timestamp_seconds",
        "Earliest (90 %) that the longest step takes longer than it may; no value: no forecast.",
        [(labels, None if end is None else datetime.fromisoformat(str(end)).timestamp())],
    )


def of_disk(free_bytes: int, labels: Mapping[str, str]) -> Figure:
    """Where the journal is."""
    return Figure("platelink_unit_disk_free_bytes", "Beside the journal.", [(labels, free_bytes)])


def of_backup(made_utc: str | None, labels: Mapping[str, str]) -> Figure:
    """The newest one; None: no backup is known."""
    text = "When the record was last backed up, seconds since 1970; no value: no backup is known."
    at = None if made_utc is None else datetime.fromisoformat(made_utc).timestamp()
    return Figure("platelink_unit_backup_timestamp_seconds", text, [(labels, at)])


def _begin(day: date) -> float:
    return datetime.combine(day, time(), UTC).timestamp()
