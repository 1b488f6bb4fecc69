"""What a profile claims and plans over time: supply margins, power cycling, the soak."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from hilseq.description.fields import Celsius, Model, Name, Seconds, Text, VoltsPerSecond

Probability = Annotated[float, Field(gt=0, lt=1)]


class Margins(Model):
    """How the edges of the supply range are searched."""

    ride_through: Seconds = Field(gt=0, description="interruption it must survive")
    longest_interruption: Seconds = Field(gt=0, description="longest interruption tried")
    resolution: Seconds = Field(gt=0, description="resolution of the search")
    repeats: Annotated[int, Field(ge=1, le=100)] = 3
    ramp: VoltsPerSecond = Field(default=1.0, description="slope of the slow ramps")


class Cycling(Model):
    """The claim about starting, and how a cycle is made."""

    start_probability: Probability = Field(description="claimed probability that a start succeeds")
    confidence: Probability = Field(description="confidence with which that is to be proven")
    plan: Literal["success run", "sequential"] = "success run"
    worst_probability: Probability | None = Field(
        default=None, description="start probability that must be found out (sequential plan)"
    )
    producer_risk: Probability = 0.05
    consumer_risk: Probability = 0.10
    off: Seconds = Field(default=5.0, gt=0, description="time without supply between starts")
    most: Annotated[int, Field(ge=1)] | None = Field(default=None, description="never more cycles than this")

    @model_validator(mode="after")
    def _ordered(self) -> Cycling:
        worst = self.worst_probability
        if self.plan == "sequential" and (worst is None or worst >= self.start_probability):
            raise ValueError("a sequential plan needs worst-probability below start-probability")
        return self


class SoakCycles(Model):
    """Power cycles during the soak."""

    every: Seconds = Field(gt=0)
    off: Seconds = Field(default=10.0, gt=0)


class Soak(Model):
    """The unattended run under load."""

    duration: Seconds = Field(gt=0)
    period: Seconds = Field(default=1.0, gt=0, description="time between samples")
    mode: Literal["held", "live"] = "live"
    pattern: Literal["off", "on", "alternate", "walking"] = Field(
        default="alternate", description="load pattern on the outputs"
    )
    pattern_period: Seconds = Field(default=60.0, gt=0)
    cover: Literal["open", "closed"] = "closed"
    ambient: Celsius = 25.0
    neighbours: Text | None = Field(default=None, description="neighbours to be fitted, for the set-up sheet")
    cycles: SoakCycles | None = None
    port_traffic: list[Name] = Field(default_factory=list, description="ports kept busy")
    on_event: Literal["go on", "restart", "stop"] = "restart"
    stop_after_events: Annotated[int, Field(ge=1)] = 3
    burst_before: Annotated[int, Field(ge=0, le=10000)] = 20
    burst_after: Annotated[int, Field(ge=0, le=10000)] = 20
    burst_period: Seconds = Field(default=0.1, gt=0)
    confidence: Probability = 0.95
