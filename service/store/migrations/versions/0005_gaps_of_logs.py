"""Gaps that loggers told of."""

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcDateTime

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this version."""
    op.create_table(
        "reading_gap",
        sa.Column("exchanger_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("begin_utc", UtcDateTime(), nullable=False),
        sa.Column("end_utc", UtcDateTime(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["exchanger_id"], ["exchanger.id"], name=op.f("fk_reading_gap_exchanger_id_exchanger")
        ),
        sa.PrimaryKeyConstraint("exchanger_id", "role", "begin_utc", name=op.f("pk_reading_gap")),
    )
