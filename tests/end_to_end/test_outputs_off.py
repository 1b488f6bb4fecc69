"""Outputs that are on where they must be off are found, however short, as far as the stand can look."""

from __future__ import annotations

from tests.end_to_end.conftest import ROOT, MakeVisit

SEQUENCES = [str(ROOT / "sequences" / f"test_{name}.py") for name in ("10_power_on", "50_modes")]
#: What only they find, with the place that is reported.
ON = {
    "outputs-freeze@mode stopped": "mode stopped",
    "passes-through-live": "mode held",
    "outputs-on-at-boot": "start",
    "outputs-remembered": "mode live",
}
#: The checks that look at outputs while something happens.
WATCHING = "outputs_off_while_starting or outputs_stay_off or outputs_off_after_restart"


def test_outputs_that_are_on_for_a_moment_are_found(visit: MakeVisit) -> None:
    """Frozen on, on for 0.1 s in passing, on for 0.8 s of the boot, on again after a restart: each at its place."""
    defects = [f"--defect={spec}" for spec in ON]
    shipped = visit(*SEQUENCES, *defects, "--", "-k", f"not ({WATCHING})", name="without")
    assert not shipped.places
    done = visit(*SEQUENCES, *defects, "--real-timing", "--seed", "3")
    assert set(ON.values()) <= done.places, done.out[-3000:]
    assert not {place for place in done.places if place.startswith(("q", "ao"))}


def test_outputs_that_linger_are_found(visit: MakeVisit) -> None:
    """0.2 s of afterglow, where the profile allows 50 ms; what an output may take is not held against it."""
    done = visit(SEQUENCES[1], "--defect=outputs-linger,severity=0.2", "--real-timing", "--seed", "3")
    assert done.places == {"mode stopped", "mode held"}, done.out[-3000:]
    good = visit(SEQUENCES[1], "--defect=outputs-linger,severity=0.005", "--real-timing", name="good")
    assert not good.places
