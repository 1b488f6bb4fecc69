"""Inspect description files without touching hardware: each by itself, and stands against profiles."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

from hilseq.description.accuracy import calibrated_parts
from hilseq.description.checks.magnitudes import unusual_numbers_of_a_profile, unusual_numbers_of_a_stand
from hilseq.description.checks.profile_values import cycles_fall_into_the_soak
from hilseq.description.checks.stand_file import serial_ports_are_of_this_system
from hilseq.description.crosscheck import untested_claims, visit_problems, visit_warnings, waived
from hilseq.description.findings import Finding, problems_of
from hilseq.description.loading import DescriptionFile, Kind, kind_of, read_document
from hilseq.description.profile import Profile
from hilseq.description.stages import stages_and_readings_are_known
from hilseq.description.stand import Stand
from hilseq.description.yaml_text import read_yaml
from hilseq.errors import DescriptionError, Problem


@dataclass(frozen=True, slots=True)
class Inspected:
    """One file: what it is, what it is called, and what it holds, in words and numbers."""

    path: Path
    kind: Kind
    name: str
    holds: dict[str, int]


@dataclass(frozen=True, slots=True)
class Fit:
    """A unit that a slot of a stand can test."""

    profile: str
    stand: str
    slot: str
    #: What the profile claims and no check can measure there.
    unmeasured: tuple[str, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class Inspection:
    """What a look at some files has shown."""

    files: tuple[Inspected, ...]
    fits: tuple[Fit, ...]
    problems: tuple[Problem, ...]
    #: What is no fault of a file but will be one of the visit.
    warnings: tuple[Problem, ...] = ()


def inspect(paths: Sequence[Path]) -> Inspection:
    """Return what the files are, which unit fits which slot, and every problem.

    With stands and profiles at hand, each slot must fit one of the profiles, and each profile one of the
    slots. Where nothing fits, the problems of the closest pair are reported.
    """
    stands: list[DescriptionFile[Stand]] = []
    profiles: list[DescriptionFile[Profile]] = []
    problems: list[Problem] = []
    for path in dict.fromkeys(paths):
        try:
            document, traps = read_yaml(path)
        except DescriptionError as error:
            problems += error.problems
            continue
        kind = kind_of(document)
        if kind == "stand":
            stands.append(read_document(document, traps, path, "stand", Stand))
        elif kind == "profile":
            profiles.append(read_document(document, traps, path, "profile", Profile))
        else:
            problems += traps
            problems.append(
                Problem(
                    path,
                    *document.mark,
                    "this is neither a stand file nor a profile",
                    "the keys `stand`, `supplies`, `slots` of a stand file, or `part`, `ratings`, `link` "
                    "of a profile",
                )
            )
    problems += [problem for stand in stands for problem in stand.problems]
    problems += [problem for profile in profiles for problem in profile.problems]
    fits, unfit = _pairs(stands, profiles)
    files = [_stand_summary(loaded) for loaded in stands if not loaded.problems]
    files += [_profile_summary(loaded) for loaded in profiles if not loaded.problems]
    today = datetime.now().astimezone().date()
    warnings = [warning for stand in stands for warning in _uncalibrated(stand, today)]
    warnings += [warning for stand in stands for warning in _of_another_system(stand)]
    warnings += [warning for stand in stands for warning in _of_the_file(stand)]
    warnings += [warning for profile in profiles for warning in _of_the_file(profile)]
    warnings += _badly_judged(stands, profiles, fits)
    return Inspection(tuple(files), tuple(fits), tuple(sorted({*problems, *unfit})), tuple(sorted(warnings)))


def _pairs(
    stands: Sequence[DescriptionFile[Stand]], profiles: Sequence[DescriptionFile[Profile]]
) -> tuple[list[Fit], list[Problem]]:
    """Return which unit fits which slot, and the least problems of what fits nothing."""
    fits: list[Fit] = []
    tried: dict[tuple[Path, str], list[list[Problem]]] = {}
    sound = [loaded for loaded in profiles if not loaded.problems]
    for stand in stands:
        if stand.problems or stand.model is None:
            continue
        for slot in stand.model.slots:
            for profile in sound:
                found = visit_problems(stand, {slot: profile})
                tried.setdefault((stand.path, slot), []).append(found)
                tried.setdefault((profile.path, ""), []).append(found)
                if not found:
                    claims = untested_claims(stand.model, slot, profile.whole())
                    claims += waived(stand.model, profile.whole())
                    fits.append(Fit(profile.whole().part, stand.model.stand, slot, tuple(claims)))
    lacking: list[Problem] = []
    for attempts in tried.values():
        closest: list[Problem] = min(attempts, key=len)
        lacking += closest
    return fits, lacking


def _badly_judged(
    stands: Sequence[DescriptionFile[Stand]],
    profiles: Sequence[DescriptionFile[Profile]],
    fits: Sequence[Fit],
) -> list[Problem]:
    """Return what the stands can hardly judge of the units that fit them."""
    return [
        warning
        for stand in stands
        for profile in profiles
        for fit in fits
        if stand.model is not None and profile.model is not None
        if (fit.stand, fit.profile) == (stand.model.stand, profile.model.part)
        for warning in visit_warnings(stand, fit.slot, profile)
    ]


def _uncalibrated(loaded: DescriptionFile[Stand], today: date) -> list[Problem]:
    """Return what is out of calibration, or has none: a warning here, a stand fault or no verdict of a visit."""
    if loaded.problems or loaded.model is None or loaded.document is None:
        return []
    findings = [
        Finding(
            part.place, words, "a new calibration: a run ends as a stand fault until then", topic="overdue"
        )
        for part in calibrated_parts(loaded.model)
        if (words := part.overdue(today))
    ]
    findings += [
        Finding(
            part.place,
            f"no calibration is stated of {part.part}, so that no visit comes to a verdict",
            f"`calibration`, or `uncalibrated: {{{part.part}: REASON}}`, which certificate and report say",
        )
        for part in calibrated_parts(loaded.model)
        if part.calibration is None and part.part not in loaded.model.uncalibrated
    ]
    return problems_of(findings, loaded.document, loaded.path, partial=False)


def _of_another_system(loaded: DescriptionFile[Stand]) -> list[Problem]:
    """Return the serial ports that this computer cannot have: a twin needs none of them, the hardware does."""
    if loaded.problems or loaded.model is None or loaded.document is None:
        return []
    found = serial_ports_are_of_this_system(loaded.model, windows=sys.platform == "win32")
    return problems_of(found, loaded.document, loaded.path, partial=False)


def _of_the_file(loaded: DescriptionFile[Stand] | DescriptionFile[Profile]) -> list[Problem]:
    """Return what is no fault of a file by itself and can hardly be meant, or is of one's own sequences."""
    if loaded.problems or loaded.model is None or loaded.document is None:
        return []
    if isinstance(loaded.model, Stand):
        found = [*unusual_numbers_of_a_stand(loaded.model)]
    else:
        profile = loaded.model
        found = [*stages_and_readings_are_known(profile), *unusual_numbers_of_a_profile(profile)]
        found += cycles_fall_into_the_soak(profile)
    found = [finding for finding in found if finding.warning]
    return problems_of(found, loaded.document, loaded.path, partial=False)


def _stand_summary(loaded: DescriptionFile[Stand]) -> Inspected:
    stand = loaded.whole()
    holds = {
        "supply": len(stand.supplies),
        "io": len(stand.io),
        "signal": len(stand.signals),
        "slot": len(stand.slots),
        "loopback": len(stand.loopbacks),
        "interlock": len(stand.safety.interlocks),
    }
    return Inspected(loaded.path, "stand", stand.stand, _some(holds))


def _profile_summary(loaded: DescriptionFile[Profile]) -> Inspected:
    profile = loaded.whole()
    points = profile.points
    holds = {
        "output": len(points.outputs),
        "input": len(points.inputs),
        "analog input": len(points.analog_inputs),
        "analog output": len(points.analog_outputs),
        "port": len(profile.ports),
        "mode": len(profile.mode_list()),
        "fault code": len(profile.faults.codes) if profile.faults is not None else 0,
        "configuration word": len(profile.configuration.content) if profile.configuration is not None else 0,
    }
    return Inspected(loaded.path, "profile", profile.part, _some(holds))


def _some(holds: dict[str, int]) -> dict[str, int]:
    return {what: count for what, count in holds.items() if count}
