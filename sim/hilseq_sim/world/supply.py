"""A programmable DC supply: slew and settling, current limit, protections that latch, readback errors, its recorder."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

from hilseq.description.scpi import ScpiSupply as SupplyDescription
from hilseq_sim.defects.change import Add, Change
from hilseq_sim.world.draw import Noise, Streams
from hilseq_sim.world.timeline import NEVER, SETTLED, Mains, Timeline, Timer, first_crossing

#: Interval, s, and number of readings until a client sets others.
INTERVAL, POINTS = 1e-3, 100


class Recorder:
    """Armed, it takes `points` readings, one every `interval` s, beginning with the next trigger."""

    def __init__(self, timeline: Timeline, read: Callable[[], float]) -> None:
        self._timeline = timeline
        self._read = read
        self.interval = INTERVAL
        self.points = POINTS
        self._armed = False
        self._begun = 0.0
        self._taken: list[float] = []
        self._timer = Timer(timeline, self._take)

    def arm(self) -> None:
        """Forget the last record and wait for the trigger."""
        self._timer.stop()
        self._taken = []
        self._armed = True

    def trigger(self) -> None:
        """Begin the record, if armed."""
        if self._armed:
            self._armed = False
            self._begun = self._timeline.now
            self._timer.start(0.0)

    def record(self) -> list[float] | None:
        """Return the readings, A; None while the record is not whole."""
        return self._taken if len(self._taken) == self.points else None

    def _take(self) -> None:
        self._taken.append(self._read())
        if len(self._taken) < self.points:
            # Counted from the beginning, so that no rounding adds up.
            self._timer.start_at(self._begun + len(self._taken) * self.interval)


#: Share of the stand file's response (or settling time) spent slewing over the whole range, and as time constants
#: after it.
_SLEW_SHARE = 0.4
_SETTLE_SHARE = 1 / 16
#: Ohm; a bench supply at its sense terminals.
OUTPUT_IMPEDANCE = 0.002
#: s that the voltage at the terminals is looked ahead for one that the protection does not allow.
_AHEAD = 60.0
#: s in constant current before over-current protection trips; an inrush into a capacitor is shorter.
OVERCURRENT_DELAY = 0.1
#: Shares of the stated accuracy that the errors of a good instrument fill.
_GAIN, _OFFSET, _NOISE, _SETTING = 0.35, 0.35, 0.05, 0.2
#: What the knobs reach beyond the ceilings of the stand.
_RANGE = 1.1


class Feeder(Protocol):
    """What hangs on a supply."""

    def update(self) -> None:
        """Follow a change of the supply."""

    def amperes(self) -> float:
        """Return the current drawn now, A."""
        ...

    def limited(self) -> bool:
        """Return whether the supply limits the current it draws."""
        ...

    def terminal(self) -> float:
        """Voltage at the supply's terminals when it limits this load, V."""
        ...

    def terminal_in(self, x: float) -> float:
        """The same x seconds from now, if nothing happens before `next_event`."""
        ...

    def amperes_in(self, x: float) -> float:
        """Return the current x seconds from now, if nothing happens before `next_event`, A."""
        ...

    def next_event(self) -> float:
        """Time until something happens here, s."""
        ...

    def restart_record(self) -> None:
        """Begin a new record of the inrush."""

    def supplied(self) -> None:
        """Take note that the supply was switched on."""

    def record(self) -> tuple[float, float]:
        """Peak current, A, and charge, As, since the record began."""
        ...


