"""One wire, one purpose: terminals of a stand are driven once."""

from __future__ import annotations

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.stand import Stand


def terminals_have_one_drive(stand: Stand) -> Findings:
    """No two signals drive one terminal: they would fight, and one may burn."""
    driven: dict[str, str] = {}
    for name, signal in stand.signals.items():
        if signal.drives is None:
            continue
        if signal.drives in driven:
            wrong = f"the terminal {signal.drives} is driven twice, by {driven[signal.drives]!r} and {name!r}"
            place = ("signals", name, "drives")
            yield Finding(place, wrong, "one drive for each terminal", topic="driven twice")
        else:
            driven[signal.drives] = name


def rests_fit_their_signal(stand: Stand) -> Findings:
    """Require that the value of a drive in the safe state can be written."""
    for name, signal in stand.signals.items():
        if signal.is_bit and signal.safe_value not in (0, 1):
            wrong = f"the signal {name!r} is one bit and cannot rest at {signal.safe_value:g}"
            yield Finding(("signals", name, "safe-value"), wrong, "0 or 1", topic="safe-value")
