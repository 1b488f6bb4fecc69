"""The wiring list as CSV: out of a stand file, into one, and what is said of a table that is wrong."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from hilseq.cli.wiring import export_wiring, import_wiring
from hilseq.description.loading import load_stand
from hilseq.errors import DescriptionError

STANDS = Path(__file__).parents[2] / "stands"
HEAD = "signal,slot,terminal,direction,io,table,address,scale,unit,accuracy\n"
#: A stand with nothing but what a table of signals needs.
SMALL = """stand: small
supplies: {main: {resource: "TCPIP::192.0.2.10::5025::SOCKET", ceilings: {voltage: 30 V, current: 1 A}}}
io: {rack: {address: "192.0.2.20:502"}}

# The wires.
signals:
  old: {io: rack, table: coil, address: 9}

# The slots.
slots:
  A: {supply: main, link: {address: "192.0.2.30:502"}}
"""


@pytest.mark.parametrize("name", ["sim-bench", "dx08-bench", "rack-bench", "lan-bench"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_wiring_list_comes_back_as_it_went(name: str, delimiter: str, tmp_path: Path) -> None:
    """Exported, parted by what a spreadsheet of any country uses, and imported: the same stand."""
    stand = STANDS / f"{name}.yaml"
    rows = list(csv.reader(io.StringIO(export_wiring(stand))))
    table = tmp_path / "wiring.csv"
    with table.open(
        "w", encoding="utf-8-sig", newline=""
    ) as file:  # with the byte-order mark of a spreadsheet
        csv.writer(file, delimiter=delimiter).writerows(rows)
    made = tmp_path / "stand.yaml"
    made.write_text(import_wiring(table, stand), encoding="utf-8")
    assert load_stand(made) == load_stand(stand)


def imported(tmp_path: Path, rows: str, stand: str = SMALL) -> str:
    (tmp_path / "stand.yaml").write_text(stand, encoding="utf-8")
    (tmp_path / "wiring.csv").write_text(rows, encoding="utf-8", newline="")
    return import_wiring(tmp_path / "wiring.csv", tmp_path / "stand.yaml")


def test_only_the_signals_are_replaced(tmp_path: Path) -> None:
    """Comments and all other keys stay, the old signals go, and a scale as spreadsheets write it is a number."""
    text = imported(tmp_path, HEAD + "v1,A,q01,senses,rack,input register,0x10,1e-3,V,0.1 % + 2 mV\n")
    assert "# The wires.\nsignals:\n  v1: {" in text
    assert "}\n\n# The slots.\nslots:\n" in text
    assert "old:" not in text
    (tmp_path / "new.yaml").write_text(text, encoding="utf-8")
    signal = load_stand(tmp_path / "new.yaml").signals["v1"]
    assert signal.senses == "A.q01"
    assert signal.step == 0.001


def test_a_stand_without_signals_gets_them(tmp_path: Path) -> None:
    """The section is added at the end."""
    without = SMALL.replace("signals:\n  old: {io: rack, table: coil, address: 9}\n", "")
    assert imported(tmp_path, HEAD + "q1,A,q01,senses,rack,coil,0,,,\n", without).endswith(
        "signals:\n  q1: {io: rack, table: coil, address: 0, senses: A.q01}\n"
    )


#: id -> the table, and what its one message must begin with behind the file's name, and hold.
WRONG: dict[str, tuple[str, str, str]] = {
    "a heading misspelt": (HEAD.replace("address", "adress") + "q1,A,q01,senses,rack,coil,0,,,\n",
        ":1:7: the heading 'adress' is not known", "did you mean 'address'?"),
    "no heading for the signal": ("io,table\nrack,coil\n", ":1:1: there is no column 'signal'",
        "wiring export"),
    "a formula": (HEAD + 'q1,A,q01,senses,rack,coil,0,,"=HYPERLINK(""http://x"")",\n',
        ":2:9: '=HYPERLINK(\"http://x\")' under unit is a formula", "paste values only"),
    "another formula": (HEAD + "@SUM(A1),A,q01,senses,rack,coil,0,,,\n", ":2:1: '@SUM(A1)'", "is a formula"),
    "a direction": (HEAD + "q1,A,q01,sense,rack,coil,0,,,\n", ":2:4: the direction 'sense' is not known",
        "did you mean 'senses'?"),
    "a terminal without slot": (HEAD + "q1,,q01,senses,rack,coil,0,,,\n", ":2:3: slot, terminal and",
        "all three"),
    "a table misspelt": (HEAD + "q1,A,q01,senses,rack,coils,0,,,\n", ":2:6: 'coils' is not known here",
        "did you mean 'coil'?"),
    "an io that is none": (HEAD + "q1,A,q01,senses,rck,coil,0,,,\n", ":2:5: there is no io 'rck'", "rack"),
    "a decimal comma": (HEAD.replace(",", ";") + "v1;A;q01;senses;rack;input register;0;0,001;V;\n",
        ":2:8: '0,001' is no number", "write 0.001"),
    "a leading zero": (HEAD + "q1,A,q01,senses,005,coil,0,,,\n", ":2:5: '005' is not a name",
        "beginning with a letter"),
    "a documentation number": (HEAD + "v1,A,q01,senses,rack,holding register,40001,,V,\n",
        ":2:7: 40001 looks like the documentation number", "write 0"),
    "a signal twice": (HEAD + "q1,A,q01,senses,rack,coil,0,,,\nq1,A,q02,senses,rack,coil,1,,,\n",
        ":3:1: the signal 'q1' stands here a second time", "the first is in line 2"),
    "a cell too many": (HEAD + "q1,A,q01,senses,rack,coil,0,,,,more\n", ":2:11: 11 cells in a row under 10",
        "each"),
    "a quote inside": (HEAD + 'q1,A,q01,senses,rack,"coil"x,0,,,\n', ":2:1: this is no CSV", "quotes"),
    "a line break inside a cell": (HEAD + 'q1,A,q01,senses,rack,"coil\nx: y",0,,,\n',
        ":2:6: a control character under table", "one line of text"),
    "YAML inside a cell": (HEAD + 'q1,A,q01,senses,rack,"coil}\u2029",0,,,\n'.replace("\u2029", ", drives: A.i01, {"),
        ":2:6: 'coil}, drives: A.i01, {' is not known here", "one of coil"),
    "headings only": (HEAD, ": no row below the headings", "one row for each signal"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_table_is_reported_by_line_and_cell(case: str, tmp_path: Path) -> None:
    """One message, at the line of the table and the number of the cell in it."""
    rows, begins, holds = WRONG[case]
    with pytest.raises(DescriptionError) as caught:
        imported(tmp_path, rows)
    (problem,) = caught.value.problems
    assert str(problem).startswith(f"{tmp_path / 'wiring.csv'}{begins}")
    assert holds in str(problem)


def test_a_table_in_another_encoding_is_reported(tmp_path: Path) -> None:
    """A spreadsheet's own 8-bit encoding is refused with the one to save in."""
    (tmp_path / "stand.yaml").write_text(SMALL, encoding="utf-8")
    (tmp_path / "wiring.csv").write_bytes(
        HEAD.encode() + "\xfc1,A,q01,senses,rack,coil,0,,,\n".encode("latin-1")
    )
    with pytest.raises(DescriptionError, match=r":2:1: byte 0xFC .* save the file again with that encoding"):
        import_wiring(tmp_path / "wiring.csv", tmp_path / "stand.yaml")


