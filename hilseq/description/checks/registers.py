"""Register maps: every value has bits of its own, a known unit, a zero-based address, and fits one Modbus request.

Of a unit's map: what each register must be able to do, and that none is used twice. Of a stand file: what is wrong
between its Modbus entries.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from typing import NamedTuple

from hilseq.description.findings import Finding, Findings, Place, nearest_word
from hilseq.description.modbus import ModbusIo, ModbusLink, ModbusSignal
from hilseq.description.profile import Profile
from hilseq.description.registers import ModbusLimits, Register, documentation_number_hint
from hilseq.description.stand import Stand
from hilseq.quantities import SYMBOLS, AccuracyTerms, QuantityError, accuracy_of_channel, dimension_of

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
        dimension_of(unit)
    except QuantityError:
        return  # the unit itself is reported elsewhere
    try:
        accuracy_of_channel(text, unit)
    except QuantityError as error:
        in_unit = f" in {unit}" if unit else " without a unit"
        wrong = f"{text[:40]!r} is no accuracy of a channel{in_unit}"
        yield Finding(place, wrong, error.expected, error.nearest, topic="accuracy")


def instruments_err(stand: Stand) -> Findings:
    """Refuse an error of nothing: readings would be judged as if they were exact."""
    nothing = AccuracyTerms()
    stated: dict[Place, AccuracyTerms | float | None] = {("clock-accuracy",): stand.clock_accuracy}
    for name, signal in stand.signals.items():
        with suppress(QuantityError):  # reported by itself
            stated["signals", name, "accuracy"] = signal.accuracy_terms()
        if signal.load is not None:
            stated["signals", name, "load-tolerance"] = signal.load_tolerance
    for name, supply in stand.supplies.items():
        stated["supplies", name, "accuracy", "voltage"] = supply.accuracy.voltage
        stated["supplies", name, "accuracy", "current"] = supply.accuracy.current
        key = "settle" if supply.response is None else "response"
        stated["supplies", name, key] = supply.follows_within
    for place, error in stated.items():
        if error in (nothing, 0.0):
            yield Finding(
                place, "no instrument is without an error", "what its data sheet states", topic="no error"
            )


def signal_accuracies_fit(stand: Stand) -> Findings:
    """Each signal's accuracy can be read in its unit."""
    for name, signal in stand.signals.items():
        if signal.accuracy is not None:
            yield from accuracy_fits(("signals", name, "accuracy"), signal.accuracy, signal.unit)
        if signal.repeatability is not None:
            yield from accuracy_fits(("signals", name, "repeatability"), signal.repeatability, signal.unit)


#: Registers of the link whose values have a unit, and the dimension it must have.
_DIMENSIONS = {
    "supply-voltage": "voltage",
    "temperature": "temperature",
    "clock": "time",
    "battery-voltage": "voltage",
}
#: dimension of a terminal -> dimensions its value may have over the link
_LINK_DIMENSIONS = {
    "current": ("current", "ratio"),
    "voltage": ("voltage", "ratio", "temperature"),
    "resistance": ("resistance", "temperature"),
}


class Order(NamedTuple):
    """A register that hilseq writes, and the numbers it writes there."""

    use: Use
    numbers: tuple[int, ...] = ()


def link_uses(profile: Profile) -> list[Use]:
    """Return the status registers of the link."""
    link = profile.link
    named: dict[str, Register | None] = {
        "mode": link.mode,
        "mode-command": link.mode_command,
        "indicator": link.indicator,
        "self-test": link.self_test,
        "outputs-enabled": link.outputs_enabled,
        "ready": link.ready,
        "supply-voltage": link.supply_voltage,
        "temperature": link.temperature,
        "starts": link.starts,
        "clock": link.clock,
        "battery-voltage": link.battery_voltage,
        "port-errors": link.port_errors,
    }
    uses = [
        Use(("link", key), f"`{key}` register", register)
        for key, register in named.items()
        if register is not None
    ]
    command = next((use for use in uses if use.place[-1] == "mode-command"), None)
    if command is not None:
        uses.remove(command)
        # Many units take the mode where they report it.
        if command.bits() != uses[0].bits():
            uses.append(command._replace(shared="commands"))
    return uses


