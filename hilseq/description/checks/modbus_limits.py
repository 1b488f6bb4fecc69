"""What a Modbus device takes in one request is enough for each value that must go or come in one piece.

The halves of a value from two requests are of different moments, and make a number that nobody wrote.
"""

from __future__ import annotations

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.checks.profile_registers import orders, profile_uses
from hilseq.description.checks.registers import Use
from hilseq.description.modbus_limits import ModbusLimits
from hilseq.description.profile import Profile


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
