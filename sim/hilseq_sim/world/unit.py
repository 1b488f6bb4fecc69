"""One unit in its slot: the parts wired together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping

from hilseq.description.profile import Indicator, Mode, Profile
from hilseq_sim.world.analog import AnalogChannel
from hilseq_sim.world.draw import Streams, Tolerances, draw_parts
from hilseq_sim.world.heat import COVER, NEIGHBOUR_POWER, NEIGHBOUR_RESISTANCE, Heat
from hilseq_sim.world.memory import Battery, FaultStore, SimulatedConfiguration, UnitClock
from hilseq_sim.world.operation import ModeKeeper, ModeSwitch, Phase, Starter
from hilseq_sim.world.points import BANDS, RATED, SENSE_RESISTANCE, Input, InputBank, Output, OutputBank
from hilseq_sim.world.power_input import PowerInput
from hilseq_sim.world.supply import SupplyModel
from hilseq_sim.world.timeline import Timeline, Timer

EMPTY = "empty"
#: Share of its power that a unit draws when its processor does not start.
_DORMANT = 0.55
#: Numeric serial numbers live in registers of at most 32 bits.
_SERIAL_MOST = 2**32
#: s after clearing until a fault that persists is stored again.
_STORES_AGAIN = 0.05


class UnitModel:
    """The unit in one slot.

    `power_ups` are called at each power-up, before anything starts: defects draw their chance there.
    """

    def __init__(
        self,
        slot: str,
        profile: Profile,
        supply: SupplyModel,
        timeline: Timeline,
        streams: Streams,
        *,
        serial: str,
        neighbours: Mapping[int, str],
        ambient: float,
        loads: Mapping[str, float],
    ) -> None:
        self.slot = slot
        self._loads = loads
        self.profile = profile
        self.timeline = timeline
        self.streams = streams
        self.serial = serial
        self.power_ups: list[Callable[[], None]] = []
        self._power_up_begun = False
        self.fitted = {
            position: neighbours.get(position, EMPTY) for position in range(1, profile.rack_positions + 1)
        }
        count = sum(name != EMPTY for name in neighbours.values())
        draw = Tolerances(streams.of(slot, "parts"), profile.twin.tolerance)
        warm = COVER * NEIGHBOUR_POWER * NEIGHBOUR_RESISTANCE * count
        self.parts = draw_parts(profile, ambient, warm, draw)

        self._defect_state()
        self._build_power(supply, ambient, count)
        self._build_memory(draw)
        self._build_program(draw)
        self._boot_ends = Timer(timeline, self._end_forcing)
        self._build_points(draw)
        self._connect()
        if self.faults is not None:
            self.faults.arrive_with_history(streams.of(slot, "history"), self._fault_places())

    # -- building ----------------------------------------------------------------------------------

    def _defect_state(self) -> None:
        """Everything that is wrong with no single part; all 0 in a good unit."""
        self.extra_idle_power = 0.0
        self.extra_live_power = 0.0
        #: By mode: how many defects let outputs through there; how many keep them from ever being driven.
        self.gate_open = dict.fromkeys(Mode, 0)
        self.gate_dead = 0
        #: By mode: how many defects freeze the outputs as they are; s for which all are on when the boot begins.
        self.freezes = dict.fromkeys(Mode, 0)
        self.on_at_boot = 0.0
        self.enabled_misreported = 0
        self.link_dead = 0
        self.healthy_lamp_dead = 0
        self.faulted_lamp_stuck = 0
        self.mode_misreported = dict.fromkeys(Mode, 0)
        self.wrong_firmware = 0
        self.wrong_product = 0
        self.wrong_maker = 0
        self.wrong_serial = 0
        self.missing_neighbours: Counter[int] = Counter()
        self.wrong_neighbours: Counter[int] = Counter()
        #: Codes stored at every start and again after each clearing.
        self.persisting: Counter[int] = Counter()

    def _build_power(self, supply: SupplyModel, ambient: float, neighbours: int) -> None:
        parts, profile, timeline = self.parts, self.profile, self.timeline
        self.input = PowerInput(
            timeline,
            supply,
            capacitance=parts.capacitance,
            resistance=parts.resistance,
            start_above=parts.start_above,
            stop_below=parts.stop_below,
        )
        self.heat = Heat(
            timeline,
            ambient=ambient,
            resistance=parts.thermal_resistance,
            time_constant=parts.thermal_time,
            neighbours=neighbours,
            cover_closed=profile.soak is None or profile.soak.cover == "closed",
        )

    def _build_memory(self, draw: Tolerances) -> None:
        parts, profile, timeline = self.parts, self.profile, self.timeline
        battery = profile.battery
        self.battery = None if battery is None else Battery(
            timeline,
            new=parts.battery_new,
            nominal=battery.nominal,
            charge=parts.battery_charge,
            years=battery.years,
        )  # fmt: skip
        self.clock = UnitClock(
            timeline, start=86400.0 + draw.stream.uniform(0.0, 10 * 86400.0), drift=parts.clock_drift
        )
        self.memory = None if profile.configuration is None else SimulatedConfiguration(
            timeline, profile.configuration, self.streams.of(self.slot, "configuration")
        )  # fmt: skip
        self.faults = None if profile.faults is None else FaultStore(profile.faults, self.clock.now)
        self._store_again = Timer(timeline, self._store_persisting)

    def _build_program(self, draw: Tolerances) -> None:
        parts, modes, timeline = self.parts, self.profile.modes, self.timeline
        self.start = Starter(
            timeline, boot=parts.boot, self_test=parts.self_test, starts=draw.stream.randrange(20, 900)
        )
        self.switch = ModeSwitch(timeline, modes, parts.contact_bounce)
        self.modes = ModeKeeper(timeline, modes, self.switch, parts.mode_change)

    def _load_at(self, output: str, rated_current: float | None) -> float:
        """Return the load at an output, Ohm: what the stand states, else what draws the rated current."""
        if output in self._loads:
            return self._loads[output]
        return self.profile.ratings.supply / rated_current if rated_current else SENSE_RESISTANCE

    def _build_points(self, draw: Tolerances) -> None:
        parts, profile, timeline = self.parts, self.profile, self.timeline
        points, rated = profile.points, profile.ratings.supply
        even = draw.stream.uniform
        self.outputs = OutputBank(
            timeline,
            (
                Output(
                    name,
                    resistance=parts.output_resistance * even(0.9, 1.1),
                    leakage=parts.output_leakage * even(0.5, 1.5),
                    load=self._load_at(name, point.rated_current),
                    rated=point.rated_current,
                )
                for name, point in points.outputs.items()
            ),
            rated_voltage=rated,
            delay=parts.output_delay,
        )
        scale = rated / RATED
        self.inputs = InputBank(timeline, (
            Input(
                name,
                threshold=scale * even(*_inner(BANDS[point.type_])),
                hysteresis=scale * 0.8,
            )
            for name, point in points.inputs.items()
        ), filter_time=parts.input_filter)  # fmt: skip
        self.analog_inputs = {
            name: AnalogChannel(name, point, timeline, self.streams, self.heat.case, slot=self.slot)
            for name, point in points.analog_inputs.items()
        }
        self.analog_outputs = {
            name: AnalogChannel(name, point, timeline, self.streams, self.heat.case, slot=self.slot)
            for name, point in points.analog_outputs.items()
        }
        self.analog_settings = dict.fromkeys(self.analog_outputs, 0.0)
        self._volt_gain = even(0.998, 1.002)
        self.heat.sensor_error = even(-0.3, 0.3)

    def _connect(self) -> None:
        self.input.load = self.load
        self.input.switched_on = self._switched_on
        self.input.power_good = self._power_good
        self.input.power_lost = self._power_lost
        self.start.changed = self._phase_changed
        self.start.fault = self.fault
        self.modes.may_run = lambda: self.start.healthy
        self.modes.changed = self._mode_changed
        self.outputs.enabled = self.outputs_driven
        self.outputs.frozen = lambda: self.start.healthy and self.freezes[self.modes.mode] > 0
        self.outputs.field = self.input.volts
        self.outputs.changed = self._load_changed
        self.outputs.overloaded = lambda name: self.fault("overload", name)
        if self.faults is not None:
            self.faults.cleared = lambda: self._store_again.start(_STORES_AGAIN)
        if self.profile.highest_case is not None:
            self.heat.watch(self.profile.highest_case, self._case_passed)

    def _fault_places(self) -> dict[str, tuple[str, ...]]:
        return {
            "output": tuple(self.outputs.outputs),
            "input": tuple(self.inputs.inputs),
            "neighbour": tuple(f"neighbour {position}" for position in self.fitted),
            "port": tuple(self.profile.ports),
        }

    # -- what it is --------------------------------------------------------------------------------

    def load(self) -> float:
        """Power drawn behind the input, W; the input itself knows whether there is any supply."""
        power = self.parts.idle_power + self.extra_idle_power
        if self.start.phase is Phase.OFF:
            power *= _DORMANT
        elif self.modes.mode is Mode.LIVE:
            power += self.parts.live_power + self.extra_live_power
        return max(0.0, power + self.outputs.active * self.parts.power_per_output)

    def outputs_driven(self) -> bool:
        """Return whether commanded outputs are driven."""
        start, mode = self.start, self.modes.mode
        if start.phase is not Phase.READY or start.result:
            return False
        return (mode is Mode.LIVE and not self.gate_dead) or self.gate_open[mode] > 0

    def says_outputs_enabled(self) -> bool:
        """Tell what the program believes about its outputs; it cannot see a gate that lets through."""
        enabled = self.start.healthy and self.modes.mode is Mode.LIVE
        return enabled != (self.enabled_misreported > 0)

    def running(self) -> bool:
        """Return whether the program runs and serves its ports."""
        return self.start.running

    def answering(self) -> bool:
        """Return whether the link answers: from the self-test on, or when ready where no register says so."""
        if self.link_dead:
            return False
        return self.start.running if self.profile.link.ready is not None else self.start.ready

    def indicator(self) -> Indicator:
        """Return what the unit's lamp says."""
        if not self.start.ready:
            return Indicator.DARK
        return Indicator.HEALTHY if self.start.healthy else Indicator.FAULTED

    def healthy_lamp(self) -> bool:
        """Return whether the lamp shines that says healthy."""
        return self.indicator() is Indicator.HEALTHY and not self.healthy_lamp_dead

    def faulted_lamp(self) -> bool:
        """Return whether the lamp shines that says faulted."""
        shines = self.indicator() is Indicator.FAULTED
        return shines or (self.faulted_lamp_stuck > 0 and self.input.powered)

    def reported_mode(self) -> Mode:
        """Return the mode the unit says it is in."""
        mode = self.modes.mode
        if self.mode_misreported[mode] > 0:
            others = [other for other in self.profile.mode_list() if other is not mode]
            return others[0] if others else mode
        return mode

    def supply_seen(self) -> float:
        """Supply voltage as the unit measures it, V."""
        return self.input.volts() * self._volt_gain

    def serial_number(self) -> int:
        """Return the digits of the serial number, and one more where a defect has it wrong."""
        digits = "".join(character for character in self.serial if character in "0123456789")
        return (int(digits or "0") + (1 if self.wrong_serial else 0)) % _SERIAL_MOST

    def neighbour(self, position: int) -> str:
        """Return the module that the unit finds in a rack position."""
        fitted = self.fitted[position]
        if self.missing_neighbours[position] > 0:
            return EMPTY
        types = self.profile.identity.modules.types if self.profile.identity.modules else {}
        if self.wrong_neighbours[position] > 0:
            return next((name for name in types if name not in (fitted, EMPTY)), EMPTY)
        return fitted

    def fault(self, word: str, place: str = "") -> None:
        """Store the fault whose meaning holds a word."""
        if self.faults is not None:
            self.faults.store(word, place)

    # -- commands over the link --------------------------------------------------------------------

    def set_analog(self, name: str, value: float) -> None:
        """Set an analog output, in the unit of its register."""
        self.analog_settings[name] = value
        if self.outputs_driven():
            self.analog_outputs[name].set(value)

    # -- from event to event -----------------------------------------------------------------------

    def anchor(self) -> None:
        """Keep what clock and battery have before a parameter changes."""
        self.clock.anchor()
        if self.battery is not None:
            self.battery.anchor()

    def refresh(self) -> None:
        """Follow a defect that came or went."""
        self.switch.refresh()
        self.start.refresh()
        self.modes.refresh()
        self.outputs.refresh()
        self.inputs.refresh()
        if self.memory is not None:
            self.memory.refresh()
        self._drive_analog()
        self.heat.refresh()
        self.input.update()
        self._store_persisting()

    def _switched_on(self) -> None:
        if not self.input.powered:
            self._begin_power_up()

    def _begin_power_up(self) -> None:
        self._power_up_begun = True
        for happen in self.power_ups:
            happen()

    def _power_good(self) -> None:
        if not self._power_up_begun:
            self._begin_power_up()
        self._power_up_begun = False
        retained = True
        if self.battery is not None:
            retained = self.battery.retains()
            self.battery.carry(carries=False)
        self.clock.power_good(retained and self.battery is not None)
        if self.memory is not None and not self.memory.power_good(retained):
            self.fault("configuration")
        self.start.power_good()

    def _power_lost(self) -> None:
        if self.faults is not None and self.start.running and self.input.strained():
            self.faults.store_brown_out()
        if self.battery is not None:
            self.battery.carry(carries=True)
        if self.memory is not None:
            self.memory.power_lost()
        self.start.power_lost()

    def _phase_changed(self) -> None:
        if self.start.phase is Phase.BOOT and self.on_at_boot:
            self.outputs.forced += not self._boot_ends.running
            self._boot_ends.start(self.on_at_boot)
        if self.start.phase is Phase.READY:
            self._report_what_it_found()
            self.modes.start()
        else:
            self.modes.stop()
            if self.start.phase is not Phase.SELF_TEST:
                self.analog_settings = dict.fromkeys(self.analog_settings, 0.0)
                self.outputs.reset()
        self._mode_changed()

    def _report_what_it_found(self) -> None:
        if self.faults is not None:
            self.faults.store_routine()
        for position, name in self.fitted.items():
            if name != EMPTY and self.neighbour(position) == EMPTY:
                self.fault("neighbour", f"neighbour {position}")
        claim = self.profile.battery
        if self.battery is not None and claim is not None and self.battery.volts() < claim.lowest:
            self.fault("battery")
        self._store_persisting(anew=True)

    def _end_forcing(self) -> None:
        self.outputs.forced -= 1
        self.outputs.refresh()

    def _store_persisting(self, *, anew: bool = False) -> None:
        """Store what persists: `anew` at a start, otherwise what the table does not hold."""
        if self.faults is None or not self.start.running:
            return
        for code, count in self.persisting.items():
            if count > 0 and (anew or code not in self.faults.codes):
                self.faults.store_code(code, 0, self.clock.now())

    def _case_passed(self, hot: bool) -> None:
        if hot and self.start.running:
            self.fault("hot")

    def _mode_changed(self) -> None:
        self.outputs.refresh()
        self._drive_analog()

    def _drive_analog(self) -> None:
        driven = self.outputs_driven()
        for name, channel in self.analog_outputs.items():
            channel.drive_output(self.analog_settings[name], driven=driven)

    def _load_changed(self) -> None:
        self.input.update()
        self.heat.set_power(self.load() if self.input.powered else 0.0)


def _inner(band: tuple[float, float]) -> tuple[float, float]:
    """Return the inner half of a band."""
    low, high = band
    quarter = 0.25 * (high - low)
    return low + quarter, high - quarter
