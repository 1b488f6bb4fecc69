"""How the simulated twin of a unit behaves beyond what its limits say.

Only the simulator reads these; the defaults make a believable small controller. A profile needs no
`twin` section.
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
    Volts,
    Watts,
)


class Twin(Model):
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
