"""Tests of a driver in the group `hilseq.supplies`: the bare output, and what every supply does with it."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

import pytest

from hilseq.clock import WallClock
from hilseq.deadlines import try_until
from hilseq.description.fields import keys_of
from hilseq.description.supplies import Supply
from hilseq.errors import InstrumentTimeout, Interlock, NotSafe, StandFault
from hilseq.instruments.protocols import SupplyOutput, SupplySetting
from hilseq.instruments.supply import PowerSupply
from hilseq.testing.kit import LATE, DriverTests, Wire, claimed, ends, fault_of_stand

#: Settings of the tests, V and A; every supply of a stand can make them.
_LOW, _VOLTS, _AMPERES = 3.0, 5.0, 0.1
#: A current limit that charges what may hang on the terminals well within the settling time, A.
_ENOUGH = 1.0
#: Voltages differ from their setting by less than this, V, where no accuracy is stated.
_NEAR = 0.5
#: Pause between two looks at what a command has done, s.
_LOOK = 0.01


@dataclass(frozen=True)
class SupplyRig:
    """One output; what hangs on it draws next to nothing at 5 V.

    `name` of the entry in the stand file, its `description` (ceilings of 6 V and 0.2 A at least, and a deadline
    well below a second, or the tests take long), the `output` that the driver opened, the `wire` to the
    instrument, and `state`, which tells by another way than the driver whether the output is on and at how many
    volts it is set.
    """

    name: str
    description: Supply
    output: SupplyOutput
    wire: Wire
    state: Callable[[], tuple[bool, float]]


def _stands(rig: SupplyRig, *, on: bool, volts: float) -> None:
    """Require what the instrument itself is at, soon: a command without an answer is still on its way."""

    def wrong() -> str | None:
        seen_on, seen_volts = rig.state()
        right = seen_on is on and abs(seen_volts - volts) <= _NEAR
        return None if right else f"on {seen_on}, {seen_volts:g} V; expected on {on}, {volts:g} V"

    until = time.monotonic() + rig.description.deadline
    assert try_until(wrong, until=until, pause=_LOOK) is None, wrong()


def _are_numbers(*readings: float) -> None:
    """Require that what was measured is a finite number."""
    assert all(map(math.isfinite, readings)), f"a measurement is no finite number: {readings}"


def _is_near(seen: float | None, volts: float) -> None:
    """Require that a voltage is what it was set to."""
    assert seen == pytest.approx(volts, abs=_NEAR), f"{volts:g} V was set, {seen} V is reported"


def _word(on: bool) -> str:
    return "on" if on else "off"


class SupplyTests(DriverTests):
    """Inherit, and override `rig`."""

    @pytest.fixture
    def rig(self) -> SupplyRig:
        """Return the rig. To be overridden; what it starts, it stops."""
        raise NotImplementedError

    @pytest.fixture
    def supply(self, rig: SupplyRig) -> PowerSupply:
        """Return the whole supply over the output."""
        return PowerSupply(rig.name, rig.output, rig.description, WallClock())

    # -- the bare output

    @claimed("identifies")
    def test_it_says_what_it_is(self, rig: SupplyRig) -> None:
        """`identify` returns one field at least."""
        assert str(rig.output.identify()), (
            "`identify` returned no field, though the driver claims to identify"
        )

    @claimed("has_an_address")
    def test_it_says_where_it_is_reached(self, rig: SupplyRig) -> None:
        """`addresses` returns an address, and the key of the stand file where it stands."""
        addresses = rig.description.addresses()
        assert addresses, "`addresses` returned none, though the driver claims to have one"
        for address in addresses:
            assert address.key in keys_of(type(rig.description)), (
                f"`addresses` names {address.key!r}, no key of the supply"
            )
            assert address.text, f"`addresses` returned no text for {address.key!r}"

    def test_settings_arrive(self, rig: SupplyRig) -> None:
        """What is programmed stands in the instrument; the output keeps its state."""
        on, _ = rig.state()
        rig.output.program(SupplySetting.CURRENT_LIMIT, _AMPERES)
        rig.output.program(SupplySetting.VOLTAGE, _VOLTS)
        rig.output.check_errors()
        _stands(rig, on=on, volts=_VOLTS)

    @claimed("reads_settings_back")
    def test_settings_read_back(self, rig: SupplyRig) -> None:
        """`programmed` returns what was programmed, within the accuracy that the stand file states."""
        for setting, value in ((SupplySetting.VOLTAGE, _VOLTS), (SupplySetting.CURRENT_LIMIT, _AMPERES)):
            rig.output.program(setting, value)
            back = rig.output.programmed(setting)
            near = pytest.approx(value, rel=0.05, abs=0.02)
            assert back == near, f"{setting.name} was programmed as {value:g} and reads back as {back:g}"

    def test_on_and_off(self, rig: SupplyRig) -> None:
        """The output follows, and says so where it can be asked."""
        rig.output.program(SupplySetting.CURRENT_LIMIT, _AMPERES)
        rig.output.program(SupplySetting.VOLTAGE, _VOLTS)
        for on in (True, False, True, False):
            rig.output.switch(on=on)
            reported = rig.output.is_on()
            assert rig.state()[0] is on, f"switched {_word(on)}, the output is {_word(not on)}"
            silent = reported is None and not self.capabilities.tells_whether_on
            assert reported is on or silent, f"`is_on` returned {reported} of an output that is {_word(on)}"

    def test_measurements_are_numbers(self, rig: SupplyRig) -> None:
        """Voltage and current, at once and in halves, are finite numbers."""
        rig.output.ask_measurement()
        readings = (*rig.output.answer_measurement(), *rig.output.measure())
        single = (rig.output.measure_voltage(), rig.output.measure_current())
        _are_numbers(*readings, *single)

    def test_the_old_is_forgotten(self, rig: SupplyRig) -> None:
        """After `forget_errors` there is nothing to report."""
        reported = rig.output.forget_errors()
        assert isinstance(reported, list), (
            f"`forget_errors` returns a list of what it threw away, not {reported!r}"
        )
        left = rig.output.check_errors()
        assert left == [], f"after `forget_errors` there is something to report: {left}"

    def test_it_opens_again_after_close(self, rig: SupplyRig) -> None:
        """`close` may come at any time, twice, too; the next call opens."""
        rig.output.measure()
        rig.output.close()
        rig.output.close()
        rig.output.measure()

    # -- trouble

    def test_silence_is_reported_and_does_not_hang(self, rig: SupplyRig) -> None:
        """Whoever does not answer is an InstrumentTimeout that names the supply, whatever was asked."""
        rig.output.measure()
        rig.wire.mute()
        for call in (rig.output.measure, rig.output.measure_voltage):
            fault = fault_of_stand(call, rig.description.deadline, rig.name)
            assert isinstance(fault, InstrumentTimeout), (
                f"silence must be an InstrumentTimeout, not {fault!r}"
            )

    def test_an_interrupted_measurement_is_asked_anew(self, rig: SupplyRig) -> None:
        """A question whose answer nobody fetched does not spoil the next."""
        rig.output.program(SupplySetting.VOLTAGE, _LOW)
        rig.output.ask_measurement()
        _are_numbers(*rig.output.measure())

    @claimed("tells_late_answers")
    def test_a_late_answer_is_no_answer_to_the_next_question(self, rig: SupplyRig) -> None:
        """After a time-out the answer that comes late is not taken for that to another question."""
        rig.output.program(SupplySetting.VOLTAGE, _LOW)
        _is_near(rig.output.programmed(SupplySetting.VOLTAGE), _LOW)
        rig.wire.delay(LATE * rig.description.deadline)
        with pytest.raises(InstrumentTimeout):
            ends(lambda: rig.output.programmed(SupplySetting.VOLTAGE), rig.description.deadline)
        rig.wire.heal()
        rig.output.program(SupplySetting.VOLTAGE, _VOLTS)
        for _ in range(3):
            _is_near(rig.output.programmed(SupplySetting.VOLTAGE), _VOLTS)

    @claimed("refuses_garbled_answers")
    def test_an_invalid_answer_is_no_reading(self, rig: SupplyRig) -> None:
        """An answer of turned bits is a stand fault, and the next sound one counts again."""
        rig.output.measure()
        rig.wire.garble()
        fault_of_stand(rig.output.measure, rig.description.deadline, rig.name)
        rig.wire.heal()
        _are_numbers(*rig.output.measure())

    @claimed("reconnects")
    def test_a_lost_connection_is_opened_again(self, rig: SupplyRig) -> None:
        """One call may fail for it, as a stand fault; the next does not."""
        rig.output.measure()
        rig.wire.cut()
        with suppress(StandFault):
            ends(rig.output.measure, rig.description.deadline)
        _are_numbers(*rig.output.measure())

    # -- as a stand uses it

    def test_it_is_made_ready_used_and_left_safe(self, rig: SupplyRig, supply: PowerSupply) -> None:
        """Prepared it is off at 0 V, on it delivers what was set, made safe it is off."""
        supply.prepare(rig.description.ceilings.voltage, min(_ENOUGH, rig.description.ceilings.current))
        _stands(rig, on=False, volts=0.0)
        supply.set(_VOLTS)
        supply.on()
        _stands(rig, on=True, volts=_VOLTS)
        _is_near(supply.voltage().value, _VOLTS)
        supply.off()
        assert rig.state()[0] is False, "switched off, the output is on"
        supply.on()
        supply.power_off()
        assert rig.state()[0] is False, "switched off, the output is on"

    def test_nothing_above_a_ceiling_is_sent(self, rig: SupplyRig, supply: PowerSupply) -> None:
        """The ceiling of the stand file holds before anything reaches the driver."""
        on, _ = rig.state()
        rig.output.program(SupplySetting.VOLTAGE, _LOW)
        _stands(rig, on=on, volts=_LOW)
        with pytest.raises(Interlock):
            supply.set(rig.description.ceilings.voltage + 1.0)
        _stands(rig, on=on, volts=_LOW)

    def test_a_mute_supply_is_not_called_safe(self, rig: SupplyRig, supply: PowerSupply) -> None:
        """Switching off that the supply does not confirm is NotSafe, in time."""
        supply.prepare(rig.description.ceilings.voltage, _AMPERES)
        supply.on()
        rig.wire.mute()
        with pytest.raises(NotSafe):
            ends(supply.power_off, rig.description.deadline)

    def test_it_is_made_safe_as_soon_as_it_answers(self, rig: SupplyRig, supply: PowerSupply) -> None:
        """Tried again and again: a supply that is away for a moment is off in the end, and said to be."""
        supply.prepare(rig.description.ceilings.voltage, _AMPERES)
        supply.on()
        rig.wire.mute()
        healing = threading.Timer(1.5 * rig.description.deadline, rig.wire.heal)
        healing.start()
        try:
            ends(lambda: supply.power_off(within=30.0), rig.description.deadline)
        finally:
            healing.join()
        assert rig.state()[0] is False, "switched off, the output is on"
