"""Log entries that seem to be missing, and what a person decided on each."""

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcDateTime

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this version."""
    op.create_table(
        "proposal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("exchanger_id", sa.Integer(), nullable=False),
        sa.Column("deed", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("at_utc", UtcDateTime(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("made_utc", UtcDateTime(), nullable=False),
        sa.Column("decided_utc", UtcDateTime(), nullable=True),
        sa.Column("decided_by", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["exchanger_id"], ["exchanger.id"], name=op.f("fk_proposal_exchanger_id_exchanger")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_proposal")),
    )
    op.create_index(op.f("ix_proposal_exchanger_id"), "proposal", ["exchanger_id"])
