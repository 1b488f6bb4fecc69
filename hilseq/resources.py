"""Where the stands and sequences that come with hilseq are: in the checkout, or inside the wheel."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from pathlib import Path

from hilseq.errors import UsageError

#: Among sequences: those that come with hilseq.
SHIPPED = "shipped"
_PACKAGE = Path(__file__).resolve().parent


def folder(name: str) -> Path:
    """Return the folder `stands` or `sequences`. Raises FileNotFoundError for a damaged installation."""
    checkout, wheel = _PACKAGE.parent / name, _PACKAGE / "data" / name
    # A folder of the same name beside an installed package would be a stranger's.
    if (_PACKAGE.parent / "pyproject.toml").is_file() and checkout.is_dir():
        return checkout
    if wheel.is_dir():
        return wheel
    raise FileNotFoundError(f"this installation of hilseq lacks its folder {name!r}; install it again")


def sequences(named: Iterable[str]) -> list[str]:
    """Return files and folders of sequences: `shipped` is the folder of those that come with hilseq, so is none.

    Raises UsageError for one that is not there.
    """
    found = [str(folder("sequences")) if one == SHIPPED else one for one in named] or [
        str(folder("sequences"))
    ]
    for one in found:
        path = Path(one.partition("::")[0])
        if not path.exists():
            beside = path.parent.iterdir() if path.parent.is_dir() else ()
            near = difflib.get_close_matches(path.name, [other.name for other in beside], n=1)
            meant = f"; did you mean {str(path.with_name(near[0]))!r}?" if near else ""
            raise UsageError(f"there is no sequence {one}: expected a file or a folder of sequences{meant}")
        if path.is_file() and path.suffix != ".py":
            raise UsageError(f"{path} is no sequence: expected a Python file, or a folder of them")
    return found
