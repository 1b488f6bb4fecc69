"""How long the instruments of a simulated stand take: none at all, as the stand file says, or drawn from the seed.

Drawn, a stand is one of many that fit its description: an I/O simulator scans in 5 to 50 ms, or faster than its
`scan-time`; a sensor lags up to its `lag`, and not at all without one; a supply answers within its `response`.

When an I/O simulator looks: snapshots at scan instants, sensors that lag, and what was there before a change.

A real I/O copies all it senses into its registers once a scan, a little early or late; what a client reads is that
snapshot. A lamp sensor shows a lamp later, a filter before an analog channel rounds its steps off:
y(t) = x(t) + sum of (x_before - x_after) e^(-(t - t_change)/tau) over the recent changes. Nothing is stepped from scan
to scan: the world is asked for its present state unless it changed after the instant that counts, and for that the
states before recent changes are kept.

Jitter and noise are a function of seed, name and number of the scan, so that nobody's asking changes what another
one reads.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random

from hilseq.description.stand import Io, Signal, Stand
from hilseq_sim.world.draw import Chance, Streams
from hilseq_sim.world.timeline import Timeline

#: Time constants after which a filter has settled, to a millionth.
SETTLED_AFTER = 14.0


class History:
    """What was at the terminals of an I/O simulator before each recent change of the world."""

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline
        self._sources: list[Callable[[], float]] = []
        self._before: deque[tuple[float, list[float]]] = deque()
        #: Called before any source is read.
        self.looks: list[Callable[[], None]] = []
        #: s for which a change is remembered.
        self.window = 0.0

    def add(self, source: Callable[[], float]) -> int:
        """Remember a true value from now on; return its place."""
        self._sources.append(source)
        return len(self._sources) - 1

    def note(self) -> None:
        """Keep the present values: the world is about to change."""
        now, before = self._timeline.now, self._before
        if not self.window or (before and before[-1][0] == now):
            return
        self._forget(now)
        for look in self.looks:
            look()
        before.append((now, [source() for source in self._sources]))

    def _forget(self, now: float) -> None:
        before = self._before
        while before and before[0][0] < now - self.window:
            before.popleft()

    def recent(self) -> bool:
        """Return whether anything is remembered that may still count."""
        self._forget(self._timeline.now)
        return bool(self._before)

    def at(self, place: int, instant: float) -> float:
        """Return the value at an instant, s, within the window."""
        for when, values in self._before:
            if when > instant:
                return values[place]
        return self._sources[place]()

    def filtered(self, place: int, instant: float, tau: float) -> float:
        """Return the value at an instant behind a first order filter of time constant `tau`, s."""
        present = self.at(place, instant)
        after, sum_of_rests = present, 0.0
        for when, values in reversed(self._before):
            if when <= instant:
                sum_of_rests += (values[place] - after) * math.exp((when - instant) / tau)
                after = values[place]
        return present + sum_of_rests


class Scan:
    """The scan of one I/O simulator, s: instants `phase + n period`, each early or late by up to `jitter` periods."""

    def __init__(self, name: str, seed: int, period: float, jitter: float) -> None:
        self.period = period
        self.jitter = min(jitter, 0.4)
        #: Age of the oldest snapshot that is ever read, s.
        self.longest = period * (1.0 + 2.0 * self.jitter)
        self._chance = Chance(seed, "scan", name)
        self._phase = self._chance.two(-1)[0] * period

    def _instant(self, number: int) -> float:
        early = 2.0 * self._chance.two(number)[0] - 1.0
        return self._phase + (number + early * self.jitter) * self.period

    def latest(self, now: float) -> tuple[int, float]:
        """Return number and instant of the last scan that is not after `now`."""
        number = math.floor((now - self._phase) / self.period) + 1
        while (instant := self._instant(number)) > now:
            number -= 1
        return number, instant


#: s: shortest and longest scan, shortest answer, longest answer of the quickest and of the slowest instrument, the
#: same of the ports of a unit, longest time until a client is accepted.
_SCANS, _ANSWER, _SLOWEST, _PORTS, _ACCEPT = (0.005, 0.050), 0.001, (0.002, 0.300), (0.002, 0.020), 0.2
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
        if supply is not None:  # it does what it is commanded within its response
            slow = min(slow, max(quick, supply.settle if supply.response is None else supply.response))
        answers[endpoint] = (_ANSWER, _geometric(streams.of("timing", "answer", endpoint), quick, slow))
    for slot, wiring in stand.slots.items():
        for port in wiring.ports:
            endpoint = f"port {slot}/{port}"
            longest = _geometric(streams.of("timing", "answer", endpoint), *_PORTS)
            answers[endpoint] = (_ANSWER, longest)
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
