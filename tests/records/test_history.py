"""What the records tell: the same on SQLite and on PostgreSQL, and what the journals say."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from scipy.special import betaincinv

from hilseq.errors import UsageError
from hilseq.records.database import Database, open_database
from hilseq.records.history import drawings, present
from hilseq.records.history.answer import Answer, AnswerTable, as_csv, as_json, plain, render
from hilseq.records.history.calibrations import Due, calibrations_due
from hilseq.records.history.part import first_pass, pareto, pooled, retested, yield_over_time
from hilseq.records.history.reading import reading_history
from hilseq.records.history.repairs import cure_rates
from hilseq.records.history.stands import compare_stands
from hilseq.records.history.unit_history import unit_history, visits_of
from hilseq.records.importing import import_run

PART = "RH-16"
DAY_ONE = datetime(2026, 1, 5, 8, tzinfo=UTC)
PLACES = [f"q{number:02}" for number in range(5)]
Ask = Callable[[Database], Answer]


def _supply(stand: str, certificate: str = "C-1", due: str = "2026-03-01") -> dict[str, str]:
    return {
        "name": "supply", "what": "supply", "resource": "r", "identity": f"M,{stand},1,1",
        "certificate": certificate, "due": due,
    }  # fmt: skip


@pytest.fixture(scope="module")
def factory(kit: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Give sixty visits of thirty units to three stands, of which `south` reads high and `west` drifts."""
    story, check, measured = kit["Story"], kit["Checked"], kit["Measured"]
    root, rng, runs = tmp_path_factory.mktemp("factory"), random.Random(11), []
    for number in range(60):
        stand = ("north", "south", "west")[number % 3]
        current = rng.gauss(0.110, 0.001) + {"north": 0, "south": 0.006, "west": number * 0.0002}[stand]
        verdict = "fails" if current > 0.117 else "conforms"
        bad = number % 7 == 3
        place = "q05" if number % 2 else "q07"
        checks = [
            check(readings=(measured("idle current", current, verdict=verdict),)),
            *(
                check(
                    name=f"test_outputs.py::test_point_follows[{at}]",
                    place=at,
                    stage="outputs",
                    readings=(measured("on voltage", rng.gauss(23.4, 0.1), unit="V", low=22.0, high=25.0),),
                )
                for at in PLACES
            ),
            check(
                name=f"test_outputs.py::test_point_follows[{place}]",
                place=place,
                stage="outputs",
                verdict="failed" if bad else "passed",
                why="stays on" if bad else "",
            ),
            check(
                name="test_cycling.py::test_starts",
                stage="cycling",
                cold_starts=("never ready" if number == 8 else "",) + ("",) * 29,
            ),
        ]  # fmt: skip
        reported = story(
            serial=f"SN-{number % 30:02}", part=PART, stand=stand, at=DAY_ONE + timedelta(hours=20 * number),
            checks=checks, instruments=[_supply(stand, due="" if stand == "west" else "2026-02-01")],
            stop_after=2 if number in (4, 50) else None,
        )  # fmt: skip
        runs.append(kit["tell_story"](root / f"run-{number:02}", reported))
    simulated = story(serial="SIM-1", part=PART, simulated=True, at=DAY_ONE)
    runs.append(kit["tell_story"](root / "simulated", simulated))
    return runs


