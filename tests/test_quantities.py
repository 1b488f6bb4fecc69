"""Quantities as people write them, and what is said of those that are none."""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.quantities import (
    UNITS,
    AccuracyTerms,
    Interval,
    QuantityError,
    accuracy_of_channel,
    dimension_of,
    parse,
    parse_accuracy,
    parse_interval,
    show_duration,
)


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("24 V", "voltage", 24.0),
        ("24V", "voltage", 24.0),
        (" 450 mA ", "current", 0.45),
        ("-40 degC", "temperature", -40.0),
        ("2.2e-3 F", "capacitance", 2.2e-3),
        (".5 Ohm", "resistance", 0.5),
        ("11 h 42 min", "time", 42120.0),
        ("11h42min", "time", 42120.0),
        ("1 a", "time", 31557600.0),
        ("50 ppm", "ratio", 50e-6),
        ("9.6 kBd", "line speed", 9600.0),
        ("2 V/ms", "slew rate", 2000.0),
        ("500 \u00b5A", "current", 500e-6),  # micro sign
        ("500 \u03bcA", "current", 500e-6),  # Greek letter
        ("4.7 k\u03a9", "resistance", 4700.0),
        ("4.7 k\u2126", "resistance", 4700.0),  # ohm sign
        ("25 \u00b0C", "temperature", 25.0),
        ("\u22125 \u2103", "temperature", -5.0),  # minus sign, degree Celsius sign
        ("40 \u00b5C", "charge", 40e-6),
        ("24\u00a0V", "voltage", 24.0),  # no-break space
    ],
)
def test_a_quantity_is_read_in_its_base_unit(text: str, dimension: str, value: float) -> None:
    """Prefixes, exponents, blanks and sums of times are read as a person reads them."""
    assert parse(text, dimension) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension", "nearest"),
    [
        ("24", "voltage", ""),
        ("V", "voltage", ""),
        ("", "voltage", ""),
        ("24 A", "voltage", ""),
        ("24 v", "voltage", "24 V"),
        ("24 Volts", "voltage", "24 V"),
        ("24 MV", "voltage", "24 mV"),
        ("5 V 3 V", "voltage", ""),
        ("3 hours", "time", "3 h"),
        ("3 sec", "time", "3 s"),
        ("3 m", "time", "3 min"),
        ("2m30s", "time", "2 min 30 s"),
        ("24 VDC", "voltage", "24 V"),
        ("70 C", "temperature", "70 degC"),
        ("1e999 V", "voltage", ""),
        ("nan V", "voltage", ""),
        ("9600 baud", "line speed", "9600 Bd"),
        ("1" * 300 + " V", "voltage", ""),
    ],
)
def test_what_is_no_quantity_is_refused_with_the_legal_units(text: str, dimension: str, nearest: str) -> None:
    """A wrong quantity names every legal unit, and the one that was probably meant."""
    with pytest.raises(QuantityError) as caught:
        parse(text, dimension)
    units = list(UNITS[dimension][1])
    any_of = f"one of the units {', '.join(units)}" if len(units) > 1 else f"the unit {units[0]}"
    assert caught.value.expected == f"a {dimension} with {any_of}"
    assert caught.value.nearest == nearest
    assert len(str(caught.value)) < 200


def test_a_range_is_read_with_both_ends() -> None:
    """`20.4..28.8 V` has its lower end, its upper end, and everything between."""
    interval = parse_interval("20.4..28.8 V", "voltage")
    assert interval == Interval(20.4, 28.8)
    assert 20.4 in interval
    assert 28.9 not in interval
    assert interval.span == pytest.approx(8.4)
    assert parse_interval("4..20 mA", "current") == Interval(0.004, 0.02)
    assert parse_interval("-40 .. 70 degC", "temperature") == Interval(-40, 70)


