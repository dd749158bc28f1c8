"""The five kinds of entry that tell a run, and the columns of its samples. Data only.

Journal, publisher, recorder and command line all speak in these. The JSON Schemas in ``docs/``
are generated from the models. Unknown fields are refused on write.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

FORMAT = 1
EndState = Literal["complete", "stopped", "aborted", "interrupted"]
Finite = Annotated[float, Field(allow_inf_nan=False)]
EXACT = 2**53 - 1
"""Integers up to here are the same number in every JSON reader (RFC 8259, 6) and in SQLite."""
Whole = Annotated[int, Field(ge=-EXACT, le=EXACT)]
Count = Annotated[int, Field(ge=0, le=EXACT)]
SLOTS = 100
"""Slots that there can be; hardly more than two are used."""


class Entry(BaseModel):
    """What every entry has. ``id`` is stable: the same entry sent twice carries the same id."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1] = 1
    id: str
    run_id: str | None
    unit: str
    at_utc: AwareDatetime


class RunStart(Entry):
    """A run begins: what was asked for, by whom, and every condition it is made under."""

    kind: Literal["start"] = "start"
    run_id: str
    step: str
    """Step of the plate: film, screen, hardening ..."""
    operator: str | None = None
    plate: str | None = None
    job: str | None = None
    note: str | None = None
    target_dose_mj_cm2: Finite | None = None
    slot: Annotated[int, Field(ge=0, lt=SLOTS)] | None = None
    """What its samples carry in a time-series store instead of its name; None in older records."""
    request: dict[str, JsonValue] = {}
    conditions: dict[str, JsonValue] = {}
    """Calibrations, learned values, firmware, software, configuration hash, barometer ..."""

    @property
    def run_kind(self) -> str:
        """What was asked for: "expose" unless the request names another ``kind``."""
        kind = self.request.get("kind")
        return kind if isinstance(kind, str) else "expose"


class Channel(BaseModel):
    """One recorded column."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    unit: str
    sensor: str | None = None
    description: str = ""


class RunChannels(Entry):
    """The columns of the samples that follow."""

    kind: Literal["channels"] = "channels"
    run_id: str
    channels: tuple[Channel, ...]


class RunSamples(Entry):
    """A block of consecutive samples as JSON columns of equal length; ``None`` is missing."""

    kind: Literal["samples"] = "samples"
    run_id: str
    first_sample: Count
    """Index of the first sample within the run; indices have no holes."""
    ticks: tuple[Whole, ...]
    at_utc_ms: tuple[Whole, ...]
    values: dict[str, tuple[Finite | None, ...]]


class RunEvent(Entry):
    """Something happened; ``run_id`` is None for events of the unit outside a run."""

    kind: Literal["event"] = "event"
    name: str
    text: str = ""
    ticks: Whole | None = None
    data: dict[str, JsonValue] = {}


class RunEnd(Entry):
    """A run is over. Counts let a reader prove that nothing is missing."""

    kind: Literal["end"] = "end"
    run_id: str
    state: EndState
    reason: str
    dose_mj_cm2: Finite | None = None
    device_dose_mj_cm2: Finite | None = None
    light_s: Finite | None = None
    samples: Count
    events: Count
    gaps: Count = 0
    data: dict[str, JsonValue] = {}


AnyEntry = Annotated[
    RunStart | RunChannels | RunSamples | RunEvent | RunEnd, Field(discriminator="kind")
]


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Consecutive samples of one run as columns of length n, in the journal's own precision.

    ``ticks`` and ``at_utc_ms`` are int64, strictly increasing. ``raw`` holds integer columns as
    the device sent them (uint64: ``light_sum_0`` ..., ``light_count_0`` ...), so that anyone can
    integrate again. ``values`` holds float64 columns in physical units; NaN is a missing value."""

    ticks: npt.NDArray[np.int64]
    at_utc_ms: npt.NDArray[np.int64]
    raw: dict[str, npt.NDArray[np.uint64]]
    values: dict[str, npt.NDArray[np.float64]]

    def __len__(self) -> int:
        return len(self.ticks)
