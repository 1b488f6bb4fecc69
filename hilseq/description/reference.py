"""The keys of the files that people write, made from the models: the reference, and JSON Schema for editors.

The reference is what `hilseq inspect --words` prints; with a schema an editor completes and checks a file.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import PydanticUndefined, core_schema

from hilseq.description.drivers import AddressedModel, DriverModel, installed
from hilseq.description.fields import WrittenAs, keys_of
from hilseq.description.intake import IntakeSheet
from hilseq.description.profile import Profile
from hilseq.description.registers import ModbusLimits, Register
from hilseq.description.shape import own_model
from hilseq.description.stand import Signal, Stand
from hilseq.quantities import UNITS, AccuracyTerms, show_duration

#: Keys that many mappings have stand in a section of their own.
_SHARED: dict[type[BaseModel], str] = {ModbusLimits: "any Modbus device", Register: "any register"}
KINDS: dict[str, type[BaseModel]] = {"stand": Stand, "profile": Profile}


@dataclass(frozen=True, slots=True)
class Word:
    """One key: how it is written, what may stand there, what holds without it, what it means."""

    key: str
    kind: str
    default: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Section:
    """The keys of one mapping of a description file."""

    titles: list[str]
    about: str
    words: tuple[Word, ...]


def sections(kind: str) -> list[Section]:
    """Return the reference of `stand` or `profile`: the whole file first, then each mapping in it.

    Mappings with the same keys share a section, which names every place.
    """
    places: dict[type[BaseModel], list[str]] = {}
    _walk("", KINDS[kind], places)
    for shared, title in _SHARED.items():
        if any(issubclass(model, shared) for model in places):
            places.pop(shared, None)
            places[shared] = [title]
    return [_section(model, titles) for model, titles in places.items()]


def _walk(path: str, model: type[BaseModel], places: dict[type[BaseModel], list[str]]) -> None:
    seen = model in places
    places.setdefault(model, []).append(path or "the whole file")
    if seen:
        return
    for key, field in keys_of(model).items():
        below, step = _model_below(field.annotation)
        if below is not None:
            _walk(f"{path}.{key}{step}".lstrip("."), below, places)


def models_of(model: type[BaseModel]) -> list[type[BaseModel]]:
    """Return a model and every model that its keys lead to."""
    places: dict[type[BaseModel], list[str]] = {}
    _walk("", model, places)
    return list(places)


def _section(model: type[BaseModel], titles: list[str]) -> Section:
    about = " ".join((model.__doc__ or "").strip().split("\n\n")[0].split())
    inherited: set[str] = set()
    for shared, title in _SHARED.items():
        if issubclass(model, shared) and model is not shared:
            inherited |= keys_of(shared).keys()
            about += f" With the keys of {title} (see there), and:"
    words = tuple(
        Word(key, _kind(field.rebuild_annotation()), default_in_words(field), _meaning(field))
        for key, field in keys_of(model).items()
        if key not in inherited
    )
    return Section(titles, about, words)


def as_markdown(kind: str) -> str:
    """Return the reference as tables, as they stand in stands/REFERENCE.md."""
    lines: list[str] = []
    for section in sections(kind):
        title = ", ".join(name if " " in name else f"`{name}`" for name in section.titles)
        lines += [f"#### {title}", "", section.about, ""]
        lines += ["| key | what stands there | without it | meaning |", "|---|---|---|---|"]
        lines += [
            f"| `{word.key}` | {_cell(word.kind)} | {_cell(word.default)} | {_cell(word.meaning)} |"
            for word in section.words
        ]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", "\\n")


def _meaning(field: FieldInfo) -> str:
    return field.description or ""


def _model_below(annotation: Any) -> tuple[type[BaseModel] | None, str]:
    """Return the model of a field's value or elements, and the step to an element."""
    shape = own_model(annotation, {})  # what holds where a file names no driver
    if isinstance(shape, type) and issubclass(shape, BaseModel):
        return shape, ""
    if get_origin(shape) is dict:
        below, rest = _model_below(get_args(shape)[1])
        return below, f".*{rest}"
    if get_origin(shape) is list:
        below, rest = _model_below(get_args(shape)[0])
        return below, f"[]{rest}"
    return None, ""


def _kind(annotation: Any) -> str:
    """Say in words what may stand in a field."""
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        shown = [part.words for part in parts[1:] if isinstance(part, WrittenAs)]
        return shown[-1] if shown else _kind(parts[0])
    if origin is None:
        return _kind_of_class(annotation)
    words = [str(part) if origin is Literal else _kind(part) for part in parts if part is not type(None)]
    if origin is dict:
        return f"mapping of {words[0]} to {words[1]}"
    return f"list of {words[0]}" if origin is list else " / ".join(words)


