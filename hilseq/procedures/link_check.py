"""The unit's link over a whole visit: how often an exchange went wrong, against none at all.

And what the unit tells of itself over it, asked again and again.
"""

from __future__ import annotations

from collections.abc import Mapping

from hilseq.analysis.counted import clopper_pearson, upper_bound
from hilseq.description.accuracy import REPORTED_SUPPLY
from hilseq.description.checks.registers import link_uses
from hilseq.description.profile import Mode
from hilseq.description.registers import Register
from hilseq.errors import LinkLost, NotPerformed
from hilseq.instruments.link_tally import PLACE, LinkTally
from hilseq.procedures.unit import Unit
from hilseq.statements import compared

#: Confidence of the bounds.
_CONFIDENCE = 0.95
#: Places of what a unit tells alike in every mode.
_ALWAYS = ("identity", "neighbour ", "configuration")
#: Two readings that are both as wrong as one may be differ by so many times that.
_TWO = 2.0
#: How many times as often as all others together a point is misread that is unsteady itself.
_FAR_MORE = 3


class OwnReports:
    """What a unit tells of itself, all of it in few exchanges: what stays as it is in one mode, and what must not jump.

    What it tells wrong all the time is found elsewhere: each look is held against the first.
    """

    def __init__(self, unit: Unit, mode: Mode) -> None:
        profile = unit.profile
        link, modules, battery, lamps = (
            profile.link,
            profile.identity.modules,
            profile.battery,
            profile.indicator,
        )
        steady: list[tuple[str, Register | None]] = [
            (f"mode {mode}", link.mode),
            (f"mode {mode}", link.outputs_enabled),
            ("indicator", link.indicator if lamps is None or lamps.blinks is None else None),
            ("self-test", link.self_test),
            ("start", link.ready),
            ("identity", profile.identity.serial_number),
            ("configuration", None if profile.configuration is None else profile.configuration.checksum),
        ]
        if modules is not None:
            steady += [
                (f"neighbour {n + 1}", modules.first.further_on(n)) for n in range(profile.rack_positions)
            ]
        warm = link.temperature_error
        near = [
            ("supply", link.supply_voltage, _TWO * REPORTED_SUPPLY * profile.ratings.supply),
            ("temperature", link.temperature, None if warm is None else _TWO * warm),
            ("battery", link.battery_voltage, None if battery is None else battery.nominal - battery.lowest),
        ]
        #: A place, its register, and by how much that may change from one look to the next.
        self._told = {
            f"{place}, {number}": (place, register, by)
            for number, (place, register, by) in enumerate([*((*each, 0.0) for each in steady), *near])
            if register is not None and by is not None
        }
        between = [use.register for use in link_uses(profile) if use.place[-1] != "mode-command"]
        self._values = unit.link.values(
            {name: register for name, (_, register, _) in self._told.items()}, between=between
        )
        self._right = {name: value for name, value in unit.baseline.told.items() if name in self._told}
        self._kept = unit.baseline.told

    def changed(self) -> dict[str, str]:
        """Return by place, in words, what is not as it was. Raises UnitFault when the unit does not answer."""
        if not self._told:
            return {}
        compared()
        found = self._values.snapshot()
        changed = {}
        for name, value in found.items():
            place, register, by = self._told[name]
            right = self._right.setdefault(name, value)
            if place.startswith(_ALWAYS):
                self._kept.setdefault(name, value)
            if abs(value - right) <= by:
                self._right[name] = value
            else:
                changed[place] = f"{register.table} {register.address} reads {value:g} after {right:g}"
        return changed


def table(unit: Unit) -> tuple[str, list[str], list[tuple[int, int, int, int]]]:
    """Return the exchanges of the visit, as a table of the journal."""
    tally = _counted(unit)
    row = (tally.sent, tally.lost, tally.wrong, tally.refused)
    return "exchanges over the link", ["sent", "lost", "wrong", "refused"], [row]


def assert_reliable(unit: Unit) -> str:
    """Return what the exchanges of the visit prove of the link, in a sentence.

    Raises LinkLost where some went wrong now and then: at `link`, and nobody is blamed, for which end it is cannot be
    known. One lost answer alone is a moment in which the link was away, and is only reported. Raises NotPerformed where
    the link does not count, or nothing was sent.
    """
    tally = _counted(unit)
    compared()
    if tally.is_unreliable:
        raise LinkLost(
            f"{_rate(tally)}; each was answered rightly when it was asked again. The link or its path (cable, switch, "
            "another user of the address) is at fault, or the unit's side of it: try another cable first",
            place=PLACE,
        )
    most = upper_bound(tally.failed, tally.sent, _CONFIDENCE)
    words = "one answer was lost" if tally.failed else "none went wrong"
    return (
        f"{tally.sent} exchanges over the link, {words}: at {100 * _CONFIDENCE:g} % confidence fewer than one in "
        f"{int(1 / most)} goes wrong"
    )


def misread(points: Mapping[str, int]) -> tuple[list[str], str]:
    """Return where points were read wrong over the link, and right when read again at once, and a sentence.

    One point alone, or one far more often than all others, is read wrong at its own place: it may be unsteady itself.
    Where it goes round, it is the link by which all are read.
    """
    if not points:
        return [], ""
    most = max(points, key=points.__getitem__)
    others = sum(points.values()) - points[most]
    words = f"read wrong over the link {sum(points.values())} times, and right when read again at once"
    return [most] if points[most] > _FAR_MORE * others else [PLACE], f"{', '.join(points)} {words}"


def _rate(tally: LinkTally) -> str:
    bounds = clopper_pearson(tally.failed, tally.sent, _CONFIDENCE)
    kinds = {
        "lost": tally.lost,
        "answered wrongly": tally.wrong,
        "refused": tally.refused,
    }
    reported = ", ".join(f"{count} {kind}" for kind, count in kinds.items() if count)
    return (
        f"{tally.failed} of {tally.sent} exchanges over the link went wrong now and then ({reported}): "
        f"{100 * tally.failed / tally.sent:.2g} %, at {100 * _CONFIDENCE:g} % confidence between "
        f"{100 * bounds.lower:.2g} and {100 * bounds.upper:.2g} %; none may"
    )


def _counted(unit: Unit) -> LinkTally:
    tally = unit.link.counted()
    if tally is None:
        raise NotPerformed("the driver of this link does not count its exchanges")
    if not tally.sent:
        raise NotPerformed("nothing was sent over the link")
    return tally
