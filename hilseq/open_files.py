"""Files that are opened: how many this process may have, and none in a folder of others that is no plain file."""

from __future__ import annotations

import errno
import os
import stat
import sys
from io import BufferedReader
from pathlib import Path

from hilseq.errors import UsageError

#: Longest first line of a journal, bytes: it holds the texts of all files the run was given.
LONGEST_HEADER = 16 << 20
#: What a visit, or the pages of runs, need at the least.
NEEDED = 64


def require_open_files() -> int:
    """Return how many files this process may have open, after asking for NEEDED. Raises UsageError for fewer."""
    if sys.platform == "win32":
        return NEEDED
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return sys.maxsize
    if soft >= NEEDED:
        return soft
    if hard != resource.RLIM_INFINITY and hard < NEEDED:
        raise UsageError(
            f"this process may have {hard} files open, and {NEEDED} are needed: raise the limit (ulimit -n), then "
            "try again"
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (NEEDED, hard))
    return NEEDED


def open_plain(path: Path) -> BufferedReader:
    """Open a file for reading that somebody else may have put there.

    Raises OSError for what is no plain file: a pipe would be waited for, and a device has no end.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(errno.EINVAL, "it is no plain file", str(path))
    return os.fdopen(handle, "rb")
