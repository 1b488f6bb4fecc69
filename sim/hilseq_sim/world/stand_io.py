"""The stand's I/O simulator: its registers, the channels behind them, and the wires to the units.

A drive takes a new value to its terminal through a relay, a part of its settling time later. A sense shows
what is at its terminal with the error of its channel: gain and offset drawn within the accuracy of the
stand file. Wires that are connected to nothing do what a stand needs of them: interlocks are closed,
loop-backs follow their drive, a temperature is the ambient.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from hilseq.clock import nothing
from hilseq.description.modbus import ModbusIo, ModbusSignal
from hilseq.description.registers import ModbusLimits, RegisterTable, RegisterType
from hilseq.description.simulated import modbus_devices, modbus_signals
from hilseq.description.stand import Stand
from hilseq_sim.defects.change import Add, Change
from hilseq_sim.world.analog import accuracy_in, factor_between
from hilseq_sim.world.draw import Chance, Noise, Streams
from hilseq_sim.world.points import INPUT_CURRENT, RATED
from hilseq_sim.world.registers import RegisterMap
from hilseq_sim.world.timeline import NEVER, Mains, Timeline, Timer
from hilseq_sim.world.timing import SETTLED_AFTER, History, Scan, Timing
from hilseq_sim.world.unit import UnitModel

#: Share of a signal's settling time until a drive is at its terminal.
_TRAVEL = 0.25
#: Shares of a channel's accuracy that its gain and offset errors and its noise fill.
_GAIN, _OFFSET, _NOISE = 0.45, 0.45, 0.08
#: V at which a logic channel senses on, for 24 V rated; good channels lie around it.
_SENSES_AT, _SPREAD = 8.0, 1.0
#: Ohm of a good relay contact.
CONTACT = 0.1
#: What a sensing channel without any accuracy stated may be wrong by, of its scale step.
_STEP = 0.4


class Channel:
    """One signal of the stand. The counters and errors are defects; 0 in a good stand."""

    def __init__(
        self, name: str, signal: ModbusSignal, timeline: Timeline, streams: Streams, timing: Timing
    ) -> None:
        self.name = name
        self.signal = signal
        self.is_bit = signal.kind is RegisterType.BIT
        self.set_value = signal.safe_value
        self.delivered = signal.safe_value
        self.due = NEVER
        self.dead = 0
        self.broken = 0
        self.contact_resistance = CONTACT
        self.unsafe = 0
        stream = streams.of("channel", name)
        symbol = signal.unit
        accuracy = accuracy_in(signal.accuracy, symbol)
        span = abs(signal.scale) * 0xFFFF
        fixed = accuracy.fixed + accuracy.of_range * span
        if signal.accuracy is None:
            fixed = _STEP * abs(signal.scale) if symbol else 0.0
        self._of_reading, self._fixed = accuracy.of_reading, fixed
        self.gain = 1.0 + _GAIN * accuracy.of_reading * stream.uniform(-1, 1)
        self.offset = _OFFSET * fixed * stream.uniform(-1, 1)
        self.noise_bound = _NOISE * fixed
        self.threshold = _SENSES_AT + stream.uniform(-_SPREAD, _SPREAD)
        self.deliver: Callable[[float], None] = lambda _: None
        #: s: what its sensor shows is that old; time constant of its filter.
        self.lag = timing.lags.get(name, 0.0)
        self.filter = timing.filters.get(name, 0.0)
        #: Of a snapshot by its number, of what is read at once by its instant.
        self.chance = Chance(streams.seed, "noise", name)
        # A read may pass over what belongs to a neighbour's slot.
        self.noise = Noise(timeline, self.noise_bound, streams.seed, "channel", name, shared=True)

    def actual(self) -> float:
        """Return what a drive really puts on its wire for the value it was given."""
        if self.dead or self.broken:
            return 0.0
        if self.is_bit:
            return self.delivered
        exact = self.delivered
        if exact == 0.0 and self.signal.safe_value == 0.0:
            return 0.0
        return exact * self.gain + self.offset

    def wrong_by(self, share: float) -> list[Change]:
        """Return what makes it wrong by a share of its accuracy, noise included."""
        share *= 1.0 - _NOISE
        wanted = {"gain": 1.0 + share * self._of_reading, "offset": share * self._fixed}
        return [Add(self, name, value - getattr(self, name)) for name, value in wanted.items()]

    def connect(self) -> None:
        """Put on the terminal what the drive has now."""
        self.deliver(self.actual())


class IoModel:
    """One I/O simulator (`hilseq_sim.views.ModbusView`)."""

    def __init__(self, name: str, description: ModbusIo, timeline: Timeline, scan: Scan | None) -> None:
        self.name = name
        self.history = History(timeline)
        #: A defect: s by which what it serves is older than its last snapshot.
        self.stale = 0.0
        self._scan = scan
        self._lags = 0.0
        #: Number and instant of the snapshot that is read, and whether anything has changed since that may count.
        self.snapshot, self.instant, self.recent = 0, 0.0, False
        self.device = description.device_id
        self.quirks: ModbusLimits | None = None if description.usual else description
        reported = description.identity
        self.maker = (reported.maker if reported else None) or "simulated"
        self.model = (reported.model if reported else None) or "I/O simulator"
        self.wrong_identity = 0
        self.resets = 0
        self._mains = Mains(timeline, self._start_anew)
        self._timeline = timeline
        self._timer = Timer(timeline, self._deliver)
        self._channels: list[Channel] = []
        self._registers = RegisterMap(gaps=description.max_gap, timeline=timeline)
        #: The same as a client sees it, late: after scans and lags.
        self._late_registers = RegisterMap(gaps=description.max_gap, timeline=timeline)
        #: Called before anything is read.
        self.looks = self.history.looks
        self.write = self._registers.write

    def answering(self) -> bool:
        """Tell that it answers: an instrument has a supply of its own."""
        return True

    def read(self, table: RegisterTable, address: int, count: int) -> list[int]:
        """Raw bits or words. Raises ModbusRefusal for an address that is not there."""
        for look in self.looks:
            look()
        if not self.history.window:
            return self._registers.read(table, address, count)
        now = self._timeline.now
        self.snapshot, self.instant = self._scan.latest(now) if self._scan else (round(now * 1e3), now)
        self.instant -= self.stale
        self.recent = self.history.recent()
        return self._late_registers.read(table, address, count)

    def identification(self) -> Mapping[int, bytes] | None:
        """Maker, model and version."""
        model = f"{self.model}-B" if self.wrong_identity else self.model
        return {0: self.maker.encode(), 1: model.encode(), 2: b"1.0"}

    def loopback(self) -> bool:
        """Tell that function 08/0000 is answered."""
        return True

    def add_drive(self, channel: Channel) -> None:
        """Put a drive on its register: it reads back what was written."""
        signal = channel.signal
        self._channels.append(channel)
        travel = _TRAVEL * signal.settle

        def write(value: float) -> None:
            if value != channel.set_value:
                channel.set_value = value
                channel.due = self._timeline.now + travel
                self._plan()

        writable = write if signal.table.writable else None
        for registers in (self._registers, self._late_registers):
            registers.add_value(signal, lambda: channel.set_value, writable)

    def add_sense(self, channel: Channel, true_value: Callable[[], float]) -> None:
        """Put a sense on its register."""
        late_value = self._late(channel, self.history.add(true_value), true_value)
        self._lags = max(self._lags, channel.lag, SETTLED_AFTER * channel.filter)
        if channel.is_bit:
            self._registers.add_flag(channel.signal, _sense_bit(channel, true_value))
            self._late_registers.add_flag(channel.signal, _sense_bit(channel, late_value))
        else:
            self._registers.add_value(channel.signal, _sense_value(channel, true_value))
            self._late_registers.add_value(channel.signal, self._sense_late_value(channel, late_value))

    def _late(self, channel: Channel, place: int, true_value: Callable[[], float]) -> Callable[[], float]:
        """Return what a sensor shows of a true value in the snapshot that is read."""
        history, lag, tau = self.history, channel.lag, channel.filter
        if tau:
            return lambda: history.filtered(place, self.instant, tau) if self.recent else true_value()
        return lambda: history.at(place, self.instant - lag) if self.recent else true_value()

    def _sense_late_value(self, channel: Channel, late_value: Callable[[], float]) -> Callable[[], float]:
        chance, bound = channel.chance.two, channel.noise_bound

        def read() -> float:
            if channel.dead or channel.broken:
                return 0.0
            one, other = chance(self.snapshot) if bound else (0.0, 0.0)
            return late_value() * channel.gain + channel.offset + (one - other) * bound

        return read

    def seal(self) -> None:
        """Nothing is added afterwards."""
        self._registers.seal()
        self._late_registers.seal()

    def refresh(self) -> None:
        """Follow a defect."""
        self._mains.follow(self.resets)
        scan = self._scan.longest if self._scan else 0.0
        self.history.window = scan + self._lags + self.stale

    def _start_anew(self) -> None:
        """Come back from a moment without mains: every drive is as when the device was switched on."""
        for channel in self._channels:
            channel.due = NEVER
            channel.set_value = channel.delivered = channel.signal.safe_value
            channel.connect()
        self._plan()

    def _plan(self) -> None:
        self._timer.start_at(min((channel.due for channel in self._channels), default=NEVER))

    def _deliver(self) -> None:
        now = self._timeline.now
        for channel in self._channels:
            if channel.due <= now:
                channel.due = NEVER
                channel.delivered = channel.set_value
                channel.connect()
        self._plan()


def _sense_bit(channel: Channel, true_value: Callable[[], float]) -> Callable[[], bool]:
    def read() -> bool:
        if channel.dead or channel.broken:
            return False
        return true_value() > channel.threshold

    return read


def _sense_value(channel: Channel, true_value: Callable[[], float]) -> Callable[[], float]:
    noise = channel.noise

    def read() -> float:
        if channel.dead or channel.broken:
            return 0.0
        return true_value() * channel.gain + channel.offset + noise()

    return read


class StandWiring:
    """Every signal of a stand, wired to the units in its slots."""

    def __init__(
        self,
        stand: Stand,
        units: Mapping[str, UnitModel],
        timeline: Timeline,
        streams: Streams,
        *,
        ambient: float,
        timing: Timing,
    ) -> None:
        scans = {name: Scan(name, streams.seed, *times) for name, times in timing.scans.items()}
        self.io = {
            name: IoModel(name, description, timeline, scans.get(name))
            for name, description in modbus_devices(stand).items()
        }
        self.channels = {
            name: Channel(name, signal, timeline, streams, timing)
            for name, signal in modbus_signals(stand).items()
        }
        self._timeline = timeline
        self._units = units
        self._ambient = ambient
        self._looped = {loop.sense: loop.drive for loop in stand.loopbacks.values()}
        looped_drives = set(self._looped.values())
        self._safe = {interlock.signal: interlock.safe for interlock in stand.safety.interlocks.values()}
        for name, channel in self.channels.items():
            io = self.io[channel.signal.io]
            if (
                channel.signal.drives is not None
                or name in looped_drives
                or self._is_free_drive(name, channel)
            ):
                self._wire_drive(channel)
                io.add_drive(channel)
            else:
                io.add_sense(channel, self._true_value(name, channel))
        for io in self.io.values():
            io.seal()
        self.refresh()

    def _is_free_drive(self, name: str, channel: Channel) -> bool:
        signal = channel.signal
        known = signal.senses is not None or name in self._looped or name in self._safe
        return (
            not known
            and signal.table.writable
            and signal.table in (RegisterTable.COIL, RegisterTable.HOLDING_REGISTER)
        )

    def refresh(self) -> None:
        """Follow a defect: put on every terminal what its drive has now."""
        for io in self.io.values():
            io.refresh()
        self._timeline.memory = max((io.history.window for io in self.io.values()), default=0.0)
        self._timeline.changing = self._note if self._timeline.memory else nothing
        for channel in self.channels.values():
            channel.connect()

    def _note(self) -> None:
        for io in self.io.values():
            io.history.note()

    # -- drives ------------------------------------------------------------------------------------

    def _wire_drive(self, channel: Channel) -> None:
        terminal = channel.signal.drives
        slot, _, point = terminal.partition(".") if terminal else ("", "", "")
        unit = self._units.get(slot)
        if unit is None:
            return
        rated = unit.profile.ratings.supply
        if point in unit.inputs.inputs:

            def drive_input(value: float) -> None:
                volts = value * rated if channel.is_bit else value * factor_between(channel.signal.unit, "V")
                if volts > 0.0:
                    volts = max(0.0, volts - channel.contact_resistance * INPUT_CURRENT)
                unit.inputs.drive(point, volts)

            channel.deliver = drive_input
        elif point in unit.switch.contacts:
            channel.deliver = lambda value: unit.switch.close_contact(point, value >= 0.5)  # noqa: PLR2004
        elif point in unit.analog_inputs:
            channel.deliver = lambda value: unit.analog_inputs[point].drive(value, channel.signal.unit)

    # -- senses ------------------------------------------------------------------------------------

    def _true_value(self, name: str, channel: Channel) -> Callable[[], float]:
        signal = channel.signal
        if name in self._safe:
            safe = self._safe[name]
            on = channel.threshold + 1.0 if channel.is_bit else safe
            opened = 0.0 if safe else on or 1.0
            closed = on if safe else 0.0
            return lambda: opened if channel.unsafe else closed
        if name in self._looped:
            source = self.channels[self._looped[name]]
            if channel.is_bit:
                return lambda: RATED * source.actual() - self._lost_in_contact(source)
            return lambda: source.actual() * factor_between(source.signal.unit, signal.unit)
        slot, _, point = signal.senses.partition(".") if signal.senses else ("", "", "")
        unit = self._units.get(slot)
        if unit is not None:
            found = self._at_terminal(unit, point, channel)
            if found is not None:
                return found
        if signal.unit == "degC":
            ambient = self._ambient
            return lambda: ambient
        return lambda: 0.0

    def _lost_in_contact(self, drive: Channel) -> float:
        """Return what the contact of a drive loses to the input that it drives, V at 24 V rated."""
        slot, _, point = (drive.signal.drives or "").partition(".")
        unit = self._units.get(slot)
        if unit is None or point not in unit.inputs.inputs:
            return 0.0
        return drive.contact_resistance * INPUT_CURRENT * RATED / unit.profile.ratings.supply

    def _at_terminal(self, unit: UnitModel, point: str, channel: Channel) -> Callable[[], float] | None:
        lamps, symbol = unit.profile.indicator, channel.signal.unit
        if lamps is not None and point in (lamps.healthy, lamps.faulted):
            lamp = unit.healthy_lamp if point == lamps.healthy else unit.faulted_lamp
            return lambda: RATED if lamp() else 0.0
        if point in unit.outputs.outputs:
            seen = unit.outputs.seen
            looks = self.io[channel.signal.io].looks
            if unit.outputs.look not in looks:
                looks.append(unit.outputs.look)
            scale = RATED / unit.profile.ratings.supply if channel.is_bit else factor_between("V", symbol)
            if scale == 1.0:
                return partial(seen.__getitem__, point)  # no frame of Python: 32 of 46 values of a sample
            return lambda: seen[point] * scale
        if point in unit.analog_outputs:
            output = unit.analog_outputs[point]
            return lambda: output.terminal(symbol)
        if symbol == "degC":
            return unit.heat.case
        return None
