"""Every defect of outputs, inputs, analog channels and ports: found, placed, and only beyond the limits."""

# ruff: noqa: E501 - the changes are lines of the files

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.end_to_end.conftest import ROOT, STANDS, MakeVisit, Visit

SEQUENCES = [
    str(path)
    for stage in ("6*", "7*", "80*")
    for path in sorted((ROOT / "sequences").glob(f"test_{stage}.py"))
]

#: Visits with several defects each, at severities that matter: all their places, and no other, must be found.
BEYOND = {
    "one": (
        "output-stuck-on@q01",
        "outputs-shorted@q05+q06",
        "output-weak@q09,severity=0.7",
        "output-slow@q12,severity=0.8",
        "output-leaky@q16,severity=0.1",
        "input-stuck-off@i03",
        "inputs-joined@i07+i08",
        "input-slow@i12,severity=0.8",
        "analog-offset@ai1,severity=0.6",
        "analog-gain@ai2,severity=0.6",
        "analog-dead@ao1",
        "port-bit-errors@port 1,severity=0.85",
        "port-dead@port 2",
    ),
    "two": (
        "output-stuck-off@q16",
        "output-follows@q02+q11",
        "output-grounded@q07",
        "input-stuck-on@i16",
        "analog-bent@ai3,severity=0.6",
        "analog-noisy@ai4,severity=0.7",
        "analog-drifts@ao2,severity=0.8",
        "port-dead@port 1",
        "port-bit-errors@port 2,severity=0.85",
    ),
    "three": ("port-clock-error@port 1,severity=0.7", "analog-drifts@ai1,severity=0.8"),
    "four": ("port-clock-error@port 2,severity=0.7", "analog-noisy@ao1,severity=0.7"),
}
#: Severities up to which a unit is inside its profile.
INSIDE = (
    "output-weak@q01,severity=0.3",
    "output-leaky@q02,severity=0.02",
    "output-slow@q03,severity=0.25",
    "input-slow@i01,severity=0.25",
    "analog-offset@ai1,severity=0.05",
    "analog-gain@ai2,severity=0.05",
    "analog-bent@ai3,severity=0.05",
    "analog-drifts@ai4,severity=0.005",
    "analog-noisy@ao1,severity=0.01",
    "port-bit-errors@port 1,severity=0.1",
    "port-clock-error@port 2,severity=0.1",
)


def _places(defects: tuple[str, ...]) -> set[str]:
    return {place for defect in defects for place in defect.partition("@")[2].partition(",")[0].split("+")}


def _with(defects: tuple[str, ...]) -> list[str]:
    return [*SEQUENCES, *(word for defect in defects for word in ("--defect", defect))]


def _failed(done: Visit) -> dict[str, str]:
    return {
        check["id"]: check["why"]
        for check in done.unit["checks"]
        if check["verdict"] not in ("passed", "not performed")
    }


@pytest.mark.parametrize("name", BEYOND)
def test_what_is_beyond_the_limits_is_found_at_its_place_and_nowhere_else(
    visit: MakeVisit, name: str
) -> None:
    """Each defect is found at its own place, both of a pair; no good point is blamed."""
    done = visit(*_with(BEYOND[name]))
    assert (done.code, done.places) == (1, _places(BEYOND[name])), _failed(done)
    assert "stand fault" not in done.verdicts().values()


@pytest.mark.parametrize("seed", [11, 12])
def test_what_is_inside_the_limits_is_let_pass(visit: MakeVisit, seed: int) -> None:
    """Graded defects inside the profile's limits, eleven at once, are no findings."""
    done = visit(*_with(INSIDE), "--seed", str(seed))
    assert _failed(done) == {}
    assert not done.places


def _variant(folder: Path, source: Path, changes: Mapping[str, str]) -> Path:
    text = source.read_text(encoding="utf-8")
    for old, new in changes.items():
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {source.name}"
        text = text.replace(old, new)
    path = folder / source.name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def volt_driven(tmp_path: Path) -> Path:
    """The bench of the demo, with a voltage instead of a relay at each input."""
    return _variant(
        tmp_path,
        STANDS / "sim-bench.yaml",
        {
            "i01..i16: {io: rack, table: coil, address: 0, drives: A.i01}": (
                "i01..i16: {io: rack, table: holding register, address: 100, scale: 0.001, unit: V, "
                "drives: A.i01, accuracy: 0.1 % + 10 mV}"
            ),
            "  at i01..at i16: {drive: i01, sense: bi01}\n": "",
        },
    )


def test_thresholds_are_searched_where_the_stand_drives_volts(visit: MakeVisit, volt_driven: Path) -> None:
    """A threshold beyond that of the input's type is found at its input; one inside is let pass."""
    done = visit(
        SEQUENCES[2],
        *(
            "--defect",
            "input-threshold-high@i05,severity=0.8",
            "--defect",
            "input-threshold-high@i09,severity=0.3",
        ),
        stand=volt_driven,
    )
    assert done.places == {"i05"}, _failed(done)
    found = {check["id"]: check["readings"] for check in done.unit["checks"] if "changes_over" in check["id"]}
    assert len(found) == 16
    rising, falling = next(readings for name, readings in found.items() if "i09" in name)
    assert (rising["low"], rising["high"]) == (5.0, 11.0)  # type 3 at 24 V (check value 3.5)
    assert 0.5 < rising["value"] - falling["value"] < 1.1, "0.8 V of hysteresis, found to 0.1 V at both ends"
    assert rising["uncertainty"] < 0.15


def test_no_threshold_is_asked_of_a_stand_that_only_switches(visit: MakeVisit) -> None:
    """Where a relay drives the inputs there is no such check at all."""
    done = visit(SEQUENCES[2])
    assert not [name for name in done.verdicts() if "changes_over" in name]


