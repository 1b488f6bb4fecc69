"""The unit's link over a whole visit: how often an exchange went wrong, against none at all."""

from __future__ import annotations

from collections.abc import Mapping

from hilseq.analysis.counted import clopper_pearson, upper_bound
from hilseq.errors import LinkLost, NotPerformed
from hilseq.instruments.link_tally import PLACE, LinkTally
from hilseq.procedures.unit import Unit
from hilseq.statements import compared

#: Confidence of the bounds.
_CONFIDENCE = 0.95
#: How many times as often as all others together a point is misread that is unsteady itself.
_FAR_MORE = 3


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
