"""What became of each alert, and by which readings; which readings an assessment rests on, by day."""

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcDateTime

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this version."""
    op.create_table(
        "alert_step",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("alert_id", sa.Integer(), nullable=False),
        sa.Column("at_utc", UtcDateTime(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("raised_utc", UtcDateTime(), nullable=False),
        sa.Column("ended_utc", UtcDateTime(), nullable=True),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("reason", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(
            ["alert_id"], ["alert.id"], name=op.f("fk_alert_step_alert_id_alert")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert_step")),
    )
    op.create_index(op.f("ix_alert_step_alert_id"), "alert_step", ["alert_id"])
    op.add_column("evaluation", sa.Column("day_marks", sa.LargeBinary(), nullable=True))
