"""Readings packed in blocks instead of a row for each stamp, and imported files kept in parts."""

from itertools import groupby

import numpy as np
import sqlalchemy as sa
from alembic import op

from service.store.readings import ROWS_MOST, Block, pack
from service.store.types import UtcDateTime, to_microseconds

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_KEYS = ("exchanger_id", "time_utc")


def upgrade() -> None:
    """Bring the tables to this version."""
    block = op.create_table(
        "reading_block",
        sa.Column("exchanger_id", sa.Integer(), nullable=False),
        sa.Column("first_utc", UtcDateTime(), nullable=False),
        sa.Column("last_utc", UtcDateTime(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["exchanger_id"], ["exchanger.id"], name=op.f("fk_reading_block_exchanger_id_exchanger")
        ),
        sa.PrimaryKeyConstraint("exchanger_id", "first_utc", name=op.f("pk_reading_block")),
    )
    op.create_table(
        "source_part",
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["sha256"], ["source_file.sha256"], name=op.f("fk_source_part_sha256_source_file")
        ),
        sa.PrimaryKeyConstraint("sha256", "number", name=op.f("pk_source_part")),
    )
    connection = op.get_bind()
    _pack_readings(connection, block)
    op.drop_table("reading")
    connection.execute(
        sa.text(
            "INSERT INTO source_part (sha256, number, packed) SELECT sha256, 0, packed FROM source_file"
        )
    )
    op.drop_column("source_file", "packed")


def _pack_readings(connection: sa.Connection, block: sa.Table) -> None:
    names = [c["name"] for c in sa.inspect(connection).get_columns("reading")]
    roles = [n for n in names if n not in _KEYS]
    table = sa.table(
        "reading",
        sa.column("exchanger_id"),
        sa.column("time_utc", UtcDateTime()),
        *(sa.column(n, sa.Double()) for n in roles),
    )
    query = sa.select(table).order_by(table.c.exchanger_id, table.c.time_utc)
    rows = connection.execute(query.execution_options(yield_per=ROWS_MOST))
    for part in rows.partitions():
        for exchanger, mine in groupby(part, key=lambda row: row[0]):
            cells = list(mine)
            times = np.array([to_microseconds(row[1]) for row in cells], dtype=np.int64)
            values = np.array([row[2:] for row in cells], dtype=float).reshape(len(cells), -1)
            columns = dict(zip(roles, values.T.copy(), strict=True))
            connection.execute(
                sa.insert(block).values(
                    exchanger_id=exchanger, first_utc=cells[0][1], last_utc=cells[-1][1],
                    rows=len(cells), packed=pack(Block(times, columns)),
                )
            )  # fmt: skip
