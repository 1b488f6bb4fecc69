"""What differs from unit to unit and from reading to reading: seeded streams, tolerances, noise, a good unit's parts.

Parts are drawn around their nominal values, safely inside the profile's limits. Where a default of the twin does not
fit the profile (an 18 V lockout in a 12 V unit), it is moved to where a sensible designer would have put it.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from hashlib import blake2b
from random import Random

from hilseq.description.profile import Profile
from hilseq_sim.world.timeline import Timeline

_WORD = 2.0**32
_READING = struct.Struct("<dI")


class Streams:
    """Independent streams of chance by name; the same seed and name give the same numbers."""

    def __init__(self, seed: int) -> None:
        self.seed = seed

    def of(self, *name: str) -> Random:
        """Return the stream of a component."""
        return Random(f"{self.seed}/{'/'.join(name)}")


class Tolerances:
    """Draws the parameters of a part around its nominal values.

    `relative` is the relative standard deviation; draws are cut at two standard deviations, as the
    manufacturer's own sorting does.
    """

    def __init__(self, stream: Random, relative: float) -> None:
        self.stream = stream
        self._relative = relative

    def near(self, nominal: float) -> float:
        """Return a part near its nominal value."""
        return nominal * (1.0 + self._relative * max(-2.0, min(2.0, self.stream.gauss(0.0, 1.0))))

    def inside(self, nominal: float, low: float, high: float, share: float = 0.5) -> float:
        """Return a part near nominal and within the inner `share` of low..high: a good unit's."""
        edge = 0.5 * (1.0 - share) * (high - low)
        return max(low + edge, min(high - edge, self.near(nominal)))

    def within(self, bound: float) -> float:
        """Return an error anywhere within ± bound."""
        return self.stream.uniform(-bound, bound)


class Chance:
    """Numbers from 0 to 1 by the number of a scan or a reading; the same seed and name give the same ones."""

    def __init__(self, seed: int, *name: str) -> None:
        self._hash = blake2b(f"{seed}/{'/'.join(name)}".encode(), digest_size=8)

    def two(self, number: int) -> tuple[float, float]:
        """Return two independent numbers."""
        hashed = self._hash.copy()
        hashed.update(number.to_bytes(16, "little", signed=True))
        bits = int.from_bytes(hashed.digest(), "little")
        return (bits & 0xFFFFFFFF) / _WORD, (bits >> 32) / _WORD


class Noise:
    """The noise of one channel's readings: triangular within ± bound, standard deviation bound/√6.

    Bounded, so that no reading of a good channel ever leaves its accuracy. A function of seed, name, instant and how
    often the channel was read at that instant: what is asked of others changes nothing. One that is `shared` has one
    value an instant, whoever reads it and how often.
    """

    def __init__(self, timeline: Timeline, bound: float, seed: int, *name: str, shared: bool = False) -> None:
        self._timeline = timeline
        self._shared = shared
        self._bound = bound
        self._chance = Chance(seed, "noise", *name)
        self._instant = math.nan
        self._reads = 0

    def __call__(self) -> float:
        """Return the noise of one more reading, in the unit of the bound."""
        if self._bound == 0.0:
            return 0.0
        now = self._timeline.now
        if now == self._instant:
            self._reads += not self._shared
        else:
            self._instant, self._reads = now, 0
        one, other = self._chance.two(int.from_bytes(_READING.pack(now, self._reads), "little"))
        return (one - other) * self._bound


#: s of DC interruption that a class must ride through (IEC 61131-2, check value 3.3).
INTERRUPTIONS = {"PS1": 0.001, "PS2": 0.010}
#: s that a bench supply needs to come back after an interruption.
_RECOVERY = 0.025
#: No part is perfect: W, Ohm and F below which nothing is drawn.
_LEAST_POWER, _LEAST_OHMS, _LEAST_FARADS = 1e-3, 1e-2, 1e-5


@dataclass(slots=True)
class Parts:
    """The parts of one unit. SI units."""

    capacitance: float
    resistance: float
    start_above: float
    stop_below: float
    boot: float
    self_test: float
    idle_power: float
    live_power: float
    power_per_output: float
    output_resistance: float
    output_leakage: float
    output_delay: float
    input_filter: float
    mode_change: float
    contact_bounce: float
    thermal_resistance: float
    thermal_time: float
    clock_drift: float
    battery_new: float
    battery_charge: float