class VoltageSource:
    """The supply's voltage before its current limit and impedance, V.

    It slews at a fixed rate until the gap left is rate x tau, then closes it exponentially; the slope is
    continuous: e = e0 + rate t, then e = target + gap e^(-t/tau).
    """

    def __init__(self, timeline: Timeline, rate: float, tau: float) -> None:
        self._timeline = timeline
        self.rate = rate
        self.tau = tau
        self.target = 0.0
        self._start = 0.0
        self._slope = 0.0
        self._since = 0.0
        self._bend = 0.0
        self._gap = 0.0

    def aim(self, target: float) -> None:
        """Move to another voltage from where it is now."""
        now = self._timeline.now
        start = self.volts()
        gap = target - start
        knee = self.rate * self.tau
        self._start, self._since, self.target = start, now, target
        self._gap = max(-knee, min(knee, -gap))
        self._slope = math.copysign(self.rate, gap)
        self._bend = now + max(0.0, (abs(gap) - knee) / self.rate)

    def volts(self) -> float:
        """Voltage now."""
        now = self._timeline.now
        if now < self._bend:
            return self._start + self._slope * (now - self._since)
        if self._gap == 0.0 or now - self._bend > SETTLED * self.tau:
            return self.target
        return self.target + self._gap * math.exp((self._bend - now) / self.tau)

    def piece(self) -> tuple[float, float, float, float]:
        """Coefficients a, b, d of e(now + x) = a + b x + d e^(-x/tau), and how long they hold, s."""
        now = self._timeline.now
        if now < self._bend:
            return self.volts(), self._slope, 0.0, self._bend - now
        x = now - self._bend
        if self._gap == 0.0 or x > SETTLED * self.tau:
            return self.target, 0.0, 0.0, NEVER
        return self.target, 0.0, self._gap * math.exp(-x / self.tau), SETTLED * self.tau - x + self.tau


