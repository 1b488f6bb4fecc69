"""The instruments of a stand, by the addresses at which they are held and kept off."""

from __future__ import annotations

import hashlib
import ipaddress
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from hilseq.description.checks.stand_file import Address, addresses_of
from hilseq.description.one_spelling import one_spelling
from hilseq.description.stand import Stand

_LISTENING = "0A"


@dataclass(frozen=True, slots=True)
class StandInstrument:
    """An instrument of a stand: its part (`supply main`), and its address in one spelling.

    `twin` tells a simulated instrument from another that had the same port before; empty for a real one.
    """

    part: str
    address: str
    twin: str = ""

    @property
    def lock(self) -> str:
        """Name of the file by which it is held."""
        return f"{_digest(self.address)}.lock"

    @property
    def latch(self) -> str:
        """Name of the file that keeps it off."""
        return f"{_digest(f'{self.address} {self.twin}' if self.twin else self.address)}.latch"

    @property
    def is_local(self) -> bool:
        """Return whether only this computer can reach it: a serial line, or an address of its own."""
        host = self.address.rpartition(":")[0].strip("[]")
        try:
            return not host or ipaddress.ip_address(host).is_loopback
        except ValueError:
            return False


def instruments_of(stand: Stand, parts: Collection[str] | None = None) -> list[StandInstrument]:
    """Return the supplies and I/O simulators of a stand, or those of `parts`; two at one address count once."""
    found: dict[str, StandInstrument] = {}
    for part, addresses in _by_part(stand).items():
        if parts is not None and part not in parts:
            continue
        for address in addresses:
            twin = _listening_socket(address.end) if stand.simulated else ""
            spelt = one_spelling(address)
            found.setdefault(spelt, StandInstrument(part, spelt, twin))
        if not addresses:  # its driver says that it has none: it is held by its name
            found[part] = StandInstrument(part, f"{part} of {stand.stand}")
    return sorted(found.values(), key=lambda one: one.address)


def _by_part(stand: Stand) -> dict[str, list[Address]]:
    found: dict[str, list[Address]] = {f"supply {name}": [] for name in stand.supplies}
    found |= {f"io {name}": [] for name in stand.io}
    for address in addresses_of(stand):
        if address.what in found:
            found[address.what].append(address)
    return found


def address_of_parts(stand: Stand) -> dict[str, str]:
    """Return by part (`supply main`, `io rack`) where it is reached, in one spelling."""
    return {
        part: ", ".join(sorted(map(one_spelling, addresses))) or f"{part} of {stand.stand}"
        for part, addresses in _by_part(stand).items()
    }


def shares_lines_with_units(stand: Stand) -> bool:
    """Return whether a unit is spoken to where another unit or an instrument is: one process alone can have it open."""
    seen: dict[str, str] = {}
    for address in addresses_of(stand):
        whose = str(address.place[1]) if address.place[0] == "slots" else ""
        if seen.setdefault(one_spelling(address), whose) != whose:
            return True
    return False


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _listening_socket(port: str) -> str:
    """Return the kernel's number of the socket that listens at a port of this computer; empty where it tells none."""
    if not port.isdecimal():
        return ""
    wanted = f":{int(port):04X}"
    for table in ("/proc/net/tcp", "/proc/net/tcp6"):
        try:
            lines = Path(table).read_text("ascii").splitlines()[1:]
        except OSError:
            continue
        for fields in map(str.split, lines):
            if fields[1].endswith(wanted) and fields[3] == _LISTENING:
                return fields[9]
    return ""
