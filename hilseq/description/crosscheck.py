"""Hold a stand against the profiles of the units it is to test, before anything is powered."""

from __future__ import annotations

from collections.abc import Mapping

from hilseq.description.loading import Loaded
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.errors import Problem


def visit_problems(stand: Loaded[Stand], profiles: Mapping[str, Loaded[Profile]]) -> list[Problem]:
    """Return every problem between a stand and the profiles in its slots, each in the file at fault."""
    return []
