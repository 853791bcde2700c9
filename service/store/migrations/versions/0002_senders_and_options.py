"""Senders that push samples, the batches they named, and what was said of each imported file."""

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcDateTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this version."""
    op.add_column("import_run", sa.Column("options", sa.JSON(), nullable=True))
    op.create_table(
        "sender",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("created_utc", UtcDateTime(), nullable=False),
        sa.Column("revoked_utc", UtcDateTime(), nullable=True),
        sa.Column("last_used_utc", UtcDateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sender")),
        sa.UniqueConstraint("name", name=op.f("uq_sender_name")),
        sa.UniqueConstraint("key", name=op.f("uq_sender_key")),
    )
    op.create_table(
        "pushed_batch",
        sa.Column("sender_id", sa.Integer(), nullable=False),
        sa.Column("batch", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("received_utc", UtcDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["sender_id"], ["sender.id"], name=op.f("fk_pushed_batch_sender_id_sender")
        ),
        sa.ForeignKeyConstraint(
            ["run_id"], ["import_run.id"], name=op.f("fk_pushed_batch_run_id_import_run")
        ),
        sa.PrimaryKeyConstraint("sender_id", "batch", name=op.f("pk_pushed_batch")),
    )
