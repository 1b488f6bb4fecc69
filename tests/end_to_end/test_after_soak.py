"""What breaks during a soak is found in it, or by the checks after it where a soak cannot watch."""

from __future__ import annotations

import pytest

from hilseq.twin import model_faults
from tests.end_to_end.conftest import ROOT, MakeVisit

SOAKED = [str(ROOT / "sequences" / f"test_{name}.py") for name in ("60_outputs", "95_soak", "97_after_soak")]


@pytest.mark.parametrize(
    ("defect", "places", "in_soak"),
    [
        ("input-stuck-on@i03", {"i03"}, "failed"),
        ("analog-dead@ai1", {"ai1"}, "failed"),
        ("analog-dead@ao1", {"ao1"}, "not performed"),  # or its wire
        ("port-dead@port 2", {"port 2"}, "not performed"),  # or its cable
        ("output-weak@q05,severity=1", {"q05"}, "passed"),  # or its load
        # never on at different times in the pattern `alternate`
        ("outputs-shorted@q05+q07", {"q05", "q07"}, "passed"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_what_broke_during_the_soak_is_found(
    visit: MakeVisit, defect: str, places: set[str], in_soak: str
) -> None:
    """The checks before found nothing; the soak or the checks after it do, at the place."""
    done = visit(*SOAKED, "--soak", "--soak-duration", "5min", "--defect", f"{defect},after=60s")
    verdicts = done.verdicts()
    assert verdicts["test_60_outputs.py::test_follows[q05]"] == "passed"
    assert verdicts["test_95_soak.py::test_stays_in_its_mode"] == in_soak
    undecided = defect.startswith(("port-dead", "output-weak", "analog-dead@ao1"))
    assert (done.code, done.places) == (3 if undecided else 1, places), done.out[-2000:]


def test_without_the_soak_nothing_is_checked_twice(visit: MakeVisit) -> None:
    """The checks after a soak belong to it."""
    done = visit(*SOAKED)
    ran = [name for name, verdict in done.verdicts().items() if verdict != "not performed"]
    assert ran
    assert not [name for name in ran if "after_soak" in name]


def test_an_output_that_misses_commands_in_a_soak_is_found(visit: MakeVisit) -> None:
    """One command in five: the unit answers that it has not taken it, and the samples show the output."""
    soak = str(ROOT / "sequences" / "test_95_soak.py")
    missing = [f"--defects={model_faults()}", "--defect=intermittent-output@q07,severity=0.9"]
    done = visit(soak, "--soak", "--soak-duration=20min", *missing)
    assert done.places == {"q07"}, done.out[-3000:]
