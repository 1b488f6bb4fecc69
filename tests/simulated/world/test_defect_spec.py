"""What a person may write for a defect, and what the answer is to anything else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hilseq_sim.defects.catalogue import CATALOGUE
from hilseq_sim.defects.spec import (
    DefectError,
    catalogue_on,
    describe_catalogue,
    parse_defect,
    places_for,
    resolve,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hilseq.description.visit import Visit, describe_visit


def test_every_word_of_a_defect() -> None:
    spec = parse_defect(
        "output-stuck-on@A.q05, after=20h, above=55degC, below=80 degC, probability=0.1, for=2s, severity=0.7"
    )
    assert (spec.kind, spec.slot, spec.places) == ("output-stuck-on", "A", ("q05",))
    assert (spec.after, spec.above, spec.below) == (72000.0, 55.0, 80.0)
    assert (spec.probability, spec.lasting, spec.severity) == (0.1, 2.0, 0.7)


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ("outputs-shorted@q05+q06", ("q05", "q06")),
        ("outputs-shorted@q06+q05", ("q06", "q05")),
        ("mode-contact-open@hold", ("mode held",)),
        ("mode-contact-open@mode held", ("mode held",)),
        ("live-while-held", ("mode held",)),
        ("supply-silent", ("supply main",)),
        ("supply-silent@main", ("supply main",)),
        ("io-silent@io rack", ("io rack",)),
        ("port-dead@A.port 2", ("port 2",)),
        ("no-start", ("start",)),
        ("neighbour-missing@neighbour 2", ("neighbour 2",)),
        ("neighbour-missing@2", ("neighbour 2",)),
    ],
)
def test_places_and_their_short_forms(visit: Visit, text: str, places: tuple[str, ...]) -> None:
    assert resolve(text, visit).places == places


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("output-stuck-onn@q05", "did you mean 'output-stuck-on'"),
        ("output-stuck-on@q55", "cannot sit on 'q55'"),
        ("output-stuck-on@q5", "did you mean 'q"),
        ("output-stuck-on", "needs a place"),
        ("output-stuck-on@B.q05", "'B' is no slot"),
        ("output-stuck-on@q05,afer=20h", "did you mean 'after'"),
        ("output-stuck-on@q05,after=20", "expected a time such as 20h"),
        ("output-stuck-on@q05,after=-1s", "expected a time"),
        ("output-stuck-on@q05,above=55", "expected a case temperature"),
        ("output-stuck-on@q05,probability=0", "above 0, at most 1"),
        ("output-stuck-on@q05,probability=nan", "above 0, at most 1"),
        ("output-stuck-on@q05,severity=1.1", "from 0 to 1"),
        ("output-stuck-on@q05,for=0s", "a time above 0"),
        ("output-stuck-on@q05,after", "lacks a value"),
        ("output-stuck-on@q05,after=1h,after=2h", "stands twice"),
        ("output-stuck-on@q05,above=60degC,below=50degC", "never active"),
        ("outputs-shorted@q05", "two places"),
        ("outputs-shorted@q05+q05", "cannot sit on"),
        ("outputs-shorted@A.q05+B.q06", "two slots"),
        ("output-stuck-on@", "names no place"),
        ("", "is no defect"),
        ("x" * 500, "too long"),
        ("fault-returns,code=banana", "fault code"),
        ("input-threshold-high@i01", "makes no sense"),
    ],
)
def test_what_is_wrong_is_named(visit: Visit, text: str, message: str) -> None:
    with pytest.raises(DefectError, match=message):
        resolve(text, visit)


@settings(deadline=None, max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.one_of(
        st.text(max_size=80),
        st.builds(
            "{}@{},{}={}".format,
            st.sampled_from(sorted(CATALOGUE)),
            st.sampled_from(["q05", "q05+q06", "A.q05", "port 1", "mode held", ".", "+", "", "A.", "main"]),
            st.sampled_from(
                ["after", "above", "below", "probability", "for", "severity", "code", "word", ""]
            ),
            st.one_of(
                st.text(max_size=12), st.sampled_from(["1e999s", "1e-999", "inf", "-0", "0x", "9" * 50])
            ),
        ),
    )
)
def test_nothing_but_a_defect_error_comes_of_any_text(visit: Visit, text: str) -> None:
    said = ""
    try:
        resolve(text, visit)
    except DefectError as error:
        said = str(error) or "nothing"
    assert said != "nothing"
    assert len(said) < 600


def test_the_catalogue_describes_itself() -> None:
    entries = describe_catalogue()
    assert len(entries) == len(CATALOGUE) >= 50
    for entry in entries:
        assert entry["side"] in {"unit", "stand", "link"}
        assert entry["does"]
        assert entry["located"]
        assert "after" in entry["parameters"]
        if entry["matters"] is not None:
            assert 0.0 < entry["harmless"] < entry["matters"] <= 1.0
        else:
            assert entry["harmless"] in (None, 1.0), "harmless up to where, and not found from anywhere on"


def test_a_leak_matters_sooner_where_the_stand_states_its_loads(tmp_path: Path) -> None:
    """The shipped bench measures leakage, so a leak of half again the limit must be found there."""
    stands = Path(__file__).parents[3] / "stands"
    measures = stands / "sim-bench.yaml"
    text = measures.read_text(encoding="utf-8")
    blind = tmp_path / "sim-bench.yaml"
    blind.write_text(text.replace(", load: 48 Ohm", ""), encoding="utf-8")
    found = [
        next(row["matters"] for row in catalogue_on(described) if row["kind"] == "output-leaky")
        for described in (
            describe_visit(path, {"A": stands / "units" / "rh16.yaml"}) for path in (measures, blind)
        )
    ]
    assert found == [0.1, 0.95]


def test_every_kind_but_one_can_sit_somewhere_on_the_shipped_bench(visit: Visit) -> None:
    nowhere = {kind for kind in CATALOGUE if not places_for(kind, visit)}
    assert nowhere == {"input-threshold-high"}, (
        "its inputs are driven by relays, so a threshold cannot be found"
    )


def test_every_place_offered_is_a_place_taken(visit: Visit) -> None:
    for kind in CATALOGUE:
        for place in places_for(kind, visit)[:40]:
            found = resolve(f"{kind}@{place}", visit)
            assert "+".join(found.places) == place
            assert found.located


def _as_markdown() -> str:
    """Return the table, one kind of defect a line."""
    lines = [
        "| kind | at fault | what it does | severity | harmless to, found from |",
        "|---|---|---|---|---|",
    ]
    for row in CATALOGUE.values():
        severity = row.severity or ("any" if row.graded else "")
        found_from = f"{row.matters:g}" if row.matters is not None else "never"
        limits = "" if row.harmless is None else f"{row.harmless:g}, {found_from}"
        side = row.side if row.side == "stand" else f"unit, {row.stage}"
        lines.append(f"| `{row.kind}` | {side} | {row.does} | {severity} | {limits} |")
    return "\n".join(lines) + "\n"


def test_the_readme_lists_every_kind() -> None:
    """The table of sim/README.md is the catalogue."""
    manual = (Path(__file__).parents[3] / "sim" / "README.md").read_text(encoding="utf-8")
    assert manual.partition("<!-- defects -->\n")[2].partition("<!-- end -->")[0] == _as_markdown()
