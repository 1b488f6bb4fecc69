"""Which tables a database has, and bringing them up to date with Alembic."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.records.database import Database
from hilseq.records.errors import RecordsUnusable

#: The newest revision in `migrations/versions`; here, so that opening need not load Alembic. A test compares.
NEWEST = "0002"

#: Any fixed number: two stands that open an old PostgreSQL at once upgrade one after the other.
_UPGRADE_LOCK = 0x68696C73


def revision(connection: Connection) -> str | None:
    """Return the revision of the tables; None when there are no records yet."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return str(found) if found is not None else None


def bring_up_to_date(database: Database) -> tuple[str | None, str]:
    """Bring the tables up to date; return the revision before and after.

    All or nothing, and safe when several processes do it at once. Raises RecordsUnusable when the
    records were made by a newer hilseq.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", "hilseq.records:migrations")
    with database.writing() as connection:
        if database.is_postgres:
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_UPGRADE_LOCK)))
        before = revision(connection)
        known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
        if before is not None and before not in known:
            raise _too_new(database, before)
        if before != NEWEST:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    return before, NEWEST


def require_current(database: Database, *, upgrade: bool) -> None:
    """Make sure that the tables are the newest. Raises RecordsUnusable when they are not and must stay."""
    with database.reading() as connection:
        found = revision(connection)
    if found == NEWEST:
        return
    if upgrade:
        before, after = bring_up_to_date(database)
        if before is not None:
            database.upgraded = f"the tables at {database} were brought from revision {before} to {after}"
        return
    if found is not None and found > NEWEST:
        raise _too_new(database, found)
    raise RecordsUnusable(
        f"the records at {database} have tables of revision {found or 'none'}, this hilseq needs {NEWEST}; "
        "run `hilseq records upgrade`"
    )


def _too_new(database: Database, found: str) -> RecordsUnusable:
    return RecordsUnusable(
        f"the records at {database} were made by a newer hilseq (tables of revision {found}, this one knows "
        f"up to {NEWEST}); install that version here too: nothing was changed"
    )
