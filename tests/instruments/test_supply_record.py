"""What a supply recorded of its current since it was switched on."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from hilseq.description.supplies import Supply
from hilseq.errors import InstrumentTimeout, StandFault
from hilseq.instruments.supply import PowerSupply
from tests.instruments.supply_bench import Bench

if TYPE_CHECKING:
    from tests.instruments.conftest import Answer, RawServer, SteppedClock

ServeText = Callable[["Answer"], "RawServer"]
Make = Callable[..., PowerSupply]


def test_the_record_of_the_inrush_is_read_where_there_is_one(
    make: Make, bench: Bench, clock: SteppedClock
) -> None:
    """Peak and charge, the charge as inexact as the current over the time it was summed up."""
    bench.answers |= {"PEAK?": "1.5", "CHAR?": "0.05"}
    supply = make(commands={"measure-peak-current": "PEAK?", "measure-charge": "CHAR?"})
    supply.prepare(32.0, 2.0)
    supply.on()
    clock.sleep(0.5)
    found = supply.inrush()
    assert found is not None
    assert found.peak is not None
    assert found.charge is not None
    assert (found.peak.value, found.peak.unit) == (1.5, "A")
    # 0.1 % + 2 mA of the description: of the charge 0.1 % and 2 mA for half a second.
    assert found.charge.standard_uncertainty == pytest.approx((0.05e-3 + 2e-3 * 0.5) / math.sqrt(3.0))


def test_a_supply_without_a_record_says_so(make: Make, bench: Bench) -> None:
    """It is not asked anything."""
    supply = make()
    supply.prepare(32.0, 2.0)
    supply.on()
    bench.heard.clear()
    assert supply.inrush() is None
    assert bench.heard == []


WAVEFORM = {
    "commands": {"arm-waveform": "ACQ:ARM", "read-waveform": "ACQ:CURR?"},
    "waveform": {"interval": "10 ms", "length": "100 ms"},
}


def test_a_record_is_armed_before_power_and_read_when_it_is_whole(
    make: Make, bench: Bench, clock: SteppedClock
) -> None:
    """Times from the description, currents from the answer, each as exact as a reading of the supply."""
    bench.ignored = {"ACQ:ARM"}
    bench.answers |= {"ACQ:CURR?": "+1.5000E+00,1.5,500mA, 0.1" + 6 * ",0.1"}
    supply = make(**WAVEFORM)
    supply.prepare(32.0, 2.0)
    bench.heard.clear()
    before = clock.now()
    supply.on()
    assert bench.commands()[:2] == ["ACQ:ARM", "OUTP ON"]
    record = supply.waveform()
    assert record is not None
    assert clock.now() - before == pytest.approx(0.1)
    assert [round(time, 6) for time, _ in record][:4] == [0.0, 0.01, 0.02, 0.03]
    assert [current.value for _, current in record] == [1.5, 1.5, 0.5] + 7 * [0.1]
    assert record[0][1].standard_uncertainty == pytest.approx((1.5e-3 + 2e-3) / math.sqrt(3.0))


@pytest.mark.parametrize(
    "answer",
    ["1.5", "1.5,", "", 9 * "1," + "9.91E37", 9 * "1;" + "1", 9 * "1," + "overload", 10 * "1," + "1"],
)
def test_what_is_no_record_is_the_supplys_fault(make: Make, bench: Bench, answer: str) -> None:
    """Nothing is guessed from half a record."""
    bench.ignored = {"ACQ:ARM"}
    bench.answers |= {"ACQ:CURR?": answer}
    supply = make(**WAVEFORM)
    supply.prepare(32.0, 2.0)
    supply.on()
    with pytest.raises(StandFault):
        supply.waveform()


def test_a_record_that_nobody_armed(make: Make, bench: Bench) -> None:
    """The usual reason why there is none is reported where the stand file does not arm it."""
    unarmed = {name: text for name, text in WAVEFORM["commands"].items() if name != "arm-waveform"}
    supply = make(**(WAVEFORM | {"commands": unarmed}))
    supply.prepare(32.0, 2.0)
    supply.on()
    bench.dead = True
    with pytest.raises(InstrumentTimeout, match=r"ACQ:CURR\?.*needs `arm-waveform` in the stand file"):
        supply.waveform()


@pytest.mark.parametrize(
    ("half", "words"),
    [
        ({"waveform": WAVEFORM["waveform"]}, "expected both or neither"),
        ({"commands": {"read-waveform": "ACQ:CURR?"}}, "expected both or neither"),
        ({"commands": {"arm-waveform": "ACQ:ARM"}}, "arms a record that nothing reads"),
        (
            {**WAVEFORM, "waveform": {"interval": "1 s", "length": "200 ms"}},
            "0.2 readings; expected 10 to 4096",
        ),
        (
            {**WAVEFORM, "waveform": {"interval": "500 us", "length": "3 s"}},
            "6000 readings; expected 10 to 4096",
        ),
    ],
)
def test_a_record_that_cannot_be_read_is_refused(half: dict[str, object], words: str) -> None:
    """Times without a record, a record without times, and more readings than fit one answer."""
    ceilings = {"voltage": "32 V", "current": "3 A"}
    with pytest.raises(ValueError, match=words):
        Supply.model_validate({"resource": "x", "ceilings": ceilings, **half})
