"""What a profile claims and plans over time: supply margins, power cycling, the soak."""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from hilseq.description.fields import AmpereRange, Celsius, Model, Name, Seconds, Text, VoltsPerSecond

Probability = Annotated[float, Field(gt=0, lt=1)]
#: What a healthy unit of some types may show in a soak, so that its profile may say that it is no event.
Sign = Literal["indicator", "resets", "silent link", "outputs", "ports"]


#: Longest soak, s. Whoever wants more has slipped with the unit.
LONGEST_SOAK = 365 * 86400.0


def _within_a_year(seconds: float) -> float:
    if seconds > LONGEST_SOAK:
        raise ValueError(f"a soak of {seconds / 3600.0:.4g} h is longer than a year; expected at most 365 d")
    return seconds


class Margins(Model):
    """How the edges of the supply range are searched."""

    ride_through: Seconds = Field(gt=0, description="interruption it must survive")
    longest_interruption: Seconds = Field(gt=0, description="longest interruption tried")
    resolution: Seconds = Field(gt=0, description="resolution of the search")
    repeats: Annotated[int, Field(ge=1, le=100)] = Field(
        default=3, description="interruptions of one length that must all be survived"
    )
    ramp: VoltsPerSecond = Field(default=1.0, description="slope of the slow ramps")


class Cycling(Model):
    """The claim about starting, and how a cycle is made."""

    start_probability: Probability = Field(description="claimed probability that a start succeeds")
    confidence: Probability = Field(description="confidence with which that is to be proven")
    plan: Literal["success run", "sequential"] = Field(
        default="success run", description="success run: n starts without a failure; sequential: Wald's test"
    )
    worst_probability: Probability | None = Field(
        default=None, description="start probability that must be found out (sequential plan)"
    )
    producer_risk: Probability = Field(
        default=0.05, description="risk of refusing a unit that starts as claimed (sequential plan)"
    )
    consumer_risk: Probability = Field(
        default=0.10, description="risk of passing a unit at worst-probability (sequential plan)"
    )
    off: Seconds = Field(
        default=5.0, gt=0, description="time without supply before a cold start, which the claim is about"
    )
    warm_off: Seconds = Field(
        default=1.0, gt=0, description="time without supply before a warm start, the unit hardly cooled"
    )
    short_off: Seconds = Field(
        default=0.3, gt=0, description="time without supply before a start with capacitors half discharged"
    )
    extra: Annotated[int, Field(ge=0, le=1000)] = Field(
        default=3, description="warm starts and short-off starts beside the cold ones, of each"
    )
    max_starts: Annotated[int, Field(ge=1)] | None = Field(
        default=None, description="never more cycles than this"
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        worst = self.worst_probability
        if self.plan == "sequential" and (worst is None or worst >= self.start_probability):
            raise ValueError(
                "a sequential plan needs worst-probability; expected a value below start-probability"
            )
        if self.plan == "sequential" and self.producer_risk + self.consumer_risk >= 1.0:
            raise ValueError("producer-risk and consumer-risk make 1 or more; expected a sum below 1")
        # Success run, n = ln(1-C)/ln(R); a hair of slack keeps a whole quotient from needing one more.
        exact = math.log1p(-self.confidence) / math.log(self.start_probability)
        needed = math.ceil(exact * (1.0 - 1e-12))
        if self.plan == "success run" and self.max_starts is not None and self.max_starts < needed:
            raise ValueError(
                f"`max-starts` allows {self.max_starts} starts, which cannot prove a start probability of "
                f"{self.start_probability:g} with confidence {self.confidence:g}; expected at least {needed}"
            )
        return self


class SoakCycles(Model):
    """Power cycles during the soak."""

    every: Seconds = Field(gt=0, description="time from one power cycle to the next")
    off: Seconds = Field(default=10.0, gt=0, description="time without supply in each")


class Soak(Model):
    """The unattended run under load."""

    required: bool = Field(default=False, description="whether a unit ships only after this soak")
    duration: Annotated[Seconds, AfterValidator(_within_a_year)] = Field(
        gt=0, description="how long, such as 72 h; at most a year"
    )
    period: Seconds = Field(default=1.0, gt=0, description="time between samples")
    mode: Literal["held", "live"] = Field(default="live", description="mode the unit must stay in")
    pattern: Literal["off", "on", "alternate", "walking"] = Field(
        default="alternate", description="load pattern on the outputs"
    )
    pattern_period: Seconds = Field(default=60.0, gt=0, description="time of one step of the pattern")
    cover: Literal["open", "closed"] = Field(
        default="closed", description="cover of the unit, for the set-up sheet"
    )
    ambient: Celsius = Field(default=25.0, description="ambient temperature, for the set-up sheet")
    neighbours: Text | None = Field(default=None, description="neighbours to be fitted, for the set-up sheet")
    cycles: SoakCycles | None = Field(default=None, description="power cycles during the soak")
    port_traffic: list[Name] = Field(
        default_factory=list,
        description="ports kept busy; one whose bit errors prove worse than its `bit-error-ratio` fails the soak",
    )
    traffic_period: Seconds = Field(default=10.0, gt=0, description="time between two frames on such a port")
    current: AmpereRange | None = Field(
        default=None,
        description="limits of the supply current; without them those that the profile claims for this mode and load",
    )
    ignored_events: list[Sign] = Field(
        default_factory=list,
        description="signs that make no event: kept and shown, and blame nobody; a left mode, a new fault, a "
        "limit crossed, a link that sends invalid data and a start that fails always count",
    )
    on_event: Literal["continue", "restart", "stop"] = Field(
        default="restart", description="what happens when the unit leaves its mode"
    )
    stop_after_events: Annotated[int, Field(ge=1)] = Field(default=3, description="events that end the soak")
    burst_before: Annotated[int, Field(ge=0, le=10000)] = Field(
        default=20, description="samples kept from before an event"
    )
    burst_after: Annotated[int, Field(ge=0, le=10000)] = Field(
        default=20, description="fast samples taken after an event"
    )
    burst_period: Seconds = Field(default=0.1, gt=0, description="time between these fast samples")
    pre_trigger_period: Seconds | None = Field(
        default=None,
        gt=0,
        description="on hardware, time between samples kept in memory for the burst before an event; "
        "without it these are the regular samples",
    )
    confidence: Probability = Field(default=0.95, description="confidence of the statement about failures")
