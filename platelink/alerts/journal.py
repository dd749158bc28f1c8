"""The unit's journal as alerts read it: moves of alarms, and the facts of a day."""

from __future__ import annotations

from datetime import date, datetime

from platelink.alerts.occurrence import Move
from platelink.alerts.store import AlertsStore
from platelink.alerts.summary import Summary, alarm_sums, due_within, overlap_s
from platelink.alerts.teller import Numbered, priority_of
from platelink.calibrations.made import Made
from platelink.calibrations.store import CalibrationStore
from platelink.config.model import Config
from platelink.control.alarm.states import AlarmState
from platelink.control.steps.inspection import Judgement
from platelink.daemon.calibrated import read_held
from platelink.events.event import read
from platelink.events.unit import AlarmMoved
from platelink.finding.lamps import lamps_now
from platelink.ledger.by import to_ms
from platelink.record.day import held_spans, plates_ended
from platelink.record.lit import lamp_record
from platelink.record.moves import plates_in_work, unit_events_after
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent

_RUNS_OF = {"contact": "expose", "light": "expose", "oven": "bake"}
"""The kind of run that an alarm of a group is about; of any other, the plates in work."""
_WITHOUT = ("calibration", "record")
"""Groups that are about no plate."""


class AlarmJournal:
    """See ``AlarmSource``."""

    def __init__(self, reader: JournalReader) -> None:
        self._reader = reader

    @property
    def uuid(self) -> str:
        """Which journal it is."""
        return str(self._reader.uuid)

    def last_number(self) -> int:
        """Number of the newest entry."""
        return self._reader.last_number()

    def moves_after(self, number: int, limit: int) -> tuple[list[Numbered], int]:
        """See ``AlarmSource``."""
        last = self._reader.last_number()
        rows = unit_events_after(self._reader, number, limit)
        found = []
        for at, entry in rows:
            assert isinstance(entry, RunEvent)
            moved = read(AlarmMoved, entry.name, entry.data)
            state = _state(moved.to) if moved is not None else None
            if moved is not None and state is not None:
                found.append(Numbered(at, self._move(at, entry, moved, state)))
        newest = (
            rows[-1].number if rows else number
        )  # written since ``last`` was asked for, perhaps
        return found, newest if len(rows) == limit else max(last, newest)

    def _move(self, at: int, entry: RunEvent, moved: AlarmMoved, state: AlarmState) -> Move:
        plates: tuple[str, ...] = ()
        if state is AlarmState.UNACKNOWLEDGED and moved.group not in _WITHOUT:
            plates = plates_in_work(self._reader, at, _RUNS_OF.get(moved.group, "plate"))
        return Move(
            moved.alarm, priority_of(moved.priority), state, moved.act, to_ms(entry.at_utc),
            moved.since_utc_ms, moved.value, moved.limit, moved.unit, moved.who, plates,
        )  # fmt: skip


def _state(word: str) -> AlarmState | None:
    try:
        return AlarmState(word)
    except ValueError:
        return None  # another release's


def summary_between(
    config: Config, reader: JournalReader, store: AlertsStore,
    *, from_ms: int, until_ms: int, today: date,
) -> Summary:  # fmt: skip
    """The facts of that time."""
    plates = plates_ended(reader, from_ms, until_ms)
    complete = [one.judgement for one in plates if one.state == "complete"]
    held, _ = read_held(config)
    held = held or {}
    dates = [(name, by.due_on) for name, by in held.items()]
    dates += [(f"light {i}", one.due_on) for i, one in enumerate(config.light.channel)
              if f"light {i}" not in held]  # fmt: skip
    lamps = lamps_now(*lamp_record(reader), made=_of_light(config))
    weak = lamps.forecast.likely_utc if lamps.forecast is not None else None
    return Summary(
        from_ms=from_ms, until_ms=until_ms, complete=len(complete),
        good=complete.count(Judgement.GOOD), rejected=complete.count(Judgement.REJECT),
        broken_off=len(plates) - len(complete),
        held_s=overlap_s(held_spans(reader, from_ms, until_ms), from_ms, until_ms),
        alarms=alarm_sums(store.standing_between(from_ms, until_ms), from_ms, until_ms),
        burn_h=lamps.burn_h if lamps.exposures else None,
        lamps_until_ms=None if weak is None else to_ms(datetime.fromisoformat(weak)),
        due=due_within(dates, today, config.calibration.warn_days),
    )  # fmt: skip


def _of_light(config: Config) -> tuple[Made, ...]:
    path = config.calibrations_path()
    if not path.exists():
        return ()
    with CalibrationStore.open(path, read_only=True) as store:
        return store.of_light()
