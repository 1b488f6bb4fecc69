"""Addresses: everything on the stand has one of its own, all in the one subnet of the stand."""

from __future__ import annotations

import contextlib
import ipaddress
import re
from typing import NamedTuple

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.drivers import Driven
from hilseq.description.source_position import Place
from hilseq.description.stand import Stand

_Network = ipaddress.IPv4Network | ipaddress.IPv6Network

_TCPIP = re.compile(
    r"TCPIP\d*::(?P<host>\[[0-9A-F:]+\]|[A-Z0-9._-]+)"
    r"(?:::(?P<port>\d{1,5})::SOCKET|(?:::(?P<device>[A-Z0-9]+(?:,\d{1,5})?))?(?:::INSTR)?)",
    re.IGNORECASE,
)
_SERIAL = re.compile(r"ASRL(?P<port>.+?)(?:::INSTR)?", re.IGNORECASE)
_OTHER_INTERFACE = re.compile(r"(?:USB|GPIB|VXI|PXI|PRLGX-TCPIP|PRLGX-ASRL)\d*::.+", re.IGNORECASE)
_ENDPOINT = re.compile(r"(?P<host>\[[0-9A-Fa-f:]+\]|[A-Za-z0-9.-]+):(?P<port>\d{1,5})")


class Address(NamedTuple):
    """Where something is reached: a network host and port, or a serial port (`host` empty)."""

    place: Place
    what: str
    host: str
    end: str
    part: str = ""

    @property
    def where(self) -> str:
        """The address as a person says it."""
        return f"{self.host}:{self.end}" if self.host else self.end


def _of_resource(place: Place, what: str, text: str, part: str = "") -> Address | None:
    socket = _TCPIP.fullmatch(text)
    if socket:
        end = socket["port"] or (socket["device"] or "inst0").lower()
        return Address(place, what, socket["host"].lower(), end, part)
    serial = _SERIAL.fullmatch(text)
    if serial:
        return Address(place, what, "", serial["port"], part)
    return _of_endpoint(place, what, text, part)


def _of_endpoint(place: Place, what: str, text: str, part: str = "") -> Address | None:
    match = _ENDPOINT.fullmatch(text)
    if match:
        return Address(place, what, match["host"].lower(), match["port"], part)
    return Address(place, what, "", text, part) if text else None


def addresses_of(stand: Stand) -> list[Address]:
    """Return every address of a stand file, in the order of the file's sections."""
    found: list[Address] = []
    for name, supply in stand.supplies.items():
        found += _ends(("supplies", name), f"supply {name}", supply)
    for name, io in stand.io.items():
        found += _ends(("io", name), f"io {name}", io)
    for slot_name, slot in stand.slots.items():
        slot_place: Place = ("slots", slot_name)
        found += _ends((*slot_place, "link"), f"link of slot {slot_name}", slot.link)
        for port_name, port in slot.ports.items():
            what = f"{port_name} of slot {slot_name}"
            address = _of_resource((*slot_place, "ports", port_name, "resource"), what, port.resource)
            found += [address] if address is not None else []
    return found


def _ends(place: Place, what: str, described: Driven) -> list[Address]:
    addresses = (_of_resource((*place, end.key), what, end.text, end.part) for end in described.ends())
    return [address for address in addresses if address is not None]


def addresses_are_unique(stand: Stand) -> Findings:
    """No two things answer at one address.

    Outputs of one supply share its address, and so may I/O simulators with different device numbers; a port
    that is the unit's own network port may share the address of its link.
    """
    seen: dict[tuple[str, str], list[Address]] = {}
    for address in addresses_of(stand):
        earlier = seen.setdefault((address.host, address.end), [])
        for other in earlier:
            if _may_share(other, address):
                continue
            with_part = f" ({address.part})" if address.part == other.part and address.part else ""
            wrong = f"{address.what} has the same address as {other.what}: {address.where}{with_part}"
            yield Finding(address.place, wrong, "an address of its own")
            break
        earlier.append(address)


def _may_share(one: Address, other: Address) -> bool:
    first, second = one.place[0], other.place[0]
    if first == second and first in ("supplies", "io"):
        return one.part != other.part
    link_and_io = {first, second} == {"slots", "io"} and "link" in (one.place + other.place)
    if link_and_io:
        return True  # a gateway; with the profile at hand the device numbers are compared
    same_slot = first == second == "slots" and one.place[1] == other.place[1]
    return same_slot and bool(one.host) and ("link" in one.place) != ("link" in other.place)


def network_is_a_subnet(stand: Stand) -> Findings:
    """Require that the network of the stand is written as a subnet."""
    if stand.network is None:
        return
    try:
        ipaddress.ip_network(stand.network)
    except ValueError:
        nearest = ""
        with contextlib.suppress(ValueError):  # not even with bits of a host in it
            nearest = str(ipaddress.ip_network(stand.network, strict=False))
        yield Finding(
            ("network",), f"{stand.network[:40]!r} is no subnet", "a subnet such as 192.0.2.0/24", nearest
        )


def addresses_lie_in_the_network(stand: Stand) -> Findings:
    """Each IP address lies in the stand's subnet; host names are left alone."""
    network = _network_of(stand)
    if network is None:
        return
    for address in addresses_of(stand):
        try:
            host = ipaddress.ip_address(address.host.strip("[]"))
        except ValueError:
            if re.fullmatch(r"[\d.]+", address.host):
                yield Finding(address.place, f"{address.host} is no IP address", "four numbers from 0 to 255")
            continue
        if host not in network:
            wrong = f"{address.what} has the address {address.host}, outside the network {network}"
            yield Finding(address.place, wrong, f"an address in {network}")
        elif network.num_addresses > 2 and host == network.network_address:  # noqa: PLR2004 - a pair has none
            yield Finding(address.place, f"{address.host} is the network itself", "the address of a host")
        elif network.num_addresses > 2 and host == network.broadcast_address:  # noqa: PLR2004
            yield Finding(address.place, f"{address.host} is the broadcast address", "the address of a host")


def _network_of(stand: Stand) -> _Network | None:
    if stand.network is None:
        return None
    try:
        return ipaddress.ip_network(stand.network)
    except ValueError:
        return None  # reported on its own


def ports_are_spelt_right(stand: Stand) -> Findings:
    """Require that what begins like a VISA resource is one, where a port of the unit is reached."""
    for slot_name, slot in stand.slots.items():
        for port_name, port in slot.ports.items():
            yield from resource_is_spelt_right(
                ("slots", slot_name, "ports", port_name, "resource"), port.resource
            )


def resource_is_spelt_right(place: Place, text: str) -> Findings:
    """Require that what begins like a VISA resource is one; other words are aliases of the VISA library."""
    if not re.match(r"(?:TCPIP|USB|GPIB|ASRL)", text, re.IGNORECASE):
        return
    socket = _TCPIP.fullmatch(text)
    if socket:
        port = socket["port"]
        if port is not None and not 0 < int(port) <= 65535:  # noqa: PLR2004 - the last port there is
            yield Finding(place, f"there is no port {port}", "a port from 1 to 65535")
    elif not _SERIAL.fullmatch(text) and not _OTHER_INTERFACE.fullmatch(text):
        yield Finding(
            place,
            f"{text[:60]!r} is no VISA resource",
            "TCPIP::HOST::PORT::SOCKET, TCPIP::HOST::INSTR, USB::...::INSTR, GPIB::NUMBER::INSTR or "
            "ASRL<port>::INSTR",
        )
