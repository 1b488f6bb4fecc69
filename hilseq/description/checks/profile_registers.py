"""The register map of a unit: what each register must be able to do, and that none is used twice."""

from __future__ import annotations

from typing import NamedTuple

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.checks.registers import Use, accuracy_fits
from hilseq.description.profile import Profile
from hilseq.description.registers import Register
from hilseq.quantities import QuantityError, dimension_of

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
    found += [("analog-inputs", name, "register", p.register_) for name, p in points.analog_inputs.items()]
    found += [("analog-outputs", name, "register", p.register_) for name, p in points.analog_outputs.items()]
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
    sections = (
        ("analog-inputs", profile.points.analog_inputs),
        ("analog-outputs", profile.points.analog_outputs),
    )
    for section, points in sections:
        for name, point in points.items():
            place = ("points", section, name)
            unit = point.register_.unit
            dimension = _dimension(unit)
            fitting = _LINK_DIMENSIONS[point.terminal_dimension]
            if dimension and dimension not in fitting:
                wrong = f"{name} is {point.kind}, but its register has the unit {unit!r}"
                expected = f"a unit of {' or '.join(fitting)}"
                yield Finding((*place, "register", "unit"), wrong, expected, topic="kind and unit")
            yield from accuracy_fits((*place, "accuracy"), point.accuracy, unit)
