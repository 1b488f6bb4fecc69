"""Kinds of defect from outside: a Python file (`--defects FILE`), or an entry point of the group `hilseq.defects`.

A file holds a list `KINDS`, an entry point leads to one. What a kind needs is here: `Kind` is its row of the catalogue,
`places` say where it can sit, `Spot` is where it sits, and `Add`, `Scale` and `Count` change the world while it is
there. sim/README.md lists the parts of the world and has an example.
"""

from __future__ import annotations

import runpy
from collections.abc import Iterable
from pathlib import Path

from hilseq_sim.defects import places
from hilseq_sim.defects.catalogue import CATALOGUE, Kind
from hilseq_sim.defects.change import Add, Change, Count, Scale, Spot
from hilseq_sim.defects.spec import KIND_WORD, DefectError

__all__ = ["Add", "Change", "Count", "Kind", "Scale", "Spot", "add_from_file", "add_installed", "places"]

GROUP = "hilseq.defects"


def add_from_file(path: Path) -> None:
    """Add the kinds of a Python file to the catalogue. Raises DefectError that names the file and what is wrong."""
    try:
        found = runpy.run_path(str(path)).get("KINDS")
    except OSError as error:
        raise DefectError(f"{path} cannot be read: {error.strerror or error}") from error
    except Exception as error:
        raise DefectError(f"{path}: {type(error).__name__}: {error}") from error
    _add(str(path), found)


def add_installed() -> None:
    """Add the kinds of every installed distribution. Raises DefectError that names the distribution."""
    from importlib.metadata import entry_points  # late: it takes as long as many a visit's physics

    for point in entry_points(group=GROUP):
        source = f"{point.name} of {point.dist.name if point.dist else 'an unknown distribution'}"
        try:
            found = point.load()
        except Exception as error:
            raise DefectError(
                f"defects {source} cannot be loaded: {type(error).__name__}: {error}"
            ) from error
        _add(source, found)


def _add(source: str, found: object) -> None:
    if not isinstance(found, Iterable):
        raise DefectError(f"{source} has no list of kinds; expected KINDS = [Kind(...), ...]")
    for kind in found:
        if not isinstance(kind, Kind):
            raise DefectError(f"{source}: {kind!r} is no kind of defect; expected Kind(...)")
        if not KIND_WORD.fullmatch(kind.kind):
            raise DefectError(
                f"{source}: {kind.kind!r} is no name of a kind; expected lower case such as output-weak"
            )
        if CATALOGUE.setdefault(kind.kind, kind) is not kind:
            raise DefectError(f"{source}: there is a defect {kind.kind!r} already; expected another name")
