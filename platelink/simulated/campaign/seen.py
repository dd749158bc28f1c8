"""What there was to be seen of one case: the plant's truth, what was said, what is on record."""

from __future__ import annotations

from dataclasses import dataclass, field

from platelink.contract.unit import EndedLine, EventLine, Status
from platelink.runs import RunEnd
from platelink.simulated.campaign.draw import Case


@dataclass(frozen=True, slots=True)
class Look:
    """One look at the plant, and the newest status that a face has."""

    t: float
    lit: bool
    """The lamps shine on the bed."""
    output: bool
    """The device drives them."""
    dose_mj_cm2: float
    """Of the lamps, since the beginning."""
    hidden: bool
    """A sensor of light fails just while lamps strike, as docs/exposure.md says that it may."""
    spoilt: bool
    """A sensor of light fails."""
    status: Status | None
    """None while no daemon runs."""
    loose: bool = False
    """The exposure wants contact, the true vacuum is out of its band, and the gauge could tell."""
    small_mw_cm2: float = 0.0
    """A sensor tells so much more or less of the light, too little to be told from the lamps."""


@dataclass(slots=True)
class Exposed:
    """One exposure as asked for, and what became of it by the lines."""

    run_id: str
    target_mj_cm2: float
    asked_at: float
    asked_dose: float
    """Of the lamps until then."""
    last: bool = False
    """Asked for when every fault was over."""
    ended: EndedLine | None = None
    ended_at: float = 0.0
    ended_dose: float = 0.0
    ended_lit: bool = False
    end: RunEnd | None = None
    """As the journal has it."""

    @property
    def true_mj_cm2(self) -> float:
        """What fell on its plate until it was said to be over."""
        return self.ended_dose - self.asked_dose


@dataclass(slots=True)
class Seen:
    """All that a judge looks at."""

    case: Case
    looks: list[Look] = field(default_factory=list)
    exposed: dict[str, Exposed] = field(default_factory=dict)
    told: list[EventLine] = field(default_factory=list)
    recorded: set[tuple[str | None, str, str]] = field(default_factory=set)
    """Run, name and text of the events in the journal."""
    open_runs: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    """Exceptions in the daemon's callbacks."""
    refused: str = ""
    """Why the exposure after all faults was refused last."""
    quiet_at: float = 0.0
    """Every fault was over."""
