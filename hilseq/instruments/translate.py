"""The one place where errors of the libraries become ours.

Knows every exception class that pyvisa, pyvisa-py, pymodbus, pyserial and the operating system raise
through an exchange, by name, so that no library is imported for the sake of its errors. Must not know what
was asked or why: the caller hands over an `Exchange` that says it in words.

Each class has a *kind*, and the kind with who is at the far end decides the family:

    kind      meaning                                        of the stand        of the unit
    silent    the deadline passed                            InstrumentTimeout    UnitSilent
    lost      refused, reset, closed, unplugged              InstrumentTimeout    UnitSilent, see `path`
    garbage   an answer that cannot be understood            InvalidResponse   UnitInvalidResponse
    local     this computer cannot do it (no such port)      StandFault          StandFault
    misuse    the library or its set-up is at fault          StandFault          StandFault

`path` says whose the wire is: a serial adapter that is pulled out is the stand's fault even when the unit
is on its far end, while a unit's own network server that refuses is a silent unit.
"""

from __future__ import annotations

import errno
import re
from dataclasses import dataclass
from typing import Literal, NoReturn

from hilseq.errors import (
    HilseqError,
    InstrumentError,
    InstrumentTimeout,
    InvalidResponse,
    StandFault,
    UnitInvalidResponse,
    UnitRefused,
    UnitSilent,
)

Responsible = Literal["stand", "unit"]
Kind = Literal["silent", "lost", "garbage", "local", "misuse"]

#: Longest piece of somebody else's text that is quoted in a message.
LONGEST_QUOTE = 120
#: Longest explanation, which may hold such a piece.
LONGEST_DETAIL = 300


class DecodeError(ValueError):
    """An answer that cannot be understood: raised by the pure parsers, which know no instrument."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """What was being attempted, in the words of the message.

    `deadline` is in seconds. `responsible` is who is on the far end, `path` whose wire leads there.
    """

    name: str
    resource: str
    command: str
    deadline: float
    responsible: Responsible = "stand"
    path: Responsible = "stand"
    place: str | None = None


#: Class by module and name -> kind. The nearest class in the error's own line of descent counts.
KINDS: dict[str, Kind] = {
    # ours
    "hilseq.instruments.translate.DecodeError": "garbage",
    # Python and the operating system; OSError itself is looked at by its number, see _LOST
    "builtins.TimeoutError": "silent",
    "builtins.ConnectionError": "lost",
    "builtins.EOFError": "lost",
    "builtins.OSError": "local",
    "socket.gaierror": "local",
    "socket.herror": "local",
    "builtins.UnicodeError": "garbage",
    "builtins.ValueError": "misuse",
    "builtins.NotImplementedError": "misuse",
    "struct.error": "garbage",
    "termios.error": "local",
    # pyvisa; VisaIOError is looked at by its status, see _VISA
    "pyvisa.errors.VisaIOError": "misuse",
    "pyvisa.errors.Error": "misuse",
    "pyvisa.errors.LibraryError": "local",
    "pyvisa.errors.InvalidBinaryFormat": "garbage",
    "pyvisa.errors.InvalidSession": "lost",
    "pyvisa.errors.VisaIOWarning": "misuse",
    "pyvisa.rname.InvalidResourceName": "misuse",
    # pyvisa-py
    "pyvisa_py.sessions.OpenError": "lost",
    "pyvisa_py.sessions.UnknownAttribute": "misuse",
    "pyvisa_py.protocols.rpc.RPCError": "garbage",
    "pyvisa_py.protocols.vxi11.Vxi11Error": "garbage",
    "pyvisa_py.protocols.xdrlib.Error": "garbage",
    # pyserial
    "serial.serialutil.SerialException": "lost",
    "serial.serialutil.SerialTimeoutException": "silent",
    # pymodbus
    "pymodbus.exceptions.ModbusException": "misuse",
    "pymodbus.exceptions.ModbusIOException": "garbage",
    "pymodbus.exceptions.ConnectionException": "lost",
}

#: Numbers of a plain OSError that mean: the far end is gone. The others are trouble of this computer.
_LOST = frozenset({errno.EHOSTUNREACH, errno.EHOSTDOWN, errno.EIO, errno.ENXIO, errno.ENODEV})

#: Status of a VisaIOError -> kind; the rest is misuse.
_VISA: dict[str, Kind] = {
    "VI_ERROR_TMO": "silent",
    "VI_ERROR_CONN_LOST": "lost",
    "VI_ERROR_RSRC_NFOUND": "lost",
    "VI_ERROR_RSRC_BUSY": "local",
    "VI_ERROR_RSRC_LOCKED": "local",
    "VI_ERROR_IO": "lost",
    "VI_ERROR_NLISTENERS": "lost",
    "VI_ERROR_SYSTEM_ERROR": "lost",
    "VI_ERROR_INV_OBJECT": "lost",
    "VI_ERROR_ASRL_PARITY": "garbage",
    "VI_ERROR_ASRL_FRAMING": "garbage",
    "VI_ERROR_ASRL_OVERRUN": "garbage",
}


def _raised_in(error: BaseException, package: str) -> bool:
    """Return whether an error comes from the inside of a package: from the frame in which it was raised."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    module: object = trace.tb_frame.f_globals.get("__name__", "") if trace is not None else ""
    return str(module).split(".")[0] == package


