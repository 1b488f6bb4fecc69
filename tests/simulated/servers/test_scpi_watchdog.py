"""The watchdog of a simulated supply: its outputs go off when it hears nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import Serve

WATCHED = {
    'charge: "MEAS:CHAR?"}': 'charge: "MEAS:CHAR?", set-watchdog: "WDOG {value}", read-watchdog: "WDOG?", '
    'clear-watchdog: "WDOG:CLE"}\n    watchdog: 20 s',
}


def test_silence_switches_off(serve: Serve, ask: Callable[..., bytes]) -> None:
    """Questions keep the output on; a second without any, and it is off."""
    served = serve(WATCHED)
    supply = served.world.supplies["main"]
    with served.connect("supply main") as connection:
        assert ask(connection, b"WDOG?\n") == b"0\n"
        assert ask(connection, b"VOLT 24;:OUTP ON\nWDOG 2\nWDOG?\n") == b"2\n"
        begun = time.monotonic()
        while time.monotonic() - begun < 2.5:
            assert ask(connection, b"OUTP?\n") == b"1\n"
            time.sleep(0.1)
        while supply.output:
            time.sleep(0.05)
        assert ask(connection, b"OUTP?\n") == b"0\n"


def test_a_shorter_patience_counts_at_once(serve: Serve, ask: Callable[..., bytes]) -> None:
    """Set anew while it waits: the new time holds, and *RST or its own command ends it."""
    served = serve(WATCHED)
    supply = served.world.supplies["main"]
    with served.connect("supply main") as connection:
        for end in (b"WDOG:CLE", b"*RST"):
            assert ask(connection, b"WDOG 600\n" + end + b"\nWDOG?\n") == b"0\n"
        assert ask(connection, b"OUTP ON\nWDOG 600\nWDOG 1\nWDOG?\n") == b"1\n"
        while supply.output:
            time.sleep(0.05)


def test_a_supply_without_one_does_not_know_the_commands(serve: Serve, ask: Callable[..., bytes]) -> None:
    """SCPI-1999 has no such command: only a stand file gives the twin one."""
    with serve().connect("supply main") as connection:
        assert ask(connection, b"WDOG 2\nSYST:ERR?\n").startswith(b"-113")
