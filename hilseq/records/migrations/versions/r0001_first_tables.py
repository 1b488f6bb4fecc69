"""The first tables of the records."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeAlias

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
INSTANT = sa.DateTime(timezone=True)
TEXT, INTEGER, BOOLEAN = sa.Text(), sa.Integer(), sa.Boolean()
REAL: sa.types.TypeEngine[Any] = sa.Double()
Column: TypeAlias = tuple[str, sa.types.TypeEngine[Any]]


def _table(
    name: str,
    columns: Sequence[Column],
    *,
    primary: Sequence[str] = ("id",),
    unique: Sequence[str] = (),
    indexes: Sequence[Sequence[str]] = (),
    null: Sequence[str] = (),
) -> None:
    """Make a table; a column `run_id` points to `runs`. What belongs to a run, a visit or a check goes with it."""
    pointing = sorted(c for c, _ in columns if c.endswith("_id") and (name, c) != ("readings", "visit_id"))
    op.create_table(
        name,
        *(
            sa.Column(column, kind, nullable=column in null, autoincrement="auto" if column != "minute" else False)
            for column, kind in columns
        ),
        *(
            sa.ForeignKeyConstraint(
                [column], [f"{_TABLE_OF.get(column, column[:-3] + 's')}.id"], name=op.f(f"fk_{name}_{column}"),
                ondelete="CASCADE" if column in ("run_id", "visit_id", "check_id") else None,
            )
            for column in pointing
        ),
        sa.PrimaryKeyConstraint(*primary, name=op.f(f"pk_{name}")),
        *([sa.UniqueConstraint(*unique, name=op.f(f"uq_{name}_{'_'.join(unique)}"))] if unique else []),
    )  # fmt: skip
    for index in indexes:
        op.create_index(op.f(f"ix_{name}_{'_'.join(index)}"), name, list(index), unique=False)


def _texts(names: str) -> list[Column]:
    return [(name, TEXT) for name in names.split()]


_TABLE_OF = {"series_id": "series"}
_KEY: Column = ("id", INTEGER)
_RUN, _VISIT, _POSITION = ("run_id", INTEGER), ("visit_id", INTEGER), ("position", INTEGER)
_STARTED, _SIMULATED = ("started", INSTANT), ("simulated", BOOLEAN)
_TABLES: tuple[tuple[str, list[Column], dict[str, Any]], ...] = (
    ("series", [_KEY, *_texts("part name place stage kind unit")],
     {"unique": ["part", "name", "place", "stage", "kind", "unit"]}),
    ("stands", [_KEY, ("name", TEXT)], {"unique": ["name"]}),
    ("units", [_KEY, *_texts("part serial")], {"unique": ["part", "serial"], "indexes": [["serial"]]}),
    ("instruments", [_KEY, ("stand_id", INTEGER), *_texts("name identity what")],
     {"unique": ["stand_id", "name", "identity"]}),
    ("runs", [_KEY, ("key", TEXT), ("stand_id", INTEGER), *_texts("run hilseq"), _STARTED, ("ended", INSTANT),
              _SIMULATED, ("complete", BOOLEAN), ("interrupted", BOOLEAN), ("exit_code", INTEGER),
              *_texts("state state_text chain"), ("lines", INTEGER)],
     {"unique": ["key"], "indexes": [["run"], ["stand_id"]]}),
    ("calibrations", [_KEY, ("instrument_id", INTEGER), *_texts("certificate due")],
     {"unique": ["instrument_id", "certificate", "due"]}),
    ("events", [_KEY, _RUN, _POSITION, ("slot", TEXT), ("at", INSTANT), *_texts("what text")],
     {"unique": ["run_id", "position"]}),
    ("soak_minutes", [_RUN, ("signal", TEXT), ("minute", INTEGER), ("count", INTEGER), ("min", REAL), ("mean", REAL),
                      ("max", REAL)],
     {"primary": ["run_id", "signal", "minute"]}),
    ("visits", [_KEY, _RUN, ("unit_id", INTEGER), ("slot", TEXT), _STARTED, _SIMULATED,
                *_texts("description rule intake disposition"), ("decided", BOOLEAN)],
     {"unique": ["run_id", "slot"], "indexes": [["unit_id", "started"]]}),
    ("checks", [("id", BIG), _VISIT, _POSITION, *_texts("check kind sequence stage title place"), ("gate", BOOLEAN),
                *_texts("verdict why"), ("seconds", REAL)],
     {"unique": ["visit_id", "position"]}),
    ("exposures", [_VISIT, ("what", TEXT), ("amount", REAL), ("failures", INTEGER)],
     {"primary": ["visit_id", "what"]}),
    ("findings", [_KEY, _VISIT, _POSITION, *_texts("stage kind place what blames")],
     {"unique": ["visit_id", "position"]}),
    ("uses", [_RUN, ("calibration_id", INTEGER), ("resource", TEXT)],
     {"primary": ["run_id", "calibration_id"], "indexes": [["calibration_id"]]}),
    ("readings", [("id", BIG), ("check_id", BIG), ("series_id", INTEGER), _VISIT, ("at", INSTANT), ("value", REAL),
                  ("text", TEXT), ("uncertainty", REAL), ("low", REAL), ("high", REAL), ("verdict", TEXT),
                  ("probability", REAL)],
     {"null": ["value", "text", "uncertainty", "low", "high", "probability"],
      "indexes": [["check_id"], ["series_id", "visit_id", "value", "verdict"]]}),
)  # fmt: skip


def upgrade() -> None:
    """Make the tables."""
    for name, columns, more in _TABLES:
        _table(name, columns, **more)
