"""JSON Schema of the files that people write, made from the models, so that an editor completes and checks them."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from hilseq.description.intake import IntakeSheet
from hilseq.description.profile import Profile
from hilseq.description.reference import default_in_words, models_of
from hilseq.description.shape import keys_of
from hilseq.description.stand import Stand

#: What `hilseq schema` calls a file -> what it holds.
FILES: dict[str, type[BaseModel]] = {"stand": Stand, "unit": Profile, "intake": IntakeSheet}


class _AsWritten(GenerateJsonSchema):
    """Leaves defaults out: they are values as hilseq holds them (0.02), not as a file writes them (20 ms)."""

    def field_title_should_be_set(self, schema: object) -> bool:  # noqa: ARG002 - pydantic hands it over
        return False

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])


def schema_of(kind: str) -> dict[str, Any]:
    """Return the schema of a `stand`, a `unit` (its profile) or an `intake`; what stands without a key is said."""
    model = FILES[kind]
    made = model.model_json_schema(by_alias=True, schema_generator=_AsWritten)
    for each in models_of(model):
        properties = (made if each is model else made["$defs"][each.__name__])["properties"]
        for key, field in keys_of(each).items():
            without = default_in_words(field)
            if without and not field.is_required():
                said = properties[key].get("description", "")
                properties[key]["description"] = f"{said} (without it: {without})"
    title = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"hilseq {kind} file"}
    if model is not IntakeSheet:
        return title | {key: value for key, value in made.items() if key != "title"}
    by_slot = {"type": "object", "additionalProperties": made, "minProperties": 1}
    return title | {"anyOf": [made, by_slot]}
