"""The first tables."""

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this version."""
    op.create_table(
        "exchanger",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("tag", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("registered", sa.Boolean(), nullable=False),
        sa.Column("snapshot", sa.JSON(), nullable=False),
        sa.Column("data_version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_exchanger")),
        sa.UniqueConstraint("tag", name=op.f("uq_exchanger_tag")),
    )
    op.create_table(
        "plant",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("snapshot", sa.JSON(), nullable=False),
        sa.Column("registered_utc", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plant")),
    )
    op.create_table(
        "seen",
        sa.Column("view", sa.String(), nullable=False),
        sa.Column("at_utc", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("view", name=op.f("pk_seen")),
    )
    op.create_table(
        "source_file",
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.Column("stored_utc", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_source_file")),
    )
    op.create_table(
        "alert",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("exchanger_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=True),
        sa.Column("raised_utc", UtcDateTime(), nullable=False),
        sa.Column("ended_utc", UtcDateTime(), nullable=True),
        sa.Column("remark", sa.JSON(), nullable=False),
        sa.Column("acknowledged_utc", UtcDateTime(), nullable=True),
        sa.Column("acknowledged_by", sa.String(), nullable=False),
        sa.Column("shelved_until_utc", UtcDateTime(), nullable=True),
        sa.Column("shelved_by", sa.String(), nullable=False),
        sa.Column("out_of_service", sa.Boolean(), nullable=False),
        sa.Column("suppressed", sa.Boolean(), nullable=False),
        sa.Column("withdrawn_utc", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["exchanger_id"], ["exchanger.id"], name=op.f("fk_alert_exchanger_id_exchanger")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert")),
    )
    with op.batch_alter_table("alert", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_alert_exchanger_id"), ["exchanger_id"], unique=False)

    op.create_table(
        "daily_account",
        sa.Column("exchanger_id", sa.Integer(), nullable=False),
        sa.Column("day_utc", UtcDateTime(), nullable=False),
        sa.Column("hours_running", sa.Double(), nullable=True),
        sa.Column("hours_evidence", sa.Double(), nullable=True),
        sa.Column("heat_J", sa.Double(), nullable=True),
        sa.Column("primary_volume_m3", sa.Double(), nullable=True),
        sa.Column("outdoor_degC", sa.Double(), nullable=True),
        sa.Column("approach_K", sa.Double(), nullable=True),
        sa.Column("fouling_resistance_m2K_W", sa.Double(), nullable=True),
        sa.Column("fouling_resistance_m2K_W_low", sa.Double(), nullable=True),
        sa.Column("fouling_resistance_m2K_W_high", sa.Double(), nullable=True),
        sa.Column("cleanliness_factor", sa.Double(), nullable=True),
        sa.Column("cleanliness_factor_low", sa.Double(), nullable=True),
        sa.Column("cleanliness_factor_high", sa.Double(), nullable=True),
        sa.Column("approach_reference_K", sa.Double(), nullable=True),
        sa.Column("approach_reference_K_low", sa.Double(), nullable=True),
        sa.Column("approach_reference_K_high", sa.Double(), nullable=True),
        sa.Column("approach_clean_K", sa.Double(), nullable=True),
        sa.Column("approach_clean_K_low", sa.Double(), nullable=True),
        sa.Column("approach_clean_K_high", sa.Double(), nullable=True),
        sa.Column("duty_reference_W", sa.Double(), nullable=True),
        sa.Column("duty_reference_W_low", sa.Double(), nullable=True),
        sa.Column("duty_reference_W_high", sa.Double(), nullable=True),
        sa.Column("evidence", sa.Double(), nullable=True),
        sa.Column("fouling_alarm", sa.Double(), nullable=True),
        sa.Column("avoidable_cost", sa.Double(), nullable=True),
        sa.Column("avoidable_cost_low", sa.Double(), nullable=True),
        sa.Column("avoidable_cost_high", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["exchanger_id"], ["exchanger.id"], name=op.f("fk_daily_account_exchanger_id_exchanger")
        ),
        sa.PrimaryKeyConstraint("exchanger_id", "day_utc", name=op.f("pk_daily_account")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "evaluation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("exchanger_id", sa.Integer(), nullable=False),
        sa.Column("through_utc", UtcDateTime(), nullable=False),
        sa.Column("made_utc", UtcDateTime(), nullable=False),
        sa.Column("fingerprint", sa.String(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("cause", sa.String(), nullable=True),
        sa.Column("newest", sa.Boolean(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=True),
        sa.Column("intervals", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(
            ["exchanger_id"], ["exchanger.id"], name=op.f("fk_evaluation_exchanger_id_exchanger")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_evaluation")),
    )
    with op.batch_alter_table("evaluation", schema=None) as batch_op:
        batch_op.create_index(
            "ix_evaluation_exchanger_id_made_utc", ["exchanger_id", "made_utc"], unique=False
        )

    op.create_table(
        "import_run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("reading_fingerprint", sa.String(), nullable=False),
        sa.Column("stored_utc", UtcDateTime(), nullable=False),
        sa.Column("tags", sa.JSON(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("new_rows", sa.Integer(), nullable=False),
        sa.Column("new_values", sa.Integer(), nullable=False),
        sa.Column("changed_values", sa.Integer(), nullable=False),
        sa.Column("refused_rows", sa.Integer(), nullable=False),
        sa.Column("examination", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["sha256"], ["source_file.sha256"], name=op.f("fk_import_run_sha256_source_file")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_run")),
    )
    with op.batch_alter_table("import_run", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_import_run_sha256"), ["sha256"], unique=False)

    op.create_table(
        "maintenance_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("exchanger_id", sa.Integer(), nullable=False),
        sa.Column("at_utc", UtcDateTime(), nullable=False),
        sa.Column("deed", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("plates_after", sa.Integer(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("entered_utc", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["exchanger_id"],
            ["exchanger.id"],
            name=op.f("fk_maintenance_event_exchanger_id_exchanger"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_maintenance_event")),
        sa.UniqueConstraint(
            "exchanger_id", "at_utc", "deed", "role", name=op.f("uq_maintenance_event_exchanger_id")
        ),
    )
    op.create_table(
        "reading",
        sa.Column("exchanger_id", sa.Integer(), nullable=False),
        sa.Column("time_utc", UtcDateTime(), nullable=False),
        sa.Column("primary_supply_temperature", sa.Double(), nullable=True),
        sa.Column("primary_return_temperature", sa.Double(), nullable=True),
        sa.Column("secondary_supply_temperature", sa.Double(), nullable=True),
        sa.Column("secondary_return_temperature", sa.Double(), nullable=True),
        sa.Column("primary_flow", sa.Double(), nullable=True),
        sa.Column("secondary_flow", sa.Double(), nullable=True),
        sa.Column("primary_pressure_drop", sa.Double(), nullable=True),
        sa.Column("secondary_pressure_drop", sa.Double(), nullable=True),
        sa.Column("heat_power", sa.Double(), nullable=True),
        sa.Column("heat_energy", sa.Double(), nullable=True),
        sa.Column("heat_volume", sa.Double(), nullable=True),
        sa.Column("outdoor_temperature", sa.Double(), nullable=True),
        sa.Column("secondary_supply_set_point", sa.Double(), nullable=True),
        sa.Column("valve_position", sa.Double(), nullable=True),
        sa.Column("pump_running", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["exchanger_id"], ["exchanger.id"], name=op.f("fk_reading_exchanger_id_exchanger")
        ),
        sa.PrimaryKeyConstraint("exchanger_id", "time_utc", name=op.f("pk_reading")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=True),
        sa.Column("column", sa.String(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("severity", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["run_id"], ["import_run.id"], name=op.f("fk_finding_run_id_import_run")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    with op.batch_alter_table("finding", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_finding_run_id"), ["run_id"], unique=False)


def downgrade() -> None:
    """Bring the tables back to the version before."""
    with op.batch_alter_table("finding", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_finding_run_id"))

    op.drop_table("finding")
    op.drop_table("reading")
    op.drop_table("maintenance_event")
    with op.batch_alter_table("import_run", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_import_run_sha256"))

    op.drop_table("import_run")
    with op.batch_alter_table("evaluation", schema=None) as batch_op:
        batch_op.drop_index("ix_evaluation_exchanger_id_made_utc")

    op.drop_table("evaluation")
    op.drop_table("daily_account")
    with op.batch_alter_table("alert", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_alert_exchanger_id"))

    op.drop_table("alert")
    op.drop_table("source_file")
    op.drop_table("seen")
    op.drop_table("plant")
    op.drop_table("exchanger")
