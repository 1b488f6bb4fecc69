"""Stand against stand in words, a table and drawings."""

from __future__ import annotations

from collections.abc import Sequence

from hilseq.records.history import drawings
from hilseq.records.history.answer import Answer, Table
from hilseq.records.history.drawings import brief
from hilseq.records.history.stand_comparison import StandComparison, StandRow
from hilseq.reports.formatting import Scale, count, join_truncated, scale_of


def of_stands(compared: StandComparison) -> Answer:
    """Tell how the stands agree."""
    rows = [
        (row.quantity.place, row.stand, row.units, row.units_elsewhere, row.quantity.unit, row.shift, row.low,
         row.high, row.probability, row.uncertainty, row.drift, row.drift_probability, _stand_verdict(row))
        for row in compared.rows
    ]  # fmt: skip
    sentences = [_stand_words(row) for row in compared.rows if row.differs]
    sentences += _drift_words(compared.rows)
    if not sentences:
        sentences = [
            "No stand measures otherwise than the others, and none drifts, as far as these units tell."
        ]
    if compared.screened:
        sentences.append(
            f"{count(compared.screened, 'further series', 'further series')} only looked at by their means, "
            "which lie nearer together; ask for one with --place."
        )
    sentences.append(
        f"The last {compared.last} visits at most, one value per unit and stand; rank sum and Mann-Kendall, "
        "probabilities adjusted for the number of questions (Holm). Different stands see different units: "
        "where it matters, measure one unit on each."
    )
    return Answer(
        title=f"Stand against stand: {compared.name} of part {compared.part}",
        sentences=sentences,
        tables=[
            Table(
                "Each stand against all others",
                (
                    *(
                        "place",
                        "stand",
                        "units",
                        "units elsewhere",
                        "unit",
                        "shift",
                        "shift from",
                        "shift to",
                    ),
                    *("probability", "uncertainty", "drift per 30 days", "drift probability", "verdict"),
                ),
                rows,
                brief=("place", "stand", "units", "unit", "shift", "uncertainty", "probability", "verdict"),
            )
        ],
        drawings=[drawings.stand_strips(quantity, values) for quantity, values in compared.values.items()],
        data={
            "part": compared.part,
            "name": compared.name,
            "simulated": compared.simulated,
            "last": compared.last,
            "screened": compared.screened,
            "rows": compared.rows,
        },
    )


def _quantity(shown: Scale, value: float) -> str:
    return f"{brief(shown, value)} {shown.unit}".strip()


def _stand_verdict(row: StandRow) -> str:
    words = []
    if row.differs:
        words.append("differs beyond uncertainty" if row.beyond_uncertainty else "differs")
    if row.drifts:
        words.append("drifts")
    return ", ".join(words) or "agrees"


def _stand_words(row: StandRow) -> str:
    shown = scale_of(row.quantity.unit, [row.shift, row.low, row.high])
    way = "above" if row.shift > 0 else "below"
    bounds = ""
    if row.low is not None and row.high is not None:
        bounds = f" (95 %: {brief(shown, row.low)} to {_quantity(shown, row.high)})"
    if row.uncertainty is None:
        meaning = "the stands state no uncertainty to hold it against"
    elif row.beyond_uncertainty:
        meaning = f"more than their stated uncertainty {_quantity(shown, row.uncertainty)}: calibrate"
    else:
        meaning = f"within their stated uncertainty {_quantity(shown, row.uncertainty)}"
    return (
        f"{row.stand} reads {row.quantity.name} at {row.quantity.place} {_quantity(shown, abs(row.shift))} "
        f"{way} the others{bounds}, {meaning}."
    )


def _drift_words(rows: Sequence[StandRow]) -> list[str]:
    """Tell drifts place by place: of one stand, or of all at once, which blames the units."""
    words = []
    for quantity in sorted({row.quantity for row in rows}):
        of_it = [row for row in rows if row.quantity == quantity]
        drifting = [row for row in of_it if row.drifts]
        if not drifting:
            continue
        shown = scale_of(quantity.unit, [row.drift for row in drifting])
        moves = join_truncated([f"{row.stand} by {_quantity(shown, row.drift)}" for row in drifting])
        if len(drifting) < len(of_it):
            cause = "the others do not: look at the stand"
        elif len({row.drift > 0 for row in drifting}) == 1:
            cause = "every stand, the same way: look at the units, not at a stand"
        else:
            cause = "every stand, but not the same way: look at each"
        words.append(f"{quantity.name} at {quantity.place} drifts per 30 days: {moves}; {cause}.")
    return words
