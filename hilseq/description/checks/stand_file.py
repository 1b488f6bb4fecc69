"""What a stand file names is there, each terminal has one drive, and addresses are unique, in one subnet."""

from __future__ import annotations

import contextlib
import ipaddress
import re
from collections.abc import Iterable
from typing import NamedTuple

from hilseq.description.calibration import Calibration
from hilseq.description.drivers import AddressedModel
from hilseq.description.findings import Finding, Findings, Place, nearest_word
from hilseq.description.stand import Stand
from hilseq.quantities import SYMBOLS

#: Most names that a message lists.
_LISTED = 20


def _unknown(place: Place, word: str, what: str, known: Iterable[str], section: Place) -> Finding:
    names = list(known)
    return Finding(
        place,
        f"there is no {what} {word!r} in this file",
        f"one of {', '.join(names[:_LISTED])}{' ...' if len(names) > _LISTED else ''}"
        if names
        else f"a {what}",
        nearest_word(word, names),
        absent=(*section, word),
        topic=f"no such {what}",
    )


def signals_name_their_io(stand: Stand) -> Findings:
    """Each signal belongs to an I/O simulator of the file."""
    for name, signal in stand.signals.items():
        if signal.io not in stand.io:
            yield _unknown(("signals", name, "io"), signal.io, "io", stand.io, ("io",))


def terminals_name_a_slot(stand: Stand) -> Findings:
    """Each terminal that a signal drives or senses belongs to a slot of the file."""
    if not stand.slots:  # said where they are missing
        return
    for name, signal in stand.signals.items():
        for key, terminal in (("drives", signal.drives), ("senses", signal.senses)):
            slot = (terminal or "").partition(".")[0]
            if terminal is not None and slot not in stand.slots:
                yield _unknown(("signals", name, key), slot, "slot", stand.slots, ("slots",))


def slots_name_their_supply(stand: Stand) -> Findings:
    """Each slot is fed by a supply of the file."""
    for name, slot in stand.slots.items():
        if slot.supply not in stand.supplies:
            yield _unknown(("slots", name, "supply"), slot.supply, "supply", stand.supplies, ("supplies",))


def _drivable(stand: Stand, place: Place, name: str) -> Findings:
    """Require a signal of the file that can be written."""
    signal = stand.signals.get(name)
    if signal is None:
        yield _unknown(place, name, "signal", stand.signals, ("signals",))
    elif signal.senses is not None or not signal.writable:
        wrong = f"the signal {name!r} cannot be driven: it is {signal.address_in_words}"
        if signal.senses is not None:
            wrong = f"the signal {name!r} cannot be driven: it senses {signal.senses}"
        yield Finding(place, wrong, "a signal that can be written and senses nothing")


def exclusive_parts_are_driven(stand: Stand) -> Findings:
    """Require that what only one visit at a time may use names signals that can be written."""
    for part, names in stand.exclusive.items():
        for number, name in enumerate(names):
            yield from _drivable(stand, ("exclusive", part, number), name)


def uncalibrated_parts_are_there(stand: Stand) -> Findings:
    """What goes without a calibration by name is an instrument of the file."""
    known = [*(f"supply {name}" for name in stand.supplies), *(f"io {name}" for name in stand.io)]
    for name in stand.uncalibrated:
        if name not in known:
            yield _unknown(("uncalibrated", name), name, "instrument", known, ())._replace(
                at_key=True, absent=None
            )


def loopbacks_join_two_signals(stand: Stand) -> Findings:
    """Require that a loopback writes a signal that can be written and reads another."""
    for name, loopback in stand.loopbacks.items():
        yield from _drivable(stand, ("loopbacks", name, "drive"), loopback.drive)
        place, sense = ("loopbacks", name, "sense"), stand.signals.get(loopback.sense)
        if sense is None:
            yield _unknown(place, loopback.sense, "signal", stand.signals, ("signals",))
        elif sense.drives is not None:
            yield Finding(
                place,
                f"the signal {loopback.sense!r} drives {sense.drives}",
                "a signal that senses, or a free one",
            )
        if loopback.drive == loopback.sense:
            yield Finding(("loopbacks", name), f"both ends are {loopback.drive!r}", "two different signals")


