"""A unit on the simulated twin of its stand, reached through real processes and sockets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from hilseq.description.profile import Profile
from hilseq.description.visit import describe_visit
from hilseq.procedures.bench import Bench
from hilseq.procedures.unit import Unit
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin, repoint


class _Loader(yaml.SafeLoader):
    """Takes `off` for a word, as hilseq does, and not for `false`."""

    yaml_implicit_resolvers = {  # noqa: RUF012 - as the base has it
        first: [(tag, form) for tag, form in resolvers if tag != "tag:yaml.org,2002:bool" or first in "tTfF"]
        for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
    }


STANDS = Path(__file__).resolve().parents[2] / "stands"


def changed(path: Path, changes: Mapping[str, Any], folder: Path) -> Path:
    """Write a copy of a description file with keys changed, such as `{"cycling.off": "1 s"}`; None removes one."""
    document = yaml.load(path.read_text(encoding="utf-8"), Loader=_Loader)  # noqa: S506 - a SafeLoader
    for key, value in changes.items():
        *way, last = key.split(".")
        place = document
        for word in way:
            place = place[word]
        if value is None:
            place.pop(last, None)
        else:
            place[last] = value
    copy = folder / path.name
    copy.write_text(yaml.safe_dump(document, sort_keys=False), encoding="utf-8")
    return copy


@dataclass(slots=True)
class TwinUnit:
    """A powered, ready unit; close it when done. `events` holds what was noted, (what, words)."""

    unit: Unit
    clock: SteppedClock
    bench: Bench
    twin: Twin
    events: list[tuple[str, str]] = field(default_factory=list)

    @property
    def profile(self) -> Profile:
        """Profile of the unit."""
        return self.unit.profile

    def close(self) -> None:
        """End the twin; its supplies go with it."""
        self.bench.close()
        self.clock.close()
        self.twin.close()


def twin_unit(
    folder: Path,
    *defects: str,
    seed: int = 1,
    stand: Path = STANDS / "sim-bench.yaml",
    profile: Path = STANDS / "units" / "rh16.yaml",
    stand_changes: Mapping[str, Any] | None = None,
    changes: Mapping[str, Any] | None = None,
    intake: Mapping[str, str] | None = None,
    ready: bool = True,
    defect_files: Sequence[Path] = (),
) -> TwinUnit:
    """Start a twin with these defects, and bring its unit to ready unless stated otherwise."""
    stand = changed(stand, stand_changes or {}, folder)
    profile = changed(profile, changes or {}, folder)
    slot = next(iter(yaml.safe_load(stand.read_text(encoding="utf-8"))["slots"]))
    visit = describe_visit(stand, {slot: profile})
    given: Sequence[str] = defects
    twin = Twin(
        stand, {slot: profile}, serials={slot: "RH-1"}, seed=seed, defects=given, defect_files=defect_files
    )
    served = repoint(visit.stand, twin.endpoints)
    clock = SteppedClock(twin.endpoints["clock"])
    events: list[tuple[str, str]] = []
    bench = Bench(
        served,
        visit.profiles,
        {slot: "RH-1"},
        clock,
        lambda what, words, _: events.append((what, words)),
        intakes={slot: intake or {}},
    )
    list(bench.prepare())
    found = TwinUnit(bench.unit(slot), clock, bench, twin, events)
    if ready:
        try:
            found.unit.make_ready()
        except BaseException:
            found.close()
            raise
    return found