@pytest.mark.parametrize(
    "text", ["28.8..20.4 V", "20.4-28.8 V", "20.4..28.8", "20.4 V..28.8 V", "..5 V", "1..2 A", ""]
)
def test_what_is_no_range_is_refused_with_an_example(text: str) -> None:
    """A wrong range names how one is written."""
    with pytest.raises(QuantityError) as caught:
        parse_interval(text, "voltage")
    assert caught.value.expected.startswith(("a range such as 1..2 V", "a voltage with one of the units"))


@pytest.mark.parametrize(
    ("text", "dimension", "terms"),
    [
        ("0.05 % + 10 mV", "voltage", AccuracyTerms(0.0005, 0.0, 0.01)),
        ("0.3 % of range", "voltage", AccuracyTerms(0.0, 0.003, 0.0)),
        ("0.1 % of reading + 0.2 % of range + 1 mA", "current", AccuracyTerms(0.001, 0.002, 0.001)),
        ("5 mV + 5 mV", "voltage", AccuracyTerms(0.0, 0.0, 0.01)),
        ("50 ppm", "voltage", AccuracyTerms(50e-6, 0.0, 0.0)),
        ("0.5 K", "temperature", AccuracyTerms(0.0, 0.0, 0.5)),
        ("0.5 degC", "temperature", AccuracyTerms(0.0, 0.0, 0.5)),
        ("0.5 %", "ratio", AccuracyTerms(0.005, 0.0, 0.0)),
    ],
)
def test_an_accuracy_is_the_sum_of_its_terms(text: str, dimension: str, terms: AccuracyTerms) -> None:
    """Shares of reading and range, and a fixed part, add up; kelvin do for degrees."""
    read = parse_accuracy(text, dimension)
    assert (read.of_reading, read.of_range, read.fixed) == pytest.approx(
        (terms.of_reading, terms.of_range, terms.fixed)
    )


@pytest.mark.parametrize(
    ("text", "unit", "fixed"),
    [("0.1 % + 1", "", 1.0), ("1", "", 1.0), ("2", "%", 0.02), ("2", "ppm", 2e-6), ("2 mV", "mV", 0.002)],
)
def test_a_number_alone_is_the_fixed_part_where_a_channel_counts(text: str, unit: str, fixed: float) -> None:
    """A count is wrong by whole counts, a channel in percent by points; others need their unit."""
    assert accuracy_of_channel(text, unit).fixed == pytest.approx(fixed)
    with pytest.raises(QuantityError):
        accuracy_of_channel("1", "V")


@pytest.mark.parametrize(
    "text", ["", "good", "0.1", "10 mA", "-1 %", "1 % +", "1 mV of range", "1 % of scale"]
)
def test_what_is_no_accuracy_is_refused_with_an_example(text: str) -> None:
    """A wrong accuracy names how one is written."""
    with pytest.raises(QuantityError, match=r"is not an accuracy such as 0\.05 % \+ 10 mV, 0\.3 % of range"):
        parse_accuracy(text, "voltage")


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("20.4-28.8 V", "20.4..28.8 V"),
        ("20.4 \u2013 28.8V", "20.4..28.8 V"),
        ("20.4 V to 28.8 V", "20.4..28.8 V"),
        ("20.4...28.8 V", "20.4..28.8 V"),
        ("20,4..28,8 V", "20.4..28.8 V"),
        ("24 V \u00b1 10 %", "21.6..26.4 V"),
        ("24 +/- 4 V", "20..28 V"),
        ("28.8..20.4 V", "20.4..28.8 V"),
        ("20.4..28.8 A", ""),
        ("20.4 V..28.8 A", ""),
    ],
)
def test_a_range_in_another_form_is_answered_with_ours(text: str, meant: str) -> None:
    """A dash, `to`, units at both ends, a tolerance and swapped ends are refused with the range that was meant."""
    with pytest.raises(QuantityError) as caught:
        parse_interval(text, "voltage")
    assert caught.value.nearest == meant


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("0,8 V", "0.8 V"),
        ("1,000 V", ""),
        ("1.000,5 V", ""),
    ],
)
def test_a_comma_is_reported(text: str, meant: str) -> None:
    """A decimal comma is answered with a point; what may stand for a thousand is not guessed."""
    with pytest.raises(QuantityError) as caught:
        parse(text, "voltage")
    assert caught.value.nearest == meant
    assert "decimals stand behind a point" in caught.value.expected


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("0.5% FS", "0.5 % of range"),
        ("0.5 % of full scale", "0.5 % of range"),
        ("\u00b10.05 % + 5 mV", "0.05 % + 5 mV"),
        ("0.1% rdg + 2mV", "0.1 % of reading + 2 mV"),
        ("0,1 % + 2 mV", "0.1 % + 2 mV"),
        ("0.1 % + 2 A", ""),
    ],
)
def test_an_accuracy_of_a_data_sheet_is_answered_with_ours(text: str, meant: str) -> None:
    """What data sheets write is refused with the accuracy that was meant."""
    with pytest.raises(QuantityError) as caught:
        parse_accuracy(text, "voltage")
    assert caught.value.nearest == meant


