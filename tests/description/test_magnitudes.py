"""Numbers that can hardly be meant are told with their line before power, and what is legitimate is taken."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hilseq.description.inspection import Inspection, inspect
from hilseq.description.stages import READINGS

STANDS = Path(__file__).parents[2] / "stands"
V, AI = "senses: A.q01, accuracy: 0.1 % + 2 mV", "drives: A.ai1, accuracy: 0.03 % + 4 uA"
SUPPLY = "calibration: {certificate: SIM-PS-1, due: 2099-12-31}"


POINTS = (
    "{done: 2026-01-01, due: 2099-01-01, drift: 10 ppm, points: [{at: 0 V, correction: 0 V, uncertainty: 1 mV}, "
    "{at: 12 V, correction: 12 V, uncertainty: 1 mV}, {at: 80 V, correction: 0 V, uncertainty: 1 mV}]}"
)
CURRENT_POINTS = (
    "calibration: {certificate: SIM-PS-1, done: 2026-01-01, due: 2099-12-31, drift: 10 ppm, current-points: "
    "[{at: 0 A, correction: 0 A, uncertainty: 1 mA}, {at: 1 A, correction: 0 A, uncertainty: 50 mA}], voltage-points: "
    "[{at: 24 V, correction: 0 V, uncertainty: 1 mV}, {at: 24.001 V, correction: 0 V, uncertainty: 1 mV}], "
    "temperature: 2300 degC, per-kelvin: 20 %}"
)


def _seen(folder: Path, changes: dict[str, str]) -> tuple[Inspection, dict[str, str]]:
    """Return what is said of the shipped pair with these changes, and its text by file name."""
    texts = {
        name: (STANDS / name).read_text(encoding="utf-8") for name in ("sim-bench.yaml", "units/rh16.yaml")
    }
    for old, new in changes.items():
        assert sum(text.count(old) for text in texts.values()) == 1, old
        texts = {name: text.replace(old, new) for name, text in texts.items()}
    paths = []
    for name, text in texts.items():
        paths.append(folder / Path(name).name)
        paths[-1].write_text(text, encoding="utf-8")
    return inspect(paths), {Path(name).name: text for name, text in texts.items()}


def _told(found: Inspection, texts: dict[str, str], *, warnings: bool) -> list[tuple[str, str]]:
    """Return the source line and the words of each."""
    told = found.warnings if warnings else found.problems
    return [(texts[each.path.name].splitlines()[each.line - 1], each.wrong) for each in told]


#: A slip, a word of the line at which it is told, and how.
UNUSUAL = {
    "settle: 50 ms\n      rated-current": ("settle: 50 s\n      rated-current", "settle", "a settling time of 50 s"),
    "change-within: 500 ms": ("change-within: 500 s", "change-within", "a mode change of 8 min 20 s"),
    "store-time: 300 ms": ("store-time: 300 s", "store-time", "a time to store of 5 min"),
    "longest-interruption: 200 ms": ("longest-interruption: 200 s", "margins", "an interruption of 3 min 20 s"),
    "years: 5": ("years: 500", "battery", "a battery's life of 500 years"),
    "highest-case: 70 degC": ("highest-case: 700 degC", "highest-case", "a case temperature of 700 degC"),
    "drift: 100 ppm": ("drift: 5 %", "clock", "a clock's drift of 5e+04 ppm"),
    "start-probability: 0.90": ("start-probability: 0.01", "cycling", "a start probability of 0.01"),
    "voltage-drop: 0.8 V": ("voltage-drop: 80 V", "voltage-drop", "a drop of 80 V is so much"),
    "unit: mA}\n      kind: 4..20 mA\n      accuracy: 0.5 %": (
        "unit: mA}\n      kind: 4..20 mA\n      accuracy: 50 %",
        "accuracy",
        "an accuracy of 50 % of range is so much",
    ),
    "temperature-error: 5 K": ("temperature-error: 500 K", "temperature-error", "an error of 500 K is so much"),
    "inrush-charge: 100 mAs": ("inrush-charge: 100 As", "inrush-charge", "a charge of 100 As is so much"),
    "bit-error-ratio: 1.0e-3, clock-error: 2 %}\n  port 2": (
        "bit-error-ratio: 0.9, clock-error: 8 %}\n  port 2",
        "port 1",
        "a clock that is off by 8 % is so much",
    ),
    "type: int16, scale: 0.001, unit: mA": (
        "type: int16, scale: -0.001, unit: mA",
        "scale: -0.001",
        "a scale of -0.001 turns the sign",
    ),
    f"{V}, load: 48 Ohm, load-tolerance: 1 %, lag: 30 ms": (
        f"{V}, load: 48 Ohm, load-tolerance: 1 %, lag: 0 s, calibration: {POINTS}",
        "v01..v16",
        "the correction of 12 at 12 is far beyond the accuracy of 0.014 there",
    ),
    SUPPLY: (
        CURRENT_POINTS,
        "SIM-PS-1",
        "the uncertainty of 0.05 at 1 is more than the accuracy of 0.002 there",
    ),
    "deadline: 500 ms}": (
        "deadline: 500 s}",
        "link:",
        "a deadline of 8 min 20 s",
    ),
    "rack-positions: 3\n": (
        "rack-positions: 3\ndecision-rule: risk 40 %\nlargest-guard-band: 1000 %\n",
        "decision-rule",
        "a risk of accepting what is outside of 40 %",
    ),
    "resolution: 1 ms": ("resolution: 1 us", "margins", "a resolution of 0.001 ms"),
    "confidence: 0.90": ("confidence: 0.60", "cycling", "a confidence of 0.6"),
    "  period: 1 s\n": ("  period: 1 us\n", "period", "a time between samples of 0.001 ms"),
    "every: 12 h, off: 30 s": ("every: 12 h, off: 1 ms", "every", "a cycle of 1 ms is shorter"),
    "ambient: 30 degC": ("ambient: -200 degC", "ambient", "an ambient of -200 degC"),
    "address: 4, scale: 0.001": ("address: 4, scale: 5", "supply-voltage", "a last digit of 5 V"),
    "address: 7, type: uint32, scale: 0.001": (
        "address: 7, type: uint16, scale: 1",
        "clock:",
        "this clock begins anew after 18 h 12 min",
    ),
    "leakage: 0.5 mA": ("leakage: 60 mA", "leakage", "a leakage of 0.06 A is so much"),
    "inrush-peak: 2.5 A": ("inrush-peak: 25 A", "ceilings", "an inrush peak of 25 A lies above all"),
    "unit: mA, accuracy: 0.03 % + 4 uA}": (
        "unit: mA, accuracy: 30 %}",
        "bai1..bai4",
        "the loop-back 'at ai1' reads to \u00b1 0.011 A what ai1 drives to \u00b1 1.6e-05: it shows no error",
    ),
    "senses: A.case, accuracy: 0.5 degC": ("senses: A.case", "case:", "the signal 'case' states no accuracy"),
}  # fmt: skip


def test_what_is_far_from_usual_is_told_and_taken(tmp_path: Path) -> None:
    """A slip of a unit, a sign or a decimal point is a warning at its line, with what to do."""
    found, texts = _seen(tmp_path, {old: slip[0] for old, slip in UNUSUAL.items()})
    told = _told(found, texts, warnings=True)
    missing = [
        words
        for _, key, words in UNUSUAL.values()
        if not any(key in line and words in said for line, said in told)
    ]
    assert not missing, told
    others = (
        "a bit error ratio of 0.9",
        "follow at once",
        "the point at 80 lies outside",
        "guard band of 1000 %",
        "an interval of calibration of 74 years",
        "a per-kelvin of a calibration of 20 %",
        "a room of 2300 degC",
        "speaks of 24 to 24.001 alone, of 30 that there are",
    )
    assert all(any(words in said for _, said in told) for words in others), told
    assert all(each.expected for each in found.warnings)


TOO_SMALL = {
    "scale: 0.001, unit: V, senses": ("scale: -0.001, unit: V, senses", "v01..v16", "the signal 'v01' holds"),
    "scale: 0.0005, unit: mA, drives": (
        "scale: 0.00005, unit: mA, drives",
        "ai1..ai4",
        "the signal 'ai1' holds",
    ),
}
REGISTERS = {
    "address: 4, scale: 0.001": ("address: 4, scale: 0.0001", "supply-voltage", "the register of supply-voltage holds"),
    "address: 9, scale: 0.001": ("address: 9, scale: -0.001", "battery-voltage", "the register of battery-voltage"),
    "scale: 0.001, unit: s}": ("scale: -0.001, unit: s}", "clock", "the unit's clock would run backwards"),
    "type: int16, scale: 0.1, unit: degC}\n  temperature-error": (
        "type: int16, scale: 0.001, unit: degC}\n  temperature-error",
        "temperature",
        "the register of temperature holds -32.77 to 32.77 degC, but not 70 degC",
    ),
    "scale: 0.001, unit: V}\n      kind": ("scale: 0.0001, unit: V}\n      kind", "register", "the register of ao1"),
    "lowest: 2.6 V": ("lowest: 2.6 V, accuracy: 1 V", "battery", "a fresh one of 3 V cannot be known"),
}  # fmt: skip


#: An error of nothing, a claim that nobody can prove, currents that exclude each other.
CANNOT_BE = {
    "response: 2 ms": ("response: 0 s", "response", "no instrument is without an error"),
    "clock-accuracy: 10 ppm": ("clock-accuracy: 0 ppm", "clock-accuracy", "no instrument is without an error"),
    "load-tolerance: 1 %": ("load-tolerance: 0 %", "v01..v16", "no instrument is without an error"),
    "idle-current: 85..135 mA": ("idle-current: 200..300 mA", "idle", "where live-current ends at 0.155 A"),
    "bit-error-ratio: 1.0e-3, clock-error: 2 %}\n  port 2": (
        "bit-error-ratio: 1.0e-12, clock-error: 2 %}\n  port 2",
        "port 1",
        "takes 3e+12 bits without an error",
    ),
    "nominal: 3.0 V,": ("nominal: 3.0 V, accuracy: 0 %,", "battery", "no converter is without an error"),
    "address: 7, type: uint32": ("address: 7, type: uint16", "clock", "begins anew after 1 min 6 s"),
}  # fmt: skip
#: What no uncertainty of this stand leaves room for.
UNRESOLVED = {
    "supply-range: 20.4..28.8 V": ("supply-range: 23.99..24.01 V", "voltage: 0.05 %", "the ends of the supply range"),
    "settle: 50 ms\n      rated-current": ("settle: 1 ms\n      rated-current", "rack", "settle of q01 of RH16 cannot"),
    "drives: A.i01}": ("drives: A.i01, settle: 40 ms}", "i01..i16", "settle of i01 of RH16 cannot be judged"),
    "current: 0.1 % + 1 mA}": (
        "current: 0.1 % + 1 mA, current-repeatability: 100 mA}",
        "current-repeatability",
        "idle-current of RH16 cannot be judged",
    ),
    "inrush-peak: 2.5 A": ("inrush-peak: 2.5 A", "current-repeatability", "live-current of RH16 cannot be judged"),
    "inrush-charge: 100 mAs": ("inrush-charge: 100 mAs", "current-rep", "loaded-current of RH16 cannot be judged"),
}  # fmt: skip


@pytest.mark.parametrize(
    "slips",
    [TOO_SMALL, REGISTERS, CANNOT_BE, UNRESOLVED],
    ids=["signals", "registers", "cannot be", "unresolved"],
)
def test_what_cannot_be_is_refused(slips: dict[str, tuple[str, str, str]], tmp_path: Path) -> None:
    """A register too small for what is expected in it, an error of nothing, a claim that nothing here can show."""
    found, texts = _seen(tmp_path, {old: slip[0] for old, slip in slips.items()})
    told = _told(found, texts, warnings=False)
    assert all(
        any(key in line and words in said for line, said in told) for _, key, words in slips.values()
    ), told
    assert len(told) == len(slips), told


def test_a_simulator_of_sensors_holds_the_whole_table(tmp_path: Path) -> None:
    """The sweep drives all of it: a Pt100 has 390.5 Ohm at 850 degC (IEC 60751)."""
    changes = {
        "scale: 0.001, unit: mA}\n      kind: 4..20 mA\n      accuracy: 0.5 % of range\n      loop-limits: NE 43":
            "scale: 0.1, unit: degC}\n      kind: Pt100\n      accuracy: 1 K",
        "scale: 0.0005, unit: mA, drives: A.ai1, accuracy: 0.03 % + 4 uA":
            "scale: {}, unit: Ohm, drives: A.ai1, safe-value: 1, accuracy: 0.02 Ohm",
        "  at ai1..at ai4: {drive: ai1, sense: bai1}\n": "",
    }  # fmt: skip
    for scale, words in (
        (0.01, []),
        (0.0059, ["the signal 'ai1' holds 0 to 386.7 Ohm, but not 18.52 Ohm and 390.5 Ohm"]),
    ):
        found, texts = _seen(tmp_path, {old: new.replace("{}", str(scale)) for old, new in changes.items()})
        told = [said.partition(" (")[0] for _, said in _told(found, texts, warnings=False)]
        assert told == words


#: Readings that need no look beforehand: counted until they are decided, a date, or a second for each start.
NOT_BEFOREHAND = {
    "battery age",
    "battery voltage",
    "battery voltage at the end",
    "bit error ratio",
    "lost frames per bit",
    *(name for name in READINGS if name.startswith("clock error")),
}


def test_every_reading_is_known_before_power(tmp_path: Path) -> None:
    """With limits that leave no room for any guard band, each reading that can be too wide is refused by its name."""
    every = {
        "rack-positions: 3\n": "rack-positions: 3\nlargest-guard-band: 0 %\n",
        "address: 16, drives: A.s1}": "address: 16, drives: A.s1, settle: 20 ms}",
        "kind: 0..10 V": "kind: 4..20 mA\n      loop-limits: NE 43",
        "type: int16, scale: 0.001, unit: V}": "type: int16, scale: 0.001, unit: mA}",
        "address: 18, scale: 0.0005, unit: V, senses": "address: 18, scale: 0.0005, unit: mA, senses",
        "senses: A.ao1, accuracy: 0.02 % + 2 mV": "senses: A.ao1, accuracy: 0.02 % + 2 uA",
        "  i01..i16: {io: rack, table: coil, address: 0, drives: A.i01}":
            "  i01..i08: {io: rack, table: holding register, address: 100, scale: 0.001, unit: V, drives: A.i01, "
            "accuracy: 10 mV}\n  i09..i16: {io: rack, table: coil, address: 8, drives: A.i09}",
        "  at i01..at i16: {drive: i01, sense: bi01}\n": "",
        "identity: {maker: Ombrella, model: IO-64}": "identity: {maker: Ombrella, model: IO-64}\n    scan-time: 1 ms",
        "adapter: serial adapter 1,": "adapter: serial adapter 1, speed-accuracy: 0.1 %,",
    }  # fmt: skip
    found, _ = _seen(tmp_path, every)
    named = {name for each in found.problems for _, name in re.findall(r"""(['"])(.+?)\1""", each.expected)}
    assert {name for name in READINGS if name not in named} == NOT_BEFOREHAND, found.problems
    assert "highest case temperature" in named
