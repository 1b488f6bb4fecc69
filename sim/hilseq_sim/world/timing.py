"""How long the instruments of a simulated stand take: none at all, as the stand file says, or drawn from the seed.

Drawn, a stand is one of many that fit its description: an I/O simulator scans in 5 to 50 ms, or faster than its
`scan-time`; a sensor lags up to its `lag`, and not at all without one; a supply answers within its `response`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from random import Random

from hilseq.description.stand import Io, Signal, Stand
from hilseq_sim.world.draw import Streams
from hilseq_sim.world.scan import SETTLED_AFTER

#: s: shortest and longest scan, shortest answer, longest answer of the quickest and of the slowest instrument,
#: longest time until a client is accepted.
_SCANS, _ANSWER, _SLOWEST, _ACCEPT = (0.005, 0.050), 0.001, (0.002, 0.100), 0.2
#: Largest jitter, in scans; and the smallest share of what is declared that is drawn.
_JITTER, _LEAST = 0.2, 0.2


@dataclass(frozen=True, slots=True)
class Timing:
    """How long everything takes, s.

    By I/O simulator: its scan, and its jitter in scans. By signal: the lag of its sensor, or the time constant of its
    filter. By endpoint: its shortest and longest answer.
    """

    scans: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    lags: Mapping[str, float] = field(default_factory=dict)
    filters: Mapping[str, float] = field(default_factory=dict)
    answers: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    accept: float = 0.0
    single_connection: bool = False


IDEAL = Timing()


def described(stand: Stand) -> Timing:
    """Return the timing that the section `twin` of a stand file describes; ideal without one."""
    twin = stand.twin
    if twin is None:
        return IDEAL
    lags, filters = _lags(stand, {name: signal.lag or twin.lag for name, signal in _sensing(stand).items()})
    scan = {name: io.scan_time if twin.scan_time is None else twin.scan_time for name, io in stand.io.items()}
    answers = (twin.answer.low, twin.answer.high) if twin.answer is not None else None
    return Timing(
        scans={name: (period, twin.scan_jitter) for name, period in scan.items() if period},
        lags=lags,
        filters=filters,
        answers=dict.fromkeys(_endpoints(stand), answers) if answers is not None else {},
        accept=twin.accept,
        single_connection=twin.single_connection,
    )


def drawn(stand: Stand, streams: Streams) -> Timing:
    """Return the timing of one of the stands that fit a description."""
    scans = {}
    for name, io in stand.io.items():
        chance = streams.of("timing", "io", name)
        jitter = chance.uniform(0.0, _JITTER)
        longest = _longest_scan(io, chance)
        if longest:
            # the oldest snapshot is a scan and twice the jitter old
            scans[name] = (longest / (1.0 + 2.0 * jitter), jitter)
    delays = {
        name: (signal.lag or 0.0) * streams.of("timing", "lag", name).uniform(_LEAST, 1.0)
        for name, signal in _sensing(stand).items()
    }
    lags, filters = _lags(stand, delays)
    answers = {}
    for endpoint in _endpoints(stand):
        quick, slow = _SLOWEST
        supply = stand.supplies.get(endpoint.removeprefix("supply "))
        if supply is not None:  # it does what it is told within its response
            slow = min(slow, max(quick, supply.settle if supply.response is None else supply.response))
        answers[endpoint] = (_ANSWER, _geometric(streams.of("timing", "answer", endpoint), quick, slow))
    chance = streams.of("timing", "connections")
    return Timing(scans, lags, filters, answers, chance.uniform(0.0, _ACCEPT), chance.random() < 0.5)  # noqa: PLR2004


def _longest_scan(io: Io, chance: Random) -> float:
    if io.scan_time is not None:
        return io.scan_time * chance.uniform(_LEAST, 1.0)
    return _geometric(chance, *_SCANS)


def _geometric(chance: Random, low: float, high: float) -> float:
    return float(low * (high / low) ** chance.random())


def _sensing(stand: Stand) -> dict[str, Signal]:
    return {name: signal for name, signal in stand.signals.items() if signal.drives is None}


def _lags(stand: Stand, delays: Mapping[str, float]) -> tuple[dict[str, float], dict[str, float]]:
    """Return delays of logic channels, and time constants of analog ones, that have followed after such a time."""
    lags, filters = {}, {}
    for name, delay in delays.items():
        if delay and stand.signals[name].is_bit:
            lags[name] = delay
        elif delay:
            filters[name] = delay / SETTLED_AFTER
    return lags, filters


def _endpoints(stand: Stand) -> list[str]:
    names = [f"supply {name}" for name in stand.supplies] + [f"io {name}" for name in stand.io]
    return names + [f"link {slot}" for slot in stand.slots]