def point_uses(profile: Profile) -> list[Use]:
    """Return the registers of the points."""
    points = profile.points
    found: list[tuple[str, str, str, Register]] = []
    found += [("outputs", name, "command", point.command) for name, point in points.outputs.items()]
    found += [("inputs", name, "report", point.report) for name, point in points.inputs.items()]
    found += [(section, name, "register", point.register_) for section, name, point in points.analog()]
    return [
        Use(("points", section, name, key), f"{key} of {name}", register)
        for section, name, key, register in found
    ]


def memory_uses(profile: Profile) -> list[Use]:
    """Return the registers of identity, fault table and configuration."""
    uses: list[Use] = []
    identity, faults, configuration = profile.identity, profile.faults, profile.configuration
    if identity.serial_number is not None:
        uses.append(Use(("identity", "serial-number"), "serial number", identity.serial_number))
    if identity.modules is not None:
        count = max(1, profile.rack_positions)
        uses.append(Use(("identity", "modules", "first"), "module registers", identity.modules.first, count))
    if faults is not None:
        if faults.count is not None:
            uses.append(Use(("faults", "count"), "fault count", faults.count))
        size = faults.entries * faults.words
        uses.append(Use(("faults", "table"), "fault table", faults.table, size))
        if faults.clear is not None:
            uses.append(Use(("faults", "clear"), "`clear` register", faults.clear, shared="commands"))
    if configuration is not None:
        size = len(configuration.content)
        uses.append(Use(("configuration", "first"), "configuration", configuration.first, size))
        if configuration.store is not None:
            use = Use(("configuration", "store"), "`store` register", configuration.store, shared="commands")
            uses.append(use)
        if configuration.checksum is not None:
            uses.append(Use(("configuration", "checksum"), "checksum", configuration.checksum))
    return uses


def profile_uses(profile: Profile) -> list[Use]:
    """Return every register of a profile with its use."""
    return [*link_uses(profile), *point_uses(profile), *memory_uses(profile)]


def _orders(profile: Profile) -> list[Order]:
    link, faults, configuration = profile.link, profile.faults, profile.configuration
    found: list[Order] = []
    if link.mode_command is not None:
        use = Use(("link", "mode-command"), "`mode-command` register", link.mode_command)
        found.append(Order(use, tuple(link.mode_command.values.values())))
    found += [Order(use) for use in point_uses(profile) if use.place[1] in ("outputs", "analog-outputs")]
    for use in memory_uses(profile):
        if use.place == ("configuration", "first"):
            found.append(Order(use))
        elif use.place == ("configuration", "store") and configuration is not None:
            found.append(Order(use, (configuration.store_value,)))
        elif use.place == ("faults", "clear") and faults is not None:
            found.append(Order(use, (faults.clear_value,)))
    return found


def orders(profile: Profile) -> list[Use]:
    """Return every register that hilseq writes."""
    return [order.use for order in _orders(profile)]


def what_is_written_can_be_written(profile: Profile) -> Findings:
    """Commands and configuration stand in a table that can be written, wide enough for their numbers."""
    for use, numbers in _orders(profile):
        register = use.register
        if not register.table.writable:
            wrong = f"the {use.what} is a {register.table}, which cannot be written"
            yield Finding((*use.place, "table"), wrong, "a coil or a holding register", topic="not writable")
        for number in numbers:
            yield from _number_fits(use, number)


def _number_fits(use: Use, number: int) -> Findings:
    limit = 1 if use.register.is_bit else 65535
    if not 0 <= number <= limit:
        wrong = f"{number} cannot be written to the {use.what}, a {use.register.kind}"
        yield Finding(use.place, wrong, f"a number from 0 to {limit}", topic=f"number {number}")


def blocks_are_words(profile: Profile) -> Findings:
    """Require 16-bit registers for configuration, fault table and modules."""
    for use in memory_uses(profile):
        if use.place[-1] not in ("first", "table"):
            continue
        if use.register.is_bit or use.register.kind.width != 1:
            wrong = f"the {use.what} cannot consist of {use.register.kind} values"
            yield Finding(use.place, wrong, "a holding or input register of 16 bits")


def link_units_fit(profile: Profile) -> Findings:
    """Voltage, temperature and time of the link are given in such a unit."""
    for use in link_uses(profile):
        wanted = _DIMENSIONS.get(str(use.place[-1]))
        if wanted is not None and _dimension(use.register.unit) not in (wanted, ""):
            unit = f"has the unit {use.register.unit!r}" if use.register.unit else "has no unit"
            yield Finding((*use.place, "unit"), f"the {use.what} {unit}", f"the unit of a {wanted}")


