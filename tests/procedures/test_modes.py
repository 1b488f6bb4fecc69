"""Mode changes of units that are none of ours: what is lost on the way is found out from the unit itself."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from hilseq.clock import WallClock
from hilseq.description.profile import Indicator, Mode, Profile
from hilseq.description.stand import OperatorActions
from hilseq.errors import UnitFault
from hilseq.instruments.register_bank import ModbusUnit
from hilseq.instruments.signals import SignalBank
from hilseq.procedures import identity
from hilseq.procedures.modes import Modes
from hilseq.procedures.operator import Nobody
from hilseq.twin import model_faults
from tests.procedures.conftest import MakeUnit
from tests.procedures.twin_unit import TwinUnit

UNIT = """
part: M1
ratings: {supply: 24 V, supply-range: 20..28 V, absolute-maximum: 30 V, current-limit: 1 A}
start: {ready-within: 3 s, idle-current: 40..60 mA}
link:
  mode: {table: holding register, address: 0, values: {stopped: 0, held: 1, live: 2}}
  mode-command: {table: holding register, address: 0, values: {stopped: 0, held: 1, live: 2}}
modes: {change-within: 500 ms}
"""
_RESET = struct.pack("ii", 1, 0)


class Controller:
    """A unit of one register that resets the connection over which it is commanded a mode, before it confirms.

    `obeys` false: it resets the connection and does nothing else. `delay`: it confirms that late, s. `loses`: so many
    commands do nothing but reset the connection. `once`: only the first is confirmed late.
    """

    def __init__(
        self,
        *,
        obeys: bool = True,
        resets: bool = True,
        delay: float = 0.0,
        loses: int = 0,
        once: bool = False,
    ) -> None:
        self.mode, self.obeys, self.resets, self.delay, self.loses = 0, obeys, resets, delay, loses
        self.once = once
        self.reported_at = 0.0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.endpoint = f"127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection:
                while (frame := connection.recv(260)) and self._answered(connection, frame):
                    pass

    def _answered(self, connection: socket.socket, frame: bytes) -> bool:
        if frame[7] == 3:
            pdu = bytes([3, 2, 0, self.mode])
        else:
            self.reported_at = time.monotonic()
            self.loses -= 1
            self.mode = frame[-1] if self.obeys and self.loses < 0 else self.mode
            if self.resets or self.loses >= 0:
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
                return False
            time.sleep(self.delay)
            self.delay *= not self.once
            pdu = frame[7:]
        connection.sendall(frame[:4] + struct.pack(">H", len(pdu) + 1) + frame[6:7] + pdu)
        return True

    def stop(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(5)


def _modes(controller: Controller, said: list[str], within: str = "500 ms") -> tuple[Modes, ModbusUnit]:
    profile = Profile.model_validate(yaml.safe_load(UNIT.replace("500 ms", within)))
    clock = WallClock()
    link = ModbusUnit.over_tcp("link", controller.endpoint, deadline=0.5, responsible="unit", place="link")
    modes = Modes(
        "A",
        profile,
        link=link,
        link_deadline=0.5,
        signals=SignalBank({}, {}, clock),
        contacts={},
        operator=Nobody(),
        texts=OperatorActions(),
        clock=clock,
        event=lambda what, _: said.append(what),
    )
    return modes, link


@pytest.fixture
def controllers() -> Iterator[list[Controller]]:
    """Controllers, stopped with the test."""
    made: list[Controller] = []
    yield made
    for controller in made:
        controller.stop()


def test_a_unit_that_begins_its_link_anew_with_the_mode_has_followed(controllers: list[Controller]) -> None:
    """The confirmation is lost with the connection; the mode register tells that the command was carried out."""
    controllers.append(Controller())
    said: list[str] = []
    modes, link = _modes(controllers[0], said)
    assert modes.move_to(Mode.LIVE).value < 0.5
    assert said == ["mode command not confirmed", "mode"]
    link.close()


def test_a_command_that_was_lost_with_the_connection_is_given_again(controllers: list[Controller]) -> None:
    """One that nobody confirmed, and that did nothing, may never have reached the unit."""
    controllers.append(Controller(resets=False, loses=1))
    said: list[str] = []
    modes, link = _modes(controllers[0], said)
    assert modes.move_to(Mode.LIVE).value < 0.5
    assert said == ["mode command not confirmed", "mode"]
    link.close()


def test_a_unit_that_only_resets_its_link_has_not(controllers: list[Controller]) -> None:
    """A lost confirmation excuses no mode that is not there."""
    controllers.append(Controller(obeys=False))
    modes, link = _modes(controllers[0], [])
    with pytest.raises(UnitFault, match="was commanded to be live but reports stopped"):
        modes.move_to(Mode.LIVE)
    link.close()


def test_a_time_that_a_slow_answer_hides_is_taken_again(controllers: list[Controller]) -> None:
    """Of a unit that is in the mode already, too: the command is given once more, and answered at once."""
    controllers.append(Controller(resets=False, delay=0.3, once=True))
    modes, link = _modes(controllers[0], [], "250 ms")
    assert modes.time_to(Mode.STOPPED).expanded_uncertainty < 0.1
    link.close()


def test_a_slow_confirmation_hides_nothing_of_the_time_to_change(controllers: list[Controller]) -> None:
    """The unit acts somewhere between the command and its confirmation: the time says so by its uncertainty."""
    controllers.append(Controller(resets=False, delay=0.3))
    modes, link = _modes(controllers[0], [])
    took = modes.move_to(Mode.LIVE)
    assert took.value == pytest.approx(0.15, abs=0.1)
    assert took.standard_uncertainty == pytest.approx(0.3 / 12**0.5, abs=0.05)
    link.close()


def test_a_time_that_a_slow_answer_leaves_open_is_measured_again(make: MakeUnit) -> None:
    """Answers of up to 300 ms: one change may be known to 0.4 s only, of several the best is clear of the limit."""
    changes = {"modes.change-within": "0.5 s"}
    made = make(stand_changes={"twin": {"answer": "1..300 ms"}}, changes=changes)
    for mode in (Mode.LIVE, Mode.HELD, Mode.LIVE, Mode.STOPPED):
        took = made.unit.modes.time_to(mode)
        assert took.value + took.expanded_uncertainty <= 0.5 or took.expanded_uncertainty <= 0.125
        assert made.unit.modes.reported() is mode


def test_nothing_is_sent_to_a_unit_that_is_idle_already(good: TwinUnit) -> None:
    """Bringing it back costs exchanges only where something was commanded or driven since."""
    unit = good.unit
    unit.return_to_idle()
    sent, written = unit.link.commands, good.bench.signals.writes
    unit.return_to_idle()
    assert (unit.link.commands, good.bench.signals.writes) == (sent, written)
    unit.modes.move_to(Mode.LIVE)
    unit.outputs.command(unit.outputs.names[0])
    unit.return_to_idle()
    assert unit.modes.reported() is unit.profile.modes.at_start
    assert not any(unit.outputs.sensed().values())


def test_a_unit_that_leaves_its_mode_by_itself_has_not_stayed(make: MakeUnit) -> None:
    """Nothing was sent to it: whoever asks then is told, once, and it is put back."""
    made = make("mode-unreachable@live,after=60s")
    unit = made.unit
    unit.modes.move_to(Mode.LIVE)
    unit.assert_stayed()
    made.clock.sleep(90.0)
    with pytest.raises(UnitFault, match="was live and reports stopped, though nothing was sent") as caught:
        unit.assert_stayed()
    assert caught.value.places == ("mode live",)
    unit.assert_stayed()
    unit.return_to_idle()
    assert unit.modes.reported() is unit.profile.modes.at_start
    unit.assert_stayed()


def test_a_lamp_that_is_wrong_in_one_mode_only_is_found_there(make: MakeUnit) -> None:
    """The unit goes through its modes, and what it shows and reports is held against its being well in each."""
    made = make("lamp-dark-when-live", defect_files=(Path(__file__).with_name("unit_faults.py"),))
    with pytest.raises(UnitFault, match="its indicator shows dark in mode live") as caught:
        identity.assert_tells_its_state(made.unit)
    assert caught.value.places == ("indicator",)


def test_a_unit_that_does_not_report_its_outputs_enabled_is_found(make: MakeUnit) -> None:
    """The register keeps what was first read of it, stopped: with the outputs live it is wrong."""
    made = make("stuck-register-outputs-enabled@mode", defect_files=(model_faults(),))
    with pytest.raises(UnitFault, match="reports its outputs not enabled in mode live") as caught:
        identity.assert_tells_its_state(made.unit)
    assert caught.value.places == ("mode live",)


def test_a_lamp_that_blinks_counts_as_lit_where_the_profile_says_so(make: MakeUnit) -> None:
    """Dark for a second of seven: it is looked at for its whole period, and a look at once says nothing."""
    faults = (Path(__file__).with_name("unit_faults.py"),)
    made = make("reads-wrong", defect_files=faults, changes={"indicator.blinks": "2 s"})
    assert made.unit.indicator_on_stand(at_once=True) is None
    for _ in range(8):
        assert made.unit.indicator_on_stand() is Indicator.HEALTHY
        made.clock.sleep(0.9)