def ambient_is_a_temperature(stand: Stand) -> Findings:
    """Require a thermometer in degC where one is named, and one to be named where a calibration needs it."""
    if stand.ambient is not None and stand.ambient not in stand.signals:
        yield _unknown(("ambient",), stand.ambient, "signal", stand.signals, ("signals",))
    elif stand.ambient is not None and stand.signals[stand.ambient].unit in {*SYMBOLS, ""} - {"degC"}:
        wrong = f"the signal {stand.ambient!r} is no temperature"
        yield Finding(("ambient",), wrong, "a signal with `unit: degC`")
    calibrations: list[tuple[Place, Calibration | None]] = [
        *(
            (("supplies", name, "calibration", "per-kelvin"), s.calibration)
            for name, s in stand.supplies.items()
        ),
        *((("io", name, "calibration", "per-kelvin"), io.calibration) for name, io in stand.io.items()),
        *(
            (("signals", name, "calibration", "per-kelvin"), s.calibration)
            for name, s in stand.signals.items()
        ),
    ]
    for place, calibration in calibrations:
        if calibration is not None and calibration.per_kelvin and stand.ambient is None:
            wrong = "how far a temperature is from that of the calibration cannot be known on this stand"
            yield Finding(place, wrong, "`ambient: NAME` of the signal that measures it", topic="ambient")


def interlocks_watch_a_signal(stand: Stand) -> Findings:
    """Require that an interlock watches a signal the stand does not set, which can have the safe value."""
    for name, interlock in stand.safety.interlocks.items():
        place = ("safety", "interlocks", name)
        signal = stand.signals.get(interlock.signal)
        if signal is None:
            yield _unknown((*place, "signal"), interlock.signal, "signal", stand.signals, ("signals",))
        elif signal.drives is not None:
            wrong = f"the signal {interlock.signal!r} is driven by the stand itself ({signal.drives})"
            yield Finding((*place, "signal"), wrong, "a signal that only reads")
        elif signal.is_bit and interlock.safe not in (0, 1):
            wrong = f"the signal {interlock.signal!r} is one bit and is never {interlock.safe:g}"
            yield Finding((*place, "safe"), wrong, "0 or 1")


def terminals_have_one_drive(stand: Stand) -> Findings:
    """No two signals drive one terminal: they would fight, and one may burn."""
    driven: dict[str, str] = {}
    for name, signal in stand.signals.items():
        if signal.drives is None:
            continue
        if signal.drives in driven:
            wrong = f"the terminal {signal.drives} is driven twice, by {driven[signal.drives]!r} and {name!r}"
            place = ("signals", name, "drives")
            yield Finding(place, wrong, "one drive for each terminal", topic="driven twice")
        else:
            driven[signal.drives] = name


def rests_fit_their_signal(stand: Stand) -> Findings:
    """Require that the value of a drive in the safe state can be written."""
    for name, signal in stand.signals.items():
        if signal.is_bit and signal.safe_value not in (0, 1):
            wrong = f"the signal {name!r} is one bit and cannot rest at {signal.safe_value:g}"
            yield Finding(("signals", name, "safe-value"), wrong, "0 or 1", topic="safe-value")


_Network = ipaddress.IPv4Network | ipaddress.IPv6Network

