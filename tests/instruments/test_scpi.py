"""Texts of SCPI instruments: every legal form is understood, everything else is refused, nothing crashes.

Published checks: the tables named with 1.x repeat the lines of the project's collection of check values,
section 1, with the source each line gives. All of that section were seen in secondary texts [S] that quote
IEEE 488.2 or SCPI-1999, or recomputed.
"""

from __future__ import annotations

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.instruments import scpi
from hilseq.instruments.protocols import Identification
from hilseq.instruments.translate import DecodeError


@pytest.mark.parametrize("text", ["28", "0.28E2", "280E-1", "28000m", "0.028K", "28E-3K"])
def test_equal_number_forms(text: str) -> None:
    """1.12, a wavemeter manual p. 3-26 [S], recomputed: six forms of one value."""
    assert scpi.parse_number(text) == pytest.approx(28.0, rel=1e-12)


@pytest.mark.parametrize(("text", "value"), [("#HA2F", 2607), ("#Q62", 50), ("#B01011", 11), ("#ha2f", 2607)])
def test_non_decimal_numbers(text: str, value: int) -> None:
    """1.13, a power-meter programming guide p. 75 [S] for the forms, values recomputed."""
    assert scpi.parse_number(text) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [("9.9E37", math.inf), ("+9.90000000E+37", math.inf), ("-9.9E37", -math.inf), ("INFinity", math.inf),
     ("NINF", -math.inf)],
)  # fmt: skip
def test_special_numbers(text: str, value: float) -> None:
    """1.14, a power-meter guide p. 75, signal-source and receiver help [S]: infinity."""
    assert scpi.parse_number(text) == value


def test_not_a_number() -> None:
    """1.14, the same sources: 9.91E37 and NAN are no number."""
    assert math.isnan(scpi.parse_number("9.91E37"))
    assert math.isnan(scpi.parse_number("NAN"))


@pytest.mark.parametrize("text", ["9.9E37", "-9.9E37", "9.91E37", "NAN", "INF", "1E38"])
def test_a_special_number_is_no_measurement(text: str) -> None:
    """An overflow must never be judged as a reading of 9.9E37 volts."""
    with pytest.raises(DecodeError, match="nothing was measured"):
        scpi.parse_measurement(text)


@pytest.mark.parametrize(
    ("text", "state"),
    [("1", True), ("0", False), ("ON", True), ("off", False), ("0.4", False), ("0.6", True), ("-3", True),
     ("+1\r", True)],
)  # fmt: skip
def test_booleans(text: str, state: bool) -> None:
    """1.15, a power-meter programming guide p. 111 [S]: ON, OFF, or a number rounded, non-zero is 1."""
    assert scpi.parse_boolean(text) is state


MULTIPLIERS = [
    ("EX", 1e18), ("PE", 1e15), ("T", 1e12), ("G", 1e9), ("MA", 1e6), ("K", 1e3), ("M", 1e-3), ("U", 1e-6),
    ("N", 1e-9), ("P", 1e-12), ("F", 1e-15), ("A", 1e-18),
]  # fmt: skip


@pytest.mark.parametrize(("suffix", "factor"), MULTIPLIERS)
def test_suffix_multipliers(suffix: str, factor: float) -> None:
    """1.16, counter manuals table 3-2 [S]."""
    assert scpi.parse_number(f"2{suffix}") == pytest.approx(2 * factor, rel=1e-12)
    assert scpi.parse_number(f"2 {suffix.lower()}V", "V") == pytest.approx(2 * factor, rel=1e-12)


def test_mega_exception() -> None:
    """1.16, the same: MHZ and MOHM mean mega, although M is milli."""
    assert scpi.parse_number("5MOHM", "OHM") == pytest.approx(5e6)
    assert scpi.parse_number("5MHZ", "HZ") == pytest.approx(5e6)
    assert scpi.parse_number("5MV", "V") == pytest.approx(5e-3)


def test_milliampere_and_ampere_are_not_mega_and_atto() -> None:
    """`5MA` of a current is 5 mA and `5A` is 5 A, although MA and A are multipliers too."""
    assert scpi.parse_number("5MA", "A") == pytest.approx(5e-3)
    assert scpi.parse_number("5A", "A") == 5.0


