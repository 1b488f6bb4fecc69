"""Drawing the cases of a campaign: which defect, how severe, where; and the good units."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hilseq.errors import UsageError


@dataclass(frozen=True, slots=True)
class Case:
    """One visit of a campaign. A good unit has an empty `defect`.

    `beyond` tells whether the defect lies beyond the profile's limits, so that it must be found; one that is
    not must be let pass. `located` are the places that count as right. `warm`: it is seen only on a unit that has
    warmed up, so the visit needs a soak.
    """

    number: int
    seed: int
    defect: str = ""
    side: str = ""
    place: str = ""
    severity: float | None = None
    beyond: bool = True
    located: tuple[str, ...] = ()
    warm: bool = False

    @property
    def spec(self) -> str:
        """The defect as `hilseq run --defect` takes it."""
        severity = "" if self.severity is None else f",severity={self.severity:.3f}"
        return f"{self.defect}@{self.place}{severity}"


def choose(catalogue: Sequence[Mapping[str, Any]], kinds: Sequence[str]) -> list[Mapping[str, Any]]:
    """Return the rows of the kinds asked for, all of them when none is. Raises UsageError for an unknown kind."""
    known = [row["kind"] for row in catalogue]
    for kind in kinds:
        if kind not in known:
            from difflib import get_close_matches

            near = get_close_matches(kind, known, 1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise UsageError(f"there is no defect kind {kind!r} for this stand and unit{hint}")
    return [row for row in catalogue if not kinds or row["kind"] in kinds]


def draw(rows: Sequence[Mapping[str, Any]], *, draws: int, units: int, seed: int) -> list[Case]:
    """Return the cases: `draws` of each kind, then `units` good units; the same seed draws the same.

    Of a graded kind every fourth draw lies inside the limits (severity up to `harmless`), the others beyond
    (from `matters` up); between the two no claim is made. A kind that is harmless and never matters lies inside in
    every draw.
    """
    cases: list[Case] = []
    for row in rows:
        # A stream of its own for each kind: asking for one kind draws what the whole campaign draws.
        stream = random.Random(f"{seed}/{row['kind']}")  # noqa: S311 - a draw of cases, not a secret
        for draw_number in range(draws):
            spot = stream.choice(row["spots"])
            severity, beyond = None, True
            if row["harmless"] is not None:
                beyond = row["matters"] is not None and draw_number % 4 != 1
                low, high = (row["matters"], 1.0) if beyond else (0.0, row["harmless"])
                severity = round(stream.uniform(low, high), 3)
            cases.append(
                Case(
                    number=len(cases),
                    seed=stream.randrange(1, 2**31),
                    defect=row["kind"],
                    side=row["side"],
                    place=spot["place"],
                    severity=severity,
                    beyond=beyond,
                    located=tuple(spot["located"]),
                    warm=row["stage"] == "heat",
                )
            )
    stream = random.Random(f"{seed}/good units")  # noqa: S311
    cases += [Case(number=len(cases) + n, seed=stream.randrange(1, 2**31)) for n in range(units)]
    return cases
