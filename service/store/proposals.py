"""Stored proposals, as plain rows; what becomes of them is ``service.usecases.proposing``."""

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, insert, select, update

from service.store.registered import exchanger_id
from service.store.tables import ExchangerRow, ProposalRow


def load_proposals(
    connection: Connection, *, tag: str | None = None, number: int | None = None
) -> tuple[Mapping[str, Any], ...]:
    """Return proposals of registered exchangers with their tag, oldest first."""
    query = (
        select(ExchangerRow.tag, ProposalRow.__table__)
        .join(ExchangerRow, ExchangerRow.id == ProposalRow.exchanger_id)
        .where(ExchangerRow.registered)
        .order_by(ProposalRow.at_utc, ProposalRow.id)
    )
    if tag is not None:
        query = query.where(ExchangerRow.tag == tag)
    if number is not None:
        query = query.where(ProposalRow.id == number)
    return tuple(dict(r) for r in connection.execute(query).mappings())


def save_proposals(connection: Connection, tag: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """Store proposals of an exchanger; one whose ``id`` is ``None`` is new."""
    owner = exchanger_id(connection, tag)
    for row in rows:
        values = {k: v for k, v in row.items() if k not in ("id", "tag")}
        values["exchanger_id"] = owner
        if row["id"] is None:
            connection.execute(insert(ProposalRow).values(**values))
        else:
            connection.execute(
                update(ProposalRow).where(ProposalRow.id == row["id"]).values(**values)
            )