def _kind_of_class(kind: type) -> str:
    if issubclass(kind, BaseModel):
        return "register" if kind is Register else "mapping"
    if issubclass(kind, StrEnum):
        return " / ".join(member.value for member in kind)
    return {int: "whole number", float: "number", bool: "true / false", str: "text"}[kind]


def default_in_words(field: FieldInfo) -> str:
    """Return what holds without a key, as a person writes it; empty for nothing or a mapping."""
    if field.is_required():
        return "**needed**"
    value = field.get_default(call_default_factory=True, validated_data={})
    if value is None or value == "" or value is PydanticUndefined:
        return ""
    if isinstance(value, BaseModel | dict):
        return ""
    if isinstance(value, list):
        return ", ".join(str(item) for item in value)
    return _value(value, _dimension(field.rebuild_annotation()))


def _dimension(annotation: Any) -> str:
    for part in _flat(annotation):
        if isinstance(part, WrittenAs) and part.dimension:
            return part.dimension
    return ""


def _flat(annotation: Any) -> Iterator[Any]:
    for part in get_args(annotation):
        yield part
        yield from _flat(part)


def _value(value: Any, dimension: str) -> str:
    """Write a default as a person would."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, AccuracyTerms):
        return f"{value.of_reading * 100:g} % + {value.fixed:g} {UNITS[dimension][0]}"
    if dimension == "time":
        return show_duration(value)
    if isinstance(value, float) and dimension:
        return f"{value:g} {UNITS[dimension][0]}"
    if isinstance(value, float):
        return f"{value:g}"
    text = str(value)
    return f"`{text}`" if not text.isprintable() or "?" in text or text.isupper() else text


#: What `hilseq schema` calls a file -> what it holds.
FILES: dict[str, type[BaseModel]] = {"stand": Stand, "unit": Profile, "intake": IntakeSheet}


class _AsWritten(GenerateJsonSchema):
    """Leaves defaults out: they are values as hilseq holds them (0.02), not as a file writes them (20 ms)."""

    def field_title_should_be_set(self, schema: object) -> bool:  # noqa: ARG002 - pydantic hands it over
        return False

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])


def schema_of(kind: str) -> dict[str, Any]:
    """Return the schema of a `stand`, a `unit` (its profile) or an `intake`, with the drivers that are installed."""
    model = FILES[kind]
    made = _generated(model)
    for general in (
        each
        for each in (*AddressedModel.__subclasses__(), *DriverModel.__subclasses__())
        if each.__name__ in made.get("$defs", {})
    ):
        made["$defs"][general.__name__] = _by_driver(general, made["$defs"])
    title = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"hilseq {kind} file"}
    if model is not IntakeSheet:
        return title | made
    by_slot = {"type": "object", "additionalProperties": made, "minProperties": 1}
    return title | {"anyOf": [made, by_slot]}


def _generated(model: type[BaseModel]) -> dict[str, Any]:
    """Return the schema of one model; what holds without a key stands in the key's description."""
    made = model.model_json_schema(by_alias=True, schema_generator=_AsWritten)
    made.pop("title", None)
    for each in models_of(model):
        mapping = made if each is model else made.get("$defs", {}).get(each.__name__)
        if mapping is None:  # that of a driver
            continue
        for key, field in keys_of(each).items():
            without = default_in_words(field)
            if without and not field.is_required():
                said = mapping["properties"][key].get("description", "")
                mapping["properties"][key]["description"] = f"{said} (without it: {without})"
    return made


def _by_driver(general: type[DriverModel], definitions: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a mapping whose driver says which keys it has; what it needs joins `definitions`."""
    usual = general.model_fields["driver"].default
    of_driver = {}
    for name in installed(general.role):
        with suppress(Exception):  # one that cannot be loaded is reported to those whose stand names it
            own = general.model_for({"driver": name})
            made = _generated(own)
            definitions.update(made.pop("$defs", {}))
            definitions[own.__name__] = made
            of_driver[name] = {"$ref": f"#/$defs/{own.__name__}"}
    if len(of_driver) == 1:
        return next(iter(of_driver.values()))
    if general is Signal:  # its driver is that of its io, and need not be written
        return {"anyOf": list(of_driver.values())}
    named = {"required": ["driver"]}
    choices = [
        {"if": {"properties": {"driver": {"const": name}}, **named}, "then": own}
        for name, own in of_driver.items()
    ]
    return {"allOf": [*choices, {"if": {"not": named}, "then": of_driver.get(usual, {})}]}
