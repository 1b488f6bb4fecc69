"""Inserting what may already be there, in the one dialect or the other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import Connection

from hilseq.records.models import Base


def table_of(model: type[Base]) -> sa.Table:
    """Return the table of a model."""
    table = model.__table__
    assert isinstance(table, sa.Table)
    return table


def insert_for(connection: Connection, model: type[Base]) -> postgresql.Insert | sqlite.Insert:
    """Return an insert that knows `on_conflict_do_nothing` and `on_conflict_do_update`."""
    make = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    return make(table_of(model))


def ids_of(
    connection: Connection, model: type[Base], key: Sequence[str], rows: Iterable[Mapping[str, Any]]
) -> dict[tuple[Any, ...], int]:
    """Return the id of each row, found by its natural key; rows not there yet are inserted.

    New rows go in in the order of their keys, so that two imports that meet never wait for each other.
    """
    wanted = {tuple(row[column] for column in key): dict(row) for row in rows}
    if not wanted:
        return {}
    table = table_of(model)
    columns = [table.c[column] for column in key]
    query = sa.select(table.c.id, *columns).where(columns[0].in_({value[0] for value in wanted}))

    def known() -> dict[tuple[Any, ...], int]:
        return {tuple(values): number for number, *values in connection.execute(query)}

    found = known()
    missing = sorted(set(wanted) - set(found))
    if missing:
        insert = insert_for(connection, model).on_conflict_do_nothing(index_elements=list(key))
        connection.execute(insert, [wanted[value] for value in missing])
        found = known()
    return {value: found[value] for value in wanted}
