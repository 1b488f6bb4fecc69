"""JSON Schema of the files that people write, made from the models, so that an editor completes and checks them."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from hilseq.description.drivers import Driven, DriverError, installed
from hilseq.description.intake import IntakeSheet
from hilseq.description.profile import Profile
from hilseq.description.reference import default_in_words, models_of
from hilseq.description.shape import keys_of
from hilseq.description.stand import Signal, Stand

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
    for general in (each for each in Driven.__subclasses__() if each.__name__ in made.get("$defs", {})):
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


def _by_driver(general: type[Driven], definitions: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a mapping whose driver says which keys it has; what it needs joins `definitions`."""
    usual = general.model_fields["driver"].default
    of_driver = {}
    for name in installed(general.role):
        with suppress(DriverError):
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