def test_exponent_and_digit_limits() -> None:
    """1.17, instrument manuals citing IEEE 488.2, 7.7.2.4.1 [S]: 32000 and 255 are the limits."""
    with pytest.raises(DecodeError, match="exponent beyond 32000"):
        scpi.parse_number("1E-32001")
    assert scpi.parse_number("1E-32000") == 0.0
    assert scpi.parse_number("0." + "1" * 254) == pytest.approx(1 / 9)
    with pytest.raises(DecodeError, match="more than 255 digits"):
        scpi.parse_number("0." + "1" * 256)


@pytest.mark.parametrize(
    "text",
    ["", " ", "volts", "24,0", "1_000", "--1", "0x10", "#", "#H", "#HXY", "#B2", "#H" + "F" * 290, "1E", "٢٤",
     "24.0 A", "1e999", "24 V extra", "1" * 301],
)  # fmt: skip
def test_what_is_no_number_is_refused(text: str) -> None:
    """A number of a measurement that was half understood would be worse than none."""
    with pytest.raises(DecodeError):
        scpi.parse_measurement(text, "V")


@pytest.mark.parametrize(
    ("text", "digit"),
    [
        ("24", 1.0), ("24.00", 0.01), ("+2.400E+01", 0.01), ("+2.400E-02", 1e-5), (".5", 0.1), ("24000mV", 1e-3),
        ("24.0 V", 0.1), ("250.0mV", 1e-4), ("#H18", 0.0), ("INF", 0.0),
    ],
)  # fmt: skip
def test_the_last_digit_of_an_answer(text: str, digit: float) -> None:
    """NR1, NR2 and NR3 of IEEE 488.2-1992, 8.7.2 to 8.7.4, with a suffix or not; worked out by hand."""
    assert scpi.last_digit(text, "V") == pytest.approx(digit)


@given(st.text(max_size=400))
def test_no_text_crashes_a_parser(text: str) -> None:
    """Whatever an instrument sends, a parser answers or says DecodeError."""
    for parse in (
        scpi.parse_number, scpi.parse_measurement, scpi.parse_boolean, scpi.parse_error, scpi.parse_identity,
        lambda word: scpi.parts_of(word, 2), lambda word: scpi.last_digit(word, "V"),
    ):  # fmt: skip
        with suppress(DecodeError):
            parse(text)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_a_sent_number_reads_back(value: float) -> None:
    """A setting is sent with nine significant digits."""
    assert scpi.parse_number(scpi.show_number(value)) == pytest.approx(value, rel=1e-8, abs=1e-300)


PUBLISHED_ERRORS = [
    (0, "No error"), (-100, "Command error"), (-101, "Invalid character"), (-102, "Syntax error"),
    (-103, "Invalid separator"), (-104, "Data type error"), (-108, "Parameter not allowed"),
    (-109, "Missing parameter"), (-112, "Program mnemonic too long"), (-113, "Undefined header"),
    (-114, "Header suffix out of range"), (-120, "Numeric data error"), (-131, "Invalid suffix"),
    (-134, "Suffix too long"), (-138, "Suffix not allowed"), (-200, "Execution error"),
    (-221, "Settings conflict"), (-222, "Data out of range"), (-223, "Too much data"),
    (-224, "Illegal parameter value"), (-240, "Hardware error"), (-310, "System error"),
    (-330, "Self-test failed"), (-350, "Queue overflow"), (-360, "Communication error"),
    (-363, "Input buffer overrun"), (-400, "Query error"), (-410, "Query INTERRUPTED"),
    (-420, "Query UNTERMINATED"), (-430, "Query DEADLOCKED"),
    (-440, "Query UNTERMINATED after indefinite response"),
]  # fmt: skip


@pytest.mark.parametrize(("number", "text"), PUBLISHED_ERRORS)
def test_published_errors(number: int, text: str) -> None:
    """1.1, the error list of the open scpi-parser library and instrument manuals [S]."""
    assert scpi.parse_error(f'{number},"{text}"') == (number, text)
    assert scpi.parse_error(f"{number}") == (number, text)  # the number alone is given its text
    assert scpi.parse_error(f"{number}").is_error is (number != 0)


