"""The readings that count towards what all units of a part prove together.

A sequence that starts units or soaks them judges these readings by these names; the records add them up.
"""

from __future__ import annotations

#: Cold starts tried in one check, and how many of them failed.
STARTS = "cold starts"
FAILED_STARTS = "cold starts failed"
#: Hours under load in one soak, and how many faults ended or marked it.
SOAK_HOURS = "soak hours"
SOAK_FAULTS = "soak faults"
