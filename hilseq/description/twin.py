"""How the simulated twin of a unit, and of a stand, behaves beyond what their descriptions say.

Only the simulator reads these; the defaults make a believable small controller, and instruments that take no time at
all. Neither a profile nor a stand file needs a `twin` section.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from hilseq.description.fields import (
    Amperes,
    Farads,
    KelvinPerWatt,
    Model,
    Ohms,
    Seconds,
    Text,
    TimeRange,
    Volts,
    Watts,
)


class TwinParameters(Model):
    """Physical parameters of the simulated unit."""

    input_capacitance: Farads = Field(default=2.2e-3, description="capacitance behind the supply terminals")
    inrush_resistance: Ohms = Field(default=0.5, description="resistance that limits the inrush")
    start_above: Volts = Field(default=18.0, description="under-voltage lockout, rising")
    stop_below: Volts = Field(default=15.5, description="under-voltage lockout, falling")
    boot: Seconds = Field(default=0.8, description="from power to self-test")
    self_test: Seconds = Field(default=1.5, description="duration of the self-test")
    idle_power: Watts | None = Field(
        default=None, description="default: middle of idle-current at rated supply"
    )
    live_power: Watts = Field(default=0.4, description="additional power in live mode")
    power_per_output: Watts = Field(default=0.05, description="additional power per active output")
    output_resistance: Ohms = Field(default=0.3, description="on-resistance of an output")
    output_leakage: Amperes = Field(default=5e-6, description="current of an output that is off")
    output_delay: Seconds = Field(default=0.001, description="time until an output follows its command")
    contact_bounce: Seconds = Field(default=0.004, description="bouncing of the mode switch's contacts")
    mode_change: Seconds = Field(default=0.05, description="time of a mode change")
    battery_voltage: Volts = Field(default=3.05, description="voltage of its memory battery")
    thermal_resistance: KelvinPerWatt = Field(default=6.0, description="from case to ambient")
    thermal_time: Seconds = Field(default=2400.0, gt=0, description="thermal time constant")
    serial: Text = Field(default="0", description="serial number the twin reports when none is asked for")
    tolerance: Annotated[float, Field(ge=0, le=0.5)] = Field(
        default=0.02, description="relative standard deviation of parts, drawn per seed"
    )


class StandTwin(Model):
    """How long the simulated instruments of a stand take; without this section they take no time at all."""

    scan_time: Seconds | None = Field(
        default=None,
        description="time between two snapshots of an I/O simulator; its `scan-time` when not given",
    )
    scan_jitter: Annotated[float, Field(ge=0, le=0.4)] = Field(
        default=0.1, description="share of the scan time by which a snapshot is early or late at most"
    )
    lag: Seconds = Field(default=0.0, description="lag of every sensing signal that has no `lag` of its own")
    answer: TimeRange | None = Field(
        default=None, description="shortest to longest time of an answer, such as 1..300 ms, drawn for each"
    )
    accept: Seconds = Field(default=0.0, description="time from a client's connection until it is served")
    single_connection: bool = Field(
        default=False, description="refuse a second client while the first lives, as many instruments do"
    )
