"""`hilseq schema`: the JSON Schema of a file, for editors and programs."""

from __future__ import annotations

from typing import Annotated, Any

import typer


def schema_command(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="stand, unit or intake.")],
) -> None:
    """Print the JSON Schema of a stand file, a profile (unit) or an intake file, for an editor.

    An editor that knows YAML schemas completes and checks a file whose first line names the schema beside it:
    # yaml-language-server: $schema=stand.schema.json

    Example: hilseq schema stand > stand.schema.json
    """
    typer.echo(as_text(schema(kind)), nl=False)


def schema(kind: str) -> dict[str, Any]:
    """Return the schema of a kind of file. Raises UsageError."""
    from hilseq.description.schema import FILES, schema_of
    from hilseq.errors import UsageError

    if kind not in FILES:
        raise UsageError(f"there is no schema {kind[:40]!r}; expected one of {', '.join(FILES)}")
    return schema_of(kind)


def as_text(schema: dict[str, Any]) -> str:
    """Return a schema as a file holds it."""
    import json

    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
