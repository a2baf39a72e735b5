"""The first catalogue: vehicles, families, references, traces, derived payloads, history."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TABLES = (
    "catalogue", "vehicle", "engine_family", "reference", "channel", "tag", "trace", "derived",
    "history", "shop_card",
)  # fmt: skip
HISTORY_TRIGGERS = (
    "CREATE TRIGGER history_no_update BEFORE UPDATE ON history "
    "BEGIN SELECT RAISE(ABORT, 'history is append-only'); END",
    "CREATE TRIGGER history_no_delete BEFORE DELETE ON history "
    "BEGIN SELECT RAISE(ABORT, 'history is append-only'); END",
)


def upgrade() -> None:
    _records()
    _reference()
    _parts_of_a_reference()
    _history()


def downgrade() -> None:
    for name in reversed(TABLES):
        op.drop_table(name)


def _text(name: str) -> sa.Column:
    return sa.Column(name, sa.Text(), nullable=False)


def _maybe(name: str, kind: sa.types.TypeEngine) -> sa.Column:
    return sa.Column(name, kind, nullable=True)


def _number(name: str, kind: sa.types.TypeEngine) -> sa.Column:
    return sa.Column(name, kind, nullable=False)


def _check(table: str, name: str, condition: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(condition, name=op.f(f"ck_{table}_{name}"))


def _key(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(*columns, name=op.f(f"pk_{table}"))


def _unique(table: str, column: str) -> sa.UniqueConstraint:
    return sa.UniqueConstraint(column, name=op.f(f"uq_{table}_{column}"))


def _points(
    table: str, column: str, target: str, ondelete: str | None = None
) -> sa.ForeignKeyConstraint:
    name = op.f(f"fk_{table}_{column}")
    return sa.ForeignKeyConstraint([column], [target], name=name, ondelete=ondelete)


def _records() -> None:
    op.create_table(
        "catalogue",
        _number("id", sa.Integer()),
        _text("identity"),
        _number("revision", sa.Integer()),
        _text("stamp"),
        _text("created_with"),
        _text("created_at"),
        _number("salt", sa.LargeBinary()),
        _number("history_rows", sa.Integer()),
        _text("history_head"),
        _key("catalogue", "id"),
        _check("catalogue", "one_row", "id = 1"),
        _check("catalogue", "revision", "revision >= 0"),
        _check("catalogue", "salt", "length(salt) = 32"),
    )
    op.create_table(
        "vehicle",
        _number("id", sa.Integer()),
        _text("name"),
        _key("vehicle", "id"),
        _unique("vehicle", "name"),
        _check("vehicle", "name", "name <> ''"),
    )
    op.create_table(
        "engine_family",
        _number("id", sa.Integer()),
        _text("name"),
        _maybe("cylinders", sa.Integer()),
        _maybe("firing_order", sa.Text()),
        _maybe("firing_intervals", sa.Text()),
        _maybe("ignition_type", sa.Text()),
        _maybe("crank_wheel", sa.Text()),
        _maybe("cam_pattern", sa.Text()),
        _maybe("alternator_poles", sa.Integer()),
        _maybe("pulley_ratio", sa.Double()),
        _maybe("pump_segments", sa.Integer()),
        _maybe("injector_type", sa.Text()),
        _maybe("fuel", sa.Text()),
        _maybe("induction", sa.Text()),
        _key("engine_family", "id"),
        _unique("engine_family", "name"),
        _check("engine_family", "name", "name <> ''"),
        _check("engine_family", "cylinders", "cylinders BETWEEN 1 AND 24"),
        _check("engine_family", "alternator_poles", "alternator_poles > 0"),
        _check("engine_family", "pulley_ratio", "pulley_ratio > 0"),
        _check("engine_family", "pump_segments", "pump_segments > 0"),
    )
    op.create_table(
        "shop_card",
        _text("name"),
        _text("toml"),
        _key("shop_card", "name"),
        _check("shop_card", "name", "name <> ''"),
    )


def _reference() -> None:
    op.create_table(
        "reference",
        _number("id", sa.Integer()),
        _text("system"),
        _maybe("engine_family_id", sa.Integer()),
        _text("condition"),
        _text("label"),
        _text("fault"),
        _number("vehicle_id", sa.Integer()),
        _text("origin"),
        _text("state"),
        _text("confirmed_fix"),
        _text("note"),
        _text("source"),
        _text("sha256"),
        _number("rate_hz", sa.Double()),
        _number("n_samples", sa.Integer()),
        _number("start_s", sa.Double()),
        _maybe("coupling", sa.Text()),
        _number("attenuation", sa.Double()),
        _number("scale", sa.Double()),
        _text("remarks"),
        _text("added_at"),
        _key("reference", "id"),
        _points("reference", "engine_family_id", "engine_family.id"),
        _points("reference", "vehicle_id", "vehicle.id"),
        _unique("reference", "sha256"),
        _check("reference", "system", "system <> ''"),
        _check(
            "reference",
            "label",
            "(label = 'good' AND fault = '') OR (label = 'fault' AND fault <> '')",
        ),
        _check("reference", "origin", "origin IN ('simulated', 'captured', 'confirmed')"),
        _check("reference", "state", "state IN ('proposed', 'accepted', 'retired')"),
        _check("reference", "coupling", "coupling IN ('ac', 'dc')"),
        _check("reference", "rate_hz", "rate_hz > 0"),
        _check("reference", "n_samples", "n_samples >= 0"),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_reference_system_state"), "reference", ["system", "state"])
    op.create_index(op.f("ix_reference_vehicle_id"), "reference", ["vehicle_id"])
    op.create_index(op.f("ix_reference_engine_family_id"), "reference", ["engine_family_id"])


def _parts_of_a_reference() -> None:
    op.create_table(
        "channel",
        _number("reference_id", sa.Integer()),
        _number("position", sa.Integer()),
        _text("name"),
        _text("unit"),
        _key("channel", "reference_id", "position"),
        _points("channel", "reference_id", "reference.id", "CASCADE"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "tag",
        _number("reference_id", sa.Integer()),
        _text("name"),
        _text("value"),
        _key("tag", "reference_id", "name"),
        _points("tag", "reference_id", "reference.id", "CASCADE"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "trace",
        _number("reference_id", sa.Integer()),
        _number("body", sa.LargeBinary()),
        _key("trace", "reference_id"),
        _points("trace", "reference_id", "reference.id", "CASCADE"),
    )
    op.create_table(
        "derived",
        _number("reference_id", sa.Integer()),
        _text("recipe"),
        _number("checksum", sa.Integer()),
        _number("payload", sa.LargeBinary()),
        _key("derived", "reference_id", "recipe"),
        _points("derived", "reference_id", "reference.id", "CASCADE"),
    )


def _history() -> None:
    op.create_table(
        "history",
        _number("id", sa.Integer()),
        _text("at"),
        _text("who"),
        _text("action"),
        _maybe("reference_id", sa.Integer()),
        _text("why"),
        _text("detail"),
        _text("previous"),
        _text("hash"),
        _key("history", "id"),
        _unique("history", "hash"),
        _check("history", "action", "action <> ''"),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_history_reference_id"), "history", ["reference_id"])
    for trigger in HISTORY_TRIGGERS:
        op.execute(trigger)
