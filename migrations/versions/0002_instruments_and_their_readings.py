"""Instruments and their readings; what else is known of an engine family.

Only new tables, and new columns at the end of engine_family: nothing is rebuilt.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

FAMILY_COLUMNS = ("epa_family", "vin_part", "vin_hash")


def upgrade() -> None:
    for name in FAMILY_COLUMNS:
        op.add_column("engine_family", sa.Column(name, sa.Text(), nullable=True))
    _instrument()
    _reading()


def downgrade() -> None:
    op.drop_table("instrument_reading")
    op.drop_table("instrument")
    for name in reversed(FAMILY_COLUMNS):
        op.drop_column("engine_family", name)


def _must(name: str, kind: sa.types.TypeEngine) -> sa.Column:
    return sa.Column(name, kind, nullable=False)


def _maybe(name: str, kind: sa.types.TypeEngine) -> sa.Column:
    return sa.Column(name, kind, nullable=True)


def _check(table: str, name: str, condition: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(condition, name=op.f(f"ck_{table}_{name}"))


def _instrument() -> None:
    op.create_table(
        "instrument",
        _must("name", sa.Text()),
        _must("range_v", sa.Double()),
        _must("bits", sa.Integer()),
        _must("max_rate_hz", sa.Text()),
        _maybe("input_ohm", sa.Double()),
        _maybe("ac_corner_hz", sa.Double()),
        _must("attenuators", sa.Text()),
        _must("note", sa.Text()),
        _must("added_at", sa.Text()),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_instrument")),
        _check("instrument", "name", "name <> ''"),
        _check("instrument", "range_v", "range_v > 0"),
        _check("instrument", "bits", "bits BETWEEN 4 AND 32"),
        _check("instrument", "input_ohm", "input_ohm > 0"),
        _check("instrument", "ac_corner_hz", "ac_corner_hz > 0"),
    )


def _reading() -> None:
    table = "instrument_reading"
    op.create_table(
        table,
        _must("id", sa.Integer()),
        _must("instrument", sa.Text()),
        _must("at", sa.Text()),
        _must("kind", sa.Text()),
        _must("channel", sa.Text()),
        _must("attenuation", sa.Double()),
        _must("rate_hz", sa.Double()),
        _must("n_samples", sa.Integer()),
        _must("noise_rms_v", sa.Double()),
        _must("offset_v", sa.Double()),
        _must("drift_v_per_min", sa.Double()),
        _must("step_v", sa.Double()),
        _must("effective_bits", sa.Double()),
        _maybe("sine_hz", sa.Double()),
        _maybe("sine_v", sa.Double()),
        _maybe("sinad_db", sa.Double()),
        _must("source", sa.Text()),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
        sa.ForeignKeyConstraint(
            ["instrument"], ["instrument.name"], name=op.f(f"fk_{table}_instrument"),
            ondelete="CASCADE",
        ),
        _check(table, "kind", "kind IN ('quiet', 'sine')"),
        _check(table, "attenuation", "attenuation > 0"),
        _check(table, "rate_hz", "rate_hz > 0"),
        _check(table, "noise_rms_v", "noise_rms_v >= 0"),
    )  # fmt: skip
    op.create_index(op.f(f"ix_{table}_instrument"), table, ["instrument"])