class SupplyModel:
    """One output of a supply, as its front panel shows it (`hilseq_sim.views.SupplyView`)."""

    def __init__(
        self, name: str, description: SupplyDescription, timeline: Timeline, streams: Streams
    ) -> None:
        self.name = name
        reported = description.identity
        self._maker, self._model = reported.maker or "simulated", reported.model or "DC supply"
        self._serial = reported.serial or f"SIM-{name.upper().replace(' ', '-')}"
        #: Defects: another instrument in its place; V by which the over-voltage protection trips too early; it
        #: loses its mains again and again.
        self.wrong_identity = 0
        self.trips_early = 0.0
        self.resets = 0
        ceilings = description.ceilings
        top = max(ceilings.voltage, description.overvoltage or 0.0) * _RANGE
        self.voltage_limits = (0.0, round(top, 3))
        self.current_limits = (0.0, round(ceilings.current * _RANGE, 3))
        self.feeds: list[Feeder] = []
        #: 1/Ohm of what lies across the terminals beside the units: a defect; 0 in a good stand.
        self.shunt_siemens = 0.0
        #: Ohm that a unit sees at the terminals, and the current that units may share, A: see `_retarget`.
        self.impedance = OUTPUT_IMPEDANCE
        self._left = 0.0
        self._shorted = False
        follows = max(description.follows_within, 1e-3)
        self._timeline = timeline
        self.source = VoltageSource(
            timeline, ceilings.voltage / (follows * _SLEW_SHARE), follows * _SETTLE_SHARE
        )
        self._output = False
        self._forget_settings()
        self._mains = Mains(timeline, self._start_anew)
        self._overvoltage_timer = Timer(timeline, self._look_at_voltage)
        self._passes_level = False
        self._overcurrent_timer = Timer(timeline, self._trip_overcurrent)
        self.recorder = Recorder(timeline, self.measure_current)
        if description.waveform is not None:
            reported_record = description.waveform
            self.recorder.interval = reported_record.interval
            self.recorder.points = reported_record.readings
        stream = streams.of("supply", name)
        volts, amps = description.accuracy.voltage, description.accuracy.current
        spans = (top, self.current_limits[1])
        fixed = [
            terms.fixed + terms.of_range * span for terms, span in zip((volts, amps), spans, strict=True)
        ]
        #: Of the voltage and of the current: accuracy of reading, fixed accuracy, and where gain and offset are.
        self._accuracies = (
            (volts.of_reading, fixed[0], "volt_gain", "_volt_offset"),
            (amps.of_reading, fixed[1], "amp_gain", "_amp_offset"),
        )
        even = stream.uniform
        self._set_gain = 1.0 + _SETTING * volts.of_reading * even(-1, 1)
        self._set_offset = _SETTING * fixed[0] * even(-1, 1)
        self.volt_gain = 1.0 + _GAIN * volts.of_reading * even(-1, 1)
        self.amp_gain = 1.0 + _GAIN * amps.of_reading * even(-1, 1)
        self._volt_offset = _OFFSET * fixed[0] * even(-1, 1)
        self._amp_offset = _OFFSET * fixed[1] * even(-1, 1)
        self._volt_noise = Noise(timeline, _NOISE * fixed[0], streams.seed, "supply", name, "volts")
        self._amp_noise = Noise(timeline, _NOISE * fixed[1], streams.seed, "supply", name, "amperes")

    def _forget_settings(self) -> None:
        self._set_voltage = 0.0
        self._set_current = self.current_limits[1]
        self._overvoltage = self.voltage_limits[1]
        self._overcurrent_protection = False
        self.clear_protection()

    def _start_anew(self) -> None:
        """Come back from a moment without mains: off, and set as when it was switched on."""
        self.output = False
        self._forget_settings()
        self._retarget()

    # -- what the unit sees ------------------------------------------------------------------------

    @property
    def connected(self) -> bool:
        """Return whether the output is closed."""
        return self._output

    def share(self) -> float:
        """Return the current that each unit may draw, A: units on one output share its limit equally."""
        return self._left / max(1, len(self.feeds))

    def puts_out(self, volts: float) -> float:
        """Return the voltage before the impedance that a setting makes, V."""
        return max(0.0, volts * self._set_gain + (self._set_offset if volts > 0.0 else 0.0))

    def wrong_by(self, volts: float, amperes: float) -> list[Change]:
        """Return what makes both readings wrong by these shares of their accuracies, noise included."""
        changes: list[Change] = []
        for all_of_it, (of_reading, fixed, gain, offset) in zip(
            (volts, amperes), self._accuracies, strict=True
        ):
            share = all_of_it * (1.0 - _NOISE)
            changes.append(Add(self, gain, share * of_reading + 1.0 - getattr(self, gain)))
            changes.append(Add(self, offset, share * fixed - getattr(self, offset)))
        return changes

    def _retarget(self) -> None:
        """Aim at the voltage at the terminals without units, where a shunt G may pull it down.

        Below the limit I that is e/(1 + R G) behind R/(1 + R G), R being the output impedance; a shunt that draws
        the whole limit makes it I/G behind 1/G (Thévenin's and Norton's theorems).
        """
        target = self.puts_out(self._set_voltage) if self._output else 0.0
        shunt, limit = self.shunt_siemens, self._set_current
        self.impedance, self._left, self._shorted = OUTPUT_IMPEDANCE, limit, False
        if shunt > 0.0:
            target /= 1.0 + OUTPUT_IMPEDANCE * shunt
            self.impedance = OUTPUT_IMPEDANCE / (1.0 + OUTPUT_IMPEDANCE * shunt)
            if target * shunt > limit:
                target, self.impedance, self._shorted = limit / shunt, 1.0 / shunt, True
            else:
                self._left = limit - target * shunt
        self.source.aim(target)
        self.update_feeds()
        self.watch_voltage()
        self.follow_current()

    def update_feeds(self) -> None:
        """Let everything on the supply follow a change of it."""
        for feed in self.feeds:
            feed.update()

    def follow_current(self) -> None:
        """Follow the units into or out of current limiting, for the over-current protection."""
        if self._output and self._overcurrent_protection and self.constant_current:
            if not self._overcurrent_timer.running:
                self._overcurrent_timer.start(OVERCURRENT_DELAY)
        else:
            self._overcurrent_timer.stop()

    def refresh(self) -> None:
        """Follow a defect."""
        self._retarget()
        self._mains.follow(self.resets)

    def watch_voltage(self) -> None:
        """Look ahead for the moment at which the terminals pass the level of the over-voltage protection."""
        level = self._overvoltage - self.trips_early
        if not self._output or max(self.source.volts(), self.source.target) <= level:
            self._overvoltage_timer.stop()  # no load raises the voltage, and the source stays below
            return
        a, b, d, lasts = self.source.piece()
        settling = self.source.tau

        def over(x: float) -> float:
            source = a + b * x + (d * math.exp(-x / settling) if d else 0.0)
            drawn = sum(feed.amperes_in(x) for feed in self.feeds)
            limited = (feed.terminal_in(x) for feed in self.feeds if feed.limited())
            return min(source - self.impedance * drawn, *limited, math.inf) - level

        horizon = min(lasts, _AHEAD, *(feed.next_event() for feed in self.feeds))
        delay = first_crossing(over, horizon, min(1e-6, horizon))
        self._passes_level = delay < NEVER
        settled = lasts == NEVER and not self.constant_current
        self._overvoltage_timer.start(delay if self._passes_level or settled else horizon)

    def _look_at_voltage(self) -> None:
        if not self._passes_level:
            self.watch_voltage()
            return
        self._overvoltage_tripped = True
        self.output = False

    def _trip_overcurrent(self) -> None:
        self._overcurrent_tripped = True
        self.output = False

    @property
    def identity(self) -> tuple[str, str, str, str]:
        """Maker, model, serial number and version, as *IDN? has them."""
        model = f"{self._model}-B" if self.wrong_identity else self._model
        return self._maker, model, self._serial, "1.0"

    # -- the front panel ---------------------------------------------------------------------------

    @property
    def set_voltage(self) -> float:
        """Voltage setting, V."""
        return self._set_voltage

    @set_voltage.setter
    def set_voltage(self, volts: float) -> None:
        self._timeline.changing()
        self._set_voltage = volts
        self._retarget()

    @property
    def set_current(self) -> float:
        """Current limit, A."""
        return self._set_current

    @set_current.setter
    def set_current(self, amperes: float) -> None:
        self._timeline.changing()
        self._set_current = amperes
        self._retarget()

    @property
    def overvoltage(self) -> float:
        """Level of the over-voltage protection, V."""
        return self._overvoltage

    @overvoltage.setter
    def overvoltage(self, volts: float) -> None:
        self._timeline.changing()
        self._overvoltage = volts
        if self._output:
            self._retarget()

    @property
    def overcurrent_protection(self) -> bool:
        """Whether reaching the current limit for a while switches the output off."""
        return self._overcurrent_protection

    @overcurrent_protection.setter
    def overcurrent_protection(self, on: bool) -> None:
        self._overcurrent_protection = on
        self.follow_current()

    @property
    def output(self) -> bool:
        """Whether the output is on. A tripped protection keeps it off."""
        return self._output

    @output.setter
    def output(self, on: bool) -> None:
        on = on and not (self._overvoltage_tripped or self._overcurrent_tripped)
        if on == self._output:
            return
        self._timeline.changing()
        self._output = on
        if on:
            for feed in self.feeds:
                feed.restart_record()
            self.recorder.trigger()
        self._retarget()
        if on:
            for feed in self.feeds:
                feed.supplied()

    @property
    def overvoltage_tripped(self) -> bool:
        """Whether the over-voltage protection has latched."""
        return self._overvoltage_tripped

    @property
    def overcurrent_tripped(self) -> bool:
        """Whether the over-current protection has latched."""
        return self._overcurrent_tripped

    @property
    def constant_current(self) -> bool:
        """Whether the output limits the current just now."""
        if not self._output:
            return False
        return self._shorted or any(feed.limited() for feed in self.feeds)

    def clear_protection(self) -> None:
        """Release latched protections; the output stays off."""
        self._overvoltage_tripped = False
        self._overcurrent_tripped = False

    # -- measuring ---------------------------------------------------------------------------------

    def true_current(self) -> float:
        """Return the current through the output, A."""
        total = 0.0
        for feed in self.feeds:
            total += feed.amperes()
        if self.shunt_siemens > 0.0:
            total += self.true_voltage() * self.shunt_siemens
        return total

    def true_voltage(self) -> float:
        """Voltage at the terminals, V: the source less the drop of its impedance, or what a limit leaves."""
        drawn, volts = 0.0, self.source.volts()
        least = volts
        for feed in self.feeds:
            drawn += feed.amperes()
            if feed.limited():
                least = min(least, feed.terminal())
        return min(least, volts - self.impedance * drawn)

    def measure_voltage(self) -> float:
        """One reading of the voltage, with the error and the noise of the instrument, V."""
        return self.true_voltage() * self.volt_gain + self._volt_offset + self._volt_noise()

    def measure_current(self) -> float:
        """One reading of the current, with the error and the noise of the instrument, A."""
        return self.true_current() * self.amp_gain + self._amp_offset + self._amp_noise()

    def inrush(self) -> tuple[float, float]:
        """Peak current, A, and charge, As, since the output was last switched on."""
        records = [feed.record() for feed in self.feeds]
        return sum(peak for peak, _ in records), sum(charge for _, charge in records)
