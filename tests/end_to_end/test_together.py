"""What couples between kinds of points, or comes only under load, shows when all points are driven at once."""

from __future__ import annotations

from pathlib import Path

from hilseq.twin import model_faults
from tests.end_to_end.conftest import ROOT, MakeVisit

PHYSICS = f"--defects={Path(__file__).with_name('physics.py')}"
BY_KIND = [str(ROOT / "sequences" / f"test_{name}.py") for name in ("60_outputs", "70_inputs", "75_analog")]
TOGETHER = str(ROOT / "sequences" / "test_77_together.py")


def test_what_couples_or_trips_is_found(visit: MakeVisit) -> None:
    """An output into an input, one into an analog channel, one that trips under load: no check by kind sees them."""
    kinds = ("output-into-input", "output-into-analog", "trip-under-load")
    options = [PHYSICS, *(f"--defect={kind}@supply" for kind in kinds)]
    shipped = visit(*BY_KIND, *options, name="by kind")
    assert not shipped.places
    done = visit(TOGETHER, *options)
    assert done.places == {"i05", "q03", "ai2", "q07", "q11"}, done.out[-3000:]


def test_what_one_value_and_a_few_steps_do_not_show(visit: MakeVisit) -> None:
    """A bit that the reference never moves, a flat part between the steps of a sweep, a trip after 38 s, long frames.

    And a port that an output disturbs: each has its place, and of the checks by kind none sees it.
    """
    faults = {
        "stuck-cell": {"configuration"},
        "flat-analog@ai3,severity=0.8": {"ai3"},
        "thermal-output@q11,severity=0.6": {"q11"},
        "coupling-output-port@q02+port 2": {"q02", "port 2"},
        "short-frames@port 1,severity=0.6": {"port 1"},
    }
    options = [f"--defects={model_faults()}", *(f"--defect={fault}" for fault in faults)]
    sequences = [
        ROOT / "sequences" / f"test_{name}.py" for name in ("40_configuration", "77_together", "80_ports")
    ]
    done = visit(*map(str, sequences), *options)
    assert done.places == set().union(*faults.values()), done.out[-3000:]


def test_a_unit_that_leaves_live_and_stores_nothing(visit: MakeVisit) -> None:
    """After 20 s under load: one cause and not sixteen outputs. A fault table that stores nothing: the slow ramp."""
    options = [PHYSICS, "--defect=leaves-live@supply", "--defect=stores-nothing@supply"]
    margins = str(ROOT / "sequences" / "test_85_supply_margins.py")
    done = visit(TOGETHER, margins, *options, "--", "-k", "slow_ramp or disturb")
    assert done.places == {"mode live", "stored faults"}, done.out[-3000:]


def test_a_good_unit_is_right_in_every_step(visit: MakeVisit) -> None:
    """With instruments that take their time; what was shown stands in the record."""
    done = visit(TOGETHER, "--real-timing")
    assert not done.places
    assert "200 steps with every point at once, none of 38 wrong" in (
        done.folder / "journal.jsonl"
    ).read_text("utf-8")
