"""How far the logs of BACnet devices were read."""

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcDateTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this version."""
    op.create_table(
        "bacnet_log",
        sa.Column("device", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("log", sa.String(), nullable=False),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("fingerprint", sa.String(), nullable=False),
        sa.Column("last_utc", UtcDateTime(), nullable=True),
        sa.Column("read", sa.Integer(), nullable=False),
        sa.Column("lost", sa.Integer(), nullable=False),
        sa.Column("seen_utc", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("device", "log", name=op.f("pk_bacnet_log")),
    )
