"""What no sample of a soak shows is looked at in between, and reported when it breaks."""

from __future__ import annotations

import json
from pathlib import Path

from tests.end_to_end.conftest import ROOT, STANDS
from tests.warm import hilseq

BROKEN = {
    "input-stuck-on@i03": "i03",
    "analog-dead@ao1": "ao1",
    "analog-offset@ai2,severity=1": "ai2",
    "port-dead@port 2": "port 2",
}


def test_what_breaks_unseen_by_the_samples_is_an_event(tmp_path: Path) -> None:
    """Input, analog input and output, a port without planned traffic: each fails the soak, at its place."""
    line = ["run", str(ROOT / "sequences" / "test_95_soak.py"), "--stand", str(STANDS / "sim-bench.yaml")]
    line += [
        "--unit",
        str(STANDS / "units" / "rh16.yaml"),
        "--serial",
        "101",
        "--simulate",
        "--soak-duration",
        "8min",
    ]
    line += ["--out", str(tmp_path / "run"), *(f"--defect={spec},after=90s" for spec in BROKEN)]
    hilseq(*line, cwd=tmp_path)
    (unit,) = json.loads((tmp_path / "run" / "summary.json").read_text("utf-8"))["units"]
    assert {finding["place"] for finding in unit["findings"]} == set(BROKEN.values())
