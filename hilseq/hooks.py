"""The hooks by which an extension adds to hilseq, and the objects they return.

An extension is a module with functions of these names. It is found in two ways: a distribution names it under the
entry point group `hilseq` of its `pyproject.toml`, or it is a `conftest.py` beside the sequences, which then holds
for the visits that run them (not for `hilseq ready` and `hilseq report`, which read no sequences). A function
whose name begins with `hilseq_` and is none of these is refused with the nearest name.

```toml
[project.entry-points.hilseq]
ripple = "my_distribution.extension"
```
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pluggy

if TYPE_CHECKING:
    from hilseq.description.profile import Profile
    from hilseq.description.stand import Stand
    from hilseq.procedures.readiness import ReadinessCheck
    from hilseq.reports.write import ReportFormat

GROUP = "hilseq"
_hookspec = pluggy.HookspecMarker(GROUP)


def _never(_: Profile) -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the job; its checks are those with `pytest.mark.stage(name)`.

    `required` tells of a profile whether such a unit ships only after this stage. A profile can require any
    stage by its key `required-stages` too.
    """

    name: str
    required: Callable[[Profile], bool] = _never


def _anywhere(_: Stand, __: str, ___: Any) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Element:
    """What a test may ask for by the fixture `name`, to become one check per value.

    `values` returns what a profile has of it; a value shows as its text in the name of the check. `place` names
    where a failure of its check is, in the words of the profile. `measurable` tells of a stand, a slot and a
    value whether the stand has the means; where it has not, there is no such check.
    """

    name: str
    values: Callable[[Profile], Iterable[Any]]
    place: Callable[[Any], str] = str
    measurable: Callable[[Stand, str, Any], bool] = _anywhere


@_hookspec
def hilseq_stages() -> Iterable[Stage]:
    """Return stages of the job beside those that ship.

    Caller: the plugin, once the sequences are collected, and `hilseq plan`.

    Example:
        def hilseq_stages():
            return [Stage("ripple", required=lambda profile: "ripple" in profile.parameters)]
    """
    raise NotImplementedError


@_hookspec
def hilseq_elements() -> Iterable[Element]:
    """Return elements to parametrize over: a test that asks for one becomes one check per value.

    Caller: the plugin, while the sequences are collected.

    Example:
        def hilseq_elements():
            return [Element("fast_output", lambda profile: [
                name for name, point in profile.points.outputs.items() if point.settle < 0.01
            ])]
    """
    raise NotImplementedError


@_hookspec
def hilseq_report_formats() -> Iterable[ReportFormat]:
    r"""Return formats in which every run is reported, beside the pages and `summary.json`.

    Caller: the plugin, at the end of a run, and `hilseq report`.

    Example:
        def hilseq_report_formats():
            return [ReportFormat("verdicts", lambda record: {
                "verdicts.txt": "".join(f"{unit.serial} {record.final(unit)}\n" for unit in record.units).encode()
            })]
    """
    raise NotImplementedError


@_hookspec
def hilseq_readiness_checks() -> Iterable[ReadinessCheck]:
    """Return what else of a stand is looked at before a unit is powered.

    Caller: `hilseq ready`, and the stage set-up of every visit.

    Example:
        def hilseq_readiness_checks():
            def look(bench, slot):
                warm = bench.signals.read("chamber-temperature")
                words = f"the chamber is at {warm:g} °C"
                yield ReadinessResult("chamber", "chamber", 20 < warm < 30, words, ("chamber",))

            return [ReadinessCheck("chamber", look)]
    """
    raise NotImplementedError
