"""The kinds of journal entry that tell of a soak: what is planned and sampled, what happened, what was sealed."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from hilseq.journal.fields import Case, CheckId, Count, Entry, Part, Real, Seconds, Slot


class SoakColumn(Part):
    """One sampled quantity."""

    name: str
    unit: str = ""
    low: Real | None = Field(default=None, description="lower limit, in `unit`")
    high: Real | None = Field(default=None, description="upper limit, in `unit`")


class PortTally(Part):
    """What one port has carried during a soak."""

    frames: Count = Field(default=0, description="frames sent")
    wrong_frames: Count = Field(default=0, description="frames that came back with another content")
    lost_frames: Count = Field(default=0, description="frames that did not come back")
    bits: Count = Field(default=0, description="bits compared")
    wrong_bits: Count = 0
    silent_in_a_row: Count = Field(default=0, description="frames lost in a row by now")
    beyond: Seconds | None = Field(
        default=None, description="since when the errors prove more than is claimed, s since the soak began"
    )
    beyond_case: Case = None


class SoakStarted(Entry):
    """A soak begins: what is planned and what is sampled."""

    kind: Literal["soak started"] = "soak started"
    v: Literal[1] = 1
    slot: Slot
    check: CheckId
    file: str = Field(description="name of the sample file beside the journal")
    zero: Seconds = Field(description="run's clock at the first sample, s")
    end: Seconds = Field(description="run's clock at the planned end, s")
    duration: Seconds = Field(description="planned for this run, s")
    planned: Seconds = Field(description="planned by the profile, s")
    period: Seconds = Field(description="between two samples, s")
    mode: str = Field(description="mode that the unit must stay in")
    modes: dict[str, float] = Field(description="mode by name: the number that the unit reports for it")
    case: str | None = Field(description="column of the case temperature")
    columns: tuple[SoakColumn, ...]
    confidence: float = Field(description="of the statement about failures, 0 to 1")
    cover: str
    ambient: float = Field(description="\u00b0C")
    plan: dict[str, Any] = Field(description="the soak plan as the profile says it")


class SoakEventLogged(Entry):
    """One sign of a failure during a soak; signs that came together have one number."""

    kind: Literal["soak event"] = "soak event"
    v: Literal[1] = 1
    slot: Slot
    number: int = Field(ge=1, description="number of the incident, from 1")
    since: Seconds = Field(description="when, s since the soak began")
    case: Case
    what: str
    place: str
    text: str
    outputs_on: Count = Field(description="outputs that were commanded on")


class SoakGap(Entry):
    """A stretch of a soak without samples."""

    kind: Literal["soak gap"] = "soak gap"
    v: Literal[1] = 1
    slot: Slot
    start: Seconds = Field(description="s since the soak began")
    end: Seconds = Field(description="s since the soak began")
    what: str
    planned: bool
    text: str
    until: Seconds = Field(description="end of the soak from now on, s since it began")


class SamplesMissed(Entry):
    """The stand was too slow for some samples of a soak."""

    kind: Literal["samples missed"] = "samples missed"
    v: Literal[1] = 1
    slot: Slot
    count: int = Field(ge=1, description="samples that were due and not taken")

    @property
    def what(self) -> str:
        """What happened, as in an event."""
        return "overrun"

    @property
    def text(self) -> str:
        """What happened, in words."""
        return f"{self.count} sample{'s' * (self.count > 1)} missed"


class SamplesSealed(Entry):
    """The fingerprint of a sample file so far, and what its ports have carried."""

    kind: Literal["samples sealed"] = "samples sealed"
    v: Literal[1] = 1
    slot: Slot
    file: str
    count: Count = Field(description="samples in the file")
    sha256: str = Field(description="SHA-256 of the file up to its count-th sample, hexadecimal")
    ports: dict[str, PortTally] = Field(default_factory=dict)


class SoakEnded(Entry):
    """A soak has come to its end."""

    kind: Literal["soak ended"] = "soak ended"
    v: Literal[1] = 1
    slot: Slot
    since: Seconds = Field(description="how long it lasted, s")
    samples: Count
    missed: Count = Field(description="samples missed")
    events: Count = Field(description="incidents")
    why: str
    ports: dict[str, PortTally] = Field(default_factory=dict)
    uncounted: dict[str, int] = Field(
        default_factory=dict, description="signs that the plan does not count, and how often each was seen"
    )


class SoakStatus(Part):
    """How a soak goes; shown to whoever watches the run, never written."""

    slot: Slot
    since: float = Field(description="s since the soak began")
    until: float = Field(description="planned end, s since the soak began")
    current: float = Field(description="A")
    case: float | None = Field(description="\u00b0C")
    well: bool
    events: int
    samples: int
