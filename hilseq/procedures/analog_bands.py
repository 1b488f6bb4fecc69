"""4-20 mA loops beyond their span: inputs that tell a failure from a measurement, outputs that feign none.

The bands are those of NAMUR NE 43 (see analysis.sensors).
"""

from __future__ import annotations

from collections.abc import Iterator

from hilseq.analysis.limits import Limits
from hilseq.analysis.sensors import FAILURE_HIGH, FAILURE_LOW, MEASURING_HIGH, MEASURING_LOW
from hilseq.measured import Measured
from hilseq.procedures.analog import AnalogPoints, Channel

#: What is driven into an input, A: the middle of each band, and well inside the two failures.
_DRIVEN = (
    ("under-range", 3.7e-3, FAILURE_LOW, MEASURING_LOW),
    ("over-range", 20.75e-3, MEASURING_HIGH, FAILURE_HIGH),
    ("failure low", 3.2e-3, None, FAILURE_LOW),
    ("failure high", 21.6e-3, FAILURE_HIGH, None),
)
#: What an output is asked for, A: far beyond both ends.
_ASKED = (("asked for 0 mA", 0.0), ("asked for 24 mA", 24e-3))

Judged = tuple[str, Measured, Limits]


def told_apart(analog: AnalogPoints, name: str) -> Iterator[Judged]:
    """Drive an input into each band; yield what it reports and the ends of the band."""
    channel = analog.channels[name]
    try:
        for word, current, low, high in _DRIVEN:
            analog.set({name: current})
            look = analog.look()[name]
            yield (
                f"reading at {word}",
                Measured(look.found, channel.unit, look.uncertainty),
                _said(channel, low, high),
            )
    finally:
        analog.release()


def held_inside(analog: AnalogPoints, name: str) -> Iterator[Judged]:
    """Ask a driven output for too little and too much; yield what it puts out, which may feign no failure.

    Where a good output stops (3.8 and 20.5 mA) it stops with its own accuracy, so the failure bands are the limits.
    """
    channel = analog.channels[name]
    band = _said(channel, FAILURE_LOW, FAILURE_HIGH)
    try:
        for word, current in _ASKED:
            analog.set({name: current})
            yield f"output {word}", analog.sensed()[name], band
    finally:
        analog.release()


def signals_failure(analog: AnalogPoints, name: str) -> Judged:
    """Return what an output puts out that is not driven, and the band that says so."""
    channel = analog.channels[name]
    return "output while not driven", analog.sensed()[name], _said(channel, None, FAILURE_LOW)


def _said(channel: Channel, low: float | None, high: float | None) -> Limits:
    ends = [None if end is None else channel.said(end) for end in (low, high)]
    return Limits(*ends)