def kind_of(error: BaseException) -> Kind | None:
    """Return the kind of a library's error, or None when it is not one (a slip of our own, an interrupt)."""
    for parent in type(error).__mro__:
        name = f"{parent.__module__}.{parent.__qualname__}"
        if name == "pyvisa.errors.VisaIOError":
            return _VISA.get(getattr(error, "abbreviation", ""), "misuse")
        if name == "builtins.OSError" and getattr(error, "errno", None) in _LOST:
            return "lost"
        if name in KINDS:
            return KINDS[name]
    if isinstance(error, Exception) and _raised_in(error, "pyvisa_py"):
        # It says `could not connect` with the bare Exception, `dropped by server` with RuntimeError, and
        # asserts what an instrument should have answered.
        return "lost" if re.search("connect|dropped", str(error)) else "garbage"
    return None


def quote(text: str, longest: int = LONGEST_QUOTE) -> str:
    """Return somebody else's text on one line, hostile characters visible, not too long."""
    shown = text[: longest + 1].encode("ascii", "backslashreplace").decode("ascii")
    shown = "".join(char if char.isprintable() else f"\\x{ord(char):02x}" for char in shown)
    return shown if len(shown) <= longest else f"{shown[:longest]}... ({len(text)} characters)"


def _sentence(kind: Kind, detail: str, exchange: Exchange) -> str:
    who, what = f"{exchange.name} ({exchange.resource})", quote(exchange.command)
    within = f"within {exchange.deadline:g} s"
    sentences: dict[Kind, str] = {
        "silent": f"{who} did not answer {what!r} {within}; is it switched on and connected?",
        "lost": f"{who} cannot be reached for {what!r} (deadline {exchange.deadline:g} s): {detail}; "
        "is it switched on, connected, and free of other users?",
        "garbage": f"{who} gave an invalid answer to {what!r} {within}: {detail}",
        "local": f"{who} cannot be used from this computer for {what!r} "
        f"(deadline {exchange.deadline:g} s): {detail}; check the stand file and the permissions",
        "misuse": f"{who}: {what!r} (deadline {exchange.deadline:g} s) is not possible: {detail}",
    }
    return sentences[kind]


def fault(kind: Kind, detail: str, exchange: Exchange) -> HilseqError:
    """Return the error of ours for a kind of trouble. `detail` is quoted, so it may be hostile."""
    message, place = _sentence(kind, quote(detail, LONGEST_DETAIL), exchange), exchange.place
    if kind in ("local", "misuse"):
        return StandFault(message, place=place)
    of_unit = exchange.responsible == "unit" and not (kind == "lost" and exchange.path == "stand")
    if kind == "garbage":
        return UnitInvalidResponse(message, place=place) if of_unit else InvalidResponse(message, place=place)
    return UnitSilent(message, place=place) if of_unit else InstrumentTimeout(message, place=place)


def reraise(error: Exception, exchange: Exchange) -> NoReturn:
    """Raise our error for a library's, the library's kept as its cause.

    An error that is none of theirs (ours already, or a slip in our own code) is raised as it is. Call it from
    an `except` clause.
    """
    kind = None if isinstance(error, HilseqError) else kind_of(error)
    if kind is None:
        raise error
    raise fault(kind, str(error) or type(error).__name__, exchange) from error


def reported(number: int, text: str, exchange: Exchange, hint: str = "") -> HilseqError:
    """Return the error for an instrument that answered by reporting an error of its own.

    A unit that does so is at fault (UnitRefused); an instrument of the stand gives InstrumentError.
    """
    message = (
        f"{exchange.name} ({exchange.resource}) answered {quote(exchange.command)!r} "
        f"with error {number}: {quote(text)}{hint}"
    )
    if exchange.responsible == "unit":
        return UnitRefused(message, number=number, text=text, place=exchange.place)
    return InstrumentError(message, number=number, text=text, place=exchange.place)
