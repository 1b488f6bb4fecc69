"""Load stand files and profiles: every fault of a file at once, each with its line and column.

A faulty document is read as far as it goes, so that one visit to the file mends everything: a faulty signal or point
is left out, a faulty optional field gets its default, a faulty required one stays unset. A check that needs an unset
field raises AttributeError; whoever runs it takes that as silence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Generic, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError, create_model
from pydantic_core import ErrorDetails

from hilseq.description.checks import magnitudes, profile_values, registers, stand_file
from hilseq.description.drivers import findings_of_drivers
from hilseq.description.fields import keys_of
from hilseq.description.findings import Finding, Place, SourcePosition, collect, problems_of
from hilseq.description.profile import Profile
from hilseq.description.ranges import RANGED_PLACES, expand_ranges
from hilseq.description.shape import KEY_STEP, Shape, bare, own_model
from hilseq.description.stages import stages_and_readings_are_known
from hilseq.description.stand import Stand, with_drivers
from hilseq.description.wording import in_words
from hilseq.description.yaml_text import read_yaml
from hilseq.errors import DescriptionError, Problem


def stand_findings(stand: Stand) -> list[Finding]:
    """Return everything wrong inside a stand file."""
    checks = (
        stand_file.signals_name_their_io,
        stand_file.terminals_name_a_slot,
        stand_file.slots_name_their_supply,
        stand_file.loopbacks_join_two_signals,
        stand_file.exclusive_parts_are_driven,
        stand_file.uncalibrated_parts_are_there,
        stand_file.interlocks_watch_a_signal,
        stand_file.ambient_is_a_temperature,
        stand_file.terminals_have_one_drive,
        stand_file.rests_fit_their_signal,
        registers.signal_units_are_known,
        registers.signal_accuracies_fit,
        registers.instruments_err,
        stand_file.network_is_a_subnet,
        stand_file.addresses_are_unique,
        stand_file.addresses_lie_in_the_network,
        stand_file.ports_are_spelt_right,
        findings_of_drivers,
    )
    return collect(*(partial(check, stand) for check in checks))


def profile_findings(profile: Profile) -> list[Finding]:
    """Return everything wrong inside a profile."""
    checks = (
        registers.what_is_written_can_be_written,
        registers.blocks_are_words,
        registers.link_units_fit,
        registers.analog_points_fit,
        registers.values_come_in_one_piece,
        registers.fault_records_come_in_one_piece,
        profile_values.values_are_distinct,
        profile_values.modes_are_reported,
        profile_values.modes_can_be_reached,
        profile_values.contacts_are_distinct,
        profile_values.fault_offsets_are_distinct,
        profile_values.fault_codes_can_be_stored,
        profile_values.fault_places_exist,
        profile_values.causes_name_what_there_is,
        stages_and_readings_are_known,
        profile_values.terminals_have_one_meaning,
        profile_values.currents_lie_below_the_limit,
        profile_values.times_are_ordered,
        profile_values.battery_limits_are_ordered,
        profile_values.limits_can_be_meant,
        profile_values.twin_starts_above_where_it_stops,
        profile_values.modules_are_known,
        profile_values.soak_current_can_flow,
        profile_values.pattern_steps_are_seen,
        profile_values.soak_traffic_has_ports,
        profile_values.starts_can_be_made,
        profile_values.starts_keep_their_risk,
        profile_values.ports_can_be_decided,
        magnitudes.values_can_be_held,
        magnitudes.batteries_can_be_judged,
        magnitudes.clocks_hold_a_visit,
    )
    of_registers = (registers.overlaps, registers.blocks_end_inside, registers.units_are_known)
    return collect(
        *(partial(check, profile) for check in checks),
        *(lambda check=check: check(registers.profile_uses(profile)) for check in of_registers),
        lambda: () if profile.link.high_addresses else _zero_based(profile),
    )


def _zero_based(profile: Profile) -> list[Finding]:
    return list(registers.addresses_are_zero_based(registers.profile_uses(profile)))


M = TypeVar("M", bound=BaseModel)
Kind = Literal["stand", "profile"]
#: The keys that tell what a file is, the most telling first.
_TELLING: dict[Kind, tuple[str, ...]] = {
    "stand": ("stand", "supplies", "slots", "signals", "io"),
    "profile": ("part", "ratings", "link", "points", "identity", "faults"),
}
_NAMES: dict[Kind, str] = {"stand": "a stand file", "profile": "a profile"}
#: Most faults of one file that are put into words; a file with more is no description.
_MOST_FAULTS = 200


@dataclass(frozen=True)
class DescriptionFile(Generic[M]):
    """A description with the text it came from, so that later checks can name lines.

    `problems` holds every fault of the file. Without any, `model` is whole; with some, it is
    what could be saved, or None.
    """

    path: Path
    document: SourcePosition | None
    model: M | None
    problems: tuple[Problem, ...] = ()

    def whole(self) -> M:
        """Return the model, or raise DescriptionError with every problem of the file."""
        if self.problems or self.model is None:
            raise DescriptionError(self.problems)
        return self.model


def load_stand(path: Path) -> Stand:
    """Return the stand a file describes; raises DescriptionError with every fault of the file."""
    return read_stand(path).whole()


def load_profile(path: Path) -> Profile:
    """Return the profile a file describes; raises DescriptionError with every fault of the file."""
    return read_profile(path).whole()


def read_stand(path: Path) -> DescriptionFile[Stand]:
    """Read a stand file; its faults, if any, are in the result."""
    return _read(path, "stand", Stand)


def read_profile(path: Path) -> DescriptionFile[Profile]:
    """Read a profile; its faults, if any, are in the result."""
    return _read(path, "profile", Profile)


def written_out(path: Path) -> dict[str, Any]:
    """Return what a sound stand file holds, its ranges written out, as ordinary data."""
    document, _ = expand_ranges(read_yaml(path)[0], "stand", path)
    data: dict[str, Any] = document.plain()
    return data


def kind_of(document: SourcePosition) -> Kind | None:
    """Return whether a document is a stand file or a profile by its keys; None when it is neither."""
    keys = {key for key, _ in document.items()}
    votes = {kind: sum(key in keys for key in telling) for kind, telling in _TELLING.items()}
    if votes["stand"] == votes["profile"]:
        return None
    return "stand" if votes["stand"] > votes["profile"] else "profile"


def _read(path: Path, kind: Kind, model: type[M]) -> DescriptionFile[M]:
    try:
        document, traps = read_yaml(path)
    except DescriptionError as error:
        return DescriptionFile(path, None, None, error.problems)
    return read_document(document, traps, path, kind, model)


def read_document(
    document: SourcePosition, traps: Sequence[Problem], path: Path, kind: Kind, model: type[M]
) -> DescriptionFile[M]:
    """Read a document that should be of a kind; `traps` were found when it was composed."""
    strange = _not_of_kind(document, path, kind)
    if strange is not None:
        return DescriptionFile(path, document, None, (*traps, strange))
    document, problems = expand_ranges(document, kind, path)
    data = with_drivers(document.plain()) if model is Stand else document.plain()
    faults: list[ErrorDetails] = []
    try:
        usable: M | None = model.model_validate(data)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_input=False)
        usable = validate_partially(model, data, [_place_of(fault) for fault in faults])
    problems += _worded(faults, document, path, Shape(model, data))
    if usable is not None:
        partial = bool(problems or traps)
        faulty = [finding for finding in _findings(usable) if not finding.warning]
        problems += problems_of(faulty, document, path, partial=partial)
    # What a trap has spoilt is wrong for the model too; the trap is the better explanation.
    spoilt = {(trap.line, trap.column) for trap in traps}
    problems = [problem for problem in problems if (problem.line, problem.column) not in spoilt]
    return DescriptionFile(path, document, usable, tuple(sorted({*traps, *problems})))


def _findings(model: BaseModel) -> list[Finding]:
    if isinstance(model, Stand):
        return stand_findings(model)
    return profile_findings(model) if isinstance(model, Profile) else []


def _not_of_kind(document: SourcePosition, path: Path, kind: Kind) -> Problem | None:
    if not isinstance(document.content, dict):
        found = "a list" if isinstance(document.content, list) else "a single value"
        expected = f"{_NAMES[kind]}: a mapping of keys to values"
        return Problem(path, *document.mark, f"the file holds {found}", expected)
    other = kind_of(document)
    if other is not None and other != kind:
        return Problem(path, *document.mark, f"this is {_NAMES[other]}", f"{_NAMES[kind]}")
    return None


def _place_of(fault: ErrorDetails) -> Place:
    return tuple(step for step in fault["loc"] if step != KEY_STEP)


def _worded(faults: list[ErrorDetails], document: SourcePosition, path: Path, shape: Shape) -> list[Problem]:
    """Put faults into words; those of one range stand at one place and are said once."""
    said: set[tuple[object, ...]] = set()
    result: list[Problem] = []
    #: Keys that were meant by one that is not known: they are not missing.
    meant: set[Place] = set()
    for fault in sorted(faults, key=lambda fault: fault["type"] == "missing"):
        if len(result) >= _MOST_FAULTS:
            result.append(Problem(path, 0, 0, f"more than {_MOST_FAULTS} faults; the rest is not shown"))
            break
        wording = in_words(fault, document, shape)
        if fault["type"] == "missing" and _place_of(fault) in meant:
            continue
        if fault["type"] == "extra_forbidden" and wording.nearest:
            meant.add((*_place_of(fault)[:-1], wording.nearest))
        same = (wording.mark, fault["type"], str(fault["loc"][-1:]))
        if same not in said:
            said.add(same)
            result.append(Problem(path, *wording.mark, wording.wrong, wording.expected, wording.nearest))
    return result


_CONFIG = ConfigDict(strict=True, arbitrary_types_allowed=True, allow_inf_nan=False)
_RANGED = frozenset(place for places in RANGED_PLACES.values() for place in places)


class _UnusableError(Exception):
    """Nothing of the value can be used."""


class _Faulty:
    """The faulty places of a document, and the way to each."""

    def __init__(self, places: Iterable[Place]) -> None:
        self.at = frozenset(places)
        self._above = frozenset(place[:length] for place in self.at for length in range(len(place) + 1))

    def touch(self, place: Place) -> bool:
        """Return whether a fault lies at a place or inside it."""
        return place in self._above


def validate_partially(model: type[M], data: Any, faulty: Iterable[Place]) -> M | None:
    """Return the model without its faulty places, or None when nothing could be saved."""
    places = _Faulty(faulty)
    try:
        built = _build(model, model, data, (), places)
    except _UnusableError:
        return None
    return built if isinstance(built, model) else None


def _build(annotation: Any, shape: Any, data: Any, place: Place, faulty: _Faulty) -> Any:
    if place in faulty.at and place:
        raise _UnusableError
    touched = faulty.touch(place)
    shape = own_model(shape, data)
    if isinstance(shape, type) and issubclass(shape, BaseModel):
        return _build_model(shape, data, place, faulty) if touched else _validated(shape, data)
    if touched and get_origin(shape) is dict and isinstance(data, dict):
        return _build_mapping(get_args(shape)[1], data, place, faulty)
    if touched:
        raise _UnusableError
    return _validated(annotation, data)


def _build_model(model: type[BaseModel], data: Any, place: Place, faulty: _Faulty) -> BaseModel:
    if not isinstance(data, dict) or place[:-1] in _RANGED:
        raise _UnusableError
    values: dict[str, Any] = {}
    for key, field in keys_of(model).items():
        if key not in data:
            continue
        try:
            annotation = field.rebuild_annotation()
            values[key] = _build(annotation, bare(field.annotation), data[key], (*place, key), faulty)
        except _UnusableError:
            continue
    return model.model_construct(**values)


def _build_mapping(shape: Any, data: dict[Any, Any], place: Place, faulty: _Faulty) -> dict[Any, Any]:
    result = {}
    for key, value in data.items():
        try:
            result[key] = _build(shape, bare(shape), value, (*place, key), faulty)
        except _UnusableError:
            continue
    return result


def _validated(annotation: Any, data: Any) -> Any:
    """Return a value that stands alone, read as its field would read it."""
    try:
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            return annotation.model_validate(data)
        alone = create_model("Alone", __config__=_CONFIG, value=(annotation, ...))
        return getattr(alone.model_validate({"value": data}), "value")  # noqa: B009 - made a line above
    except ValidationError as error:
        raise _UnusableError from error
