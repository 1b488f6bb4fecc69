"""The folder of locks and latches: every user of the computer may write there, so nothing in it is trusted.

A link is never followed, what is no plain file is refused, no more than a few bytes of a file are read, and what
they say is only reported, never acted on before it was compared with what the kernel says.
"""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from pathlib import Path

from hilseq.errors import HilseqError, StandFault, UsageError

#: Names the folder; all users of one stand need the same.
ENVIRONMENT = "HILSEQ_LOCKS"
#: Kept over a restart of the computer, unlike /tmp and /run (Filesystem Hierarchy Standard 3.0, 5.15).
_DEFAULT = "/var/tmp/hilseq"  # noqa: S108 - shared on purpose
_ALL_MAY_WRITE = 0o1777
#: No blocks or inodes, or no more of them for this user.
_FULL = (errno.ENOSPC, errno.EDQUOT)
_FLAGS = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0)


def shared_folder() -> Path:
    """Return the folder, made where there is none.

    Raises UsageError when the one that is named cannot be used, StandFault when the default one cannot.
    """
    path = Path(os.environ.get(ENVIRONMENT) or _DEFAULT)
    before = os.umask(0)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        os.mkdir(path, _ALL_MAY_WRITE)  # noqa: PTH102 - with its rights from the first moment on
    except FileExistsError:
        pass
    except OSError as error:
        raise _unusable(path, f"cannot be made ({error.strerror})") from error
    finally:
        os.umask(before)
    try:
        found = os.lstat(path)
    except OSError as error:
        raise _unusable(path, f"cannot be looked at ({error.strerror})") from error
    if not stat.S_ISDIR(found.st_mode):
        raise _unusable(path, "is no folder (a link is not followed)")
    if not os.access(path, os.W_OK | os.X_OK):
        raise _unusable(path, "cannot be written by you; its owner can make it so: chmod 1777")
    return path


def _unusable(path: Path, wrong: str) -> HilseqError:
    if os.environ.get(ENVIRONMENT):
        return UsageError(
            f"{ENVIRONMENT}={path}: this folder, by which stands are held, {wrong}; expected a folder that all who "
            "use the stand may write to, the same for all"
        )
    return StandFault(
        f"the folder by which stands are held, {path}, {wrong}. Put it right, or name another one in {ENVIRONMENT}, "
        "the same for all who use the stand",
        place="this computer",
    )


def open_shared(path: Path, *, make: bool = True) -> int:
    """Open a file of the folder for reading and writing; return its descriptor.

    Raises FileNotFoundError where there is none and none is to be made, StandFault for what is no plain file, or
    one that others are kept from.
    """
    try:
        handle = _opened(path, make=make)
    except FileNotFoundError:
        if make:
            raise _unusable_file(path, "another process keeps deleting it") from None
        raise
    except OSError as error:
        if error.errno in _FULL:
            words = (
                f"{path}, by which an instrument is held, cannot be made ({error.strerror}): make room there"
            )
            raise StandFault(f"{words}. Nothing is powered before", place="this computer") from error
        wrong = "is a link" if error.errno == errno.ELOOP else f"cannot be opened ({error.strerror})"
        raise _unusable_file(path, wrong) from error
    found = os.fstat(handle)
    if not stat.S_ISREG(found.st_mode) or found.st_nlink > 1:
        os.close(handle)
        raise _unusable_file(path, "is no plain file of its own")
    return handle


def _opened(path: Path, *, make: bool) -> int:
    for _ in range(3):
        # First without making it: in such a folder the kernel may refuse to "make" what somebody else has made
        # (fs.protected_regular).
        with suppress(FileNotFoundError):
            return os.open(path, _FLAGS)
        if not make:
            break
        with suppress(FileExistsError):
            handle = os.open(path, _FLAGS | os.O_CREAT | os.O_EXCL, 0o666)
            os.fchmod(handle, 0o666)  # whatever the umask
            return handle
    raise FileNotFoundError(errno.ENOENT, "no such file", str(path))


def _unusable_file(path: Path, wrong: str) -> StandFault:
    return StandFault(
        f"{path}, by which an instrument is held, {wrong}. Find out who owns it and have it removed: nothing "
        "is powered before",
        place="this computer",
    )


def is_still(handle: int, path: Path) -> bool:
    """Return whether the open file is still the one of that name."""
    try:
        there = os.lstat(path)
    except OSError:
        return False
    ours = os.fstat(handle)
    return (there.st_dev, there.st_ino) == (ours.st_dev, ours.st_ino)
