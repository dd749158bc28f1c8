"""A person led through one plate: what is said when, and which key does what. Pure.

Fed with the lines of the unit; says texts, keeps the moving line and the keys that are possible.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from platelink.cli.alarm import quantity
from platelink.cli.plate_text import LIGHT_OR_HEAT, progress, step_title, to_do
from platelink.cli.quantities import Display, clean

Line = dict[str, Any]
BELL = "\a"
LEAVE, SEEN = "leave", "acknowledge"
ENTER = ("\r", "\n")
_FORWARD = ("begin", "done", "measure")
"""The acts that lead on: Enter does the one that is possible."""
_KEYS = {
    "b": "begin", "d": "done", "m": "measure", "h": "hold", "r": "restart", "s": "stop",
    "a": "abort", "x": "skip", "c": SEEN, "q": LEAVE,
}  # fmt: skip
_TOLD = frozenset(
    {
        "lamp on", "lamp off", "held", "restarted", "stage due", "stage overdue", "stage ended",
        "deviation", "inspected", "in band", "out of band", "oven door open", "oven door closed",
        "oven over-temperature", "exposure recovered", "plate resumed", "plate ended",
        "water in band", "water out of band",
    }
)  # fmt: skip
"""Events that a person at the unit wants to hear; the record has them all."""
_CALLING = frozenset({"stage due", "stage overdue", "oven over-temperature"})


class Key(NamedTuple):
    """One key and what it does."""

    key: str
    act: str
    text: str


class Leader:
    """See the file's first lines. ``rights`` are the service's names of the person's rights."""

    def __init__(
        self, plate: str, runs: set[str], rights: frozenset[str], display: Display
    ) -> None:
        self.plate = plate
        self.ended: Line | None = None
        """The plate's end, once it is told."""
        self.line: Line | None = None
        """The plate as it is."""
        self.gone = False
        """The unit has it no more among its plates in flight."""
        self._runs = {plate, *runs}
        self._rights = rights
        self._display = display
        self._shown: tuple[Any, ...] = ()
        self._keys_said = ""
        self._alarms: dict[str, str] = {}

    def take(self, line: Line) -> list[str]:
        """One line of the unit; what is to be said because of it."""
        if "status" in line:
            return [*self._status(line["status"]), *self._new_keys()]
        if "event" in line:
            return self._event(line["event"])
        if line.get("ended") == self.plate:
            self.ended = line
        return []

    @property
    def moving(self) -> str:
        """The line that changes all the time."""
        return "" if self.line is None else f"  {progress(self.line, self._display)}"

    def _new_keys(self) -> list[str]:
        """The keys, where they are others than were said."""
        text = "   ".join(f"{key.key}  {key.text}" for key in self.offered())
        if self.line is None or text == self._keys_said:
            return []
        self._keys_said = text
        return [f"  keys:  {text}"]

    def offered(self) -> list[Key]:
        """Keys that do something now; the first is also done by Enter when it leads on."""
        acts = [
            act for act in (self.line or {"now": {"acts": []}})["now"]["acts"] if self._may(act)
        ]
        if self._may(SEEN) and any(s.endswith("unacknowledged") for s in self._alarms.values()):
            acts.append(SEEN)
        found = [Key(key, act, act) for key, act in _KEYS.items() if act in (*acts, LEAVE)]
        if self._leads_on(found[0].act):
            found[0] = found[0]._replace(text=f"or Enter  {found[0].act}")
        return found

    def _leads_on(self, act: str) -> bool:
        """Enter does it. A timed stage is ended early by its own key only, never by a key that was
        pressed once too often."""
        stage = (self.line or {"now": {}})["now"].get("stage") or {"planned_s": None}
        early = act == "done" and stage["planned_s"] is not None and not stage["due"]
        return act in _FORWARD and not early

    def act_of(self, key: str) -> str | None:
        """What a key does now."""
        keys = self.offered()
        if key in ENTER:
            return keys[0].act if self._leads_on(keys[0].act) else None
        return next((one.act for one in keys if one.key == key.lower()), None)

    def asks_first(self, act: str) -> bool:
        """Light or heat may begin by it."""
        kind = self.line["now"]["kind"] if self.line else ""
        return kind in LIGHT_OR_HEAT and act in ("begin", "restart")

    def lit(self) -> bool:
        """An exposure of the plate may give light."""
        now = self.line["now"] if self.line else {"kind": ""}
        return now["kind"] == "expose" and "hold" in now["acts"]

    def unacknowledged(self) -> list[str]:
        """Alarms that want to be acknowledged."""
        return [name for name, state in self._alarms.items() if state.endswith("unacknowledged")]

    def _may(self, act: str) -> bool:
        right = {"skip": "skip_steps", SEEN: "answer_alarms"}.get(act, "run")
        return right in self._rights

    def _status(self, status: Line) -> list[str]:
        said = self._of_alarms(status["alarms"]["list"])
        self.line = next((p for p in status["plates"] if p["plate"] == self.plate), None)
        self.gone = self.line is None and bool(self._shown)  # a status before its making has it not
        if self.line is None:
            return said
        now = self.line["now"]
        stage = now.get("stage") or {}
        shown = (self.line["step"], stage.get("number"), now["state"] == "ready")
        if shown == self._shown:
            return said
        step_is_new, self._shown = shown[0] != (*self._shown, None)[0], shown
        if step_is_new:
            return [*said, "", step_title(self.line), *(f"  {text}" for text in to_do(now))]
        if stage and not shown[2]:
            return [*said, f"  {clean(stage['name'])}: {clean(stage['prompt'])}"]
        return said

    def _of_alarms(self, alarms: list[Line]) -> list[str]:
        before, self._alarms = self._alarms, {a["name"]: a["state"] for a in alarms}
        return [
            _alarm(alarm)
            for alarm in alarms
            if alarm["state"] == "unacknowledged" and before.get(alarm["name"]) != alarm["state"]
        ]

    def _event(self, event: Line) -> list[str]:
        run_id = event["data"].get("run_id")
        if event["run_id"] == self.plate and event["name"] == "step" and run_id:
            self._runs.add(run_id)
        if event["run_id"] not in self._runs or event["name"] not in _TOLD:
            return []
        bell = BELL if event["name"] in _CALLING else ""
        return [clean(f"  {event['at_utc'][11:19]}  {event['name']}: {event['text']}") + bell]


def _alarm(alarm: Line) -> str:
    value, limit = (quantity(alarm[name], alarm["unit"]) for name in ("value", "limit"))
    measured = f"{value}, limit {limit}; " if value and limit else f"{value}; " if value else ""
    text = f"ALARM ({alarm['priority']})  {alarm['name']}: {measured}{alarm['next_act']}"
    return clean(text) + BELL
