"""A supply that greets, or echoes each command: what it sends besides its answers is never taken for one."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from threading import Thread
from typing import TYPE_CHECKING, Any

import pytest

from hilseq.clock import WallClock
from hilseq.description.stand import Stand
from hilseq.description.supplies import Supply
from hilseq.errors import InstrumentTimeout, InvalidResponse, NotSafe
from hilseq.instruments.scpi import BannerEcho
from hilseq.instruments.supply import PowerSupply, open_supplies
from hilseq.instruments.visa import VisaSession
from hilseq.procedures.bench import Bench as WholeBench
from tests.instruments.conftest import Serve, SteppedClock, lines
from tests.instruments.supply_bench import Bench

if TYPE_CHECKING:
    from tests.instruments.conftest import RawServer

DEADLINE = 1.5  # long beside what a busy machine adds to an answer
WELCOME = "WELCOME TO PX-24"

Make = Callable[..., PowerSupply]


@pytest.fixture
def talkative(serve: Serve, bench: Bench) -> Callable[..., RawServer]:
    """Serve the small supply behind a greeting, an echo, or both."""

    def start(
        *,
        greeting: str = "",
        more: tuple[bytes, ...] = (),
        pause: float = 0.0,
        echo: Callable[[str], str] | None = None,
    ) -> RawServer:
        def handler(connection: socket.socket, _: int) -> None:
            if greeting:
                time.sleep(0.05)  # it greets when it has noticed its client
                connection.sendall(greeting.encode() + b"\r\n")
                for piece in more:
                    time.sleep(pause)
                    connection.sendall(piece)
            for line in lines(connection):
                answer = bench(line)
                said = [] if echo is None else [echo(line)]
                said += [] if answer is None else [answer]
                connection.sendall("".join(text + "\r\n" for text in said).encode())

        return serve(handler)

    return start


@pytest.fixture
def supply(clock: SteppedClock) -> Iterator[Make]:
    made: list[PowerSupply] = []

    def build(server: RawServer, **quirks: int) -> PowerSupply:
        described: dict[str, Any] = {
            "resource": server.resource,
            "ceilings": {"voltage": "32 V", "current": "3 A"},
            "deadline": f"{DEADLINE} s",
            "read-termination": "\r\n",
        }
        made.append(open_supplies({"main": Supply.model_validate(described | quirks)}, clock)["main"])
        return made[-1]

    yield build
    for each in made:
        each.close()


def test_a_supply_that_greets_and_echoes_works_like_another(
    talkative: Callable[..., RawServer], supply: Make, bench: Bench
) -> None:
    """Prepare, power, measure by both ways of asking, off; a connection that broke in between greets again."""
    server = talkative(greeting=WELCOME, echo=str)
    main = supply(server, greeting=True, echo=True)
    assert str(main.identify()).startswith("ACME, PS-1")
    main.prepare(30.0, 0.5)
    main.set(24.0, 0.45)
    main.on()
    assert main.voltage().value == pytest.approx(24.001)
    server.connections[0].shutdown(socket.SHUT_RDWR)
    main.ask_both()
    assert main.answer_both() == pytest.approx((24.001, 0.25))
    main.power_off()
    assert not bench.on
    assert len(server.connections) == 2


def test_two_outputs_of_one_such_instrument_share_one_connection(
    talkative: Callable[..., RawServer], bench: Bench
) -> None:
    """What `hilseq safe` and the guard do on a stand: one greeting, and every output off."""
    server = talkative(greeting=WELCOME, echo=str)
    described = {
        "resource": server.resource,
        "ceilings": {"voltage": "32 V", "current": "3 A"},
        "greeting": True,
        "echo": True,
    }
    slots = {name: {"supply": name, "link": {"address": "127.0.0.1:9"}} for name in ("left", "right")}
    supplies = {"left": described, "right": described | {"output": 2}}
    stand = Stand.model_validate({"stand": "two", "supplies": supplies, "slots": slots})
    whole = WholeBench(stand, {}, {}, WallClock(), lambda _what, _text, _slot: None)
    whole.make_safe()
    whole.close()
    assert not bench.on
    assert bench.heard.count("OUTP OFF") >= len(supplies)
    assert len(server.connections) == 1


def test_a_greeting_nobody_declared_keeps_it_from_being_made_safe(
    talkative: Callable[..., RawServer], supply: Make
) -> None:
    """What a technician saw before the key existed, and still sees without it: the greeting, in words."""
    main = supply(talkative(greeting=WELCOME))
    with pytest.raises(NotSafe, match=rf"'{WELCOME}' .*switch it off by hand"):
        main.power_off(within=0.2)


def test_a_greeting_that_does_not_come_keeps_nobody_from_switching_off(
    talkative: Callable[..., RawServer], supply: Make, bench: Bench
) -> None:
    """A supply that greets no more, after an update say, costs one deadline, and is off all the same."""
    main = supply(talkative(), greeting=True)
    main.power_off()
    assert not bench.on


@pytest.mark.parametrize(
    ("greeting", "more", "pause"),
    [
        (True, (b"1.02\r\n", b"7\r\n"), 0.02),
        (3, (b"1.02\r\n", b"7\r\n"), 0.15),
        (2, (b"1.02\r\n7\r\n",), 0.0),
        (True, (b"\xff\xfb\x01\r\n", b"7> "), 0.0),
    ],
    ids=["lines close together", "lines far apart", "one line too few reported", "a prompt without an end"],
)
def test_no_line_of_a_greeting_is_an_answer(
    talkative: Callable[..., RawServer],
    supply: Make,
    greeting: int,
    more: tuple[bytes, ...],
    pause: float,
) -> None:
    """Not even one that could be a reading: the first thing asked is measured."""
    server = talkative(greeting=WELCOME, more=more, pause=pause)
    main = supply(server, greeting=greeting)
    assert [reading.value for reading in main.both()] == [12.001, 0.25]
    server.connections[0].shutdown(socket.SHUT_RDWR)
    main.ask_both()
    assert main.answer_both() == (12.001, 0.25)
    assert len(server.connections) == 2


def test_a_greeting_without_end_is_waited_for_no_longer_than_the_deadline(
    serve: Serve, supply: Make, bench: Bench
) -> None:
    """A supply that talks all the time is reported off to, and found out."""

    def babbles(connection: socket.socket, _: int) -> None:
        def talk() -> None:
            with suppress(OSError):
                while True:
                    connection.sendall(b"24.001\r\n")
                    time.sleep(0.01)

        Thread(target=talk, daemon=True).start()
        for line in lines(connection):
            bench(line)

    bench.on = True
    main = supply(serve(babbles), greeting=2)
    with pytest.raises(NotSafe):
        main.power_off(within=0.1)
    until = time.monotonic() + 60.0
    while bench.on and time.monotonic() < until:  # it has been sent; who reads it is a thread of this test
        time.sleep(0.01)
    assert not bench.on


def test_who_hangs_up_instead_of_greeting_is_not_there(serve: Serve, supply: Make) -> None:
    """A refused client learns it at once, not after a deadline."""
    main = supply(serve(lambda *_: None), greeting=True)
    with pytest.raises(InstrumentTimeout, match="closed by the far end"):
        main.identify()


def test_another_line_is_no_echo(talkative: Callable[..., RawServer], supply: Make) -> None:
    """A line that garbles what is said to it is not believed a word."""
    main = supply(talkative(echo=lambda line: line.replace("I", "1")), echo=True)
    with pytest.raises(InvalidResponse, match=r"'\*1DN\?' came instead of the echo of the command"):
        main.identify()


def test_an_answer_in_place_of_the_echo_is_found_when_it_is_identified(
    talkative: Callable[..., RawServer], supply: Make
) -> None:
    """`echo: true` for a supply that echoes nothing: the answer that came is reported."""
    main = supply(talkative(), echo=True)
    with pytest.raises(InvalidResponse, match=r"'ACME,PS-1,4711,1.02' came instead of the echo"):
        main.identify()


def test_an_echo_nobody_declared_is_recognized(talkative: Callable[..., RawServer], supply: Make) -> None:
    """The message names the key that the stand file lacks."""
    main = supply(talkative(echo=str))
    with pytest.raises(InvalidResponse, match=r"sent the question itself back.* `echo: true`"):
        main.identify()


def test_an_answer_after_its_echo_is_waited_for_no_longer_than_the_deadline(
    serve: Serve,
) -> None:
    """Echo and answer share one deadline: a supply that echoes and then dies is silent in time."""

    def dies(connection: socket.socket, _: int) -> None:
        for line in lines(connection):
            time.sleep(0.6 * DEADLINE)
            connection.sendall(line.encode() + b"\n")

    server = serve(dies)
    with (
        VisaSession(
            server.resource, name="supply main", deadline=DEADLINE, chatter=BannerEcho(echo=True)
        ) as visa,
        pytest.raises(InstrumentTimeout, match="did not answer"),
    ):
        visa.query("MEAS:VOLT?")
