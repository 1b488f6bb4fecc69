"""Values, limits and rules as people say them."""

from __future__ import annotations

from typing import Any

import pytest

from hilseq.analysis.uncertainty import DecisionRule
from hilseq.journal.entries import Reading
from hilseq.reports.formatting import date, join_truncated, rule_in_words, short_code, show_limits, show_value


def _reading(**fields: Any) -> Reading:
    plain = {"name": "x", "value": 0.1083, "unit": "A", "uncertainty": 0.0012, "low": 0.085, "high": 0.135}
    return Reading(check="c", slot="A", **{**plain, "verdict": "conforms", **fields})


def _fields(
    unit: str, value: float | str, uncertainty: float | None, low: float | None, high: float | None
) -> dict[str, Any]:
    return {"unit": unit, "value": value, "uncertainty": uncertainty, "low": low, "high": high}


@pytest.mark.parametrize(
    ("fields", "value", "limits"),
    [
        ({}, "108.3 mA ± 1.2 mA", "85 to 135 mA"),
        (_fields("degC", 57.25, 0.5, None, 70.0), "57.2 °C ± 0.5 °C", "at most 70 °C"),
        (_fields("V", 23.9871, 0.02, 20.4, 28.8), "23.987 V ± 0.020 V", "20.4 to 28.8 V"),
        (_fields("", 3, 0.0, 3.0, 3.0), "3 (exact)", "exactly 3"),
        (_fields("s", 3.1, None, None, 4.0), "3.1 s", "at most 4 s"),
        (_fields("V", 2.9, 0.01, 2.6, None), "2.900 V ± 0.010 V", "at least 2.6 V"),
        (_fields("V", "nan", 0.01, 0.085, 0.135), "nan (no number)", "85 to 135 mV"),
        (_fields("Bd", 19200.0, 0.0, None, None), "19200 Bd (exact)", "no limits"),
    ],
)
def test_a_reading_is_said_in_the_unit_that_reads_best(
    fields: dict[str, Any], value: str, limits: str
) -> None:
    reading = _reading(**fields)
    assert show_limits(reading) == limits
    assert show_value(reading) == value


def test_dates_are_in_utc_whatever_the_journal_s_zone() -> None:
    assert date("2026-11-25T09:00:00.123+01:00") == "2026-11-25 08:00:00 UTC"
    assert date("yesterday") == "yesterday"


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("guarded", "at most 2.5 % per reading"),
        ("simple", "can reach 50 % per reading"),
        ("0.83 U", "by at least 0.83 of its expanded uncertainty U (guard band 0.83 U"),
        ("0.83 U", "at most 4.8 % probability of accepting"),
        ("risk 1 %", "a probability of at most 1 % (guard band 1.16 U"),
        ("risk 1 %", "one inside by twice that with 99 %"),
    ],
)
def test_every_rule_is_reported_with_its_risk(rule: str, words: str) -> None:
    """The numbers are those of Phi(-2 r): ILAC-G8:09/2019, table 1, with k = 2."""
    assert words in rule_in_words(DecisionRule.read(rule))


def test_long_lists_are_cut_and_counted() -> None:
    assert join_truncated(["a", "b", "a", ""], 3) == "a, b"
    assert join_truncated("abcdefgh", 4) == "a, b, c and 5 more"


def test_the_short_code_is_the_first_80_bits_in_crockford_s_base_32() -> None:
    """Checked by hand: 0x00443 2... begins 00000 00001 00010 00011 00100 = 0 1 2 3 4."""
    bits = "".join(f"{number:05b}" for number in range(16))
    chain = f"{int(bits, 2):020x}" + "f" * 44
    assert short_code(chain) == "0123-4567-89AB-CDEF"
    assert short_code("f" * 64) == "ZZZZ-ZZZZ-ZZZZ-ZZZZ"
