"""How far the logs of BACnet devices were read."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from service.store.tables import BacnetLogRow


def log_state(connection: Connection, device: int, log: str) -> Mapping[str, Any] | None:
    """Return how far a log was read; ``None``: never."""
    query = select(BacnetLogRow.__table__).where(
        BacnetLogRow.device == device, BacnetLogRow.log == log
    )
    found = connection.execute(query).mappings().first()
    return None if found is None else dict(found)


def set_log_state(connection: Connection, device: int, log: str, **state: Any) -> None:
    """Remember how far a log was read, in the transaction that stores what was read."""
    connection.execute(
        delete(BacnetLogRow).where(BacnetLogRow.device == device, BacnetLogRow.log == log)
    )
    connection.execute(insert(BacnetLogRow).values(device=device, log=log, **state))
