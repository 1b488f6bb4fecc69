"""`hilseq schema`: the JSON Schema of what hilseq reads and writes, for editors and programs."""

from __future__ import annotations

from typing import Annotated, Any

import typer

#: The kind that is no file to be written by hand.
JOURNAL = "journal"


def schema_command(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="stand, unit, intake or journal.")],
) -> None:
    """Print the JSON Schema of a stand file, a profile (unit), an intake file, or one line of a journal.

    An editor that knows YAML schemas completes and checks a file whose first line names the schema beside it:
    # yaml-language-server: $schema=stand.schema.json

    Example: hilseq schema stand > stand.schema.json
    """
    typer.echo(as_text(schema(kind)), nl=False)


def schema(kind: str) -> dict[str, Any]:
    """Return the schema of a kind of file. Raises UsageError."""
    from hilseq.description.reference import FILES, schema_of
    from hilseq.errors import UsageError

    if kind == JOURNAL:
        from hilseq.journal.entries import journal_schema

        return journal_schema()
    if kind not in FILES:
        known = ", ".join((*FILES, JOURNAL))
        raise UsageError(f"there is no schema {kind[:40]!r}; expected one of {known}")
    return schema_of(kind)


def as_text(schema: dict[str, Any]) -> str:
    """Return a schema as a file holds it."""
    import json

    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