def test_the_limit_of_an_accuracy_grows_with_reading_and_range() -> None:
    """At -20 V on a range of 30 V, 0.1 % + 0.2 % of range + 5 mV allow 85 mV."""
    assert AccuracyTerms(0.001, 0.002, 0.005).limit(-20.0, 30.0) == pytest.approx(0.085)


def test_every_symbol_belongs_to_one_dimension() -> None:
    """No unit symbol has two meanings, and each is found again."""
    symbols = [symbol for _, table in UNITS.values() for symbol in table]
    assert len(symbols) == len(set(symbols))
    assert all(symbol in UNITS[dimension_of(symbol)][1] for symbol in symbols)
    assert dimension_of("") == "ratio"
    with pytest.raises(QuantityError) as caught:
        dimension_of("Ohms")
    assert caught.value.nearest == "Ohm"


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [
        (0.0, "0 ms"),
        (0.0125, "12.5 ms"),
        (0.9996, "1 s"),
        (12.5, "12.5 s"),
        (59.97, "1 min"),
        (90, "1 min 30 s"),
        (3599.7, "1 h"),
        (42120, "11 h 42 min"),
        (71 * 3600, "71 h"),
        (72 * 3600, "3 d"),
        (100 * 3600, "4 d 4 h"),
        (-90, "-1 min 30 s"),
        (math.inf, "inf s"),
    ],
)
def test_a_duration_is_shown_as_a_person_says_it(seconds: float, shown: str) -> None:
    """Durations have at most two parts, and never sixty of anything."""
    assert show_duration(seconds) == shown


@given(st.floats(0.01, 1e9))
def test_a_duration_shown_can_be_read_again(seconds: float) -> None:
    """What is shown is a quantity again, within what two parts can say."""
    assert parse(show_duration(seconds), "time") == pytest.approx(seconds, rel=0.01)


@given(st.floats(-1e9, 1e9), st.sampled_from(sorted(UNITS)), st.data())
def test_a_number_with_a_unit_is_read_back(number: float, dimension: str, data: st.DataObject) -> None:
    """Any number with any unit of a dimension gives number times factor."""
    symbol, factor = data.draw(st.sampled_from(sorted(UNITS[dimension][1].items())))
    assert parse(f"{number!r} {symbol}", dimension) == pytest.approx(number * factor, rel=1e-12)


@given(st.text(max_size=60), st.sampled_from(sorted(UNITS)))
def test_any_text_is_a_quantity_or_a_quantity_error(text: str, dimension: str) -> None:
    """No text makes the readers raise anything but QuantityError."""
    for read in (parse, parse_interval, parse_accuracy):
        with contextlib.suppress(QuantityError):
            read(text, dimension)
