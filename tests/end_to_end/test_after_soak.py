"""What a soak cannot watch is checked once more after it."""

from __future__ import annotations

import pytest

from tests.end_to_end.conftest import ROOT, MakeVisit

SOAKED = [str(ROOT / "sequences" / f"test_{name}.py") for name in ("60_outputs", "95_soak", "97_after_soak")]


@pytest.mark.parametrize(
    ("defect", "places"),
    [
        ("input-stuck-on@i03", {"i03"}),
        ("analog-dead@ai1", {"ai1"}),
        ("analog-dead@ao1", {"ao1"}),
        ("port-dead@port 2", {"port 2"}),
        ("output-weak@q05,severity=1", {"q05"}),
        ("outputs-shorted@q05+q07", {"q05", "q07"}),  # never on at different times in the pattern `alternate`
    ],
)
def test_what_broke_unseen_during_the_soak_is_found_after_it(
    visit: MakeVisit, defect: str, places: set[str]
) -> None:
    """The checks before found nothing and the soak saw nothing; the unit does not ship all the same."""
    done = visit(*SOAKED, "--soak", "--soak-duration", "5min", "--defect", f"{defect},after=60s")
    verdicts = done.verdicts()
    assert verdicts["test_60_outputs.py::test_follows[q05]"] == "passed"
    assert verdicts["test_95_soak.py::test_stays_in_its_mode"] == "passed"
    assert (done.code, done.places) == (1, places), done.out[-2000:]


def test_without_the_soak_nothing_is_checked_twice(visit: MakeVisit) -> None:
    """The checks after a soak belong to it."""
    done = visit(*SOAKED)
    ran = [name for name, verdict in done.verdicts().items() if verdict != "not performed"]
    assert ran
    assert not [name for name in ran if "after_soak" in name]
