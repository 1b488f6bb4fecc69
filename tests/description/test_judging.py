"""What a stand cannot judge is refused, what it can hardly judge is warned about, and the ratio is said."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.cli.inspect import inspect_files
from hilseq.description.inspection import inspect

Break = Callable[[dict[str, str]], Any]
STANDS = Path(__file__).parents[2] / "stands"
V_ACCURACY = "senses: A.q01, accuracy: 0.1 % + 2 mV"
AI_ACCURACY = "drives: A.ai1, accuracy: 0.03 % + 4 uA"


def _written(folder: Path, name: str, changes: dict[str, str]) -> Path:
    text = (STANDS / name).read_text(encoding="utf-8")
    for old, new in changes.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / Path(name).name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("changes", "words", "ratio"),
    [
        ({"current: 0.1 % + 1 mA": "current: 0.1 % + 30 mA"}, "idle-current of RH16 cannot be judged",
            "0.7:1"),
        ({f"{V_ACCURACY}, load: 48 Ohm": "senses: A.q01, accuracy: 1 V"},
            "voltage-drop of RH16 cannot be judged", "0.3:1"),
        ({AI_ACCURACY: "drives: A.ai1, accuracy: 100 uA"},
            ("accuracy of ai1 of RH16 cannot be judged on this stand: its limits are ± 8e-05 A wide, the "
             "uncertainty of its reading is ± 0.00012 A"),
            "0.7:1"),
        ({V_ACCURACY: "senses: A.q01, accuracy: 0.1 % + 20 mV"},
            "leakage of RH16 cannot be judged on this stand", "0.5:1"),
        ({"current: 0.1 % + 1 mA": "current: 0.1 % + 30 mA"}, "loaded-current of RH16 cannot be judged",
            "1.0:1"),
        ({"current: 0.1 % + 1 mA": "current: 0.1 % + 1 mA, current-repeatability: 0.5 A"},
            "inrush-peak of RH16 cannot be judged", "1.2:1"),
        ({"current: 0.1 % + 1 mA": "current: 0.1 % + 30 mA"}, "inrush-charge of RH16 cannot be judged",
            "0.4:1"),
        ({"identity: {maker: Ombrella, model: IO-64}": "scan-time: 1 s"},
            "settle of q01 of RH16 cannot be judged", "0.5:1"),
        ({"response: 2 ms": "response: 20 ms"}, "ride-through of RH16 cannot be judged on this stand",
            "0.6:1"),
        ({"clock-accuracy: 10 ppm ": "clock-accuracy: 100 ppm"},
            "drift of RH16 cannot be judged on this stand", "0.9:1"),
        ({"accuracy: 0.5 degC": "accuracy: 3 degC"},
            "temperature-error of RH16 cannot be judged on this stand", "1.4:1"),
        ({"current: 0.1 % + 1 mA": "current: 0.1 % + 6 mA"}, "idle-current of RH16 can hardly be judged",
            "3.5:1"),
    ],
    ids=[
        "a current",
        "a voltage",
        "an analog channel",
        "a leakage",
        "a loaded current",
        "a peak",
        "an inrush",
        "a delay",
        "an interruption",
        "a clock",
        "a temperature",
        "a current, hardly",
    ],
)  # fmt: skip
def test_a_limit_finer_than_the_stand(
    changes: dict[str, str], words: str, ratio: str, tmp_path: Path
) -> None:
    """Where the guard band takes more than a third the pair is refused at what knows it; below 4:1 it is a warning."""
    stand = _written(tmp_path, "sim-bench.yaml", changes)
    found = inspect([stand, STANDS / "units/rh16.yaml"])
    refused = "cannot" in words
    said = [problem for problem in (found.problems if refused else found.warnings) if words in problem.wrong]
    assert len(said) == 1, found
    assert f"here {ratio}" in said[0].expected
    assert bool(found.problems) is refused
    line = stand.read_text(encoding="utf-8").splitlines()[said[0].line - 1]
    assert any(key in line for key in ("accuracy", "response", "scan-time"))


def test_a_waived_reading_is_a_warning(tmp_path: Path) -> None:
    """What the profile waives by name does not keep the pair apart, and is reported with its reason."""
    stand = _written(tmp_path, "sim-bench.yaml", {"response: 2 ms": "response: 20 ms"})
    waived = "rack-positions: 3\nwaived-readings: {ride-through: the supply is too slow}\n"
    unit = _written(tmp_path, "units/rh16.yaml", {"rack-positions: 3\n": waived})
    found = inspect([stand, unit])
    assert found.problems == ()
    assert any("ride-through of RH16 can hardly be judged" in warning.wrong for warning in found.warnings)
    reported = [words for fit in found.fits for words in fit.unmeasured]
    assert "ride-through, where this stand cannot tell: the supply is too slow" in reported


def test_the_share_of_a_guard_band_is_the_profiles(tmp_path: Path) -> None:
    """16 ms of 10 ms are refused by a third and accepted where the profile allows twice its limits."""
    stand = _written(tmp_path, "sim-bench.yaml", {"response: 2 ms": "response: 20 ms"})
    wide = "rack-positions: 3\nlargest-guard-band: 200 %\n"
    unit = _written(tmp_path, "units/rh16.yaml", {"rack-positions: 3\n": wide})
    assert inspect([stand, unit]).problems == ()


def test_a_claim_that_can_never_be_shown_is_refused(tmp_path: Path) -> None:
    """190 ms is claimed, 200 ms are tried, and the supply makes an interruption to 16 ms."""
    stand = _written(tmp_path, "sim-bench.yaml", {"response: 2 ms": "response: 20 ms"})
    unit = _written(tmp_path, "units/rh16.yaml", {"ride-through: 10 ms": "ride-through: 190 ms"})
    (problem,) = inspect([stand, unit]).problems
    assert "a ride-through of 190 ms can never be shown" in problem.wrong


def test_a_warning_leaves_the_exit_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A ratio below 4:1 is said on stderr, and the files still fit."""
    stand = _written(tmp_path, "sim-bench.yaml", {"current: 0.1 % + 1 mA": "current: 0.1 % + 6 mA"})
    assert inspect_files([stand, STANDS / "units/rh16.yaml"]) == 0
    out, err = capsys.readouterr()
    assert "profile RH16 fits slot A of stand sim-bench" in out
    warnings = err.splitlines()
    assert [line.startswith("warning: ") for line in warnings] == [True, True, True]
    for reading in ("idle-current", "live-current", "inrush-charge"):
        assert f"{reading} of RH16 can hardly be judged on this stand" in err
    assert "test uncertainty ratio 4:1, here 3.5:1" in err


