"""The database itself forbids changing and deleting what is written; only striking is left."""

from __future__ import annotations

from typing import ClassVar

from django.db import migrations
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.state import StateApps

WRITTEN_ONCE = (
    "yard_flow",
    "yard_standing",
    "yard_check",
    "yard_inspection",
    "yard_measurement",
    "yard_labour",
    "yard_fuel",
    "yard_weather",
    "yard_entry_lots",
)
ENTRY = (
    "uuid",
    "kind",
    "happened_at",
    "recorded_at",
    "recorded_by_id",
    "note",
    "sent",
    "replaces_id",
)
READING = ("entry_id", "lot_id", "time_s", "point", "depth_cm", "temp_c")
MESSAGE = "entries are never changed or deleted; strike the entry"


def _changed(columns: tuple[str, ...], differs: str) -> str:
    return " OR ".join(f"NEW.{column} {differs} OLD.{column}" for column in columns)


def conditions(differs: str) -> list[tuple[str, str, str]]:
    """Return (table, act, condition under which it is refused)."""
    refused = [(table, act, "") for table in WRITTEN_ONCE for act in ("UPDATE", "DELETE")]
    refused += [(table, "DELETE", "") for table in ("yard_entry", "yard_reading", "yard_lot")]
    refused += [
        (
            "yard_entry",
            "UPDATE",
            f"OLD.struck_at IS NOT NULL OR NEW.struck_at IS NULL OR {_changed(ENTRY, differs)}",
        ),
        (
            "yard_reading",
            "UPDATE",
            f"OLD.struck OR NOT NEW.struck OR {_changed(READING, differs)}",
        ),
    ]
    return refused


def forbid(_apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """Make the triggers, in the words of SQLite or of PostgreSQL."""
    vendor = schema_editor.connection.vendor
    if vendor == "postgresql":
        schema_editor.execute(
            "CREATE OR REPLACE FUNCTION yard_refuse() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{MESSAGE}'; END $$"
        )
    for table, act, condition in conditions("IS NOT" if vendor == "sqlite" else "IS DISTINCT FROM"):
        name = f"{table}_no_{act.lower()}"
        when = f"WHEN ({condition}) " if condition else ""
        if vendor == "sqlite":
            schema_editor.execute(
                f"CREATE TRIGGER {name} BEFORE {act} ON {table} FOR EACH ROW {when}"
                f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}'); END"
            )
        elif vendor == "postgresql":
            schema_editor.execute(
                f"CREATE TRIGGER {name} BEFORE {act} ON {table} FOR EACH ROW {when}"
                "EXECUTE FUNCTION yard_refuse()"
            )


def allow(_apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """Remove the triggers."""
    on = " ON {table}" if schema_editor.connection.vendor == "postgresql" else ""
    for table, act, _condition in conditions(""):
        schema_editor.execute(
            f"DROP TRIGGER IF EXISTS {table}_no_{act.lower()}{on.format(table=table)}"
        )


class Migration(migrations.Migration):
    """Triggers on the ledger's tables."""

    dependencies: ClassVar = [("yard", "0001_initial")]
    operations: ClassVar = [migrations.RunPython(forbid, allow)]