LEAKY = ("--defect", "output-leaky@q03,severity=0.1")


def test_leakage_is_judged_where_the_stand_knows_its_load(visit: MakeVisit) -> None:
    """With a load stated and a fine voltmeter, a leakage far below any logic level is found."""
    done = visit(*SEQUENCES[:2], *LEAKY)
    assert done.places == {"q03"}, _failed(done)
    (why,) = _failed(done).values()
    assert why.startswith("leakage when off is ")


def test_leakage_is_not_judged_where_it_does_not(visit: MakeVisit, tmp_path: Path) -> None:
    """Without the load the same voltage says nothing of a current; `hilseq inspect` and the report say so."""
    blind = _variant(tmp_path, STANDS / "sim-bench.yaml", {", load: 48 Ohm": ""})
    assert _failed(visit(*SEQUENCES[:2], *LEAKY, stand=blind)) == {}


@pytest.fixture
def sensors(tmp_path: Path) -> tuple[Path, Path]:
    """A bench and a unit with a Pt100, two thermocouples, a voltage input and a current loop output."""
    stand = _variant(
        tmp_path,
        STANDS / "sim-bench.yaml",
        {
            "  ai1..ai4: {io: rack, table: holding register, address: 0, scale: 0.0005, unit: mA, drives: A.ai1, "
            "accuracy: 0.03 % + 4 uA}": (
                "  ai1: {io: rack, table: holding register, address: 0, scale: 0.01, unit: Ohm, drives: A.ai1, "
                "safe-value: 100, accuracy: 0.05 Ohm}\n"
                "  ai2..ai3: {io: rack, table: holding register, address: 1, type: int16, scale: 0.0025, "
                "unit: mV, drives: A.ai2, accuracy: 0.01 mV}\n"
                "  ai4: {io: rack, table: holding register, address: 3, scale: 0.001, unit: V, drives: A.ai4, "
                "accuracy: 0.02 % + 2 mV}"
            ),
            "ao1..ao2: {io: rack, table: input register, address: 18, scale: 0.0005, unit: V, senses: A.ao1, "
            "accuracy: 0.02 % + 2 mV, lag: 30 ms}": (
                "ao1: {io: rack, table: input register, address: 18, scale: 0.0005, unit: mA, senses: A.ao1, "
                "accuracy: 0.03 % + 4 uA, lag: 30 ms}"
            ),
            "  at ai1..at ai4: {drive: ai1, sense: bai1}\n": "",
        },
    )
    temperature = "register: {{table: input register, address: {}, type: int16, scale: 0.1, unit: degC}}"
    unit = _variant(
        tmp_path,
        STANDS / "units" / "rh16.yaml",
        {
            "    ai1..ai4:\n      register: {table: input register, address: 20, type: int16, scale: 0.001, unit: mA}\n"
            "      kind: 4..20 mA\n      accuracy: 0.5 % of range\n      loop-limits: NE 43\n": "".join(
                f"    {name}: {{{register}, kind: {kind}, accuracy: {accuracy}}}\n"
                for name, register, kind, accuracy in (
                    ("ai1", temperature.format(20), "Pt100", "0.4 % of range"),
                    ("ai2", temperature.format(21), "thermocouple J", "0.5 % of range"),
                    ("ai3", temperature.format(22), "thermocouple K", "0.5 % of range"),
                    (
                        "ai4",
                        "register: {table: input register, address: 23, scale: 0.01, unit: '%'}",
                        "0..10 V",
                        "0.5 % of range",
                    ),
                )
            ),
            "    ao1..ao2:\n      register: {table: holding register, address: 20, type: int16, scale: 0.001, unit: V}\n"
            "      kind: 0..10 V\n      accuracy: 0.5 % of range\n": (
                "    ao1: {register: {table: holding register, address: 20, type: int16, scale: 0.001, unit: mA}, "
                "kind: 4..20 mA, accuracy: 0.5 % of range, loop-limits: NE 43}\n"
            ),
            "ao1..ao2], common": "ao1], common",
            "ao1..ao2], action": "ao1], action",
        },
    )
    return stand, unit


@pytest.mark.parametrize("defects", [(), ("analog-offset@ai1,severity=0.6", "analog-bent@ai3,severity=0.6")])
def test_sensors_are_judged_by_their_published_tables(
    visit: MakeVisit, sensors: tuple[Path, Path], defects: tuple[str, ...]
) -> None:
    """Pt100, thermocouples J and K, 0-10 V in percent and a 4-20 mA output: good ones pass, wrong ones do not."""
    stand, unit = sensors
    (analog,) = (name for name in SEQUENCES if "analog" in name)
    done = visit(analog, *_with(defects)[len(SEQUENCES) :], stand=stand, unit=unit)
    assert done.places == _places(defects), _failed(done)
    checks = {name.partition("::")[2] for name in done.verdicts()}
    assert {"test_is_accurate[ai1]", "test_is_accurate[ao1]", "test_stays_in_its_loop[ao1]"} <= checks


def test_a_plain_unit_has_no_checks_of_what_it_lacks(visit: MakeVisit) -> None:
    """The second unit, on its own stand, passes what applies to it and is asked for nothing else."""
    done = visit(
        *SEQUENCES, stand=STANDS / "dx08-bench.yaml", unit=STANDS / "units" / "dx08.yaml", serial="DX-7"
    )
    assert _failed(done) == {}
    ran = {name for name, verdict in done.verdicts().items() if verdict == "passed"}
    assert not [name for name in ran if "analog" in name or "inputs" in name or "link_loops" in name]
    assert len([name for name in ran if "test_carries_its_load" in name]) == 8
