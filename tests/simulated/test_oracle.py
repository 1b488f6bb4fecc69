"""The oracle: which promises of its profile a unit does not keep, as the model itself knows it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import hilseq_sim.defects
import pytest
from hilseq_sim.defects.catalogue import CATALOGUE
from hilseq_sim.defects.spec import add_from_file, places_for, resolve
from hilseq_sim.oracle import Violation, violations
from hilseq_sim.world.build import build_world

from hilseq import resources
from hilseq.description.visit import Visit, describe_visit


@cache
def visit() -> Visit:
    """The shipped stand and profile, with the kinds at the level of the model in the catalogue."""
    stands = resources.folder("stands")
    add_from_file(Path(hilseq_sim.defects.__file__).with_name("model_faults.py"))
    return describe_visit(stands / "sim-bench.yaml", {"A": stands / "units" / "rh16.yaml"})


@pytest.fixture(autouse=True)
def _catalogue() -> Iterator[None]:
    """Keep the kinds of the model out of every other test's catalogue."""
    before = dict(CATALOGUE)
    visit.cache_clear()
    yield
    CATALOGUE.clear()
    CATALOGUE.update(before)


def found(defect: str, seed: int = 3) -> list[Violation]:
    """Return what a unit with a defect does not keep."""
    described = visit()
    return violations(build_world(described, seed=seed, defects=[defect] if defect else []), "A")


@pytest.mark.parametrize("seed", [1, 2])
def test_a_good_unit_keeps_everything(seed: int) -> None:
    """As drawn, with its tolerances and its noise."""
    assert found("", seed) == []


@pytest.mark.parametrize(
    ("defect", "promise", "place"),
    [
        ("intermittent-input@i04,severity=0.5", "inputs are reported", "i04"),
        ("coupling-output-port@q01+port 1", "carries frames", "port 1"),
        ("stuck-register-temperature", "tells what it measures", "temperature"),
        ("stuck-cell", "keeps what is configured", "configuration"),
        ("thermal-output@q07,severity=0.6", "outputs carry their load", "q07"),
    ],
)
def test_what_no_catalogue_lists_is_known(defect: str, promise: str, place: str) -> None:
    """The promise and its place; what is there or not has no ratio."""
    assert (promise, place) in {(each.promise, each.place) for each in found(defect)}


def test_how_far_beyond_its_limit() -> None:
    """A flat part 2.5 accuracies wide is 2 to 2.6 times its limit (the unit's own error besides); a tenth is inside."""
    (broken,) = found("flat-analog@ai3,severity=0.7")
    assert broken.place == "ai3"
    assert broken.ratio is not None
    assert 2.0 < broken.ratio < 2.8
    assert found("flat-analog@ai3,severity=0.001") == []


def test_every_kind_has_a_place_here_and_changes_the_world() -> None:
    """Each kind of the model's file can be put into the shipped stand, and leaves it again."""
    described = visit()
    for kind, row in CATALOGUE.items():
        if row.stage in ("model", "registers"):
            places = places_for(kind, described)
            assert places, kind
            assert resolve(f"{kind}@{places[0]}", described).located
            build_world(described, seed=1, defects=[f"{kind}@{places[-1]},after=1s,for=1s"]).advance(3.0)
