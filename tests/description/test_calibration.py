"""Calibrations that have run out, and supplies that two units of one visit would share."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from hilseq.cli.inspect import inspect_files
from hilseq.description.accuracy import Calibrated, calibrated_parts
from hilseq.description.calibration import Calibration
from hilseq.description.inspection import inspect
from hilseq.description.loading import load_stand
from hilseq.description.visit import describe_visit
from hilseq.errors import DescriptionError

STANDS = Path(__file__).parents[2] / "stands"


def test_an_overdue_calibration_is_a_warning_at_inspect_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file is sound, so the exit code is 0; the warning names line, instrument and date."""
    path = tmp_path / "stand.yaml"
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    path.write_text(text.replace("SIM-PS-1, due: 2099-12-31", "SIM-PS-1, due: 2020-01-31"), encoding="utf-8")
    assert inspect_files([path]) == 0
    line = next(number for number, words in enumerate(text.splitlines(), 1) if "SIM-PS-1" in words)
    assert (
        f"warning: {path}:{line}:47: the calibration of supply main is overdue: it held until 2020-01-31"
        in capsys.readouterr().err
    )


def test_a_missing_calibration_is_a_warning_at_inspect_time(tmp_path: Path) -> None:
    """Unless the file accepts it by name; a name that no instrument has accepts nothing."""
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    for certificate in ("SIM-PS-1", "SIM-IO-1"):
        text = text.replace(f"    calibration: {{certificate: {certificate}, due: 2099-12-31}}\n", "")
    path = tmp_path / "stand.yaml"
    path.write_text(f"{text}\nuncalibrated: {{io rack: a rig of tests}}\n", encoding="utf-8")
    found = inspect([path])
    (words,) = (str(warning) for warning in found.warnings)
    assert found.problems == ()
    assert (
        "no calibration is stated of supply main, so that no visit comes to a verdict; expected `cal" in words
    )
    path.write_text(f"{text}\nuncalibrated: {{io rakc: a rig of tests}}\n", encoding="utf-8")
    (problem,) = inspect([path]).problems
    assert (problem.wrong, problem.nearest) == ("there is no instrument 'io rakc' in this file", "io rack")


def test_a_calibration_holds_on_its_last_day() -> None:
    """`due` is the last day on which it holds, so it is overdue from the day after."""
    due = date(2026, 1, 5)
    part = Calibrated("supply main", (), Calibration.model_validate({"due": due}))
    assert part.overdue(due) == ""
    assert "it held until 2026-01-05" in part.overdue(due + timedelta(days=1))
    assert Calibrated("supply main", (), None).overdue(due) == ""


def test_every_instrument_and_each_signal_with_its_own_has_a_calibration() -> None:
    """What carries no calibration is listed too, as not stated."""
    parts = {part.part: part.calibration for part in calibrated_parts(load_stand(STANDS / "sim-bench.yaml"))}
    assert list(parts) == ["supply main", "io rack"]
    assert all(parts.values())


def test_two_units_on_one_output_are_refused(tmp_path: Path) -> None:
    """A visit with two units on one supply output is refused before power; one after the other is sound."""
    path = tmp_path / "stand.yaml"
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    second = (
        '\n  B:\n    supply: main\n    link: {address: "192.0.2.31:502"}\n    ports:\n'
        "      port 1: {resource: /dev/ttyUSB2}\n      port 2: {resource: /dev/ttyUSB3}\n"
        "    neighbours: {1: DI16, 2: DO16, 3: AI4}\n\nloopbacks:"
    )
    for word in ("q01..q16", "i01..i16", "lamp-green", "lamp-red", "s1..s3", "ai1..ai4", "ao1..ao2"):
        line = next(words for words in text.splitlines() if words.startswith(f"  {word}:"))
        copy = line.replace(f"  {word}", "  " + "..".join(f"b-{end}" for end in word.split("..")))
        copy = copy.replace("A.", "B.").replace("address: ", "address: 10")
        text = text.replace(line, line + "\n" + copy)
    path.write_text(text.replace("\nloopbacks:", second, 1), encoding="utf-8")
    assert not inspect([path]).problems
    unit = STANDS / "units" / "rh16.yaml"
    assert describe_visit(path, {"B": unit}).profiles.keys() == {"B"}
    with pytest.raises(DescriptionError) as refused:
        describe_visit(path, {"A": unit, "B": unit})
    (problem,) = refused.value.problems
    assert problem.wrong == "slots A and B hang on one output, supply main"
