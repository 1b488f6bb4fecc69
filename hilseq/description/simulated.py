"""What of a stand a simulated twin can serve: the drivers that ship, and nothing that a visit can do without."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from hilseq.description.drivers import DriverModel
from hilseq.description.modbus import ModbusIo, ModbusLink, ModbusSignal
from hilseq.description.scpi import ScpiSupply
from hilseq.description.stand import Stand
from hilseq.errors import UsageError

D = TypeVar("D", bound=DriverModel)


def served_by_twin(stand: Stand) -> Stand:
    """Return the part of a stand that a twin serves, without what is `optional: true` and has another driver.

    Raises UsageError naming everything else that has another driver.
    """
    left_out = {name for name, io in stand.io.items() if io.optional and not isinstance(io, ModbusIo)}
    signals = {name: signal for name, signal in stand.signals.items() if signal.io not in left_out}
    strange = [
        *(f"supply {n} ({s.driver})" for n, s in stand.supplies.items() if not isinstance(s, ScpiSupply)),
        *(
            f"io {name} ({io.driver})"
            for name, io in stand.io.items()
            if name not in left_out and not isinstance(io, ModbusIo)
        ),
        *(
            f"link of slot {name} ({slot.link.driver})"
            for name, slot in stand.slots.items()
            if not isinstance(slot.link, ModbusLink)
        ),
    ]
    if strange:
        without = "set `optional: true` at an io that a visit to the twin can do without, or "
        hint = without if any(one.startswith("io ") for one in strange) else ""
        raise UsageError(
            f"a simulated twin cannot serve {', '.join(strange)}; {hint}run this stand on its own instruments"
        )
    watched = [n for n, lock in stand.safety.interlocks.items() if lock.signal not in signals]
    if watched:
        raise UsageError(f"the interlock {watched[0]} cannot be left out: its io is no `optional` one")
    if not left_out:
        return stand
    return stand.model_copy(
        update={
            "io": {name: io for name, io in stand.io.items() if name not in left_out},
            "signals": signals,
            "loopbacks": {
                name: loop
                for name, loop in stand.loopbacks.items()
                if loop.drive in signals and loop.sense in signals
            },
            "ambient": stand.ambient if stand.ambient in signals else None,
        }
    )


def scpi_supplies(stand: Stand) -> dict[str, ScpiSupply]:
    """Return the supplies of a stand that a twin serves."""
    return _of(stand.supplies, ScpiSupply)


def modbus_devices(stand: Stand) -> dict[str, ModbusIo]:
    """Return the I/O simulators of a stand that a twin serves."""
    return _of(stand.io, ModbusIo)


def modbus_signals(stand: Stand) -> dict[str, ModbusSignal]:
    """Return the signals of a stand that a twin serves."""
    return _of(stand.signals, ModbusSignal)


def modbus_links(stand: Stand) -> dict[str, ModbusLink]:
    """Return the links of a stand that a twin serves, by slot."""
    return _of({name: slot.link for name, slot in stand.slots.items()}, ModbusLink)


def _of(described: Mapping[str, DriverModel], model: type[D]) -> dict[str, D]:
    return {name: one for name, one in described.items() if isinstance(one, model)}