def _dimension(unit: str) -> str:
    """Return the dimension of a unit; empty for an unknown one, which is reported on its own."""
    try:
        return dimension_of(unit)
    except QuantityError:
        return ""


def analog_points_fit(profile: Profile) -> Findings:
    """Require that unit and accuracy of an analog point go with its kind."""
    for section, name, point in profile.points.analog():
        place = ("points", section, name)
        unit = point.register_.unit
        dimension = _dimension(unit)
        fitting = _LINK_DIMENSIONS[point.terminal_dimension]
        if dimension and dimension not in fitting:
            wrong = f"{name} is {point.kind}, but its register has the unit {unit!r}"
            expected = f"a unit of {' or '.join(fitting)}"
            yield Finding((*place, "register", "unit"), wrong, expected, topic="kind and unit")
        yield from accuracy_fits((*place, "accuracy"), point.accuracy, point.unit)


def signals_have_their_registers(stand: Stand) -> Findings:
    """Each signal has bits of its own, at an address as on the wire, and comes in one piece."""
    uses = _signal_uses(stand)
    yield from overlaps(uses)
    yield from addresses_are_zero_based(use for use in uses if not _device(stand, use).high_addresses)
    for use in uses:
        yield from read_whole(use, _device(stand, use))
        if stand.signals[str(use.place[1])].drives is not None:
            yield from written_whole(use, _device(stand, use))


def _signal_uses(stand: Stand) -> list[Use]:
    return [
        Use(("signals", name), f"signal {name!r}", signal, device=signal.io)
        for name, signal in stand.signals.items()
        if isinstance(signal, ModbusSignal) and isinstance(stand.io.get(signal.io), ModbusIo)
    ]


def _device(stand: Stand, use: Use) -> ModbusIo:
    io = stand.io[use.device]
    assert isinstance(io, ModbusIo)
    return io


def link_has_its_own_device(stand: Stand, slot: str, profile: Profile) -> Findings:
    """No I/O simulator of the stand has both the address and the device number of the unit."""
    link = stand.slots[slot].link
    for name, io in stand.io.items():
        if not isinstance(link, ModbusLink) or not isinstance(io, ModbusIo):
            continue
        same = (link.address is not None and link.address == io.address) or (
            link.port is not None and link.port == io.port
        )
        if same and io.device_id == profile.link.device_id:
            (end,) = link.addresses()
            yield Finding(
                ("slots", slot, "link", end.key),
                f"the unit in slot {slot} and io {name} are both device {io.device_id} at {end.text}",
                "an address or a device number of its own",
                seen=("link", "device-id"),
            )


def values_come_in_one_piece(profile: Profile) -> Findings:
    """Each value of the link fits the requests that the unit takes."""
    for use in profile_uses(profile):
        yield from read_whole(use, profile.link)
    for use in orders(profile):
        yield from written_whole(use, profile.link)


def fault_records_come_in_one_piece(profile: Profile) -> Findings:
    """Require that one request reads a whole record of the fault table."""
    faults, most = profile.faults, profile.link.max_read
    if faults is not None and faults.words > most:
        wrong = f"a record of {faults.words} registers, but the unit has {_largest('read', most)}"
        yield Finding(
            ("faults", "words"), wrong, f"at most {most} registers, so that one request reads it whole"
        )


def read_whole(use: Use, quirks: ModbusLimits) -> Findings:
    """Require that one request reads the whole value."""
    most = quirks.most_read(use.register.table)
    if use.register.kind.width > most:
        yield _torn(use, _largest("read", most))


def written_whole(use: Use, quirks: ModbusLimits) -> Findings:
    """Require that one request writes the whole value."""
    table = use.register.table
    most = quirks.most_written(table)
    if use.register.kind.width > most:
        single = quirks.writes == "single"
        yield _torn(use, "`writes: single`" if single else _largest("write", most))


def _largest(what: str, most: int) -> str:
    return f"`max-{what}: {most}`"


def _torn(use: Use, limit: str) -> Finding:
    wrong = f"the {use.what} takes two registers ({use.register.kind}), but its device has {limit}"
    expected = "a value of one register, or what the device really takes in one request"
    return Finding((*use.place, "type"), wrong, expected, topic="torn")
