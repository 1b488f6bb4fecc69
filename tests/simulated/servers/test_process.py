"""`python -m hilseq_sim`: one line of endpoints, then service, until it is commanded to stop."""

from __future__ import annotations

import json
import re
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hilseq_sim.__main__ import main
from hilseq_sim.process import Options

if TYPE_CHECKING:
    from tests.simulated.servers.conftest import Serve, Served

ROOT = Path(__file__).parents[3]
STAND = ["--stand", str(ROOT / "stands/sim-bench.yaml")]
UNIT = ["--unit", str(ROOT / "stands/units/rh16.yaml")]
README = ROOT / "sim/README.md"

Start = Callable[..., subprocess.Popen[bytes]]


@pytest.fixture
def start() -> Iterator[Start]:
    """Start the simulator; it does not outlive the test."""
    started: list[subprocess.Popen[bytes]] = []

    def begin(*arguments: str) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-m", "hilseq_sim", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=ROOT,
        )
        started.append(process)
        return process

    yield begin
    for process in started:
        process.kill()
        process.communicate(timeout=10)


def endpoints(process: subprocess.Popen[bytes]) -> dict[str, str]:
    assert process.stdout is not None
    ready, _, _ = select.select([process.stdout], [], [], 30)
    line = process.stdout.readline() if ready else b""
    if not line:
        pytest.fail(f"no endpoints: {process.communicate(timeout=10)[1].decode()}")
    found = json.loads(line)["endpoints"]
    assert isinstance(found, dict)
    return found


def connect(address: str) -> socket.socket:
    host, _, port = address.rpartition(":")
    return socket.create_connection((host, int(port)), timeout=60)


def test_it_serves_until_it_is_asked_to_stop(start: Start) -> None:
    process = start(*STAND, *UNIT, "--serial", "4711")
    served = endpoints(process)
    assert set(served) == {"supply main", "io rack", "link A", "port A/port 1", "port A/port 2", "clock"}
    with connect(served["clock"]) as clock:
        clock.sendall(b"advance 1\n")
        assert clock.recv(100) == b"now 1.0\n"
    process.send_signal(signal.SIGTERM)
    assert process.wait(10) == 0


def test_it_ends_with_its_parent(start: Start) -> None:
    process = start(*STAND, *UNIT, "--parent-pipe")
    endpoints(process)
    assert process.stdin is not None
    process.stdin.close()
    assert process.wait(10) == 0
    process.stdin = None


def test_interrupt_is_an_orderly_end(start: Start) -> None:
    process = start(*STAND, "--unit", f"A={ROOT / 'stands/units/rh16.yaml'}")
    endpoints(process)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=10)
    assert (process.returncode, errors) == (0, b"")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "--stand"),
        (["--stand", "no-such-file.yaml"], "no-such-file.yaml"),
        ([*STAND, "--unit", "no-such-unit.yaml"], "no-such-unit.yaml"),
        ([*STAND, *UNIT, *UNIT], "no slot is left"),
        ([*STAND, *UNIT, "--clock", "sundial"], "sundial"),
        ([*STAND, *UNIT, "--defect", "no-such-defect"], "no-such-defect"),
        ([*STAND, *UNIT, "--port", "supply main"], "supply main=5025"),
        ([*STAND, *UNIT, "--port", "supply second=5025"], "supply second"),
        ([*STAND, *UNIT, "--listen", "203.0.113.77"], "203.0.113.77"),
    ],
)
def test_bad_input_is_one_line_and_2(
    arguments: Sequence[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    output, text = capsys.readouterr()
    assert output == ""
    assert text.startswith("hilseq_sim: ")
    assert text.count("\n") == 1
    assert words in text


def test_the_program_ends_with_what_main_returns(start: Start) -> None:
    process = start()
    output, errors = process.communicate(timeout=30)
    assert (process.returncode, output) == (2, b"")
    assert errors.startswith(b"hilseq_sim: ")


def test_fixed_ports(serve: Serve) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    served = serve(options=Options(ports={"supply main": port}))
    assert served.endpoints["supply main"] == f"TCPIP::127.0.0.1::{port}::SOCKET"


def test_listening_elsewhere(serve: Serve, ask: Callable[..., bytes]) -> None:
    served = serve(options=Options(host="127.0.0.2"))
    assert served.endpoints["clock"].startswith("127.0.0.2:")
    with served.connect("clock") as clock:
        assert ask(clock, b"now\n") == b"now 0.0\n"


def test_an_empty_slot_is_wired_but_silent(serve: Serve) -> None:
    """The wiring of a slot without a unit is there, as on a real stand; nobody answers."""
    empty = (
        "  B:\n    supply: main\n    link: {address: '192.0.2.31:502'}\n"
        "    ports: {port 1: {resource: /dev/ttyUSB5}, port 9: {resource: '192.0.2.40:4001'}}\n\nloopbacks:\n"
    )
    served = serve({"\nloopbacks:\n": empty}, slots=["A"])
    assert {"link B", "port B/port 1", "port B/port 9"} <= set(served.endpoints)
    with served.connect("link B") as connection:
        connection.sendall(bytes.fromhex("0001 0000 0006 01 03 0000 0002"))
        connection.settimeout(0.1)
        with pytest.raises(TimeoutError):
            connection.recv(10)


def examples(language: str) -> list[str]:
    text = README.read_text(encoding="utf-8")
    return re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)


def test_the_readme_examples_work(served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    """Every Python example of sim/README.md runs as printed, but for the port it names."""
    programs = examples("python")
    assert len(programs) == 4
    for program in programs:
        for name, endpoint in (
            ("SUPPLY_PORT", "supply main"),
            ("IO_PORT", "io rack"),
            ("CLOCK_PORT", "clock"),
        ):
            program = re.sub(rf"{name} = \d+", f"{name} = {served.address(endpoint)[1]}", program)  # noqa: PLW2901
        exec(compile(program, str(README), "exec"), {})  # noqa: S102 - our own README
    shown = capsys.readouterr().out
    assert "Ombrella,PS-3203" in shown
    assert '-113,"Undefined header"' in shown
    assert "[0, 0, 0, 0]" in shown
    assert "exception 2" in shown
    assert "now 60.0" in shown


def test_the_readme_lists_every_command_and_function() -> None:
    from hilseq_sim.servers.modbus_pdu import _HANDLERS
    from hilseq_sim.servers.scpi_commands import COMMANDS

    text = README.read_text(encoding="utf-8")
    for command in COMMANDS:
        assert f"`{command.pattern}`" in text, f"sim/README.md does not list {command.pattern}"
    for function in _HANDLERS:
        assert re.search(rf"^\| {function}\b", text, re.MULTILINE), f"sim/README.md lacks function {function}"
