"""Every stand file and profile that is shipped is sound, fits its partner, and is documented."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hilseq.description.inspection import Fit, inspect
from hilseq.description.loading import load_profile, load_stand
from hilseq.description.profile import Mode
from hilseq.description.reference import KINDS, as_markdown, sections
from hilseq.description.registers import WordOrder
from hilseq.description.simulated import scpi_supplies
from hilseq.errors import DescriptionError
from hilseq.twin import write_pointing_stand

STANDS = Path(__file__).parents[2] / "stands"
FILES = sorted(STANDS.glob("*.yaml")) + sorted(STANDS.glob("units/*.yaml"))


@pytest.mark.parametrize("path", sorted(STANDS.glob("*.yaml")), ids=lambda path: path.stem)
def test_the_stand_file_of_a_twin_is_sound(path: Path, tmp_path: Path) -> None:
    """What `hilseq simulate --stand-out` writes can be read, and differs from the stand in its addresses only."""
    stand, target = load_stand(path), tmp_path / "twin.yaml"
    ends = {
        f"supply {name}": f"TCPIP::127.0.0.1::{5000 + n}::SOCKET" for n, name in enumerate(stand.supplies)
    }
    ends |= {f"io {name}": f"127.0.0.1:{6000 + n}" for n, name in enumerate(stand.io)}
    for n, (name, slot) in enumerate(stand.slots.items()):
        ends[f"link {name}"] = f"127.0.0.1:{7000 + n}"
        ends |= {f"port {name}/{port}": f"127.0.0.1:{8000 + 10 * n + m}" for m, port in enumerate(slot.ports)}
    write_pointing_stand(path, ends, target, stepped=False)
    again = load_stand(target)
    assert again.simulated
    assert [supply.where for supply in again.supplies.values()] == [
        ends[f"supply {n}"] for n in stand.supplies
    ]
    assert {name: one.calibration for name, one in again.supplies.items()} == {
        name: one.calibration for name, one in stand.supplies.items()
    }
    assert again.signals == stand.signals


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_each_shipped_file_is_sound(path: Path) -> None:
    """A shipped file has no problem of its own."""
    assert inspect([path]).problems == ()


def test_each_shipped_stand_fits_a_shipped_unit() -> None:
    """Every slot has its unit, and every unit its slot."""
    found = inspect(FILES)
    assert found.problems == ()
    assert set(found.fits) == {
        Fit("RH16", "sim-bench", "A"),
        Fit("RH16", "lan-bench", "A"),
        Fit("DX08", "dx08-bench", "left"),
        Fit("RH16", "duo-bench", "A"),
        Fit("RH16", "duo-bench", "B"),
        *(Fit("RH16", "rack-bench", slot) for slot in "ABCDEFGH"),
    }


def test_the_second_unit_has_little_in_common_with_the_first() -> None:
    """What a profile may leave out is left out by one shipped unit, so nothing can rely on it."""
    unit = load_profile(STANDS / "units/dx08.yaml")
    assert unit.mode_list() == [Mode.STOPPED, Mode.LIVE]
    assert not unit.modes.switch
    assert unit.link.mode_command is not None
    assert unit.identity.serial_number is not None
    assert unit.identity.serial_number.order is WordOrder.LOW_FIRST
    assert unit.battery is None
    assert unit.clock is None
    assert not unit.identity.device_identification
    assert not unit.points.inputs
    assert not unit.points.analog_inputs
    assert unit.configuration is not None
    assert unit.configuration.checksum is None


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_shipped_addresses_are_for_documentation(path: Path) -> None:
    """No shipped file holds an address outside the networks of RFC 5737."""
    addresses = re.findall(r"\b\d+\.\d+\.\d+\.\d+\b", path.read_text(encoding="utf-8"))
    assert all(address.startswith(("192.0.2.", "198.51.100.", "203.0.113.")) for address in addresses)


def test_the_template_explains_every_line() -> None:
    """The template marks what to change, and each section begins with a comment."""
    text = (STANDS / "lan-bench.yaml").read_text(encoding="utf-8")
    assert text.count("<==") > 10
    assert text.count("#") > 50


@pytest.mark.parametrize("kind", KINDS)
def test_the_reference_in_the_manual_is_up_to_date(kind: str) -> None:
    """stands/REFERENCE.md holds what `hilseq inspect --words` prints."""
    manual = (STANDS / "REFERENCE.md").read_text(encoding="utf-8")
    begin = manual.index(f"<!-- words: {kind} -->\n") + len(f"<!-- words: {kind} -->\n")
    assert manual[begin : manual.index("<!-- end -->", begin)] == as_markdown(kind)


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_is_explained(kind: str) -> None:
    """No key of a stand file or profile goes without a meaning and a kind."""
    silent = [
        (section.titles, word.key)
        for section in sections(kind)
        for word in section.words
        if not word.meaning or not word.kind
    ]
    assert silent == []


def test_the_reference_says_how_a_default_is_written() -> None:
    """Defaults stand as a person would write them: times, quantities, words."""
    words = {word.key: word for section in sections("stand") for word in section.words}
    assert (words["settle"].kind, words["timeout"].default) == ("time, such as 500 ms", "10 min")
    assert words["lost-instrument"].kind == "make safe / hold"
    assert words["resource"].default == "**needed**"
    assert words["due"].kind == "date, YYYY-MM-DD"


def test_every_example_of_the_manual_is_read(tmp_path: Path) -> None:
    """The YAML in the manual is YAML that hilseq takes, put into a stand that needs it."""
    manual = (STANDS / "TOPICS.md").read_text(encoding="utf-8")
    ranged, certified, supply, many = re.findall(r"```yaml\n(.*?)```", manual, re.DOTALL)
    stand = (
        f"stand: x\n{supply}io: {{rack: {{address: 'a:502'}}}}\n"
        f"slots: {{A: {{supply: old, link: {{address: 'b:502'}}}}}}\nsignals:\n  {ranged}"
    )
    path = tmp_path / "manual.yaml"
    path.write_text(stand, encoding="utf-8")
    read = load_stand(path)
    old = scpi_supplies(read)["old"]
    assert old.commands.clear is None
    assert old.commands.set_voltage.format(value=24.0, output=1) == "VSET1:24.0"
    assert read.signals["q16"].senses == "A.q16"
    whole = stand.replace(ranged.strip(), certified.strip())
    path.write_text(whole, encoding="utf-8")
    known = load_stand(path).signals["v01"].calibration
    assert known is not None
    assert [point.correction for point in known.certified("points", "voltage")] == [0.0004, -0.0011]
    path.write_text(f"stand: many\nio: {{rack: {{address: 'a:502'}}}}\n{many}", encoding="utf-8")
    assert load_stand(path).signals["H q16"].senses == "H.q16"


def test_the_guide_builds_a_bench_step_by_step(tmp_path: Path) -> None:
    """Each step of stands/README.md leaves files without a fault, and the last a unit that fits its slot."""
    guide = (STANDS / "README.md").read_text(encoding="utf-8")
    assert guide.count("\n") <= 200
    blocks = re.findall(r"```yaml\n# (bench|cx4)\.yaml(, in signals)?\n(.*?)```", guide, re.DOTALL)
    assert len(blocks) == guide.count("```yaml")
    texts = {"bench": "", "cx4": ""}
    # The slot makes the stand file whole, the modes the profile; an interlock's block names what the next one adds.
    whole = False
    for number, (name, inside, block) in enumerate(blocks):
        if inside:
            texts[name] = texts[name].replace("\nsignals:\n", f"\nsignals:\n{block}")
        else:
            texts[name] += block
        whole = whole or "slots:" in block
        later = number + 1 < len(blocks) and bool(blocks[number + 1][1])
        paths = [tmp_path / f"{name}.yaml" for name, text in texts.items() if text]
        for path in paths:
            path.write_text(texts[path.stem], encoding="utf-8")
        if whole and not later and not (name == "cx4" and "points:" not in texts["cx4"]):
            assert inspect(paths).problems == ()
        elif name == "cx4":
            assert inspect([tmp_path / "cx4.yaml"]).problems == ()
    found = inspect(paths)
    assert [(fit.profile, fit.slot) for fit in found.fits] == [("CX-4", "A")]
    assert found.warnings == ()


def test_a_stepped_clock_is_only_of_a_twin(tmp_path: Path) -> None:
    """A stand that is moved on by asking cannot pass for hardware."""
    text = (STANDS / "sim-bench.yaml").read_text(encoding="utf-8") + "\nsimulated-clock: 127.0.0.1:5025\n"
    path = tmp_path / "stand.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DescriptionError, match="expected `simulated: true` beside it"):
        load_stand(path)
    path.write_text(text + "simulated: true\n", encoding="utf-8")
    assert load_stand(path).simulated
