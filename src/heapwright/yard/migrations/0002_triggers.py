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


def _changed(columns: tuple[str, ...], differ: str) -> str:
    return " OR ".join(f"NEW.{column} {differ} OLD.{column}" for column in columns)


def conditions(differ: str) -> list[tuple[str, str, str]]:
    """Return (table, act, condition under which it is refused)."""
    refused = [(table, act, "") for table in WRITTEN_ONCE for act in ("UPDATE", "DELETE")]
    refused += [(table, "DELETE", "") for table in ("yard_entry", "yard_reading", "yard_lot")]
    refused += [
        (
            "yard_entry",
            "UPDATE",
            f"OLD.struck_at IS NOT NULL OR NEW.struck_at IS NULL OR {_changed(ENTRY, differ)}",
        ),
        (
            "yard_reading",
            "UPDATE",
            f"OLD.struck OR NOT NEW.struck OR {_changed(READING, differ)}",
        ),
    ]
    return refused


def differs(schema_editor: BaseDatabaseSchemaEditor) -> str:
    """Return how this database says that two values differ, nulls included."""
    return "IS NOT" if schema_editor.connection.vendor == "sqlite" else "IS DISTINCT FROM"


def make(schema_editor: BaseDatabaseSchemaEditor, refused: list[tuple[str, str, str]]) -> None:
    """Make triggers of (table, act, condition), in the words of SQLite or of PostgreSQL."""
    vendor = schema_editor.connection.vendor
    if vendor == "postgresql":
        schema_editor.execute(
            "CREATE OR REPLACE FUNCTION yard_refuse() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{MESSAGE}'; END $$"
        )
    for table, act, condition in refused:
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


def remove(schema_editor: BaseDatabaseSchemaEditor, refused: list[tuple[str, str, str]]) -> None:
    """Remove the triggers of (table, act, condition)."""
    on = " ON {table}" if schema_editor.connection.vendor == "postgresql" else ""
    for table, act, _condition in refused:
        schema_editor.execute(
            f"DROP TRIGGER IF EXISTS {table}_no_{act.lower()}{on.format(table=table)}"
        )


def forbid(_apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """Make the triggers."""
    make(schema_editor, conditions(differs(schema_editor)))


def allow(_apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """Remove the triggers."""
    remove(schema_editor, conditions(""))


class Migration(migrations.Migration):
    """Triggers on the ledger's tables."""

    dependencies: ClassVar = [("yard", "0001_initial")]
    operations: ClassVar = [migrations.RunPython(forbid, allow)]
