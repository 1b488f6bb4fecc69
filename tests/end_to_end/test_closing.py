"""What breaks during a visit is found at its end, and what the unit stored meanwhile at the next look."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.twin import model_faults
from tests.end_to_end.conftest import ROOT, MakeVisit

WAIT = """
from hilseq import Clock, Unit


def test_time_passes(ready_unit: Unit, clock: Clock) -> None:
    clock.sleep(120.0)
"""
#: Each is there only after the check of its own stage has passed.
LATE = {
    "output-stuck-off@q05": "q05",
    "input-stuck-on@i03": "i03",
    "analog-offset@ai2,severity=1": "ai2",
    "analog-dead@ao1": "ao1",
    "port-dead@port 2": "port 2",
    "battery-low,severity=1": "battery",
    "configuration-bit-wrong": "configuration",
    "neighbour-missing@neighbour 2": "neighbour 2",
    "wrong-firmware": "identity",
    "mode-unreachable@mode held": "mode held",
    "idle-current-high,severity=1": "supply",
    "clock-stopped": "clock",
    "fault-returns,code=0x22,for=5s": "head",
}


def sequences(tmp_path: Path, *names: str) -> list[str]:
    """Return the paths of shipped sequences, and of one in which two minutes pass."""
    wait = tmp_path / "test_91_wait.py"
    wait.write_text(WAIT, encoding="utf-8")
    return [*(str(ROOT / "sequences" / f"test_{name}.py") for name in names), str(wait)]


def test_what_breaks_during_the_visit_is_found_at_its_end(visit: MakeVisit, tmp_path: Path) -> None:
    """Thirteen defects that begin after everything was checked: each has its place among the findings."""
    after = [f"--defect={spec},after=60s" for spec in LATE]
    early = sequences(tmp_path, "20_identity", "30_stored_faults", "40_configuration")
    shipped = visit(*early, *after, name="without")
    assert not shipped.places
    done = visit(*early, str(ROOT / "sequences" / "test_99_closing.py"), *after)
    assert set(LATE.values()) <= done.places, done.out[-3000:]


def test_an_output_that_comes_to_disturb_a_port_is_found_at_the_end(visit: MakeVisit, tmp_path: Path) -> None:
    """Each is right alone: the frames at the end are lost because every output is on beside them."""
    early = sequences(tmp_path, "20_identity", "30_stored_faults")
    done = visit(
        *early,
        str(ROOT / "sequences" / "test_99_closing.py"),
        f"--defects={model_faults()}",
        "--defect=coupling-output-port@q04+port 2,after=60s",
    )
    assert done.places == {"port 2"}, done.out[-3000:]


@pytest.mark.parametrize("kind", ["link-loses", "link-misnumbers"])
def test_what_a_link_does_now_and_then_is_reported_of_the_link_and_of_nothing_else(
    visit: MakeVisit, kind: str
) -> None:
    """One exchange in twenty goes wrong: the points that were being read are right, and nobody is blamed."""
    shipped = ("20_identity", "30_stored_faults", "75_analog", "99_closing")
    done = visit(
        *(str(ROOT / "sequences" / f"test_{name}.py") for name in shipped), f"--defect={kind},severity=0.5"
    )
    assert done.places == {"link"}, done.out[-3000:]
    assert done.disposition == "incomplete"
    (why,) = (check["why"] for check in done.unit["checks"] if check["id"].endswith("::test_link"))
    assert "exchanges over the link went wrong now and then" in why
