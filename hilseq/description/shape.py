"""Which model and field stands at a place of a document: what a driver adds there depends on the data."""

from __future__ import annotations

import types
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from hilseq.description.drivers import DriverError, DriverModel
from hilseq.description.fields import keys_of
from hilseq.description.findings import Key

#: pydantic marks a problem of a mapping's key itself with this last step.
KEY_STEP = "[key]"


def bare(annotation: Any) -> Any:
    """Strip `Annotated` and `| None` from an annotation."""
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation = get_args(annotation)[0]
        elif origin in (Union, types.UnionType):
            rest = [part for part in get_args(annotation) if part is not type(None)]
            if len(rest) != 1:
                return annotation
            annotation = rest[0]
        else:
            return annotation


def own_model(annotation: Any, data: Any) -> Any:
    """Return the shape of an annotation, a mapping read by a driver as the driver's own model.

    The general model stands for one whose driver cannot be had.
    """
    shape = bare(annotation)
    if isinstance(shape, type) and issubclass(shape, DriverModel):
        try:
            return shape.model_for(data)
        except DriverError:
            return shape
    return shape


class Shape:
    """The shape that a document should have: which model stands where; what its drivers add depends on its data."""

    def __init__(self, model: type[BaseModel], data: Any) -> None:
        self._model = model
        self._data = data

    def at(self, place: tuple[Key, ...]) -> Any:
        """Return the annotation of the value at a place of the document, or None outside the models."""
        found: Any = self._model
        data = self._data
        for key in place:
            found = own_model(found, data)
            data = data.get(key) if isinstance(data, dict) else None
            origin = get_origin(found)
            if isinstance(found, type) and issubclass(found, BaseModel):
                field = keys_of(found).get(str(key))
                found = None if field is None else field.annotation
            elif origin is dict:
                found = get_args(found)[1]
            elif origin is list:
                found = get_args(found)[0]
            else:
                return None
        return own_model(found, data)

    def model_at(self, place: tuple[Key, ...]) -> type[BaseModel] | None:
        """Return the model whose keys may stand at a place, or None when no model stands there."""
        found = self.at(place)
        return found if isinstance(found, type) and issubclass(found, BaseModel) else None

    def field_at(self, place: tuple[Key, ...]) -> FieldInfo | None:
        """Return the field that a place of the document fills, or None for elements of mappings and lists."""
        if not place:
            return None
        parent = self.model_at(place[:-1])
        return None if parent is None else keys_of(parent).get(str(place[-1]))
