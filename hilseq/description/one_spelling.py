"""The address of an instrument in one spelling, whatever the stand file writes: it tells whether two are one."""

from __future__ import annotations

import ipaddress
import os
import socket

from hilseq.description.checks.stand_file import Address

#: Ways into one and the same instrument: the LAN device of VXI-11, that of HiSLIP, and the ports that IANA's
#: registry of service names gives to SCPI (scpi-raw 5025, scpi-telnet 5024) and to HiSLIP (hislip 4880).
_ONE_INSTRUMENT = ("instr", "inst0", "hislip0", "5025", "5024", "4880")


def one_spelling(address: Address, *, looked_up: bool = True) -> str:
    """Return the address of an instrument in one spelling; `looked_up`: names of hosts by their IP address."""
    if address.host:
        over = f"{address.protocol}://" if address.protocol else ""
        end = "instrument" if address.end in _ONE_INSTRUMENT and not over else address.end
        host = _ip_address(address.host.strip("[]"), looked_up=looked_up)
        return f"{over}[{host}]:{end}" if ":" in host else f"{over}{host}:{end}"
    if os.sep in address.end:
        return os.path.realpath(address.end)
    if "::" in address.end:
        from pyvisa.rname import to_canonical_name

        try:
            return to_canonical_name(address.end).upper()
        except ValueError:
            pass
    return address.end.upper()


def _ip_address(host: str, *, looked_up: bool) -> str:
    """Return the IP address of a host; its own name where nobody knows it, or is asked."""
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        if not looked_up:
            return host
    try:
        return min(str(found[4][0]) for found in socket.getaddrinfo(host, None, proto=socket.IPPROTO_TCP))
    except (OSError, UnicodeError):
        return host
