"""Hold the wires of one slot against the terminals of the unit in it: points, lamps, switch.

The profile tells what the unit is, so every finding lies in the stand file; `seen` is the place in
the profile it goes back to.
"""

from __future__ import annotations

from collections.abc import Iterable

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.checks.terminals import terminals_of
from hilseq.description.nearest import listed, nearest_word
from hilseq.description.profile import Profile
from hilseq.description.source_position import Place
from hilseq.description.stand import Signal, Stand
from hilseq.quantities import QuantityError, dimension_of

_SIGNALS: Place = ("signals",)


def _dimension(signal: Signal) -> str:
    try:
        return dimension_of(signal.unit)
    except QuantityError:
        return ""


class _Terminals:
    """What the signals of a stand do at the terminals of one slot."""

    def __init__(self, stand: Stand, slot: str, profile: Profile) -> None:
        self.slot = slot
        self.part = profile.part
        self.of_unit = frozenset(terminals_of(profile))
        self.sensing: dict[str, list[Signal]] = {}
        self.driving: dict[str, Signal] = {}
        for signal in stand.signals.values():
            for text in (signal.senses, signal.drives):
                owner, _, terminal = (text or "").partition(".")
                if owner == slot and text == signal.senses:
                    self.sensing.setdefault(terminal, []).append(signal)
                elif owner == slot:
                    self.driving[terminal] = signal

    def unserved(self, names: Iterable[str], what: str, key: str, seen: Place) -> Findings:
        """Report terminals that no signal drives or senses; `key` tells which."""
        known: Iterable[str] = self.driving if key == "drives" else self.sensing
        lacking = [name for name in names if name not in known]
        if lacking:
            # A terminal that the unit has is not a misspelling of another.
            nearest = nearest_word(lacking[0], [name for name in known if name not in self.of_unit])
            yield Finding(
                _SIGNALS,
                f"no signal {key} the {what} {listed(lacking)} of {self.part} in slot {self.slot}",
                f"signals with `{key}: {self.slot}.{lacking[0]}`",
                f"{self.slot}.{nearest}" if nearest else "",
                at_key=True,
                seen=seen,
            )


def outputs_are_sensed(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each output of the unit has a signal that senses it: one bit, or a voltage."""
    terminals = _Terminals(stand, slot, profile)
    outputs = profile.points.outputs
    yield from terminals.unserved(outputs, "outputs", "senses", ("points", "outputs"))
    strange = [
        name
        for name in outputs
        if name in terminals.sensing
        and not any(signal.is_bit or _dimension(signal) == "voltage" for signal in terminals.sensing[name])
    ]
    if strange:
        wrong = (
            f"the outputs {listed(strange)} of {profile.part} are sensed neither as a bit nor as a voltage"
        )
        yield Finding(
            _SIGNALS, wrong, "a bit, or `unit: V`", at_key=True, seen=("points", "outputs", strange[0])
        )


def inputs_are_driven(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each input of the unit has a signal that drives it."""
    terminals = _Terminals(stand, slot, profile)
    place = ("points", "inputs")
    yield from terminals.unserved(profile.points.inputs, "inputs", "drives", place)


def analog_points_are_wired(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Each analog point has a signal of its own dimension: inputs are driven, outputs sensed."""
    terminals = _Terminals(stand, slot, profile)
    points, part = profile.points, profile.part
    driven, sensed = points.analog_inputs, points.analog_outputs
    yield from terminals.unserved(driven, "analog inputs", "drives", ("points", "analog-inputs"))
    yield from terminals.unserved(sensed, "analog outputs", "senses", ("points", "analog-outputs"))
    for section, some in (("analog-inputs", driven), ("analog-outputs", sensed)):
        for name, point in some.items():
            signals = terminals.sensing.get(name, [])
            if section == "analog-inputs":
                signals = [terminals.driving[name]] if name in terminals.driving else []
            if signals and all(_dimension(signal) != point.terminal_dimension for signal in signals):
                yield Finding(
                    _SIGNALS,
                    f"{name} of {part} is {point.kind}, but its signal is no {point.terminal_dimension}",
                    f"a signal with the unit of a {point.terminal_dimension}",
                    at_key=True,
                    topic=f"dimension of {section}",
                    seen=("points", section, name),
                )


def lamps_are_seen(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require sensors for the lamps that the profile describes, or a person who looks at them."""
    if profile.indicator is None or stand.operator.look_at_indicator is not None:
        return
    lamps = (profile.indicator.healthy, profile.indicator.faulted)
    yield from _Terminals(stand, slot, profile).unserved(lamps, "lamps", "senses", ("indicator",))


def switch_can_be_moved(stand: Stand, slot: str, profile: Profile) -> Findings:
    """Require driven contacts for the mode switch, a person who moves it, or a command in its place."""
    positions = profile.modes.switch
    if not positions:
        return
    terminals = _Terminals(stand, slot, profile)
    driving = terminals.driving
    contacts = [position.contact for position in positions.values() if position.contact is not None]
    undriven = [contact for contact in contacts if contact not in driving]
    if contacts and not undriven:
        return
    by_hand = stand.operator.move_switch is not None or profile.link.mode_command is not None
    partly = len(undriven) < len(contacts)
    if not contacts and not by_hand:
        yield Finding(
            ("operator",),
            f"nothing moves the mode switch of {profile.part} in slot {slot}",
            "a text `move-switch` in `operator`, or contacts in the profile that signals drive",
            at_key=True,
            seen=("modes", "switch"),
        )
    elif partly or not by_hand:
        what = "contacts of the mode switch"
        yield from terminals.unserved(undriven, what, "drives", ("modes", "switch"))