CLASSES = [
    (-113, "does not understand"), (-222, "cannot carry it out"), (-330, "fault of the instrument"),
    (1, "maker's own list"), (32767, "maker's own list"), (-410, "out of step"), (-500, "off and on"),
]  # fmt: skip


@pytest.mark.parametrize(("number", "words"), CLASSES)
def test_error_classes(number: int, words: str) -> None:
    """1.2 and 1.3, bench-supply manuals and scpi-parser [S]: the class of an error is in its number.

    The row of -400 is from memory in the collection.
    """
    assert words in scpi.ErrorEntry(number, "").meaning
    assert scpi.ErrorEntry(number, "").is_error


@pytest.mark.parametrize("number", [-600, -700, -800])
def test_events_are_no_errors(number: int) -> None:
    """1.3, scpi-parser error list [S]: user request, request control, operation complete."""
    assert not scpi.ErrorEntry(number, "").is_error


@pytest.mark.parametrize("text", ['0,"No error"', '+0,"No error"', "0", "+0", ' +0 , "No error" '])
def test_the_empty_queue(text: str) -> None:
    """1.7, a bench-supply manual p. 260 and a tester manual p. 99 [S]: 0 or +0."""
    assert scpi.parse_error(text).is_empty


def test_positive_numbers_are_errors() -> None:
    """The trap below section 1: one family of supplies answers 110 or 170 for syntax errors."""
    assert scpi.parse_error('110,"Command header error"').is_error


def test_quotes_inside_an_error_text() -> None:
    """A quote inside the text is doubled (IEEE 488.2, 8.7.8), and may be of either kind."""
    assert scpi.parse_error('-113,"Undefined header;""VOLTZ"""').text == 'Undefined header;"VOLTZ"'
    assert scpi.parse_error("-113,'it''s'").text == "it's"
    assert scpi.parse_error("-113,Undefined header").text == "Undefined header"


@pytest.mark.parametrize(
    "text", ["", "ok", '"No error"', '-113,"open', '-113,"a"b"', "-113,'", "-1234567,x", "1" * 2000]
)
def test_a_broken_error_entry_is_refused(text: str) -> None:
    """An answer that only looks like an entry must not count as an empty queue."""
    with pytest.raises(DecodeError):
        scpi.parse_error(text)


def test_identity_fields() -> None:
    """1.11, three instrument manuals [S]: four fields by commas, `0` for what is not known."""
    assert scpi.parse_identity("ACME,PS-1,0,1.02\r") == Identification("ACME", "PS-1", "", "1.02")
    assert scpi.parse_identity(" ACME , PS 1 , 77 , 1.02,opt 3") == Identification(
        "ACME", "PS 1", "77", "1.02,opt 3"
    )
    assert scpi.parse_identity("ACME,PS-1") == Identification("ACME", "PS-1", "", "")
    assert scpi.parse_identity("LP-20 V1.3") == Identification("", "LP-20 V1.3", "", "")


@pytest.mark.parametrize(
    "text", ["", "24.001", "+2.4E+01", "ON", "0", "NAN", "ACME,\x1b[2J,0,0", "ACMÉ,PS,0,0", "A," * 300]
)
def test_what_is_no_identity_is_refused(text: str) -> None:
    """A measured value taken for an identity would be compared for nothing."""
    with pytest.raises(DecodeError):
        scpi.parse_identity(text)


def test_templates() -> None:
    """`{value}` and `{output}` are replaced; everything else is sent as written or refused."""
    assert scpi.fill("VOLT {value},(@{output})", value=24.0, output=2) == "VOLT 24,(@2)"
    assert scpi.fill("APPL CH{output}") == "APPL CH1"
    assert scpi.fill("VOLT {value}", value=0.1 + 0.2) == "VOLT 0.3"
    assert scpi.fill("VOLT {value:.3f},{output:02d}", value=24.0) == "VOLT 24.000,01"
    for template in ("VOLT {volts}", "VOLT {value.__class__}", "VOLT {}"):
        with pytest.raises(ValueError, match=r"asks for .*; expected"):
            scpi.fill(template, value=1.0)
    with pytest.raises(ValueError, match=r"\{value\}"):
        scpi.fill("OUTP {value}")
    with pytest.raises(ValueError, match="cannot be sent"):
        scpi.fill("VOLT {value}", value=math.nan)
