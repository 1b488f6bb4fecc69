"""How headers may be spelled, against SCPI-1999. Numbers like (1.9) name the line of the check values."""

from __future__ import annotations

import itertools
import re

import pytest
from hilseq_sim.servers.scpi_commands import COMMANDS
from hilseq_sim.servers.scpi_errors import ScpiError
from hilseq_sim.servers.scpi_headers import Tree, short_form, split
from hypothesis import given, settings
from hypothesis import strategies as st


@pytest.fixture
def tree() -> Tree[str]:
    tree: Tree[str] = Tree()
    tree.add("SYSTem:CONFigure", "configure")
    tree.add("DEFine", "define")
    tree.add("[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", "set")
    tree.add("[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]?", "ask")
    tree.add("[SOURce#]:VOLTage:PROTection[:LEVel]?", "protection")
    tree.add("MEASure[:SCALar]:CURRent?", "current")
    tree.add("MEASure[:SCALar]:VOLTage?", "voltage")
    tree.add("*IDN?", "identify")
    return tree


def find(tree: Tree[str], message: str) -> list[str]:
    path: list[str] = []
    return [tree.unit(part.strip(), path).command for part in split(message, ";")]


def refused(tree: Tree[str], message: str) -> int:
    with pytest.raises(ScpiError) as caught:
        find(tree, message)
    return caught.value.number


@pytest.mark.parametrize(
    ("word", "short"),
    [
        ("FREQuency", "FREQ"),
        ("VOLTage", "VOLT"),
        ("POWer", "POW"),
        ("DELay", "DEL"),
        ("IMMediate", "IMM"),
        ("FORMat", "FORM"),
        ("MODE", "MODE"),
    ],
)
def test_short_form(word: str, short: str) -> None:
    """(1.8) bench-multimeter manual p. 4-35; generator manual p. 7."""
    assert short_form(word) == short


def test_our_own_headers_keep_the_rule() -> None:
    """(1.8) for every mnemonic this instrument knows."""
    words = {word for command in COMMANDS for word in re.findall(r"[A-Za-z]+", command.pattern)}
    for word in words - {"IDN", "RST", "CLS", "ESR", "ESE", "STB", "SRE", "OPC", "WAI", "TST"}:
        assert "".join(letter for letter in word if letter.isupper()) == short_form(word), word


@pytest.mark.parametrize("header", ["syst:conf", "SYSTEM:CONFIGURE", "sYstEm:cOnFiGuRE", ":SYST:CONFIGURE"])
def test_exact_short_or_long_form(tree: Tree[str], header: str) -> None:
    """(1.9) counter SCPI guide, "Short and long forms"."""
    assert find(tree, header) == ["configure"]


@pytest.mark.parametrize("header", ["SYSTE:CONF", "SYST:CONFIG", "DE", "DEFI", "DEFIN"])
def test_nothing_between_short_and_long(tree: Tree[str], header: str) -> None:
    """(1.9) counter SCPI guide; switching-system manual p. 5-3."""
    assert refused(tree, header) == -113


def test_too_long_a_mnemonic(tree: Tree[str]) -> None:
    """(1.10) more than 12 characters: IEEE 488.2, 7.6.1.4."""
    assert refused(tree, "ABCDEFGHIJKLM") == -112
    assert refused(tree, "ABCDEFGHIJKL") == -113


def test_every_combination_of_optional_nodes(tree: Tree[str]) -> None:
    """SCPI-1999 volume 1, 5.1: nodes in brackets may be left out."""
    for source, level, at_once, amplitude in itertools.product(
        ("", "SOUR:", "source:", "SOUR2:"), ("", ":LEV"), ("", ":IMMEDIATE"), ("", ":AMPL")
    ):
        assert find(tree, f"{source}VOLT{level}{at_once}{amplitude} 1") == ["set"]


@pytest.mark.parametrize(
    ("message", "commands"),
    [
        ("VOLT 1;PROT?", ["set", -113]),
        ("VOLT:LEV 1;PROT?", ["set", "protection"]),
        ("MEAS:VOLT?;CURR?", ["voltage", "current"]),
        ("MEAS:VOLT?;:MEAS:CURR?", ["voltage", "current"]),
        ("MEAS:VOLT?;MEAS:CURR?", ["voltage", -113]),
        ("MEAS:VOLT?;*IDN?;CURR?", ["voltage", "identify", "current"]),
    ],
)
def test_path_over_semicolons(tree: Tree[str], message: str, commands: list[str | int]) -> None:
    """SCPI-1999 volume 1, 6.2.4: a header begins where the last one ended; `:` begins at the root."""
    path: list[str] = []
    found: list[str | int] = []
    for part in split(message, ";"):
        try:
            found.append(tree.unit(part, path).command)
        except ScpiError as error:
            found.append(error.number)
    assert found == commands


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("VOLT&", -101),
        ("VO\xd6LT 1", -101),
        ("VOLT::PROT?", -102),
        ("VOLT??", -102),
        ("*", -102),
        ("VOLT,1", -103),
        ('VOLT"1"', -103),
        ("VOLT 1:CURR 2", -103),
        ("VOLT 1 2", -103),
        ("VOLT 1,", -102),
        ("VOLT 'open", -151),
        ("VOLT (@1", -171),
        ("VOLT 1.2.3", -121),
        ("*IDN", -113),
        ("*FOO?", -113),
        ("DEF?", -113),
        ("MEAS2:VOLT?", -114),
        ("SOUR0:VOLT?", -114),
        ("SOUR99999:VOLT?", -114),
    ],
)
def test_syntax_errors(tree: Tree[str], message: str, number: int) -> None:
    """(1.1) numbers; SCPI-1999 volume 2, 21.8 says what each is for."""
    assert refused(tree, message) == number


def test_quotes_and_parentheses_hold_separators() -> None:
    assert split('a;\'b;c\';"d;""e";(@1;2);f', ";") == ["a", "'b;c'", '"d;""e"', "(@1;2)", "f"]


@given(st.text(max_size=60))
@settings(max_examples=300)
def test_any_text_is_understood_or_refused(text: str) -> None:
    tree: Tree[str] = Tree()
    for command in COMMANDS:
        tree.add(command.pattern, command.pattern)
    refused = 0
    try:
        tree.unit(text, [])
    except ScpiError as error:
        refused = error.number
    assert -200 < refused <= 0
