"""A visit that powers the unit and stays busy: something for the guard to take over."""

from __future__ import annotations

from hilseq.clock import Clock
from hilseq.procedures.unit_supply import UnitSupply


def test_holds_power(supply: UnitSupply, clock: Clock) -> None:
    """Power stays on while the current is measured again and again."""
    supply.on()
    for _ in range(6000):
        supply.current()
        clock.sleep(0.02)
