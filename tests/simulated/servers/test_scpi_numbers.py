"""Parameters of commands, against IEEE 488.2 and SCPI-1999. Numbers like (1.12) are check values."""

from __future__ import annotations

import math

import pytest
from hilseq_sim.servers import scpi_numbers
from hilseq_sim.servers.scpi_errors import ScpiError
from hypothesis import given
from hypothesis import strategies as st


def refused(text: str, unit: str | None = "V") -> int:
    with pytest.raises(ScpiError) as caught:
        scpi_numbers.number(text, unit)
    return caught.value.number


@pytest.mark.parametrize("text", ["28", "0.28E2", "280E-1", "28000m", "0.028K", "28E-3K", "+28.", "2.8 e +1"])
def test_equal_number_forms(text: str) -> None:
    """(1.12) wavemeter manual p. 3-26."""
    assert scpi_numbers.number(text, "V") == pytest.approx(28)


@pytest.mark.parametrize(
    ("text", "value"), [("#HA2F", 2607), ("#Q62", 50), ("#B01011", 11), ("#ha2f", 2607), ("#b1", 1)]
)
def test_non_decimal_numbers(text: str, value: int) -> None:
    """(1.13) power-meter programming guide p. 75."""
    assert scpi_numbers.number(text, None) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [("INF", 9.9e37), ("INFinity", 9.9e37), ("NINF", -9.9e37), ("NINFINITY", -9.9e37), ("NAN", 9.91e37)],
)
def test_special_numbers(text: str, value: float) -> None:
    """(1.14) power-meter guide p. 75; signal-source help."""
    assert scpi_numbers.number(text, "V") == value


@pytest.mark.parametrize(
    ("text", "on"),
    [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False), ("0.5", True), ("-3", True)],
)
def test_boolean(text: str, on: bool) -> None:
    """(1.15) power-meter programming guide p. 111: rounded to an integer, anything but 0 is on."""
    assert scpi_numbers.boolean(text) is on


@pytest.mark.parametrize(
    ("suffix", "factor"),
    [
        ("EX", 1e18),
        ("PE", 1e15),
        ("T", 1e12),
        ("G", 1e9),
        ("MA", 1e6),
        ("K", 1e3),
        ("M", 1e-3),
        ("U", 1e-6),
        ("N", 1e-9),
        ("P", 1e-12),
        ("F", 1e-15),
        ("A", 1e-18),
    ],
)
def test_suffix_multipliers(suffix: str, factor: float) -> None:
    """(1.16) counter manuals, Table 3-2."""
    assert scpi_numbers.number(f"2{suffix}V", "V") == pytest.approx(2 * factor)
    assert scpi_numbers.number(f"2 {suffix.lower()}v", "V") == pytest.approx(2 * factor)


@pytest.mark.parametrize(("text", "unit"), [("2MHZ", "HZ"), ("2MOHM", "OHM"), ("2 mahz", "HZ")])
def test_mega_exceptions(text: str, unit: str) -> None:
    """(1.16) counter manuals p. 3-13 and 3-18: MHZ and MOHM mean mega."""
    assert scpi_numbers.number(text, unit) == 2e6


def test_milliampere_is_not_mega() -> None:
    assert scpi_numbers.number("450 mA", "A") == pytest.approx(0.45)


def test_exponent_and_digits_limits() -> None:
    """(1.17) IEEE 488.2, 7.7.2.4.1."""
    assert refused("1E32001") == -123
    assert refused("1E-99999999999999999999") == -123
    assert refused("1" * 256) == -124
    assert scpi_numbers.number("0" * 300 + "24", "V") == 24
    assert scpi_numbers.number("1E0000000000000000001", "V") == 10
    assert scpi_numbers.number("1E32000", "V") == 9.9e37


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("5 A", "V", -131),
        ("5 MA", "V", -131),
        ("5 V", "A", -131),
        ("5 XV", "V", -131),
        ("5 V", None, -138),
        ("5 ABCDEFGHIJKLM", "V", -134),
        ('"5"', "V", -104),
        ("#13abc", "V", -104),
        ("(@1)", "V", -104),
        ("FIVE", "V", -224),
        ("#HXY", "V", -121),
    ],
)
def test_refused_numbers(text: str, unit: str | None, number: int) -> None:
    """(1.1) numbers; SCPI-1999 volume 2, 21.8 says what each is for."""
    assert refused(text, unit) == number


def test_levels_have_words_for_their_limits() -> None:
    assert [scpi_numbers.level(word, "V", 1, 9, 5) for word in ("MIN", "maximum", "Def", "7")] == [1, 9, 5, 7]
    for text in ("9.1", "-1", "INF", "NAN", "1E400"):
        with pytest.raises(ScpiError, match="-222"):
            scpi_numbers.level(text, "V", 1, 9, 5)
    with pytest.raises(ScpiError, match="-224"):
        scpi_numbers.limit("MIDDLE", 1, 9, 5)


@pytest.mark.parametrize(
    ("text", "numbers"), [("(@1)", (1,)), ("(@ 1:3 )", (1, 2, 3)), ("(@3:1,5)", (3, 2, 1, 5))]
)
def test_channel_lists(text: str, numbers: tuple[int, ...]) -> None:
    assert scpi_numbers.channels(text) == numbers


@pytest.mark.parametrize(
    ("text", "number"), [("(1)", -171), ("(@)", -171), ("(@1:9999)", -222), ("(@12345)", -222)]
)
def test_refused_channel_lists(text: str, number: int) -> None:
    with pytest.raises(ScpiError, match=str(number)):
        scpi_numbers.channels(text)


@given(st.floats(min_value=-1e30, max_value=1e30))
def test_written_numbers_read_back(value: float) -> None:
    assert scpi_numbers.number(scpi_numbers.written(value), "V") == pytest.approx(value, rel=1e-8, abs=1e-300)


def test_numbers_no_instrument_can_write() -> None:
    """(1.14) 9.9E37 stands for infinity, 9.91E37 for not a number."""
    assert [scpi_numbers.written(x) for x in (math.inf, -math.inf, math.nan)] == [
        "9.9E+37",
        "-9.9E+37",
        "9.91E+37",
    ]
