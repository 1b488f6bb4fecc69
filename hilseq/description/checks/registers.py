"""Register maps: every value has bits of its own, a known unit, and a zero-based address."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.nearest import nearest_word
from hilseq.description.registers import Register, documentation_number_hint
from hilseq.description.source_position import Place
from hilseq.description.stand import Stand
from hilseq.quantities import SYMBOLS, QuantityError, dimension_of, parse_accuracy

_WORD = 16


class Use(NamedTuple):
    """A register, or a block of them, put to one use.

    `device-id` tells apart maps that do not share addresses. Uses of one `shared` group may name the very
    same register (a command register takes several commands).
    """

    place: Place
    what: str
    register: Register
    length: int = 1
    device: str = ""
    shared: str = ""

    def bits(self) -> tuple[tuple[str, str], int, int]:
        """Return the space of addresses, the first bit and the last one."""
        register = self.register
        space = (self.device, str(register.table))
        if register.table.holds_bits:
            return space, register.address, register.address + self.length - 1
        first = register.address * _WORD
        if register.bit is not None:
            return space, first + register.bit, first + register.bit
        return space, first, first + self.length * register.kind.width * _WORD - 1


def overlaps(uses: Iterable[Use]) -> Findings:
    """No two uses share a bit."""
    numbered = [(use.bits(), position, use) for position, use in enumerate(uses)]
    shared = {(use.shared, bits) for bits, _, use in numbered if use.shared}
    kept: list[tuple[tuple[tuple[str, str], int, int], int, Use]] = []
    for bits, position, use in numbered:
        if (use.shared, bits) in shared:
            shared.discard((use.shared, bits))
        elif use.shared:
            continue
        kept.append((bits, position, use))
    reach: dict[tuple[str, str], tuple[int, int, Use]] = {}
    for (space, first, last), position, use in sorted(kept, key=lambda item: item[:2]):
        before = reach.get(space)
        if before is not None and first <= before[0]:
            later, earlier = (use, before[2]) if position > before[1] else (before[2], use)
            yield Finding(
                (*later.place, "address"),
                f"the {later.what} lies on the same address as the {earlier.what} ({_where(use, first)})",
                "an address, or a bit, of its own",
                topic="overlap",
            )
        if before is None or last > before[0]:
            reach[space] = (last, position, use)


def _where(use: Use, first: int) -> str:
    table = use.register.table
    return f"{table} {first}" if table.holds_bits else f"{table} {first // _WORD}"


def blocks_end_inside(uses: Iterable[Use]) -> Findings:
    """Require that a block of registers ends before the last address there is."""
    for use in uses:
        last = use.register.address + use.length * use.register.kind.width - 1
        if last > 65535:  # noqa: PLR2004 - the last address of the protocol
            yield Finding(
                (*use.place, "address"), f"the {use.what} ends at address {last}", "an end at or below 65535"
            )


def addresses_are_zero_based(uses: Iterable[Use]) -> Findings:
    """No address is a one-based documentation number such as 40001."""
    for use in uses:
        hint = documentation_number_hint(use.register.table, use.register.address)
        if hint:
            yield Finding(
                (*use.place, "address"),
                hint,
                "a zero-based address, or `high-addresses: true` for a device that really counts so far",
                topic="documentation number",
                decimal=True,
            )


def units_are_known(uses: Iterable[Use]) -> Findings:
    """Each unit of a register is one that hilseq knows."""
    for use in uses:
        yield from _unit_is_known(use.place, use.register.unit)


def signal_units_are_known(stand: Stand) -> Findings:
    """Each unit of a signal is one that hilseq knows."""
    for name, signal in stand.signals.items():
        yield from _unit_is_known(("signals", name), signal.unit)


def _unit_is_known(place: Place, unit: str) -> Findings:
    if not unit:
        return
    try:
        dimension_of(unit)
    except QuantityError as error:
        yield Finding(
            (*place, "unit"),
            f"{unit[:40]!r} is not a known unit",
            error.expected,
            error.nearest or nearest_word(unit, SYMBOLS),
            topic="unit",
        )


def accuracy_fits(place: Place, text: str, unit: str) -> Findings:
    """Require that an accuracy is written in the unit of its channel."""
    try:
        dimension = dimension_of(unit)
    except QuantityError:
        return  # the unit itself is reported elsewhere
    try:
        parse_accuracy(text, dimension)
    except QuantityError as error:
        in_unit = f" in {unit}" if unit else " without a unit"
        wrong = f"{text[:40]!r} is no accuracy of a channel{in_unit}"
        yield Finding(place, wrong, error.expected, error.nearest, topic="accuracy")


def signal_accuracies_fit(stand: Stand) -> Findings:
    """Each signal's accuracy can be read in its unit."""
    for name, signal in stand.signals.items():
        if signal.accuracy is not None:
            yield from accuracy_fits(("signals", name, "accuracy"), signal.accuracy, signal.unit)