@pytest.fixture(scope="module", params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def records(
    request: pytest.FixtureRequest, factory: list[Path], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Database]:
    """Give the factory's records; PostgreSQL gets its runs in another order."""
    if request.param == "sqlite":
        url, runs = str(tmp_path_factory.mktemp("history") / "records.sqlite"), factory
    else:
        url, runs = request.getfixturevalue("postgres").url("history"), factory[::-1]
    with open_database(url) as database:
        for run in runs:
            import_run(database, run)
        yield database


def test_a_life_tells_every_visit_in_order(records: Database) -> None:
    (life,) = unit_history(records, "SN-20")
    assert (life.part, [visit.stand for visit in life.visits]) == (PART, ["west", "west"])
    assert [visit.state for visit in life.visits] == ["completed", "unfinished"]
    assert [visit.disposition for visit in life.visits] == ["ship", "incomplete"]
    assert life.visits[1].not_performed == 6
    (found,) = unit_history(records, "SN-03")[0].visits[0].findings
    assert (found.place, found.what, found.kind, found.blames) == ("q05", "stays on", "point follows", "unit")
    assert unit_history(records, "SN-02")[0].trends[0].quantity.name in ("idle current", "on voltage")


def test_an_unknown_unit_is_reported_with_what_to_do(records: Database) -> None:
    with pytest.raises(UsageError, match=r"no unit 'XX' of part 'RH-16'; import its run"):
        unit_history(records, "XX", PART)


def test_a_life_of_simulated_visits_alone(records: Database) -> None:
    (life,) = unit_history(records, "SIM-1", simulated=True)
    assert [visit.simulated for visit in life.visits] == [True]
    with pytest.raises(UsageError, match=r"no simulated visit of unit 'SN-20'; leave out --simulated"):
        unit_history(records, "SN-20", simulated=True)


def test_first_pass_counts_the_first_judgement(records: Database) -> None:
    """Unit 4's first visit was interrupted: its second one judges it. Bounds from Clopper-Pearson."""
    found = first_pass(records, PART)
    failed_first = {number for number in range(30) if number % 7 == 3}
    assert 34 % 7 != 3
    assert (found.units, found.passed, found.undecided_units) == (30, 30 - len(failed_first), 0)
    assert found.low == pytest.approx(0.693, abs=0.001)
    assert found.high == pytest.approx(0.962, abs=0.001)
    assert found.dispositions == {"ship": 49, "repair": 9, "incomplete": 2}


def test_yield_over_time_counts_each_unit_in_the_week_of_its_first_judgement(records: Database) -> None:
    """Weeks of ISO 8601, of 20 h a visit from Monday, 2026-01-05; unit 4 is judged in its second visit, number 34."""
    found = yield_over_time(records, PART)
    weeks: dict[str, list[bool]] = {}
    for number in sorted({*range(30), 34} - {4}):
        week = (DAY_ONE + timedelta(hours=20 * number)).strftime("%G-W%V")
        weeks.setdefault(week, []).append(number % 7 != 3)
    assert [(one.period, one.units, one.passed) for one in found] == [
        (week, len(passed), sum(passed)) for week, passed in weeks.items()
    ]
    assert found[0].period == "2026-W02"
    assert all(one.low <= one.share <= one.high for one in found)
    drawn = str(drawings.yield_line(found))
    assert drawn.count("<circle") == len(found)
    assert yield_over_time(records, "XX") == []


def test_simulated_runs_are_another_question(records: Database) -> None:
    assert first_pass(records, PART, simulated=True).units == 1
    with pytest.raises(UsageError, match="the records hold no part 'XX'; there are RH-16"):
        first_pass(records, "XX")


def test_the_commonest_cause_comes_first(records: Database) -> None:
    found = pareto(records, PART)
    assert [(cause.place, cause.kind, cause.units) for cause in found.causes] == [
        ("q05", "point follows", 5), ("q07", "point follows", 4),
    ]  # fmt: skip
    assert found.causes[-1].cumulative == pytest.approx(1.0)
    assert pareto(records, PART, blames="stand").causes == []


def test_all_starts_prove_something_together(records: Database) -> None:
    """58 whole visits of 30 starts, one of which failed; nothing was soaked."""
    found = pooled(records, PART)
    assert found.starts is not None
    assert (found.starts.starts, found.starts.failed, found.starts.units) == (58 * 30, 1, 30)
    assert found.starts.units_failed == 1
    # Each unit counts once: the exact bound after one of 30 (B(2, 29) at 95 %), whatever the units are like.
    assert found.starts.proven == pytest.approx(1.0 - betaincinv(2, 29, 0.95))
    assert found.soaks is None
    assert pooled(records, PART, simulated=True).starts is None


def test_a_chart_tells_what_left_control(records: Database) -> None:
    found = reading_history(records, PART, "idle current")
    (spread,), (chart,) = found.spreads, found.charts
    assert (spread.count, spread.units, len(chart.points)) == (60, 30, 60)
    assert chart.limits is not None
    assert chart.limits.centre == pytest.approx(spread.mean)
    assert chart.signals == [] or all(signal.index < 60 for signal in chart.signals)
    assert [point.at for point in chart.points] == sorted(point.at for point in chart.points)
    south = reading_history(records, PART, "idle current", stand="south", last=5)
    assert {point.stand for point in south.charts[0].points} == {"south"}
    assert len(south.charts[0].points) == 5


def test_many_places_are_summed_and_the_worst_are_drawn(records: Database) -> None:
    found = reading_history(records, PART, "on voltage")
    assert [len(found.spreads), len(found.charts)] == [5, 4]
    assert len(reading_history(records, PART, "on voltage", place="q03").charts) == 1


@pytest.mark.parametrize(
    ("question", "words"),
    [
        ({"name": "volume"}, "no reading 'volume'; it has idle current, on voltage"),
        ({"name": "idle current", "place": "q99"}, "never taken at 'q99'; it was at supply"),
        ({"name": "idle current", "stand": "east"}, "no stand 'east'; there are north, south, west"),
    ],
)
def test_a_wrong_word_is_answered_with_the_right_ones(
    records: Database, question: dict[str, Any], words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        reading_history(records, PART, **question)


def test_the_stand_that_reads_high_and_the_one_that_drifts_are_named(records: Database) -> None:
    found = compare_stands(records, PART, "idle current")
    rows = {row.stand: row for row in found.rows}
    assert rows["south"].differs
    assert rows["south"].beyond_uncertainty
    assert rows["south"].shift == pytest.approx(0.0045, abs=0.0015)
    assert rows["west"].drifts
    assert not rows["north"].drifts
    assert not rows["south"].drifts
    assert rows["west"].drift == pytest.approx(0.0002 * 30 / (20 / 24), rel=0.4)
    assert {row.units for row in found.rows} == {10}


def test_stands_that_agree_are_not_accused(records: Database) -> None:
    found = compare_stands(records, PART, "on voltage")
    assert found.screened == 2
    assert [row for row in found.rows if row.differs or row.drifts] == []


def test_one_stand_has_nothing_to_be_compared_with(database: Database, make_run: Any, kit: Any) -> None:
    import_run(database, make_run(checks=[kit["Checked"](readings=(kit["Measured"]("idle current", 0.11),))]))
    with pytest.raises(UsageError, match="on north stand only"):
        compare_stands(database, PART, "idle current")


def test_units_that_were_asked_until_they_passed(records: Database) -> None:
    found = retested(records)
    assert {one.serial for one in found} == {f"SN-{number:02}" for number in range(30) if number % 7 == 3}
    one = next(one for one in found if one.serial == "SN-03")
    assert (one.failed, one.undecided, one.hours_between, one.places) == (1, 0, 600.0, ["q05"])
    assert retested(records, "XX") == []


def test_a_later_life_does_not_hide_an_earlier_retry(database: Database, make_run: Any, kit: Any) -> None:
    """Failed, given up, passed; shipped; failed again and passed: two releases, each with its failures."""
    bad = [kit["Checked"](verdict="failed", why="stuck", places=("q01",))]
    failed, given_up, passed = {"checks": bad}, {"stop_after": 0}, dict[str, Any]()
    stories: list[dict[str, Any]] = [failed, given_up, passed, passed, failed, failed, passed]
    for hour, story in enumerate(stories):
        import_run(database, make_run(at=DAY_ONE + timedelta(hours=hour), **story))
    assert [(one.failed, one.undecided, one.hours_between) for one in retested(database)] == [
        (2, 0, 1.0), (1, 1, 2.0),
    ]  # fmt: skip


def test_calibrations_due_come_worst_first(records: Database) -> None:
    found = calibrations_due(records, date(2026, 2, 20))
    assert [(one.state, one.stand) for one in found] == [
        (Due.OVERDUE, "north"), (Due.OVERDUE, "south"), (Due.UNKNOWN, "west"),
    ]  # fmt: skip
    assert found[0].runs == 20
    assert found[0].runs_after_due == sum(
        DAY_ONE + timedelta(hours=20 * number) >= datetime(2026, 2, 2, tzinfo=UTC)
        for number in range(0, 60, 3)
    )
    assert [one.state for one in calibrations_due(records, date(2026, 1, 20))] == [
        Due.SOON,
        Due.SOON,
        Due.UNKNOWN,
    ]
    assert len(calibrations_due(records, date(2025, 1, 20))) == 1
    assert len(calibrations_due(records, date(2025, 1, 20), every=True)) == 3


def test_an_instrument_that_came_back_is_valid_again(database: Database, make_run: Any) -> None:
    import_run(database, make_run(instruments=[_supply("north", "C-1", "2026-02-01")]))
    later = DAY_ONE + timedelta(days=60)
    import_run(database, make_run(at=later, instruments=[_supply("north", "C-2", "2027-02-01")]))
    assert calibrations_due(database, date(2026, 3, 10)) == []


def test_visits_of_a_unit_are_for_the_next_report(records: Database) -> None:
    first, second = visits_of(records, PART, "SN-03")
    assert [(one.run, one.disposition) for one in (first, second)] == [
        ("run-03", "repair"),
        ("run-33", "ship"),
    ]
    assert [(one.place, one.what) for one in first.findings] == [("q05", "stays on")]
    assert second.started.isoformat().startswith("2026-02-01T20:00:00")
    assert second.stand == "north"
    assert visits_of(records, "other", "SN-03") == []


def _part(database: Database) -> Answer:
    return present.of_part(
        first_pass(database, PART),
        yield_over_time(database, PART),
        pareto(database, PART),
        pareto(database, PART, blames="stand"),
        pooled(database, PART),
        cures=cure_rates(database, PART),
    )


ANSWERS: dict[str, Ask] = {
    "unit": lambda records: present.of_unit(unit_history(records, "SN-03")),
    "part": _part,
    "reading": lambda records: present.of_reading(reading_history(records, PART, "idle current")),
    "places": lambda records: present.of_reading(reading_history(records, PART, "on voltage")),
    "stands": lambda records: present.of_stands(compare_stands(records, PART, "idle current")),
    "stands at many places": lambda records: present.of_stands(compare_stands(records, PART, "on voltage")),
    "retested": lambda records: present.of_retested(retested(records), None),
    "calibration due": lambda records: present.of_calibrations_due(
        calibrations_due(records, date(2026, 2, 20)), 30
    ),
}


@pytest.fixture(scope="module")
def both(
    factory: list[Path], postgres: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Database, Database]]:
    """Give the same runs in both databases, imported in opposite orders."""
    file = str(tmp_path_factory.mktemp("both") / "records.sqlite")
    with open_database(file) as one, open_database(postgres.url("same_answers")) as other:
        for run, mirrored in zip(factory, factory[::-1], strict=True):
            import_run(one, run)
            import_run(other, mirrored)
        yield one, other


@pytest.mark.postgres
@pytest.mark.parametrize("question", ANSWERS)
def test_both_databases_give_the_same_answer(question: str, both: tuple[Database, Database]) -> None:
    """Word for word, digit for digit, drawing for drawing."""
    one, other = (ANSWERS[question](database) for database in both)
    assert as_json(one) == as_json(other)
    moment = datetime(2026, 6, 1, tzinfo=UTC)
    assert render(one, "here", moment) == render(other, "here", moment)


@pytest.mark.parametrize("question", ANSWERS)
def test_every_answer_has_every_form(records: Database, question: str) -> None:
    answer = ANSWERS[question](records)
    assert json.loads(as_json(answer)) == plain(answer.data)
    assert len(as_csv(answer).splitlines()) == len(answer.tables[0].rows) + 1
    page = render(answer, "here")
    assert all(sentence for sentence in answer.sentences)
    assert "<script" not in page
    assert "http:" not in page.replace("http-equiv", "")
    assert "https:" not in page
    assert all(len(row) == len(table.columns) for table in answer.tables for row in table.rows)
    assert all(set(table.brief) <= set(table.columns) for table in answer.tables)


def test_the_words_name_stand_and_cause(records: Database) -> None:
    words = " ".join(ANSWERS["stands"](records).sentences)
    assert "south reads idle current at supply" in words
    assert "mA above the others" in words
    assert "drifts per 30 days: west by" in words
    assert "the others do not: look at the stand" in words


def test_the_yield_is_said_with_its_bounds(records: Database) -> None:
    assert _part(records).sentences[0] == (
        "First-pass yield 86.7 %: 26 of 30 units shipped on the first pass (95 % bounds, exact: 69.3 % "
        "to 96.2 %); 60 visits on hardware."
    )


HOSTILE = "\0<img src=x onerror=alert(1)>\"'&\u202e=cmd()"


def test_hostile_text_stays_text_in_every_form(database: Database, make_run: Any, kit: Any) -> None:
    for hour, value in enumerate((0.10, 0.12, 0.11)):
        bad = kit["Checked"](
            name=f"t::{HOSTILE}", place=HOSTILE, stage=HOSTILE, verdict="failed", why=HOSTILE,
            readings=(kit["Measured"](HOSTILE, value, unit=HOSTILE),),
        )  # fmt: skip
        run = make_run(
            serial="=" + HOSTILE, part=HOSTILE, stand=HOSTILE + str(hour), checks=[bad],
            at=DAY_ONE + timedelta(hours=hour), instruments=[_supply(HOSTILE, HOSTILE, HOSTILE)],
        )  # fmt: skip
        import_run(database, run)
    answers = [
        present.of_unit(unit_history(database, "=" + HOSTILE)),
        present.of_reading(reading_history(database, HOSTILE, HOSTILE)),
        present.of_stands(compare_stands(database, HOSTILE, HOSTILE)),
        present.of_calibrations_due(calibrations_due(database, date(2026, 2, 20)), 30),
        present.of_retested(retested(database), HOSTILE),
    ]
    for answer in answers:
        page = render(answer, "here")
        assert "<img" not in page
        assert "\u202e" not in page
        assert "\0" not in page


@pytest.mark.parametrize("formula", ["=cmd()", "+1+cmd()", "-1+cmd()", "@cmd()", "\t=cmd()"])
def test_a_spreadsheet_is_given_no_formula(formula: str) -> None:
    reported = as_csv(Answer("", [], [AnswerTable("", ("place", "value"), [(formula, -1.5)])]))
    assert reported.splitlines()[1].lstrip('"') == f"'{formula},-1.5"
