"""Tests of a driver in the group `hilseq.channels`: one device with signals of a stand."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field

import pytest

from hilseq.clock import WallClock
from hilseq.description.stand import Signal
from hilseq.errors import InstrumentTimeout, NotSafe, StandFault
from hilseq.instruments.protocols import Channels
from hilseq.instruments.signals import SignalBank
from hilseq.testing.kit import LATE, DriverTests, Wire, claimed, ends, fault_of_stand


@dataclass(frozen=True)
class ChannelsRig:
    """One device of a stand with its signals.

    `io` is its name in the stand file, `signals` all of its signals, `channels` what the driver opened. `set_to`
    gives sensed signals another value by another way than the driver, and `drives` names values that driven signals
    can have other than their safe one; `state` tells by another way what a driven signal is at. `forget` has the
    device lose what was written to it.
    """

    io: str
    signals: Mapping[str, Signal]
    channels: Channels
    wire: Wire
    set_to: Callable[[str, float], None]
    senses: Mapping[str, float]
    drives: Mapping[str, float] = field(default_factory=dict)
    state: Callable[[str], float] | None = None
    forget: Callable[[], None] | None = None

    @property
    def deadline(self) -> float:
        """Longest wait for one answer, s."""
        return self.channels.deadline

    def driven(self, name: str) -> float:
        """Return what a driven signal is at, by another way than the driver."""
        assert self.state is not None, "a rig with drives needs `state`"
        return self.state(name)


def _names(of: Iterable[str]) -> str:
    return ", ".join(sorted(of)) or "nothing"


class ChannelsTests(DriverTests):
    """Inherit, and override `rig`."""

    @pytest.fixture
    def rig(self) -> ChannelsRig:
        """Return the rig. To be overridden; what it starts, it stops."""
        raise NotImplementedError

    @pytest.fixture
    def bank(self, rig: ChannelsRig) -> SignalBank:
        """Return the signals as procedures have them."""
        return SignalBank(rig.signals, {rig.io: rig.channels}, WallClock())

    @claimed("identifies")
    def test_it_says_what_it_is(self, rig: ChannelsRig) -> None:
        """`identify` returns one field at least."""
        assert str(rig.channels.identify() or ""), (
            "`identify` returned no field, though the driver claims to identify"
        )

    def test_a_snapshot_holds_every_signal(self, rig: ChannelsRig) -> None:
        """All names, each a finite number; a bit is 0 or 1."""
        values = rig.channels.snapshot()
        assert set(values) == set(rig.signals), (
            f"`snapshot` returned {_names(values)}, not {_names(rig.signals)}"
        )
        strange = {name: value for name, value in values.items() if not math.isfinite(value)}
        assert not strange, f"`snapshot` returned what is no number: {strange}"
        bits = {name: values[name] for name, signal in rig.signals.items() if signal.is_bit}
        strange = {name: value for name, value in bits.items() if value not in (0.0, 1.0)}
        assert not strange, f"`snapshot` returned bits that are neither 0 nor 1: {strange}"

    def test_a_snapshot_of_some_holds_those(self, rig: ChannelsRig) -> None:
        """No more and no fewer than were asked for, in that order."""
        names = list(rig.signals)[:-4:-1]
        seen = list(rig.channels.snapshot(names))
        assert seen == names, f"a snapshot of {names} holds {seen}: expected those names, in that order"

    def test_what_is_sensed_is_read(self, rig: ChannelsRig) -> None:
        """A value that came about outside is read, in the unit of the stand file."""
        for name, value in rig.senses.items():
            rig.set_to(name, value)
            step = max(rig.signals[name].step, abs(value) * 0.01)
            seen = rig.channels.read(name)
            assert seen == pytest.approx(value, abs=step), f"{name} was set to {value:g} and reads {seen:g}"

    def test_a_read_in_halves_equals_a_snapshot(self, rig: ChannelsRig) -> None:
        """What a sampler does: ask, then take until all has come."""
        names = tuple(rig.signals)
        reader = rig.channels.reader(names)
        values: dict[str, float] = {}
        with reader.lock:
            reader.ask()
            taken = sum(1 for _ in iter(lambda: reader.take(values), True)) + 1
        assert taken == reader.exchanges, f"{taken} answers were taken; `exchanges` says {reader.exchanges}"
        assert set(values) == set(names), f"the reader returned {_names(values)}, not {_names(names)}"

    def test_a_read_that_is_given_up_spoils_nothing(self, rig: ChannelsRig) -> None:
        """After `abandon` the next snapshot is right."""
        reader = rig.channels.reader(tuple(rig.signals))
        reader.ask()
        reader.abandon()
        for name, value in rig.senses.items():
            rig.set_to(name, value)
        seen = rig.channels.snapshot(tuple(rig.senses))
        for name, value in rig.senses.items():
            near = pytest.approx(value, abs=max(rig.signals[name].step, abs(value) * 0.01))
            assert seen[name] == near, f"after a read given up {name} reads {seen[name]:g}, not {value:g}"

    def test_it_opens_again_after_close(self, rig: ChannelsRig) -> None:
        """`close` may come at any time, twice, too; the next call opens."""
        rig.channels.snapshot()
        rig.channels.close()
        rig.channels.close()
        rig.channels.snapshot()

    # -- writing

    @claimed("writes")
    def test_what_is_written_arrives(self, rig: ChannelsRig) -> None:
        """Several values at once stand in the device, and read back."""
        rig.channels.write_many(rig.drives)
        for name, value in rig.drives.items():
            near = pytest.approx(value, abs=max(rig.signals[name].step, abs(value) * 0.01))
            at, back = rig.driven(name), rig.channels.read(name)
            assert at == near, f"{name} was written as {value:g} and is at {at:g} in the device"
            assert back == near, f"{name} was written as {value:g} and reads back as {back:g}"

    @claimed("writes")
    def test_drives_are_released(self, rig: ChannelsRig, bank: SignalBank) -> None:
        """Released, each drive is at its safe value."""
        bank.write_many(rig.drives)
        bank.release()
        for name in rig.drives:
            at, safe = rig.driven(name), rig.signals[name].safe_value
            assert at == pytest.approx(safe), (
                f"{name} was released and is at {at:g}; its safe value is {safe:g}"
            )

    @claimed("writes")
    def test_a_mute_device_is_not_called_safe(self, rig: ChannelsRig, bank: SignalBank) -> None:
        """A release that the device does not confirm is NotSafe, in time."""
        bank.write_many(rig.drives)
        rig.wire.mute()
        with pytest.raises(NotSafe):
            ends(bank.release, rig.deadline)

    @claimed("notices_forgetting")
    def test_a_device_that_has_forgotten_is_found_out(self, rig: ChannelsRig) -> None:
        """What no longer holds is reported once, by name."""
        rig.channels.write_many(rig.drives)
        reported = rig.channels.forgotten(tuple(rig.drives))
        assert reported == [], f"`forgotten` reported what still holds: {reported}"
        assert rig.forget is not None, "a rig whose driver notices forgetting needs `forget`"
        rig.forget()
        lost = rig.channels.forgotten(tuple(rig.drives))
        assert lost, "the device has forgotten what was written to it, and `forgotten` tells nothing"
        unnamed = [words for words in lost if not any(name in words for name in rig.drives)]
        assert not unnamed, f"`forgotten` must name the signal: {unnamed}"
        again = rig.channels.forgotten(tuple(rig.drives))
        assert again == [], f"what was forgotten is reported once; it was reported again: {again}"

    # -- trouble

    def test_silence_is_reported_and_does_not_hang(self, rig: ChannelsRig) -> None:
        """Whoever does not answer is an InstrumentTimeout that names the device."""
        rig.channels.snapshot()
        rig.wire.mute()
        fault = fault_of_stand(rig.channels.snapshot, rig.deadline, rig.io)
        assert isinstance(fault, InstrumentTimeout), f"silence must be an InstrumentTimeout, not {fault!r}"

    @claimed("tells_late_answers")
    def test_a_late_answer_is_no_answer_to_the_next_question(self, rig: ChannelsRig) -> None:
        """After a time-out the answer that comes late is not taken for that to another question."""
        name, value = next(iter(rig.senses.items()))
        before = rig.channels.read(name)
        rig.wire.delay(LATE * rig.deadline)
        with pytest.raises(InstrumentTimeout):
            ends(lambda: rig.channels.read(name), rig.deadline)
        rig.wire.heal()
        rig.set_to(name, value)
        for _ in range(3):
            seen = rig.channels.read(name)
            near = pytest.approx(value, abs=max(rig.signals[name].step, abs(value) * 0.01))
            assert seen == near, f"{name} reads {seen:g}, not {value:g}: the late answer was {before:g}"

    @claimed("refuses_garbled_answers")
    def test_an_invalid_answer_is_no_reading(self, rig: ChannelsRig) -> None:
        """An answer of turned bits is a stand fault, and the next sound one counts again."""
        rig.channels.snapshot()
        rig.wire.garble()
        fault_of_stand(rig.channels.snapshot, rig.deadline, rig.io)
        rig.wire.heal()
        rig.channels.snapshot()

    @claimed("reconnects")
    def test_a_lost_connection_is_opened_again(self, rig: ChannelsRig) -> None:
        """One call may fail for it, as a stand fault; the next does not."""
        rig.channels.snapshot()
        rig.wire.cut()
        with suppress(StandFault):
            ends(rig.channels.snapshot, rig.deadline)
        rig.channels.snapshot()