def test_what_the_rest_of_the_stand_misses_is_reported_in_the_stand_file(tmp_path: Path) -> None:
    """A loop-back whose signal the table lacks is reported at its line of the stand file, which is not changed."""
    stand = SMALL + "loopbacks:\n  spare: {drive: q1, sense: gone}\n"
    with pytest.raises(DescriptionError) as caught:
        imported(tmp_path, HEAD + "q1,,,,rack,coil,0,,,\n", stand)
    (problem,) = caught.value.problems
    assert str(problem).startswith(f"{tmp_path / 'stand.yaml'}:13:29: there is no signal 'gone'")


def test_no_cell_of_an_export_is_a_formula(tmp_path: Path) -> None:
    """A text that a spreadsheet would run stands behind an apostrophe, and comes back without."""
    stand = SMALL.replace(
        "address: 9}", 'address: 9, calibration: {certificate: "=1+1", due: 2099-01-01}, offset: -5}'
    )
    (tmp_path / "stand.yaml").write_text(stand, encoding="utf-8")
    exported = export_wiring(tmp_path / "stand.yaml")
    assert "'=1+1" in exported
    assert ",-5" in exported
    text = imported(tmp_path, exported, stand)
    (tmp_path / "new.yaml").write_text(text, encoding="utf-8")
    assert load_stand(tmp_path / "new.yaml") == load_stand(tmp_path / "stand.yaml")