_TCPIP = re.compile(
    r"TCPIP\d*::(?P<host>\[[0-9A-F:]+\]|[A-Z0-9._-]+)"
    r"(?:::(?P<port>\d{1,5})::SOCKET|(?:::(?P<device>(?!SOCKET|INSTR)[A-Z0-9]+(?:,\d{1,5})?))?(?:::INSTR)?)",
    re.IGNORECASE,
)
_SERIAL = re.compile(r"ASRL(?P<port>.+?)(?:::INSTR)?", re.IGNORECASE)
#: VPP-4.3, table of address strings; a primary address of GPIB goes from 0 to 30 (IEEE 488.1). From memory.
_OTHER_INTERFACE = re.compile(
    r"GPIB\d*::(?:[0-2]?\d|30)(?:::\d{1,3})?(?:::INSTR)?"
    r"|USB\d*::[^:]+::[^:]+::[^:]+(?:::\d+)?(?:::(?:INSTR|RAW))?"
    r"|(?:VXI|PXI|PRLGX-TCPIP|PRLGX-ASRL)\d*::.+",
    re.IGNORECASE,
)
_ENDPOINT = re.compile(r"(?P<host>\[[0-9A-Fa-f:]+\]|[A-Za-z0-9.-]+):(?P<port>\d{1,5})")


class Address(NamedTuple):
    """Where something is reached: a network host and port, or a serial port (`host` empty)."""

    place: Place
    what: str
    host: str
    end: str
    part: str = ""
    protocol: str = ""

    @property
    def where(self) -> str:
        """The address as a person says it."""
        over = f" ({self.protocol.upper()})" if self.protocol else ""
        return f"{self.host}:{self.end}{over}" if self.host else self.end


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
        found += addresses_of_part(("supplies", name), f"supply {name}", supply)
    for name, io in stand.io.items():
        found += addresses_of_part(("io", name), f"io {name}", io)
    for slot_name, slot in stand.slots.items():
        slot_place: Place = ("slots", slot_name)
        found += addresses_of_part((*slot_place, "link"), f"link of slot {slot_name}", slot.link)
        for port_name, port in slot.ports.items():
            what = f"{port_name} of slot {slot_name}"
            address = _of_resource((*slot_place, "ports", port_name, "resource"), what, port.resource)
            found += [address] if address is not None else []
    return found


def addresses_of_part(place: Place, what: str, described: AddressedModel) -> list[Address]:
    """Return the addresses of what stands at a place of the file and is called so."""
    found = []
    for end in described.addresses():
        address = _of_resource((*place, end.key), what, end.text.strip(), end.part)
        found += (
            []
            if address is None
            else [address._replace(protocol=end.protocol.lower() if address.host else "")]
        )
    return found


def addresses_are_unique(stand: Stand) -> Findings:
    """No two things answer at one address.

    Outputs of one supply share its address, and so may I/O simulators with different device numbers; a port
    that is the unit's own network port may share the address of its link.
    """
    seen: dict[tuple[str, str, str], list[Address]] = {}
    for address in addresses_of(stand):
        earlier = seen.setdefault((address.protocol, address.host, address.end), [])
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
    if stand.network is not None and _network_of(stand) is None:
        nearest = ""
        with contextlib.suppress(ValueError):  # not even with bits of a host in it
            network = ipaddress.ip_network(stand.network, strict=False)
            nearest = str(network) if network.num_addresses > 1 else ""
        yield Finding(
            ("network",), f"{stand.network[:40]!r} is no subnet", "a subnet such as 192.0.2.0/24", nearest
        )


def addresses_lie_in_the_network(stand: Stand) -> Findings:
    """Each IP address is one, and lies in the stand's subnet; host names are not checked."""
    network = _network_of(stand)
    for address in addresses_of(stand):
        try:
            host = ipaddress.ip_address(address.host.strip("[]"))
        except ValueError:
            if re.fullmatch(r"[\d.]+", address.host):
                yield _no_ip_address(address)
            continue
        if network is None:
            continue
        if host not in network:
            wrong = f"{address.what} has the address {address.host}, outside the network {network}"
            yield Finding(address.place, wrong, f"an address in {network}")
        elif network.num_addresses > 2 and host == network.network_address:  # noqa: PLR2004 - a pair has none
            yield Finding(address.place, f"{address.host} is the network itself", "the address of a host")
        elif network.num_addresses > 2 and host == network.broadcast_address:  # noqa: PLR2004
            yield Finding(address.place, f"{address.host} is the broadcast address", "the address of a host")


