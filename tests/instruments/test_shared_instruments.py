"""Outputs of one instrument: one connection, each named for itself, spoken to alike."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import closing

import pytest

from hilseq.description.checks.stand_file import addresses_are_unique
from hilseq.description.drivers import DriverAddress, findings_of_drivers
from hilseq.description.modbus import ModbusIo
from hilseq.description.scpi import ScpiSupply
from hilseq.description.stand import Stand
from hilseq.errors import InstrumentTimeout
from hilseq.instruments.scpi_supply import open_outputs
from hilseq.lease.addresses import instruments_of


@pytest.fixture
def mute() -> Iterator[str]:
    """Return the resource of a server that accepts and never answers."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        yield f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"


def _described(resource: str, output: int, **keys: object) -> dict[str, object]:
    return {
        "resource": resource,
        "output": output,
        "ceilings": {"voltage": "30 V", "current": "1 A"},
        "deadline": "100 ms",
        **keys,
    }


def _stand(first: dict[str, object], second: dict[str, object]) -> Stand:
    return Stand.model_validate(
        {
            "stand": "two",
            "supplies": {"p1": first, "p2": second},
            "slots": {"A": {"supply": "p1", "link": {"address": "127.0.0.1:1"}}},
        }
    )


def test_each_output_is_named_for_itself(mute: str) -> None:
    """Whoever asks is named, in message and places, whichever of the two is asked first or last."""
    supplies = {f"p{n}": ScpiSupply.model_validate(_described(mute, n)) for n in (1, 2)}
    outputs = open_outputs(supplies)
    for name in ("p2", "p1", "p2"):
        with closing(outputs[name]), pytest.raises(InstrumentTimeout, match=rf"^supply {name} ") as caught:
            outputs[name].identify()
        assert caught.value.places == (f"supply {name}",)
        outputs[name].ask_measurement()
        with pytest.raises(InstrumentTimeout, match=rf"^supply {name} "):
            outputs[name].answer_measurement()


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("TCPIP::127.0.0.1::inst0::INSTR", "TCPIP::127.0.0.1::5025::SOCKET"),
        ("TCPIP::127.0.0.1::7001::SOCKET", "tcpip0::127.0.0.1::7001::socket"),
    ],
)
def test_one_instrument_has_one_session_and_one_lock(first: str, second: str) -> None:
    """By whatever way it is reached: what the lease holds as one is opened as one."""
    stand = _stand(_described(first, 1), _described(second, 2))
    assert len(instruments_of(stand)) == 1
    outputs = open_outputs({name: one for name, one in stand.supplies.items() if isinstance(one, ScpiSupply)})
    assert outputs["p1"]._session is outputs["p2"]._session


@pytest.mark.parametrize(
    ("key", "value"),
    [("deadline", "300 ms"), ("read-termination", "\r"), ("write-termination", "\r"), ("echo", True)],
)
def test_outputs_of_one_instrument_are_spoken_to_alike(key: str, value: object) -> None:
    """They share one connection, which has one of each: `inspect` refuses two, at the second."""
    resource = "TCPIP::192.0.2.1::5025::SOCKET"
    assert not findings_of_drivers(_stand(_described(resource, 1), _described(resource, 2)))
    (found,) = findings_of_drivers(_stand(_described(resource, 1), _described(resource, 2, **{key: value})))
    assert found.place == ("supplies", "p2", key)
    assert f"`{key}` differs from that of supply p1" in found.wrong
    apart = _stand(_described(resource, 1), _described("TCPIP::192.0.2.2::5025::SOCKET", 2, **{key: value}))
    assert not findings_of_drivers(apart)


def test_another_way_to_the_same_output_is_refused() -> None:
    """Two supplies would switch one output."""
    one, other = "TCPIP::192.0.2.1::inst0::INSTR", "TCPIP::192.0.2.1::5025::SOCKET"
    (found,) = findings_of_drivers(_stand(_described(one, 1), _described(other, 1)))
    assert found.place == ("supplies", "p2", "resource")
    assert "another way to the same output" in found.wrong


class UdpIo(ModbusIo):
    """An io that is reached over UDP."""

    def addresses(self) -> tuple[DriverAddress, ...]:
        """Its address."""
        return (DriverAddress("address", self.address or "", protocol="udp"),)


def test_ports_of_udp_are_others_than_those_of_tcp() -> None:
    """One number of each may be used by two devices at one host; two of one protocol are one address."""
    stand = _stand(
        _described("TCPIP::192.0.2.1::7001::SOCKET", 1), _described("TCPIP::192.0.2.2::7001::SOCKET", 1)
    )
    io = {"driver": "modbus", "address": "192.0.2.1:7001"}
    stand.io["meter"] = UdpIo.model_validate(io)
    assert not list(addresses_are_unique(stand))
    assert len(instruments_of(stand)) == 3
    stand.io["meter"] = ModbusIo.model_validate(io)
    (found,) = addresses_are_unique(stand)
    assert "io meter has the same address as supply p1" in found.wrong