def test_simple_acceptance_is_never_refused(tmp_path: Path) -> None:
    """A profile that takes the limit itself as the limit is only warned."""
    stand = _written(tmp_path, "sim-bench.yaml", {AI_ACCURACY: "drives: A.ai1, accuracy: 100 uA"})
    unit = _written(
        tmp_path, "units/rh16.yaml", {"rack-positions: 3\n": "rack-positions: 3\ndecision-rule: simple\n"}
    )
    found = inspect([stand, unit])
    assert found.problems == ()
    assert any("accuracy of ai1" in warning.wrong for warning in found.warnings)


def test_a_channel_without_accuracy_is_warned_about(tmp_path: Path) -> None:
    """A signal whose readings would be taken as exact is named once for its range."""
    stand = _written(tmp_path, "sim-bench.yaml", {AI_ACCURACY: "drives: A.ai1"})
    (warning,) = inspect([stand, STANDS / "units/rh16.yaml"]).warnings
    assert "the signal 'ai1' states no accuracy" in warning.wrong
    assert "(and 3 more like it)" in warning.wrong


def test_age_until_the_calibration_is_due_counts(tmp_path: Path) -> None:
    """A stated drift over the years until the calibration is due can make a good ratio a bad one."""
    due = "{certificate: SIM-IO-1, due: 2099-12-31}"
    stand = _written(tmp_path, "sim-bench.yaml", {due: "{done: 2026-01-01, due: 2036-01-01, drift: 0.01 %}"})
    found = inspect([stand, STANDS / "units/rh16.yaml"])
    assert any("accuracy of ai1" in warning.wrong for warning in found.warnings)
    fresh = _written(tmp_path, "sim-bench.yaml", {due: "{done: 2026-01-01, due: 2027-01-01, drift: 0.01 %}"})
    assert inspect([fresh, STANDS / "units/rh16.yaml"]).warnings == ()


@pytest.mark.parametrize("pair", [("sim-bench", "rh16"), ("lan-bench", "rh16"), ("dx08-bench", "dx08")])
def test_the_shipped_stands_can_judge_their_units(pair: tuple[str, str]) -> None:
    """No shipped pair has a test uncertainty ratio below 4:1."""
    found = inspect([STANDS / f"{pair[0]}.yaml", STANDS / f"units/{pair[1]}.yaml"])
    assert (found.problems, found.warnings) == ((), ())


def test_temperature_needs_a_thermometer(break_stand: Break) -> None:
    """A calibration that counts kelvins asks for the stand's thermometer, and that must be one."""
    due = "{certificate: SIM-PS-1, due: 2099-12-31}"
    kelvin = "{certificate: SIM-PS-1, due: 2099-12-31, per-kelvin: 50 ppm}"
    named = "ambient: ambient"
    broken = break_stand({due: kelvin, named: ""})
    assert broken.only().expected == "`ambient: NAME` of the signal that measures it"
    assert break_stand({due: kelvin}).problems == ()
    assert break_stand({named: "ambient: cover"}).only().wrong == "the signal 'cover' is no temperature"
    lost = break_stand({named: "ambient: ambiant"}).only()
    assert (lost.wrong, lost.nearest) == ("there is no signal 'ambiant' in this file", "ambient")


def test_a_drift_counts_from_a_day(break_stand: Break) -> None:
    """A drift without the day of the calibration says nothing."""
    due = "{certificate: SIM-PS-1, due: 2099-12-31}"
    broken = break_stand({due: "{certificate: SIM-PS-1, due: 2099-12-31, drift: 50 ppm}"})
    assert "`drift` counts from the day of the calibration; expected `done` as well" in str(broken.only())


def test_loop_limits_belong_to_a_loop(break_profile: Break) -> None:
    """A voltage channel has no NE 43 bands."""
    broken = break_profile({"      kind: 4..20 mA\n": "      kind: 0..20 mA\n"})
    assert any(
        "`loop-limits` are those of a current loop, not of 0..20 mA" in str(p) for p in broken.problems
    )
