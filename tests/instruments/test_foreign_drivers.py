"""A slip in somebody else's driver: it is named, as a fault of the stand, and keeps no other instrument on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hilseq.description.supplies import Supply
from hilseq.errors import NotSafe, StandFault, UnitFault
from hilseq.instruments.opening import fence_driver
from hilseq.instruments.protocols import WholeReader
from hilseq.instruments.supply import PowerSupply
from hilseq.procedures.bench import Bench


class Slipping:
    """An output, and named values, of a driver with slips."""

    name, where = "supply aux", "nowhere"

    def __init__(self) -> None:
        self.failures = 0

    def switch(self, *, on: bool) -> None:
        raise ValueError(f"cannot say {on}")

    def is_on(self) -> bool:
        return True

    def close(self) -> None:
        raise UnitFault("ours is handed on as it is")

    def snapshot(self, names: object = None) -> dict[str, float]:
        raise KeyError(str(names))

    def reader(self, names: Any) -> WholeReader:
        return WholeReader(self, names)  # type: ignore[arg-type]


def fenced() -> Any:
    return fence_driver(Slipping(), "odd", "supply aux")


def test_a_slip_names_driver_and_part() -> None:
    """The kind of the slip is kept; errors of ours and plain values pass as they are."""
    with pytest.raises(
        StandFault, match=r"supply aux: its driver 'odd' failed: ValueError: cannot say True"
    ) as failed:
        fenced().switch(on=True)
    assert failed.value.places == ("supply aux",)
    assert isinstance(failed.value.__cause__, ValueError)
    with pytest.raises(UnitFault, match="as it is"):
        fenced().close()
    with pytest.raises(StandFault, match="AttributeError"):
        fenced().measure()
    one = fenced()
    one.failures = 3
    assert one.failures == 3


def test_what_it_hands_out_to_be_read_is_fenced_too() -> None:
    """A planned read fails as its driver does; the line that it shares stays one object."""
    one = fenced()
    with pytest.raises(StandFault, match="its driver 'odd' failed: KeyError"):
        one.reader(("a",)).take({})
    assert one.reader(("a",)).line is one.reader(("b",)).line


def test_ours_are_taken_as_they_are() -> None:
    """Nothing lies between a shipped driver and its instrument."""
    ours = WholeReader(Slipping(), ())  # type: ignore[arg-type]
    assert fence_driver(ours, "scpi", "io rack") is ours


@pytest.mark.parametrize("wrapped", [True, False], ids=["by its driver's name", "of whatever kind"])
def test_a_driver_with_a_slip_keeps_no_other_supply_on(
    make: Callable[..., PowerSupply], bench: Any, clock: Any, *, wrapped: bool
) -> None:
    """The sound one goes off, and what the other did is said."""
    sound = make()
    sound.prepare(24.0, 1.0)
    sound.on()
    assert bench.on
    described = Supply.model_validate(
        {
            "resource": "TCPIP::127.0.0.1::9::SOCKET",
            "deadline": "10 ms",
            "ceilings": {"voltage": "24 V", "current": "1 A"},
        }
    )
    output: Any = fenced() if wrapped else Slipping()
    slipping = PowerSupply("aux", output, described, clock)
    with pytest.raises(NotSafe, match="ValueError: cannot say False"):
        slipping.power_off(within=0.0)
    found = Bench._switch_off([slipping, sound])
    assert not bench.on
    assert found["supply main"] == ""
    assert "ValueError: cannot say False" in found["supply aux"]
