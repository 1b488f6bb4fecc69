"""One fault is one cause, however many checks it shows in; and what to look at first.

The rows of the tables are invented; the ways in which faults show are those of visits to the twin.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from hilseq.journal.causes import UnitDiagnosis, diagnosis
from hilseq.journal.entries import (
    CausesStated,
    CheckEnded,
    CheckPlanned,
    CheckStarted,
    FaultsRead,
    JournalEntry,
    KnownCause,
    RunStarted,
    StoredFault,
    UnitUnderTest,
)
from hilseq.journal.run_state import fold
from hilseq.journal.soak_entries import SoakEventLogged, SoakStarted
from hilseq.verdicts import CheckVerdict

AT = "2026-03-02T09:00:00+00:00"
#: id of a check, place of the check, what it found, places that it named, when it ended (s).
Found = tuple[str, str, str, tuple[str, ...], float]
LOST = StoredFault(
    code=0x41, place="head", time=None, meaning="configuration lost", cause="battery", remedy="replace it"
)
BATTERY = KnownCause(
    name="memory battery", action="replace it", places=("battery", "clock", "configuration"), faults=(0x41,)
)
CRYSTAL = KnownCause(name="crystal", action="replace it", places=("clock",))
DRIVER = KnownCause(name="driver", action="replace it", places=("q01", "q02", "q03"))
SHARED = KnownCause(
    name="shared driver", action="look at its fuse", places=("q01", "q02", "q03"), common=True
)


def run(
    found: Sequence[Found],
    *,
    known: Sequence[KnownCause] = (),
    stored: Sequence[StoredFault] = (),
    soak: Sequence[SoakEventLogged] = (),
    verdict: CheckVerdict = CheckVerdict.FAILED,
) -> UnitDiagnosis:
    entries: list[JournalEntry] = [
        RunStarted(
            run="r",
            stand="s",
            hilseq="0",
            simulated=True,
            decision_rules={},
            units=(UnitUnderTest(slot="A", serial="1", part="P"),),
            at=AT,
        ),
        CausesStated(slot="A", causes=tuple(known)),
        FaultsRead(slot="A", when="before clearing", entries=tuple(stored)),
    ]
    for check, place, *_ in found:
        entries.append(
            CheckPlanned(check=check, slot="A", sequence="s", stage="x", title="t", place=place, gate=False)
        )
    for check, _, what, places, at in found:
        entries.append(CheckStarted(check=check, t=at))
        if soak and check == "soak":
            entries.append(_soak_started(check))
            entries.extend(soak)
        entries.append(CheckEnded(check=check, verdict=verdict, why=what, places=places, seconds=1.0, t=at))
    return diagnosis(fold(entries).units[0])


def _soak_started(check: str) -> SoakStarted:
    return SoakStarted(
        slot="A", check=check, file="f", zero=0.0, end=9.0, duration=9.0, planned=9.0, period=1.0, mode="live",
        modes={"live": 2.0}, case=None, columns=(), confidence=0.9, cover="closed", ambient=25.0, plan={},
    )  # fmt: skip


def test_a_point_that_is_stuck_is_reported_once_with_what_follows_from_it() -> None:
    found = run(
        [
            ("a[q05]", "q05", "q05 on while the unit starts", (), 1.0),
            ("b[q05]", "q05", "q05: stuck on", (), 20.0),
            ("c[q05]", "q05", "q05: stuck on", (), 40.0),
            ("d[q05]", "q05", "voltage when off is 24 V", (), 60.0),
        ]
    )
    (cause,) = found.causes
    assert (cause.places, cause.what) == (("q05",), "q05: stuck on")
    assert [symptom.what for symptom in cause.consequences] == [
        "q05 on while the unit starts",
        "voltage when off is 24 V",
    ]


def test_a_short_between_two_outputs_is_one_cause_with_two_places() -> None:
    shorted = "q05 and q06: shorted, wired-or"
    found = run(
        [
            ("a[q05]", "q05", shorted, (), 1.0),
            ("a[q06]", "q06", shorted, (), 2.0),
            ("together", "inputs", "q06 was wrong only while q05 is on", ("q06", "q05"), 60.0),
        ]
    )
    (cause,) = found.causes
    assert (cause.places, cause.what) == (("q05", "q06"), shorted)


def test_two_points_that_failed_apart_stay_apart_though_one_check_saw_both() -> None:
    """The check of all points together says that both were wrong, not that they were wrong together."""
    found = run(
        [
            ("a[q01]", "q01", "q01: stuck on", (), 1.0),
            ("a[q02]", "q02", "q02: stuck off", (), 2.0),
            ("together", "inputs", "q01 was wrong; q02 was wrong", ("q01", "q02"), 60.0),
        ]
    )
    assert [cause.symptoms[0].places for cause in found.causes] == [("q01",), ("q02",)]
    assert [len(cause.consequences) for cause in found.causes] == [1, 1]


def test_the_same_words_at_two_points_are_two_causes_unless_they_name_both() -> None:
    found = run([("a[q01]", "q01", "stays on", (), 1.0), ("a[q02]", "q02", "stays on", (), 2.0)])
    assert [cause.places for cause in found.causes] == [("q01",), ("q02",)]


@pytest.mark.parametrize(("apart", "causes"), [(1.9, 1), (2.1, 2)])
def test_signs_of_the_unit_within_two_seconds_are_one_event(apart: float, causes: int) -> None:
    found = run(
        [
            ("a", "link", "did not answer", (), 10.0),
            ("b", "indicator", "the indicator is dark", (), 10.0 + apart),
        ]
    )
    assert len(found.causes) == causes


def test_two_limits_checked_one_after_the_other_are_no_event() -> None:
    found = run(
        [("a", "battery", "battery is 2.4 V", (), 10.0), ("b", "identity", "firmware is 1.0", (), 10.1)]
    )
    assert len(found.causes) == 2


def test_the_signs_of_one_incident_of_a_soak_are_one_cause() -> None:
    def sign(number: int, what: str, place: str) -> SoakEventLogged:
        return SoakEventLogged(
            slot="A",
            number=number,
            since=3.0 * number,
            case=None,
            what=what,
            place=place,
            text=what,
            outputs_on=0,
        )

    places = ("link", "indicator", "mode live", "q07")
    signs = [
        sign(1, "link silent", "link"),
        sign(1, "indicator", "indicator"),
        sign(1, "left live", "mode live"),
        sign(2, "output does not follow", "q07"),
    ]
    found = run(
        [("a[q07]", "q07", "", (), 0.0), ("soak", "soak", "link silent; 2 events", places, 9.0)],
        soak=signs,
    )
    assert [set(cause.places) for cause in found.causes] == [{"q07"}, {"link", "indicator", "mode live"}]


def test_a_configuration_lost_is_reported_once_with_the_fault_that_it_stored() -> None:
    found = run(
        [
            ("a", "stored faults", f"after a new start the unit reports {LOST}", ("head",), 5.0),
            ("b", "configuration", "the configuration read back differs in 30 of 32 words", (), 50.0),
            ("c", "configuration", "the configuration read back differs in 30 of 32 words", (), 90.0),
        ],
        known=[BATTERY],
        stored=[LOST],
    )
    (cause,) = found.causes
    assert cause.what == "the configuration read back differs in 30 of 32 words"
    assert cause.places == ("configuration", "head")
    ((step,), ()) = found.order, found.unexplained
    assert (step.known.name, step.explains) == ("memory battery", (cause,))


def test_first_what_explains_most_then_what_explains_the_rest() -> None:
    found = run(
        [
            ("a", "clock", "the clock lost 144 s", (), 5.0),
            ("b", "battery", "battery is 0.0 V", (), 50.0),
            ("a[q02]", "q02", "q02: stuck on", (), 60.0),
        ],
        known=[CRYSTAL, BATTERY, DRIVER],
    )
    assert [step.known.name for step in found.order] == ["memory battery", "driver", "crystal"]
    assert [cause.places for cause in found.causes] == [("clock", "battery"), ("q02",)]


def test_what_explains_as_much_comes_in_the_order_of_the_profile() -> None:
    found = run([("a", "clock", "drift is 249 ppm", (), 5.0)], known=[CRYSTAL, BATTERY])
    assert [step.known.name for step in found.order] == ["crystal", "memory battery"]


def test_several_points_are_a_fault_each_or_one_fault_that_they_share() -> None:
    three = [(f"a[q0{n}]", f"q0{n}", f"q0{n}: stuck off", (), float(n)) for n in (1, 2, 3)]
    apart = run(three, known=[DRIVER])
    assert len(apart.causes) == 3
    assert [len(step.explains) for step in apart.order] == [3]
    shared = run(three, known=[DRIVER, SHARED])
    assert [cause.places for cause in shared.causes] == [("q01", "q02", "q03")]
    assert [step.known.name for step in shared.order] == ["shared driver", "driver"]
    alone = run(three[:1], known=[DRIVER, SHARED])
    assert [step.known.name for step in alone.order] == ["driver"]


def test_what_the_table_does_not_know_is_said_to_be_unexplained() -> None:
    found = run([("a", "my own place", "odd", (), 5.0)], known=[CRYSTAL])
    assert (found.order, found.unexplained) == ((), found.causes)


def test_a_fault_of_the_stand_has_no_order_of_repair() -> None:
    found = run([("a", "clock", "no answer", (), 5.0)], known=[CRYSTAL], verdict=CheckVerdict.STAND_FAULT)
    assert (len(found.causes), found.order) == (1, ())


def test_a_journal_of_many_thousand_findings_is_no_trouble() -> None:
    """Work grows with the findings, not with their square: 20,000 end within the time of a test."""
    many = [(f"a[q{n}]", f"q{n}", f"q{n}: stuck", (), float(n)) for n in range(20_000)]
    assert len(run(many, known=[SHARED]).causes) == 20_000
