"""What a profile claims and a stand does not measure is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.description.crosscheck import untested_claims
from hilseq.description.loading import load_profile, load_stand

STANDS = Path(__file__).parents[2] / "stands"
LEAKAGE, CLOCK = "leakage of q01 to q16 (16)", "clock error of port 1, port 2"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("", "", [CLOCK]),
        (", load: 48 Ohm", "", [LEAKAGE, CLOCK]),
        (
            "senses: A.q01, accuracy: 0.1 % + 2 mV, load: 48 Ohm",
            "accuracy: 0.1 % + 2 mV",
            ["voltage drop of", LEAKAGE, CLOCK],
        ),
        (", drives: A.ai1, accuracy: 0.03 % + 4 uA", "", ["accuracy of ai1 to ai4 (4)", CLOCK]),
        ("port 1: {", "port 1: {speed-accuracy: 0.1 %, ", ["clock error of port 2"]),
    ],
    ids=["as shipped", "without a load", "without volts", "without a drive", "with an adapter of any speed"],
)
def test_what_no_check_can_measure(tmp_path: Path, old: str, new: str, expected: list[str]) -> None:
    """Each claim is reported until the stand file has what its check needs."""
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    assert not old or text.count(old) == 1
    path = tmp_path / "stand.yaml"
    path.write_text(text.replace(old, new) if old else text, encoding="utf-8")
    claims = untested_claims(load_stand(path), "A", load_profile(STANDS / "units" / "rh16.yaml"))
    assert len(claims) == len(expected)
    assert all(claim.startswith(words) for claim, words in zip(claims, expected, strict=True)), claims
