"""The address of an instrument in one spelling, whatever the stand file writes: it tells whether two are one."""

from __future__ import annotations

import ipaddress
import os
import re
import socket
from contextlib import suppress

from hilseq.description.checks.stand_file import Address

#: Ways into one and the same instrument: the LAN device of VXI-11, that of HiSLIP, and the ports that IANA's
#: registry of service names gives to SCPI (scpi-raw 5025, scpi-telnet 5024) and to HiSLIP (hislip 4880).
_ONE_INSTRUMENT = ("instr", "inst0", "hislip0", "hislip0,4880", "5025", "5024", "4880")
_THIS_COMPUTER = "127.0.0.1"
#: A number of a VISA resource: up to 16 bits, in hexadecimal too.
_NUMBER = re.compile(r"0X([0-9A-F]{1,8})|([0-9]{1,10})", re.ASCII | re.IGNORECASE)
#: Place of what is no number although it may look like one: USB::MAKER::MODEL::SERIAL (VPP-4.3).
_USB_SERIAL = 3


def one_spelling(address: Address, *, looked_up: bool = True) -> str:
    """Return the address of an instrument in one spelling; `looked_up`: names of hosts by their IP address."""
    if address.host:
        over = f"{address.protocol}://" if address.protocol else ""
        end = _number(address.end)
        end = "instrument" if end in _ONE_INSTRUMENT and not over else end
        host = _ip_address(address.host.strip("[]").rstrip("."), looked_up=looked_up)
        return f"{over}[{host}]:{end}" if ":" in host else f"{over}{host}:{end}"
    if os.sep in address.end:
        return os.path.realpath(address.end)
    if "::" in address.end:
        from pyvisa.rname import to_canonical_name

        with suppress(ValueError):
            fields = to_canonical_name(address.end).upper().split("::")
            serial = _USB_SERIAL if fields[0].startswith("USB") else None
            return "::".join(field if n == serial else _number(field) for n, field in enumerate(fields))
    return address.end.upper()


def _number(text: str) -> str:
    """Return a number in one spelling, whether it is written with 0x or zeros before it; other text as it is."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        return text
    return str(int(match[1], 16) if match[1] else int(match[2]))


def _ip_address(host: str, *, looked_up: bool) -> str:
    """Return the IP address of a host; its own name where nobody knows it, or is asked."""
    try:
        return _one_address(host)
    except ValueError:
        if not looked_up:
            return host
    try:
        found = {
            _one_address(str(one[4][0])) for one in socket.getaddrinfo(host, None, proto=socket.IPPROTO_TCP)
        }
        return min(found, key=lambda address: (":" in address, address))
    except (OSError, UnicodeError, ValueError):
        return host


def _one_address(text: str) -> str:
    """Return an IP address in one spelling. Raises ValueError.

    An IPv4 address written as IPv6 is that address (RFC 4291, 2.5.5.2); whoever connects to the unspecified address
    reaches this computer (common practice of its network stack, no source), as by the loopback address of either kind.
    """
    address = ipaddress.ip_address(text)
    plain = getattr(address, "ipv4_mapped", None) or address
    return _THIS_COMPUTER if plain.is_unspecified or str(plain) == "::1" else str(plain)
