"""The catalogue as it applies to one visit: which kinds, on which places, and what counts as located."""

from __future__ import annotations

from typing import Any

from hilseq_sim.defects.catalogue import CATALOGUE, describe_catalogue
from hilseq_sim.defects.places import VisitWords, Where
from hilseq_sim.defects.resolve import places_for, resolve


def catalogue_on(visit: VisitWords) -> list[dict[str, Any]]:
    """Return the rows of the catalogue that make sense on a visit (of its first slot), as plain data.

    Each has `spots`: a list of the place as written after `@` and the places that count as located.
    """
    rows = []
    where = Where(visit, next(iter(visit.profiles)))
    for row in describe_catalogue():
        kind = row["kind"]
        spots = [
            {"place": place, "located": list(resolve(f"{kind}@{place}", visit).located)}
            for place in places_for(kind, visit)
        ]
        if spots:
            rows.append({**row, "matters": CATALOGUE[kind].matters_on(where), "spots": spots})
    return rows
