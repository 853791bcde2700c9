"""Senders that may push samples, and the batches they named."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select, update

from service.store.tables import PushedBatchRow, SenderRow


def add_sender(
    connection: Connection, *, name: str, key: str, token_hash: str, now_utc: datetime
) -> bool:
    """Store a sender; return False where one of that name is there, revoked or not."""
    if connection.scalar(select(SenderRow.id).where(SenderRow.name == name)) is not None:
        return False
    connection.execute(
        insert(SenderRow).values(name=name, key=key, token_hash=token_hash, created_utc=now_utc)
    )
    return True


def sender_of_key(connection: Connection, key: str) -> Mapping[str, Any] | None:
    """Return the sender whose token has this key and was not revoked."""
    query = select(SenderRow.__table__).where(SenderRow.key == key, SenderRow.revoked_utc.is_(None))
    found = connection.execute(query).mappings().first()
    return None if found is None else dict(found)


def revoke(connection: Connection, name: str, *, now_utc: datetime) -> bool:
    """Let a sender's token be good no more; return False where there is no such sender."""
    done = connection.execute(
        update(SenderRow)
        .where(SenderRow.name == name, SenderRow.revoked_utc.is_(None))
        .values(revoked_utc=now_utc)
    )
    return done.rowcount == 1


def list_senders(connection: Connection) -> tuple[Mapping[str, Any], ...]:
    """Return all senders by name, without their hashes."""
    hidden = ("id", "key", "token_hash")
    columns = [c for c in SenderRow.__table__.columns if c.name not in hidden]
    query = select(*columns).order_by(SenderRow.name)
    return tuple(dict(r) for r in connection.execute(query).mappings())


def batch_of(connection: Connection, sender_id: int, batch: str) -> Mapping[str, Any] | None:
    """Return what was stored under the name a sender gave a batch."""
    query = select(PushedBatchRow.__table__).where(
        PushedBatchRow.sender_id == sender_id, PushedBatchRow.batch == batch
    )
    found = connection.execute(query).mappings().first()
    return None if found is None else dict(found)


def note_batch(
    connection: Connection,
    *,
    sender_id: int,
    batch: str,
    sha256: str,
    run: int,
    now_utc: datetime,
) -> None:
    """Remember a batch by its name; one that is remembered stays as it is."""
    if batch_of(connection, sender_id, batch) is None:
        connection.execute(
            insert(PushedBatchRow).values(
                sender_id=sender_id, batch=batch, sha256=sha256, run_id=run, received_utc=now_utc
            )
        )


def note_use(connection: Connection, sender_id: int, *, now_utc: datetime) -> None:
    """Remember when a sender was heard of last."""
    connection.execute(
        update(SenderRow).where(SenderRow.id == sender_id).values(last_used_utc=now_utc)
    )
