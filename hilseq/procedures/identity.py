"""Whether a unit is what profile, label and stand file say it is, and tells what is so of itself.

Each raises AssertionError or UnitFault if not.
"""

from __future__ import annotations

from collections.abc import Iterator

from hilseq.description.profile import Indicator, Mode
from hilseq.procedures import battery
from hilseq.procedures.margins import assert_reported_supply
from hilseq.procedures.unit import Unit
from hilseq.statements import compared


def assert_names(unit: Unit) -> None:
    """Hold maker, product and firmware against the profile."""
    seen, expected = unit.identity(), unit.profile.identity
    if expected.maker:
        assert seen.maker == expected.maker, f"the maker is {seen.maker!r} instead of {expected.maker!r}"
    if expected.product:
        assert seen.product == expected.product, (
            f"the product is {seen.product!r} instead of {expected.product!r}"
        )
    if expected.firmware:
        assert seen.firmware in expected.firmware, (
            f"the firmware is {seen.firmware!r}; it may ship with {', '.join(expected.firmware)}"
        )


def assert_serial_number(unit: Unit) -> None:
    """Hold the serial number inside the unit against its label."""
    compared()
    inside = unit.serial_number_inside()
    assert inside == unit.serial_digits(), (
        f"the unit says its serial number is {inside}, the label says {unit.serial!r}"
    )


def assert_neighbours(unit: Unit) -> None:
    """Hold the neighbours that the unit finds against those that the stand has. Raises UnitFault at their places."""
    found, fitted = unit.neighbours_found(), unit.neighbours_fitted()
    wrong = {position: name for position, name in found.items() if name != fitted[position]}
    words = "; ".join(f"position {p} reports {name}, the stand has {fitted[p]}" for p, name in wrong.items())
    unit.fail_at([f"neighbour {position}" for position in wrong], words)


def neighbours(unit: Unit) -> dict[str, str]:
    """Return by place of each neighbour what the unit finds wrong there, in words; nothing of one that is right."""
    if unit.profile.identity.modules is None:
        return {}
    fitted = unit.neighbours_fitted()
    return {
        f"neighbour {position}": "" if name == fitted[position] else f"it finds {name} in position {position}"
        for position, name in unit.neighbours_found().items()
    }


def assert_tells_its_state(unit: Unit) -> None:
    """Go through the modes: in each the unit shows and reports that it is well, its supply and whether outputs are on.

    Raises UnitFault at every place where it does not.
    """
    wrong: dict[str, str] = {}
    for mode in unit.profile.mode_list():
        unit.modes.move_to(mode)
        for place, words in _wrong_words(unit):
            wrong.setdefault(place, f"{words} in mode {mode}")
        if words := _wrong_enable(unit, mode):
            wrong.setdefault(f"mode {mode}", f"{words} in mode {mode}")
        assert_reported_supply(unit)
    unit.fail_at(list(wrong), "; ".join(wrong.values()))


def assert_tells_its_state_loaded(unit: Unit) -> None:
    """Command every output of a live unit on; under that load it shows, reports and finds what it does without.

    No case becomes warmer at once: its own temperature must not jump. Raises UnitFault at every place that is wrong.
    """
    known = unit.profile.link
    cool = None if known.temperature is None else unit.link.read(known.temperature)
    unit.outputs.drive(*unit.outputs.names)
    wrong = dict(_wrong_words(unit))
    if known.temperature is not None and cool is not None and known.temperature_error is not None:
        jump = unit.link.read(known.temperature) - cool
        if abs(jump) > known.temperature_error:
            wrong["temperature"] = f"the temperature that it reports jumps by {jump:.3g} K"
    if words := _wrong_enable(unit, Mode.LIVE):
        wrong[f"mode {Mode.LIVE}"] = words
    wrong |= {place: words for place, words in neighbours(unit).items() if words}
    if (volts := battery.low_voltage(unit)) is not None:
        wrong["battery"] = f"its battery has {volts.value:.3g} V"
    assert_reported_supply(unit)
    words = "; ".join(wrong.values())
    unit.fail_at(list(wrong), f"with every output on: {words}")


def _wrong_enable(unit: Unit, mode: Mode) -> str:
    """Return in words that a unit in this mode reports its outputs enabled, or not, as it must not; empty if not."""
    if unit.profile.link.outputs_enabled is None:
        return ""
    enabled = unit.outputs_enabled()
    return (
        "" if enabled is (mode is Mode.LIVE) else f"it reports its outputs {'' if enabled else 'not '}enabled"
    )


def _wrong_words(unit: Unit) -> Iterator[tuple[str, str]]:
    """Yield what a unit that is well says wrong of itself, with its place."""
    for how, seen in (("shows", unit.indicator_on_stand()), ("reports", unit.reported_indicator())):
        if seen is not None and seen is not Indicator.HEALTHY:
            yield "indicator", f"its indicator {how} {seen}"
    if result := unit.self_test():
        yield "self-test", f"its self-test reports {result:g}"
