"""The first tables of the records."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
INSTANT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "series",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_series")),
        sa.UniqueConstraint(
            "part",
            "name",
            "place",
            "stage",
            "kind",
            "unit",
            name=op.f("uq_series_part_name_place_stage_kind_unit"),
        ),
    )
    op.create_table(
        "stands",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stands")),
        sa.UniqueConstraint("name", name=op.f("uq_stands_name")),
    )
    op.create_table(
        "units",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_units")),
        sa.UniqueConstraint("part", "serial", name=op.f("uq_units_part_serial")),
    )
    op.create_index(op.f("ix_units_serial"), "units", ["serial"], unique=False)
    op.create_table(
        "instruments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("stand_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("identity", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["stand_id"], ["stands.id"], name=op.f("fk_instruments_stand_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_instruments")),
        sa.UniqueConstraint(
            "stand_id", "name", "identity", name=op.f("uq_instruments_stand_id_name_identity")
        ),
    )
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("stand_id", sa.Integer(), nullable=False),
        sa.Column("run", sa.Text(), nullable=False),
        sa.Column("hilseq", sa.Text(), nullable=False),
        sa.Column("started", INSTANT, nullable=False),
        sa.Column("ended", INSTANT, nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("complete", sa.Boolean(), nullable=False),
        sa.Column("interrupted", sa.Boolean(), nullable=False),
        sa.Column("exit_code", sa.Integer(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("state_text", sa.Text(), nullable=False),
        sa.Column("chain", sa.Text(), nullable=False),
        sa.Column("lines", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["stand_id"], ["stands.id"], name=op.f("fk_runs_stand_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
        sa.UniqueConstraint("key", name=op.f("uq_runs_key")),
    )
    op.create_index(op.f("ix_runs_run"), "runs", ["run"], unique=False)
    op.create_index(op.f("ix_runs_stand_id"), "runs", ["stand_id"], unique=False)
    op.create_table(
        "calibrations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("instrument_id", sa.Integer(), nullable=False),
        sa.Column("certificate", sa.Text(), nullable=False),
        sa.Column("due", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["instrument_id"], ["instruments.id"], name=op.f("fk_calibrations_instrument_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibrations")),
        sa.UniqueConstraint(
            "instrument_id", "certificate", "due", name=op.f("uq_calibrations_instrument_id_certificate_due")
        ),
    )
    op.create_table(
        "events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("slot", sa.Text(), nullable=False),
        sa.Column("at", INSTANT, nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_events_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_events")),
        sa.UniqueConstraint("run_id", "position", name=op.f("uq_events_run_id_position")),
    )
    op.create_table(
        "soak_minutes",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("signal", sa.Text(), nullable=False),
        sa.Column("minute", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("min", sa.Double(), nullable=False),
        sa.Column("mean", sa.Double(), nullable=False),
        sa.Column("max", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["run_id"], ["runs.id"], name=op.f("fk_soak_minutes_run_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("run_id", "signal", "minute", name=op.f("pk_soak_minutes")),
    )
    op.create_table(
        "visits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("slot", sa.Text(), nullable=False),
        sa.Column("started", INSTANT, nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("intake", sa.Text(), nullable=False),
        sa.Column("disposition", sa.Text(), nullable=False),
        sa.Column("decided", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_visits_run_id"), ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_visits_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visits")),
        sa.UniqueConstraint("run_id", "slot", name=op.f("uq_visits_run_id_slot")),
    )
    op.create_index(op.f("ix_visits_unit_id_started"), "visits", ["unit_id", "started"], unique=False)
    op.create_table(
        "checks",
        sa.Column("id", BIG, nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("check", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("sequence", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("gate", sa.Boolean(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visits.id"], name=op.f("fk_checks_visit_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checks")),
        sa.UniqueConstraint("visit_id", "position", name=op.f("uq_checks_visit_id_position")),
    )
    op.create_table(
        "exposures",
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("amount", sa.Double(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visits.id"], name=op.f("fk_exposures_visit_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("visit_id", "what", name=op.f("pk_exposures")),
    )
    op.create_table(
        "findings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("blames", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visits.id"], name=op.f("fk_findings_visit_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_findings")),
        sa.UniqueConstraint("visit_id", "position", name=op.f("uq_findings_visit_id_position")),
    )
    op.create_table(
        "uses",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("resource", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["calibration_id"], ["calibrations.id"], name=op.f("fk_uses_calibration_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_uses_run_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("run_id", "calibration_id", name=op.f("pk_uses")),
    )
    op.create_index(op.f("ix_uses_calibration_id"), "uses", ["calibration_id"], unique=False)
    op.create_table(
        "readings",
        sa.Column("id", BIG, nullable=False),
        sa.Column("check_id", BIG, nullable=False),
        sa.Column("series_id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("at", INSTANT, nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.Column("uncertainty", sa.Double(), nullable=True),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("probability", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["check_id"], ["checks.id"], name=op.f("fk_readings_check_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_readings_series_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
    )
    op.create_index(op.f("ix_readings_check_id"), "readings", ["check_id"], unique=False)
    op.create_index(
        op.f("ix_readings_series_id_visit_id_value_verdict"),
        "readings",
        ["series_id", "visit_id", "value", "verdict"],
        unique=False,
    )
