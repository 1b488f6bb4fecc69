"""Drawings: the mark is where the reading is, and shape alone tells the verdict."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.journal.entries import Reading, TableKept
from hilseq.journal.run_state import CheckState
from hilseq.reports import check_drawings, svg
from hilseq.verdicts import CheckVerdict

NUMBERS = st.floats(-1e12, 1e12) | st.just(0.0)


def _reading(value: float | str = 5.0, **fields: object) -> Reading:
    plain = {"name": "x", "unit": "V", "uncertainty": 0.5, "low": 0.0, "high": 10.0, "verdict": "conforms"}
    return Reading(check="c", slot="A", value=value, **(plain | fields))


def _table(name: str, columns: list[str], rows: Any) -> TableKept:
    return TableKept(check="c", slot="A", name=name, columns=tuple(columns), rows=tuple(map(tuple, rows)))


def _parts(drawing: str, class_: str) -> list[ET.Element]:
    root = ET.fromstring(drawing)
    return [element for element in root.iter() if class_ in element.get("class", "").split()]


def test_the_mark_is_between_the_limits_where_the_reading_is() -> None:
    left, right = (
        float(part.get("x1", "")) for part in _parts(check_drawings.draw_limits(_reading()), "limit")
    )
    for value in (0.0, 2.5, 5.0, 10.0):
        (mark,) = _parts(check_drawings.draw_limits(_reading(value)), "disc")
        assert float(mark.get("cx", "")) == pytest.approx(left + (right - left) * value / 10, abs=0.02)


@pytest.mark.parametrize(
    ("verdict", "shape"), [("conforms", "disc"), ("marginal", "diamond"), ("fails", "cross")]
)
def test_each_verdict_has_a_shape_of_its_own(verdict: str, shape: str) -> None:
    drawing = check_drawings.draw_limits(_reading(verdict=verdict))
    assert [name for name in ("disc", "diamond", "cross") if _parts(drawing, name)] == [shape]


def test_the_guard_band_is_hatched_under_the_guarded_rule_only() -> None:
    assert len(_parts(check_drawings.draw_limits(_reading()), "guard")) == 2
    assert not _parts(check_drawings.draw_limits(_reading(rule="simple")), "guard")
    assert len(_parts(check_drawings.draw_limits(_reading(low=None)), "guard")) == 1


def test_a_reading_far_outside_becomes_an_arrow_at_the_edge() -> None:
    drawing = check_drawings.draw_limits(_reading(1e9, verdict="fails"))
    assert _parts(drawing, "cross")
    assert "outside" in drawing


@given(
    value=NUMBERS,
    uncertainty=st.floats(0, 1e6) | st.none(),
    low=NUMBERS | st.none(),
    high=NUMBERS | st.none(),
    verdict=st.sampled_from(["conforms", "marginal", "fails"]),
)
def test_any_reading_can_be_drawn_inside_its_frame(
    value: float, uncertainty: float | None, low: float | None, high: float | None, verdict: str
) -> None:
    drawing = check_drawings.draw_limits(
        _reading(value, uncertainty=uncertainty, low=low, high=high, verdict=verdict)
    )
    if low is None and high is None:
        assert drawing == ""
        return
    ET.fromstring(drawing)
    assert "nan" not in drawing
    assert "inf" not in drawing.replace("infinite", "")
    for number in re.findall(r' (?:x|x1|x2|cx)="([^"]+)"', drawing):
        assert -0.01 <= float(number) <= check_drawings.LIMITS_WIDTH + 0.01


@pytest.mark.parametrize("value", ["nan", "inf", math.nan, "twelve"])
def test_a_value_that_is_no_number_has_limits_but_no_mark(value: float | str) -> None:
    drawing = check_drawings.draw_limits(_reading(value))
    assert not _parts(drawing, "mark")
    assert "no number" in drawing


def _check(place: str, verdict: CheckVerdict, places: tuple[str, ...] = ()) -> CheckState:
    check = CheckState("id" + place, "s", "outputs", "t", "A", place, gate=False)
    check.verdict, check.places = verdict, places
    return check


def test_terminals_are_grouped_by_name_in_the_order_of_their_numbers() -> None:
    checks = [_check(f"q{n}", CheckVerdict.PASSED) for n in (10, 9, 2, 1)]
    checks += [_check(f"port {n}", CheckVerdict.NOT_PERFORMED) for n in (1, 2)]
    checks.append(_check("supply", CheckVerdict.PASSED))
    groups = check_drawings.terminals(checks)
    assert {group.prefix: list(group.verdicts) for group in groups} == {
        "port": ["port 1", "port 2"],
        "q": ["q1", "q2", "q9", "q10"],
    }


def test_a_place_that_failed_once_is_bad_and_places_that_failed_together_are_joined() -> None:
    checks = [_check(f"q{n}", CheckVerdict.PASSED) for n in range(1, 5)]
    checks.append(_check("outputs", CheckVerdict.FAILED, ("q2", "q4")))
    (group,) = check_drawings.terminals(checks)
    assert [name for name, verdict in group.verdicts.items() if verdict is CheckVerdict.FAILED] == [
        "q2",
        "q4",
    ]
    drawing = check_drawings.draw_terminals(group)
    assert len(_parts(drawing, "joined")) == 1
    assert "Failed: q2, q4." in drawing


def test_a_table_of_numbers_is_a_curve_with_its_limits_dashed() -> None:
    rows = [[0, 0.1, -1, 1], [5, 0.2, -1, 1], [10, 0.3, -1, 1]]
    drawing = check_drawings.draw_curve(
        _table("error", ["asked (V)", "error (mV)", "low limit", "high limit"], rows)
    )
    assert len(_parts(drawing, "limit")) == 2
    assert len(_parts(drawing, "curve-0")) == 1
    assert "error (mV) from 0.1 to 0.3" in drawing


@pytest.mark.parametrize(
    "rows", [[], [[1, 2]], [["a", 1], ["b", 2], ["c", 3]], [[1, 2], [1, 3], [1, 4]], [[1], [2], [3]]]
)
def test_a_table_that_is_no_curve_is_not_drawn_as_one(rows: list[list[object]]) -> None:
    assert check_drawings.draw_curve(_table("n", ["a", "b"], rows)) == ""


@pytest.mark.parametrize(("points", "marks"), [(40, 40), (41, 21), (200, 40)])
def test_a_fine_curve_is_not_hidden_by_its_marks(points: int, marks: int) -> None:
    """The line holds every point; the marks, and one in the legend, only tell curves apart."""
    rows = [[0.001 * number, number * number] for number in range(points)]
    drawing = check_drawings.draw_curve(_table("waveform", ["time s", "current A"], rows))
    assert drawing.count('class="point"') == marks + 1


def test_volts_and_amperes_never_share_an_axis() -> None:
    rows = [[0, 24.0, 0.1, 0.3], [1, 24.1, 0.2, 0.3], [2, 24.0, 0.1, 0.3]]
    drawing = check_drawings.draw_curve(
        _table("start", ["time s", "voltage V", "current A", "limit A"], rows)
    )
    frames = [(float(part.get("y", "")), float(part.get("height", ""))) for part in _parts(drawing, "frame")]
    assert len(frames) == 2
    (limit,) = _parts(drawing, "limit")
    heights = [float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", limit.get("d", ""))]
    assert all(frames[1][0] <= y <= sum(frames[1]) for y in heights)  # the limit is where the current is


@given(st.floats(-1e5, 1e5))
def test_a_place_on_paper_is_a_plain_number(number: float) -> None:
    words = svg.place(number)
    assert float(words) == pytest.approx(number, abs=0.51)
    assert re.fullmatch(r"-?\d+(\.\d+)?", words)