def _no_ip_address(address: Address) -> Finding:
    """Return the finding for digits and dots that are no IP address, with the number that is wrong."""
    parts = address.host.split(".")
    over = [part for part in parts if not part.isdigit() or int(part) > 255]  # noqa: PLR2004 - 8 bits
    padded = [part for part in parts if len(part) > 1 and part.startswith("0")]
    if len(parts) != 4:  # noqa: PLR2004 - RFC 791
        why = f" ({len(parts)} numbers)"
    elif over:
        why = f" ({over[0] or 'nothing'} between its dots)"
    else:
        why = f" ({padded[0]} begins with 0, which some read as octal)" if padded else ""
    nearest = ".".join(str(int(part)) for part in parts) if padded and not over and len(parts) == 4 else ""  # noqa: PLR2004
    return Finding(
        address.place, f"{address.host} is no IP address{why}", "four numbers from 0 to 255", nearest
    )


def _network_of(stand: Stand) -> _Network | None:
    if stand.network is None:
        return None
    try:
        network = ipaddress.ip_network(stand.network)
    except ValueError:
        return None  # reported on its own
    return network if network.num_addresses > 1 else None


def supply_resource_is_one(place: Place, text: str) -> Findings:
    """Require a VISA resource, or an alias, where a supply is reached: an address alone or a serial port is none."""
    endpoint = _ENDPOINT.fullmatch(text)
    serial = re.fullmatch(r"/dev/\S+|COM\d+", text, re.IGNORECASE)
    url = re.fullmatch(r"\w+://(?P<host>[^/:\s]+)(?::(?P<port>\d+))?(?:/\S*)?", text)
    if url is not None:
        meant = f"TCPIP::{url['host']}::{url['port'] or 5025}::SOCKET"
    elif endpoint is not None:
        meant = f"TCPIP::{endpoint['host']}::{endpoint['port']}::SOCKET"
    elif serial is not None:
        meant = f"ASRL{text}::INSTR"
    elif re.fullmatch(r"\d+(?:\.\d+){3}", text):
        meant = f"TCPIP::{text}::INSTR"
    else:
        yield from resource_is_spelt_right(place, text)
        return
    wrong = f"{text[:60]!r} is no VISA resource"
    yield Finding(
        place, wrong, "a resource such as TCPIP::HOST::PORT::SOCKET or ASRL/dev/ttyUSB0::INSTR", meant
    )


def serial_ports_are_of_this_system(stand: Stand, *, windows: bool) -> Findings:
    """Warn of serial ports with names of another operating system: COM3 on Linux, /dev/ttyUSB0 on Windows."""
    for address in addresses_of(stand):
        port = address.end if not address.host else ""
        if windows and port.startswith("/dev/"):
            wrong = f"{address.what} is at {port}, which is no serial port of Windows"
            yield Finding(address.place, wrong, "COM1 to COM256", warning=True)
        elif not windows and re.fullmatch(r"(?:COM)?\d{1,3}", port, re.IGNORECASE):
            wrong = (
                f"{address.what} is at {port}, a serial port of Windows; this computer has none of that name"
            )
            yield Finding(address.place, wrong, "a port such as /dev/ttyUSB0", warning=True)


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
    if re.fullmatch(r"TCPIP\d*::[^:]+::SOCKET", text, re.IGNORECASE):
        wrong, nearest = f"{text[:60]!r} names no port", re.sub("(?i)::SOCKET", "::5025::SOCKET", text)
        yield Finding(
            place, wrong, "TCPIP::HOST::PORT::SOCKET, with the port of the supply's manual", nearest
        )
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
            "TCPIP::HOST::PORT::SOCKET, TCPIP::HOST::INSTR, USB::MAKER::MODEL::SERIAL::INSTR, GPIB::0::INSTR "
            "to GPIB::30::INSTR or ASRL<port>::INSTR",
        )
