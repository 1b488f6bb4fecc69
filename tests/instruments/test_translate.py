"""Every error of the libraries becomes one of ours, by whose fault it is, with what was being done in it."""

from __future__ import annotations

import errno
import importlib
import inspect
import socket
import struct
import termios

import pytest

from hilseq.errors import (
    HilseqError,
    InstrumentError,
    InstrumentTimeout,
    InvalidResponse,
    StandFault,
    UnitFault,
    UnitInvalidResponse,
    UnitSilent,
)
from hilseq.instruments.translate import (
    KINDS,
    DecodeError,
    Exchange,
    fault,
    kind_of,
    quote,
    reported,
    reraise,
)

STAND = Exchange("supply 'main'", "TCPIP::192.0.2.10::5025::SOCKET", "MEAS:VOLT?", 2.0)
UNIT = Exchange("link of slot A", "192.0.2.30:502", "read coil 0", 1.0, responsible="unit", path="unit")
UNIT_ON_ADAPTER = Exchange("port 1", "/dev/ttyUSB0", "send 8 bytes", 1.0, responsible="unit", path="stand")

#: The modules of the libraries that define what can be raised through an exchange.
MODULES = [
    "pyvisa.errors",
    "pyvisa.rname",
    "pyvisa_py.sessions",
    "pyvisa_py.protocols.rpc",
    "pyvisa_py.protocols.vxi11",
    "pyvisa_py.protocols.xdrlib",
    "pymodbus.exceptions",
    "serial.serialutil",
]


def library_exceptions() -> list[type[Exception]]:
    """Every exception class the libraries define."""
    found: dict[str, type[Exception]] = {}
    for name in MODULES:
        for _, thing in inspect.getmembers(importlib.import_module(name), inspect.isclass):
            if issubclass(thing, Exception) and thing.__module__.split(".")[0] == name.split(".")[0]:
                found[f"{thing.__module__}.{thing.__qualname__}"] = thing
    return list(found.values())


def made(kind: type[Exception]) -> Exception:
    """Make an instance without caring for its constructor."""
    return kind.__new__(kind)


@pytest.mark.parametrize(
    "kind", library_exceptions(), ids=lambda kind: f"{kind.__module__}.{kind.__qualname__}"
)
def test_every_library_exception_has_a_translation(kind: type[Exception]) -> None:
    """A new exception class in an upgraded library fails this test until it is given a kind."""
    translated = kind_of(made(kind))
    assert translated is not None
    line = [f"{parent.__module__}.{parent.__qualname__}" for parent in kind.__mro__]
    own = [name for name in line if name in KINDS and not name.startswith("builtins.")]
    assert own, f"{kind} is only known as one of Python's own errors; give it a kind of its own"


def test_the_libraries_define_the_classes_of_the_table() -> None:
    """A name in the table that no library defines any more is a leftover."""
    for name in KINDS:
        module, _, attribute = name.rpartition(".")
        assert isinstance(getattr(importlib.import_module(module), attribute), type), name


VISA_STATUS = [
    ("error_timeout", InstrumentTimeout),
    ("error_connection_lost", InstrumentTimeout),
    ("error_resource_not_found", InstrumentTimeout),
    ("error_serial_framing", InvalidResponse),
    ("error_serial_parity", InvalidResponse),
    ("error_resource_busy", StandFault),
    ("error_invalid_resource_name", StandFault),
    ("error_nonsupported_operation", StandFault),
]


@pytest.mark.parametrize(("status", "expected"), VISA_STATUS, ids=[name for name, _ in VISA_STATUS])
def test_a_visa_status_decides_the_family(status: str, expected: type[HilseqError]) -> None:
    """The one class VisaIOError stands for many troubles; its status tells them apart."""
    from pyvisa.constants import StatusCode
    from pyvisa.errors import VisaIOError

    with pytest.raises(expected) as caught:
        reraise(VisaIOError(getattr(StatusCode, status)), STAND)
    assert type(caught.value) is expected


