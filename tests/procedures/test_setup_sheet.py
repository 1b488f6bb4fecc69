"""The set-up sheet: the unit, everything to fit, every wire, and the pictures, in text and on one page."""

from __future__ import annotations

import base64
from pathlib import Path

from hilseq.cli.setup_sheet import as_html, as_text, setup_sheet
from hilseq.description.loading import load_profile, load_stand
from tests import warm

STANDS = Path(__file__).parents[2] / "stands"
#: The smallest PNG there is: one transparent pixel.
PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)


def test_every_wire_stands_on_the_sheet() -> None:
    """One line for each signal of the stand file: its terminal, its channel, its name."""
    stand = load_stand(STANDS / "dx08-bench.yaml")
    profile = load_profile(STANDS / "units" / "dx08.yaml")
    sections = {section.title: section for section in setup_sheet(stand, {"left": profile})}
    wires = [*sections["Wires of slot left"].lines, *sections["Wires of the stand itself"].lines]
    assert len(wires) == len(stand.signals)
    assert ("q1", "box, input register 200, bit 4", "signal q1, senses") in [
        (line.item, line.where, line.detail) for line in wires
    ]
    assert ("door", "box, input register 201, bit 7", "signal door, of the stand") in [
        (line.item, line.where, line.detail) for line in wires
    ]


def test_the_unit_stands_with_serial_number_and_work_order(tmp_path: Path) -> None:
    """What intake says of the unit heads its slot; a picture is inside the page, a missing one is reported."""
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8")
    text = text.replace("where: slot A}", "where: slot A, picture: rack.png}")
    text = text.replace("operator:\n", "operator:\n  pictures: {insert-unit: gone.jpg}\n")
    (tmp_path / "stand.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "rack.png").write_bytes(PIXEL)
    stand = load_stand(tmp_path / "stand.yaml")
    said = {"A": {"serial": "RH-7", "work-order": "4711", "RMA number": "<b>R-12</b>"}}
    sections = setup_sheet(stand, {"A": load_profile(STANDS / "units" / "rh16.yaml")}, said)
    page = as_html(stand.stand, stand.description, sections, tmp_path)
    assert "RH16, serial number RH-7" in page
    assert "work order 4711; RMA number &lt;b&gt;R-12&lt;/b&gt;" in page
    assert page.count("data:image/png;base64,") == 1
    assert "(picture gone.jpg is missing)" in page
    lines = as_text(stand.stand, stand.description, sections).splitlines()
    assert any("serial number RH-7" in line and "picture gone.jpg" in line for line in lines)


def test_ready_writes_it_for_a_unit(tmp_path: Path) -> None:
    """Serial number, work order and a shop's own field come from the command line."""
    stand = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8") + "\nintake: [RMA number]\n"
    (tmp_path / "stand.yaml").write_text(stand, encoding="utf-8")
    line = ["ready", "--stand", "stand.yaml", "--unit", str(STANDS / "units" / "rh16.yaml"), "--simulate"]
    line += ["--serial", "RH-7", "--note", "work-order=4711", "--note", "rma-number=R-12"]
    done = warm.hilseq(*line, "--setup-sheet", "sheet.txt", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "RH16, serial number RH-7" in (tmp_path / "sheet.txt").read_text(encoding="utf-8")
    assert "work order 4711; RMA number R-12" in (tmp_path / "sheet.txt").read_text(encoding="utf-8")
