"""The shape of the models: which keys a mapping may have, found by walking the type annotations."""

from __future__ import annotations

import types
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from hilseq.description.source_position import Key

#: pydantic marks a problem of a mapping's key itself with this last step.
KEY_STEP = "[key]"


def keys_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the keys of a model as they are written in a file, its own before those shared with others."""
    fields = sorted(model.model_fields.items(), key=lambda item: item[0] not in model.__annotations__)
    return {field.alias or name: field for name, field in fields}


def bare(annotation: Any) -> Any:
    """ModeBar `Annotated` and `| None` from an annotation."""
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


def shape_at(model: type[BaseModel], place: tuple[Key, ...]) -> Any:
    """Return the annotation of the value at a place of a document, or None outside the models."""
    found: Any = model
    for key in place:
        found = bare(found)
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
    return bare(found)


def model_at(model: type[BaseModel], place: tuple[Key, ...]) -> type[BaseModel] | None:
    """Return the model whose keys may stand at a place, or None when no model stands there."""
    found = shape_at(model, place)
    return found if isinstance(found, type) and issubclass(found, BaseModel) else None


def field_at(model: type[BaseModel], place: tuple[Key, ...]) -> FieldInfo | None:
    """Return the field that a place of a document fills, or None for elements of mappings and lists."""
    if not place:
        return None
    parent = model_at(model, place[:-1])
    return None if parent is None else keys_of(parent).get(str(place[-1]))
