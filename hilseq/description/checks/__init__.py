"""The cross-checks of the descriptions: one topic per file, each a pure function to findings.

Knows the models; knows no file, no line and no instrument.
"""

from __future__ import annotations

from hilseq.description.checks.finding import Finding
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand


def stand_findings(stand: Stand) -> list[Finding]:
    """Return everything wrong inside a stand file."""
    return []


def profile_findings(profile: Profile) -> list[Finding]:
    """Return everything wrong inside a profile."""
    return []
