"""How many files and connections this process may have open: enough before anything begins, or a clear refusal."""

from __future__ import annotations

import sys

from hilseq.errors import UsageError

#: What a visit, or the pages of runs, need at the least.
NEEDED = 64


def require_open_files(needed: int = NEEDED) -> int:
    """Return how many files this process may have open, after asking for `needed`. Raises UsageError for fewer."""
    if sys.platform == "win32":
        return needed
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return sys.maxsize
    if soft >= needed:
        return soft
    if hard != resource.RLIM_INFINITY and hard < needed:
        raise UsageError(
            f"this process may have {hard} files open, and {needed} are needed: raise the limit (ulimit -n), then "
            "try again"
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (needed, hard))
    return needed