def ride_through(profile: Profile) -> float:
    """Interruption that the profile claims to survive, s; 0 when it claims none."""
    claimed = profile.margins.ride_through if profile.margins else 0.0
    return max(claimed, INTERRUPTIONS.get(profile.ratings.interruption_class or "", 0.0))


def worst_power(profile: Profile, idle: float, live: float, per_output: float) -> float:
    """Power with everything on, W."""
    return idle + live + per_output * len(profile.points.outputs)


def draw_parts(profile: Profile, ambient: float, neighbours_warm: float, draw: Tolerances) -> Parts:
    """Return the parts of one good unit."""
    twin, ratings, start = profile.twin, profile.ratings, profile.start
    near = draw.near
    volts, low = ratings.supply, ratings.supply_range.low

    current = start.idle_current
    nominal = 0.5 * (current.low + current.high) if twin.idle_power is None else twin.idle_power / volts
    idle = max(_LEAST_POWER, volts * draw.inside(nominal, current.low, current.high))
    live = near(twin.live_power)
    if start.live_current is not None:
        limits = start.live_current
        live = max(0.0, volts * draw.inside((idle + live) / volts, limits.low, limits.high, 0.6) - idle)
    per_output = near(twin.power_per_output)
    worst = worst_power(profile, idle, live, per_output)

    start_above = max(0.4 * low, min(near(twin.start_above), 0.95 * low))
    stop_below = max(0.4 * start_above, min(near(twin.stop_below), 0.9 * start_above))
    resistance = max(_LEAST_OHMS, min(near(twin.inrush_resistance), 0.02 * low * low / worst))
    capacitance = near(twin.input_capacitance)
    claimed = ride_through(profile)
    if claimed:
        least = 2.0 * worst * (1.5 * claimed + _RECOVERY) / (0.97 * low * low - stop_below**2)
        capacitance = max(capacitance, near(least) if least > 0.0 else 0.0)
    capacitance = max(_LEAST_FARADS, capacitance)
    capacitance = min(capacitance, 2.0 * idle * 0.7 * start.off_time / (volts**2 - stop_below**2))

    charging = capacitance * start_above / ratings.current_limit
    boot, self_test = near(twin.boot), near(twin.self_test)
    longest = max(0.1 * start.ready_within, 0.75 * start.ready_within - charging)
    shorten = min(1.0, longest / (boot + self_test)) if boot + self_test > 0.0 else 1.0

    outputs, inputs = profile.points.outputs.values(), profile.points.inputs.values()
    drops = [o.voltage_drop / o.rated_current for o in outputs if o.voltage_drop and o.rated_current]
    leaks = [o.leakage for o in outputs if o.leakage]
    change, bounce = near(twin.mode_change), near(twin.contact_bounce)
    slow = min(1.0, 0.5 * profile.modes.change_within / (change + bounce + 1e-9))

    thermal = near(twin.thermal_resistance)
    if profile.highest_case is not None:
        room = 0.75 * (profile.highest_case - ambient) - neighbours_warm
        thermal = max(0.1, min(thermal, room / (1.2 * worst)))

    battery = profile.battery
    charge = draw.stream.uniform(0.5, 0.95)
    new = near(twin.battery_voltage)
    if battery is not None:
        margin = battery.lowest + 0.35 * abs(battery.nominal - battery.lowest)
        new = max(new, margin / 0.96)
        new = max(new, 1.05 * battery.lowest)
    return Parts(
        capacitance=capacitance,
        resistance=resistance,
        start_above=start_above,
        stop_below=stop_below,
        boot=boot * shorten,
        self_test=self_test * shorten,
        idle_power=idle,
        live_power=live,
        power_per_output=per_output,
        output_resistance=max(
            _LEAST_OHMS, min([near(twin.output_resistance), *(0.5 * drop for drop in drops)])
        ),
        output_leakage=min([near(twin.output_leakage), *(0.3 * leak for leak in leaks)]),
        output_delay=min([near(twin.output_delay), *(0.3 * o.settle for o in outputs)]),
        input_filter=min([near(0.003), *(0.2 * i.settle for i in inputs)]),
        mode_change=change * slow,
        contact_bounce=bounce * slow,
        thermal_resistance=thermal,
        thermal_time=near(twin.thermal_time),
        clock_drift=draw.within(0.4 * profile.clock.drift if profile.clock else 20e-6),
        battery_new=new,
        battery_charge=charge,
    )
