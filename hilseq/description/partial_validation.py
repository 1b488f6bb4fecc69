"""Read what can be read of a faulty document, so that one visit to the file mends everything.

pydantic gives no model at all when one field is wrong, and then the checks across a document could
not run. Here the faulty pieces are left out and the rest is built without them: a faulty signal or
point is dropped whole, a faulty optional field gets its default, a faulty required one stays unset.
A check that needs an unset field raises AttributeError; whoever runs it takes that as silence.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError, create_model

from hilseq.description.ranges import RANGED_PLACES
from hilseq.description.shape import bare, keys_of, own_model
from hilseq.description.source_position import Place

M = TypeVar("M", bound=BaseModel)
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
        """Tell whether a fault lies at a place or inside it."""
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
