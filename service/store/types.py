"""Column types that are the same on every database."""

from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import BigInteger, DateTime
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator, TypeEngine

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_microseconds(moment: datetime) -> int:
    """Return microseconds since 1970 in UTC, exactly."""
    return (moment - _EPOCH) // _MICROSECOND


class UtcDateTime(TypeDecorator[datetime]):
    """An aware moment, given and returned in UTC; a naive one is refused.

    PostgreSQL keeps it as ``timestamptz``. SQLite has no type for it and keeps microseconds since
    1970 as an integer, which sorts, compares and loads without parsing text.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Choose the database's own type."""
        own = BigInteger() if dialect.name == "sqlite" else DateTime(timezone=True)
        return dialect.type_descriptor(own)

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """Turn into what the database keeps."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a time to be stored must carry a zone, got {value!r}")
        if dialect.name == "sqlite":
            return to_microseconds(value)
        return value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Turn back into an aware moment in UTC."""
        if value is None:
            return None
        if dialect.name == "sqlite":
            since_epoch: timedelta = value * _MICROSECOND
            return _EPOCH + since_epoch
        moment: datetime = value
        return moment.astimezone(UTC)
