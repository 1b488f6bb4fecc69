"""The catalogue of defects: one row per kind.

`harmless` and `matters` bound the severity of graded kinds: at or below the first the unit is inside its
profile's limits and must NOT be detected; at or above the second it clearly is not and must be; between them
no claim is made, because guard bands and the luck of a good unit's own parts decide. Kinds without these are
there or not. A kind that is harmless at 1 and never matters is one a stand works in spite of: nothing may be said.
`located` are the places that count as right, in the words of the profile and of the stand file; `{place}` stands
for the place itself (both of a pair).

Left out, because nothing physical or nothing that a stand could see is behind them: an expired calibration (a
date in the stand file, no behaviour), a drifted current readback (no second ammeter), a worn relay in front
of an input (looks like the input).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from hilseq.description.profile import Mode
from hilseq_sim.defects import effects as e
from hilseq_sim.defects import places as p
from hilseq_sim.defects.change import Scale
from hilseq_sim.defects.effects import Effect
from hilseq_sim.defects.places import Places


@dataclass(frozen=True, slots=True)
class Kind:
    """One row of the catalogue."""

    kind: str
    stage: str
    does: str
    places: Places
    located: tuple[str, ...]
    effect: Effect
    #: Who is at fault; of a link it cannot be known whether it is the unit's end or the stand's.
    side: Literal["unit", "stand", "link"] = "unit"
    severity: str = ""
    harmless: float | None = None
    matters: float | None = None
    parameters: Mapping[str, str] = field(default_factory=dict)
    #: `matters` on a stand that measures the claim itself, and how to tell such a stand.
    measured: tuple[float, Callable[[p.Where], object]] | None = None

    def matters_on(self, where: p.Where) -> float | None:
        """Return the severity from which it must be found on a stand."""
        if self.measured is not None and self.measured[1](where):
            return self.measured[0]
        return self.matters

    @property
    def graded(self) -> bool:
        """Return whether severity decides what may be said about it."""
        return self.matters is not None


def _has_output_gate(where: p.Where) -> bool:
    return Mode.LIVE in where.profile.mode_list() and bool(p.outputs(where))


def _identifies(field_name: str) -> Callable[[p.Where], object]:
    return lambda w: w.profile.identity.device_identification and getattr(w.profile.identity, field_name)


_OF_LIMIT = "1 lies as far beyond the limit as a good unit lies inside; 0.5 is the limit"
_ONE_IN_TEN = "1 is one exchange in ten"

_UNIT: tuple[Kind, ...] = (
    # power
    Kind("idle-current-high", "power", "a stage draws more than it should", p.only("supply"),
         ("supply",), e.idle_current_high, severity=_OF_LIMIT, harmless=0.3, matters=0.7),
    Kind("idle-current-low", "power", "a stage is dead and draws nothing", p.only("supply"),
         ("supply",), e.idle_current_low, severity=_OF_LIMIT, harmless=0.3, matters=0.7),
    Kind("live-current-high", "power", "a stage draws more than it should when live",
         p.only("supply", lambda w: w.profile.start.live_current and Mode.LIVE in w.profile.mode_list()),
         ("supply", "mode live"), e.live_current_high, severity=_OF_LIMIT, harmless=0.3, matters=0.7),
    Kind("input-shorted", "power", "1.5 Ohm across the power input: the supply limits its current",
         p.only("supply"), ("supply", "start"), e.input_shorted),
    Kind("hold-up-short", "power", "the input capacitor has dried out",
         p.only("supply", lambda w: w.profile.margins), ("supply",), e.hold_up_short,
         severity="1 leaves 30 % of the capacitance that the ride-through needs; geometric in between",
         harmless=0.2, matters=0.9),
    Kind("start-threshold-high", "power", "the under-voltage lockout releases too late",
         p.only("supply", lambda w: w.profile.margins), ("supply", "start"), e.start_threshold_high,
         severity=_OF_LIMIT, harmless=0.25, matters=0.75),
    Kind("stop-threshold-high", "power", "the under-voltage lockout acts too early",
         p.only("supply", lambda w: w.profile.margins), ("supply", "start"), e.stop_threshold_high,
         severity=_OF_LIMIT, harmless=0.25, matters=0.75),
    Kind("input-resistance-high", "power", "a burnt contact in the power input",
         p.only("supply", lambda w: w.profile.margins), ("supply", "start"), e.input_resistance_high,
         severity="1 is 1.2 times what passes the idle power at the lower end of the supply range",
         harmless=0.01, matters=0.9),
    # start
    Kind("no-start", "start", "the processor never boots", p.only("start"), ("start",),
         e.in_start("never_boots")),
    Kind("slow-start", "start", "the boot takes longer", p.only("start"), ("start",), e.slow_start,
         severity=_OF_LIMIT, harmless=0.3, matters=0.7),
    Kind("processor-stops", "start", "the processor stops, and the watchdog with it", p.only("start"),
         ("start", "link"), e.in_start("stops", "watchdog_dead")),
    Kind("processor-resets", "start", "the processor stops again and again; the watchdog starts it anew",
         p.only("start"), ("start", "link", "stored faults", "self-test"), e.in_start("stops")),
    Kind("indicator-dark", "start", "the healthy lamp does not shine",
         p.only("indicator", lambda w: w.profile.indicator and w.wired(w.profile.indicator.healthy)),
         ("indicator",), e.in_unit("healthy_lamp_dead")),
    Kind("indicator-faulted", "start", "the faulted lamp shines whatever the unit does",
         p.only("indicator", lambda w: w.profile.indicator and w.wired(w.profile.indicator.faulted)),
         ("indicator",), e.in_unit("faulted_lamp_stuck")),
    # self-test
    Kind("self-test-fails", "self-test", "the self-test finds a damaged memory or processor",
         p.only("self-test"), ("self-test", "indicator"), e.in_start("self_test_fails")),
    Kind("self-test-hangs", "self-test", "the self-test never ends", p.only("self-test"),
         ("self-test", "start"), e.in_start("self_test_hangs")),
    Kind("program-corrupt", "self-test", "the checksum of the program memory is wrong", p.only("self-test"),
         ("self-test", "indicator"), e.in_start("program_wrong")),
    # identity
    Kind("wrong-maker", "identity", "the unit names another maker",
         p.only("identity", _identifies("maker")),
         ("identity",), e.in_unit("wrong_maker")),
    Kind("wrong-product", "identity", "the unit names another product",
         p.only("identity", _identifies("product")),
         ("identity",), e.in_unit("wrong_product")),
    Kind("wrong-firmware", "identity", "the unit has a firmware level that may not ship",
         p.only("identity", _identifies("firmware")),
         ("identity",), e.in_unit("wrong_firmware")),
    Kind("wrong-serial", "identity", "the serial number inside is not the one on the label",
         p.only("identity", lambda w: w.profile.identity.serial_number), ("identity",),
         e.in_unit("wrong_serial")),
    Kind("neighbour-missing", "identity", "the unit does not find a neighbour: rack connector", p.neighbours,
         ("{place}", "identity"), e.counts(lambda s: s.unit.missing_neighbours, lambda s: s.position)),
    Kind("neighbour-wrong", "identity", "the unit takes a neighbour for another", p.neighbours,
         ("{place}", "identity"), e.counts(lambda s: s.unit.wrong_neighbours, lambda s: s.position)),
    # configuration memory
    Kind("configuration-not-kept", "configuration", "the configuration is lost without supply",
         p.only("configuration", lambda w: w.profile.configuration), ("configuration",),
         e.in_memory("not_kept")),
    Kind("configuration-not-stored", "configuration", "storing does nothing",
         p.only("configuration", lambda w: w.profile.configuration and w.profile.configuration.store),
         ("configuration",), e.in_memory("never_stores")),
    Kind("configuration-refused", "configuration", "the unit refuses to be configured",
         p.only("configuration", lambda w: w.profile.configuration), ("configuration",),
         e.in_memory("refuses")),
    Kind("configuration-bit-wrong", "configuration", "one bit of the memory reads wrong",
         p.only("configuration", lambda w: w.profile.configuration), ("configuration",), e.configuration_bit,
         parameters={"word": "index of the word, from 0; drawn when not given"}),
    Kind("checksum-wrong", "configuration", "the checksum is wrong though the content is right",
         p.only("configuration", lambda w: w.profile.configuration and w.profile.configuration.checksum),
         ("configuration",), e.in_memory("checksum_wrong")),
    # stored faults
    Kind("fault-returns", "stored faults", "a fault is there at each start and comes back after clearing",
         p.only("stored faults", lambda w: w.profile.faults), ("stored faults", "{fault}"), e.fault_returns,
         parameters={"code": "fault code; drawn from the profile's when not given"}),
    Kind("faults-not-cleared", "stored faults", "clearing the fault table does nothing",
         p.only("stored faults", lambda w: w.profile.faults), ("stored faults",), e.faults_not_cleared),
    # modes
    Kind("mode-contact-open", "modes", "the contact of a switch position never closes", p.contacts,
         ("{place}",), e.mode_contact_open),
    Kind("mode-unreachable", "modes", "the unit does not enter a mode, and falls from it to stopped", p.modes,
         ("{place}",), e.counts(lambda s: s.unit.modes.impossible, lambda s: s.mode)),
    Kind("mode-misreported", "modes", "the unit reports another mode than it is in", p.all_modes,
         ("{place}",), e.counts(lambda s: s.unit.mode_misreported, lambda s: s.mode)),
    Kind("mode-change-slow", "modes", "mode changes take longer",
         p.only("modes", lambda w: len(p.all_modes(w))), ("modes", "mode"), e.mode_change_slow,
         severity=_OF_LIMIT, harmless=0.25, matters=0.75),
    Kind("live-while-held", "modes", "outputs follow their commands in held mode", p.quiet_modes(Mode.HELD),
         ("{place}",), e.counts(lambda s: s.unit.gate_open, lambda s: s.mode)),
    Kind("live-while-stopped", "modes", "outputs follow their commands in stopped mode",
         p.quiet_modes(Mode.STOPPED), ("{place}",), e.counts(lambda s: s.unit.gate_open, lambda s: s.mode)),
    Kind("outputs-freeze", "modes", "outputs stay as they were when the unit comes into a mode",
         p.quiet_modes(Mode.HELD, Mode.STOPPED), ("{place}",), e.counts(lambda s: s.unit.freezes, lambda s: s.mode)),
    Kind("outputs-linger", "modes", "outputs stay on for a while when the unit leaves live",
         p.only("modes", _has_output_gate), ("mode",), e.in_outputs("lingers", amount=e.graded(1.0)),
         severity="1 is a second", harmless=0.005, matters=0.2),
    Kind("passes-through-live", "modes", "the unit is live for 0.1 s on its way between two other modes",
         p.only("modes", lambda w: _has_output_gate(w) and len(w.profile.mode_list()) > 2),  # noqa: PLR2004
         ("mode",), e.in_modes("passes_live", amount=lambda _: 0.1)),
    Kind("outputs-on-at-boot", "start", "every output is on for 0.8 s when power comes",
         p.only("start", p.outputs), ("start",), e.in_unit("on_at_boot", amount=lambda _: 0.8)),
    Kind("outputs-remembered", "start", "outputs come on again after a power cycle, before any command",
         p.only("start", _has_output_gate), ("start", "mode live"), e.in_outputs("remembers")),
    Kind("outputs-never-live", "modes", "no output is driven in live mode",
         p.only("mode live", _has_output_gate), ("mode live",), e.in_unit("gate_dead")),
    Kind("enabled-misreported", "modes", "the unit says the opposite of whether its outputs are enabled",
         p.only("modes", lambda w: w.profile.link.outputs_enabled), ("modes", "mode"),
         e.in_unit("enabled_misreported")),
    # outputs
    Kind("output-stuck-on", "outputs", "a shorted switch: on whatever is commanded", p.outputs, ("{place}",),
         e.output("stuck_on")),
    Kind("output-stuck-off", "outputs", "an open switch: never on", p.outputs, ("{place}",),
         e.output("stuck_off")),
    Kind("outputs-shorted", "outputs", "two terminals are joined: both on when either is", p.pairs(p.outputs),
         ("{place}",), e.counts(lambda s: s.unit.outputs.joined, lambda s: s.places)),
    Kind("output-follows", "outputs", "the second output switches on with the first", p.pairs(p.outputs),
         ("{place}",), e.counts(lambda s: s.unit.outputs.follows, lambda s: s.places)),
    Kind("output-grounded", "outputs", "a terminal is shorted to ground: the switch protects itself",
         p.rated_outputs, ("{place}",), lambda s: [Scale(s.unit.outputs.outputs[s.place], "load", 0.002)]),
    Kind("output-weak", "outputs", "the on-resistance has risen", p.rated_outputs, ("{place}",),
         e.output_weak, severity=_OF_LIMIT, harmless=0.3, matters=0.7),
    Kind("output-leaky", "outputs", "the switch does not open fully", p.outputs, ("{place}",), e.output_leaky,
         severity="0.05 is the profile's limit, 1 leaves 60 % of the voltage; geometric in between. A stand "
         "that states its loads finds it from 0.1 on",
         harmless=0.02, matters=0.95, measured=(0.1, p.loads_stated)),
    Kind("output-slow", "outputs", "the output follows late", p.outputs, ("{place}",),
         e.output("extra_delay", amount=lambda s: s.twice(s.unit.profile.points.outputs[s.place].settle)),
         severity="0.5 is the settling time, 1 twice as much", harmless=0.25, matters=0.8),
    # inputs
    Kind("input-stuck-on", "inputs", "the input reports on whatever is driven", p.inputs, ("{place}",),
         e.input_("stuck_on")),
    Kind("input-stuck-off", "inputs", "an open input: it never reports on", p.inputs, ("{place}",),
         e.input_("stuck_off")),
    Kind("inputs-joined", "inputs", "two inputs see each other's voltage", p.pairs(p.inputs), ("{place}",),
         e.inputs_joined),
    Kind("input-slow", "inputs", "the input follows late", p.inputs, ("{place}",),
         e.input_("extra_delay", amount=lambda s: s.twice(s.unit.profile.points.inputs[s.place].settle)),
         severity="0.5 is the settling time, 1 twice as much", harmless=0.25, matters=0.8),
    Kind("input-threshold-high", "inputs", "the threshold has risen", p.analog_driven_inputs, ("{place}",),
         e.input_threshold, severity=_OF_LIMIT, harmless=0.3, matters=0.8),
    # analog
    Kind("analog-offset", "analog", "a constant error", p.analog, ("{place}",),
         e.analog("offset_error", amount=e.graded(4.0)), severity="1 is four times the accuracy",
         harmless=0.05, matters=0.6),
    Kind("analog-gain", "analog", "an error that grows with the value", p.analog, ("{place}",),
         e.analog("gain_error", amount=e.graded(4.0)), severity="1 is four times the accuracy at full scale",
         harmless=0.05, matters=0.6),
    Kind("analog-bent", "analog", "an error in the middle of the range", p.analog, ("{place}",),
         e.analog("bend_error", amount=e.graded(4.0)), severity="1 is four times the accuracy in the middle",
         harmless=0.05, matters=0.6),
    Kind("analog-noisy", "analog", "readings scatter", p.analog, ("{place}",),
         e.analog("noise_error", amount=e.graded(16.0)), severity="1 scatters within sixteen accuracies",
         harmless=0.01, matters=0.7),
    Kind("analog-drifts", "analog", "the error grows with the case temperature above 25 degC", p.analog,
         ("{place}",), e.analog("drift_error", amount=e.graded(20.0)), severity="1 is twenty accuracies for 40 K",
         harmless=0.005, matters=0.8),
    Kind("analog-dead", "analog", "the channel stands at its lower end", p.analog, ("{place}",),
         e.analog("dead")),
    # ports
    Kind("port-dead", "ports", "nothing goes in or out: a dead driver", p.ports, ("{place}",), e.port("dead")),
    Kind("port-bit-errors", "ports", "bits are wrong now and then", p.claimed_ports, ("{place}",),
         e.port_bit_errors, severity="0.6 is the profile's bit error ratio, 1 forty times as much; geometric",
         harmless=0.1, matters=0.85),
    Kind("port-clock-error", "ports", "the port's clock is wrong", p.serial_ports, ("{place}",),
         e.port("clock_error", amount=e.graded(0.1)), severity="1 is 10 %; characters are lost from 4.8 % on",
         harmless=0.1, matters=0.7),
    # clock and battery
    Kind("clock-drifts", "clock", "the clock goes wrong",
         p.only("clock", lambda w: w.profile.link.clock and w.profile.clock), ("clock",), e.clock_drifts,
         severity="1 is four times the profile's drift", harmless=0.1, matters=0.6),
    Kind("clock-stopped", "clock", "the clock stands", p.only("clock", lambda w: w.profile.link.clock),
         ("clock",), e.in_clock("stopped")),
    Kind("clock-not-kept", "clock", "the clock starts from zero after each power-off",
         p.only("clock", lambda w: w.profile.link.clock and w.profile.battery), ("clock", "battery"),
         e.in_clock("not_kept")),
    Kind("battery-low", "battery", "an old battery",
         p.only("battery", lambda w: w.profile.battery and w.profile.link.battery_voltage), ("battery",),
         e.battery_low, severity=_OF_LIMIT, harmless=0.3, matters=0.7),
    Kind("battery-open", "battery", "no battery: memory and clock are lost without supply",
         p.only("battery", lambda w: w.profile.battery and (
             w.profile.link.battery_voltage or w.profile.configuration or w.profile.link.clock)),
         ("battery", "configuration", "clock"), e.in_battery("open")),
    # heat
    Kind("runs-hot", "heat", "heat escapes badly; seen when the unit has warmed up",
         p.only("temperature", lambda w: w.profile.highest_case is not None), ("temperature", "head"), e.runs_hot,
         severity=_OF_LIMIT, harmless=0.25, matters=0.8),
    Kind("temperature-sensor-wrong", "heat", "the unit's own temperature is wrong",
         p.only("temperature", lambda w: w.profile.link.temperature), ("temperature",),
         e.in_heat("sensor_error", amount=e.graded(20.0)), severity="1 is 20 K", harmless=0.02, matters=0.5),
    # link
    Kind("link-silent", "link", "the unit's link does not answer", p.only("link"), ("link", "start"),
         e.in_unit("link_dead"), side="link"),
    Kind("link-garbage", "link", "the unit's link sends invalid data", p.only("link"), ("link", "start"),
         e.link("garbage"), side="link"),
    Kind("link-drops", "link", "the unit's link breaks off and never answers again", p.only("link"),
         ("link", "start"), e.link("half_open"), side="link"),
    Kind("link-late", "link", "the unit's link answers too late", p.only("link"), ("link", "start"),
         e.link("late", amount=e.deadline_twice), side="link",
         severity="1 is twice the deadline, with the cube of the severity", harmless=0.1, matters=0.9),
    Kind("link-loses", "link", "answers of the unit's link are lost now and then", p.only("link"), ("link",),
         e.link("loses", amount=e.graded(0.1)), side="link", severity=_ONE_IN_TEN),
    Kind("link-misnumbers", "link", "answers of the unit's link carry another transaction number now and then",
         p.tcp_link, ("link",), e.link("misnumbers", amount=e.graded(0.1)), side="link", severity=_ONE_IN_TEN),
)  # fmt: skip


def _on_stand(
    kind: str,
    does: str,
    places: Places,
    effect: Effect,
    *,
    located: tuple[str, ...] = ("{place}",),
    severity: str = "",
    harmless: float | None = None,
    matters: float | None = None,
) -> Kind:
    return Kind(kind, "stand", does, places, located, effect, "stand", severity, harmless, matters)


_LATE = "1 is twice the deadline, with the cube of the severity"

_STAND: tuple[Kind, ...] = (
    _on_stand("supply-silent", "the supply does not answer", p.supply, e.connection("silent")),
    _on_stand("supply-garbage", "the supply answers with invalid data", p.supply, e.connection("garbage")),
    _on_stand("supply-half-open", "the supply's connection breaks off and never answers again", p.supply,
              e.connection("half_open")),
    _on_stand("supply-refused", "the supply accepts no connection", p.supply, e.connection("refused")),
    _on_stand("supply-late", "the supply answers too late", p.supply, e.connection("late", amount=e.deadline_twice),
              severity=_LATE, harmless=0.1, matters=0.9),
    _on_stand("supply-readback-drifts", "the supply's voltage reading is off", p.supply,
              lambda s: [Scale(e.supply_of(s), "volt_gain", 1.0 + 0.05 * s.severity**2)],
              severity="1 is 5 %, with the square of the severity", harmless=0.03, matters=0.5),
    _on_stand("supply-trips-early", "the over-voltage protection acts below the rated supply", p.supply,
              e.supply_trips_early),
    _on_stand("supply-resets", "the supply loses its mains for a moment each minute: off, its settings forgotten",
              p.supply, e.supply("resets")),
    _on_stand("wrong-instrument", "another model stands at the address", p.instruments, e.wrong_instrument),
    _on_stand("calibration-expired", "the stand stood unused until the calibration of an instrument ran out",
              p.first_to_expire, e.calibration_expired,
              severity="0.5 is the last day on which it holds, 1 is thirty days later", harmless=0.45, matters=0.55),
    _on_stand("io-silent", "the I/O simulator does not answer", p.racks, e.connection("silent")),
    _on_stand("io-garbage", "the I/O simulator answers with invalid data", p.racks, e.connection("garbage")),
    _on_stand("io-half-open", "the I/O simulator's connection breaks off and never answers again", p.racks,
              e.connection("half_open")),
    _on_stand("io-refused", "the I/O simulator accepts no connection", p.racks, e.connection("refused")),
    _on_stand("io-late", "the I/O simulator answers too late", p.racks, e.connection("late", amount=e.deadline_twice),
              severity=_LATE, harmless=0.1, matters=0.9),
    _on_stand("io-wrong-transaction", "answers carry another transaction's number", p.tcp_racks,
              e.connection("wrong_transaction")),
    _on_stand("io-busy", "the I/O simulator is busy at times (exception 06), and is asked again", p.racks,
              e.connection("busy", amount=e.deadline_twice),
              severity="1 is busy for twice the deadline, with the cube of the severity", harmless=0.1, matters=0.9),
    _on_stand("io-answers-twice", "every answer of the I/O simulator comes once more", p.tcp_racks,
              e.io_answers_twice, severity="1 is a copy a thousand answers later, 0.8 one a quarter as far; geometric",
              harmless=0.7, matters=0.9),
    _on_stand("io-closes", "the I/O simulator closes its connection after each answer", p.tcp_racks,
              e.connection("closes"), harmless=1.0),
    _on_stand("io-reads-late", "the I/O simulator serves values that are old", p.looped_racks,
              e.rack("stale", amount=e.graded(1.0)), severity="1 is a second", harmless=0.1, matters=0.4),
    _on_stand("io-resets", "the I/O simulator loses its mains for a moment each minute: it lets go of what it drives",
              p.racks, e.rack("resets")),
    _on_stand("interlock-open", "an interlock does not hold its safe value", p.interlocks,
              e.channel("unsafe")),
    _on_stand("broken-wire", "the wire of a signal is broken", p.checked_signals, e.channel("broken"),
              located=("{place}", "{io}")),
    _on_stand("dead-channel", "a channel of the I/O simulator does nothing", p.checked_signals,
              e.channel("dead"), located=("{place}", "{io}")),
)  # fmt: skip

#: By name; `own` adds those from outside.
CATALOGUE: dict[str, Kind] = {row.kind: row for row in (*_UNIT, *_STAND)}