OWN = [
    (TimeoutError(), InstrumentTimeout, UnitSilent),
    (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), InstrumentTimeout, UnitSilent),
    (OSError(errno.EHOSTUNREACH, "no route"), InstrumentTimeout, UnitSilent),
    (OSError(errno.ENETUNREACH, "network down"), StandFault, StandFault),
    (PermissionError(errno.EACCES, "no"), StandFault, StandFault),
    (socket.gaierror(-2, "unknown name"), StandFault, StandFault),
    (DecodeError("what"), InvalidResponse, UnitInvalidResponse),
    (struct.error("short"), InvalidResponse, UnitInvalidResponse),
    (ValueError("bad"), StandFault, StandFault),
    (termios.error(22, "Invalid argument"), StandFault, StandFault),
]


@pytest.mark.parametrize(("error", "of_stand", "of_unit"), OWN, ids=[repr(error) for error, _, _ in OWN])
def test_the_owner_decides_whose_fault_it_is(
    error: Exception, of_stand: type[HilseqError], of_unit: type[HilseqError]
) -> None:
    """The same trouble blames the stand on a stand's instrument and the unit on its own link."""
    for exchange, expected in ((STAND, of_stand), (UNIT, of_unit)):
        with pytest.raises(HilseqError) as caught:
            reraise(error, exchange)
        assert type(caught.value) is expected
        assert caught.value.__cause__ is error


def test_a_lost_adapter_is_never_blamed_on_the_unit_behind_it() -> None:
    """An adapter of the stand that is pulled out is a stand fault; silence on it is the unit's."""
    import serial

    with pytest.raises(InstrumentTimeout):
        reraise(serial.SerialException("device disconnected"), UNIT_ON_ADAPTER)
    with pytest.raises(UnitSilent):
        reraise(TimeoutError(), UNIT_ON_ADAPTER)


def test_a_slip_of_our_own_stays_what_it_is() -> None:
    """A TypeError is a defect of hilseq and must not be dressed up as a fault of the stand."""
    with pytest.raises(TypeError):
        reraise(TypeError("oops"), STAND)
    ours = StandFault("already ours")
    with pytest.raises(StandFault) as caught:
        reraise(ours, STAND)
    assert caught.value is ours


def test_messages_name_instrument_resource_command_and_deadline() -> None:
    """Whoever reads it knows where to walk, what was asked and how long was waited."""
    assert str(fault("silent", "", STAND)) == (
        "supply 'main' (TCPIP::192.0.2.10::5025::SOCKET) did not answer 'MEAS:VOLT?' within 2 s; "
        "is it switched on and connected?"
    )
    assert str(fault("lost", "refused", UNIT)) == (
        "link of slot A (192.0.2.30:502) cannot be reached for 'read coil 0' (deadline 1 s): refused; "
        "is it switched on, connected, and free of other users?"
    )
    assert "gave an invalid answer to 'MEAS:VOLT?' within 2 s: 'x'" in str(fault("garbage", "'x'", STAND))


def test_a_reported_error_keeps_its_number_and_text() -> None:
    """The stand's instrument gives InstrumentError; a unit that reports an error is at fault."""
    error = reported(-222, "Data out of range", STAND)
    assert isinstance(error, InstrumentError)
    assert (error.number, error.text) == (-222, "Data out of range")
    assert str(error) == (
        "supply 'main' (TCPIP::192.0.2.10::5025::SOCKET) answered 'MEAS:VOLT?' with error -222: "
        "Data out of range"
    )
    assert isinstance(reported(2, "illegal data address", UNIT), UnitFault)


def test_hostile_text_is_made_visible_and_short() -> None:
    """An instrument can put escape codes and megabytes into a message; people get one short line."""
    shown = quote("\x1b[2J\r\n\xff" + "A" * 10000)
    assert "\x1b" not in shown
    assert shown.startswith("\\x1b[2J\\x0d\\x0a\\xff")
    assert len(shown) < 200
