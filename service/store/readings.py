"""Readings of an exchanger, packed: some thousand stamps a block, first and last stamp beside it.

A row for each stamp cost twenty times as long to write, ten times as long to read and four times the
disk. Readings are only ever asked for by exchanger and range of time, so that nothing is lost by it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final, cast

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from sqlalchemy import Connection, delete, func, insert, select

from analytics.vocabulary.quantities import ROLE_NAMES
from service.store.tables import reading_block
from service.store.types import to_microseconds

ROWS_MOST: Final = 8192  # of a block: what one pushed value makes to be written anew
_TIME: Final = "time_utc"
_OPTIONS: Final = pa.ipc.IpcWriteOptions(compression="lz4")

Times = NDArray[np.int64]  # microseconds since 1970 in UTC, rising


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What storing a frame adds to, and changes in, what is stored."""

    rows: int = 0
    new_rows: int = 0
    new_values: int = 0
    changed_values: int = 0

    def __add__(self, other: "Change") -> "Change":
        return Change(
            rows=self.rows + other.rows,
            new_rows=self.new_rows + other.new_rows,
            new_values=self.new_values + other.new_values,
            changed_values=self.changed_values + other.changed_values,
        )


@dataclass(frozen=True, slots=True)
class Block:
    """Readings at ``times``; each column of ``values`` is as long, NaN where there is none."""

    times: Times
    values: dict[str, NDArray[np.float64]]

    def __len__(self) -> int:
        return len(self.times)

    def part(self, start: int, end: int) -> "Block":
        """Return the rows from ``start`` up to, not including, ``end``."""
        return Block(self.times[start:end], {n: v[start:end] for n, v in self.values.items()})


def block_of(frame: pd.DataFrame) -> Block:
    """Return a trend frame as one block."""
    times = cast("pd.DatetimeIndex", frame.index).as_unit("us").asi8
    return Block(times, {str(c): frame[c].to_numpy(dtype=float) for c in frame.columns})


def pack(block: Block) -> bytes:
    """Return a block as an Arrow stream; columns without a value are left out."""
    filled = {n: v for n, v in block.values.items() if not np.isnan(v).all()}
    batch = pa.record_batch([pa.array(block.times), *filled.values()], [_TIME, *filled])
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, batch.schema, options=_OPTIONS) as writer:
        writer.write_batch(batch)
    packed: bytes = sink.getvalue().to_pybytes()
    return packed


def unpack(packed: bytes) -> Block:
    """Return the block that :func:`pack` wrote."""
    batch = pa.ipc.open_stream(packed).read_next_batch()
    columns = {n: np.asarray(c) for n, c in zip(batch.schema.names, batch.columns, strict=True)}
    times = columns.pop(_TIME)
    return Block(times, columns)


def load(
    connection: Connection,
    exchanger: int,
    start_utc: datetime | None = None,
    end_utc: datetime | None = None,
) -> pd.DataFrame:
    """Return the readings of an exchanger from ``start_utc`` up to, not including, ``end_utc``.

    A column a role, those without a value in the range left out; indexed by rising stamps in UTC.
    """
    condition = reading_block.c.exchanger_id == exchanger
    if start_utc is not None:
        condition &= reading_block.c.last_utc >= start_utc
    if end_utc is not None:
        condition &= reading_block.c.first_utc < end_utc
    query = select(reading_block.c.packed).where(condition).order_by(reading_block.c.first_utc)
    blocks = [unpack(packed) for packed in connection.scalars(query)]
    whole = _joined(blocks)
    low = 0 if start_utc is None else int(np.searchsorted(whole.times, to_microseconds(start_utc)))
    high = (
        len(whole)
        if end_utc is None
        else int(np.searchsorted(whole.times, to_microseconds(end_utc)))
    )
    whole = whole.part(low, high)
    names = [n for n in ROLE_NAMES if n in whole.values and not np.isnan(whole.values[n]).all()]
    index = pd.DatetimeIndex(whole.times.view("datetime64[us]"), tz="UTC", name=_TIME)
    columns = {n: whole.values[n] for n in names}
    return pd.DataFrame(columns, index=index, columns=names, dtype=float)


def span(connection: Connection, exchanger: int) -> tuple[datetime, datetime] | None:
    """Return the first and the last stamp of an exchanger; ``None`` without readings."""
    first, last = connection.execute(
        select(func.min(reading_block.c.first_utc), func.max(reading_block.c.last_utc)).where(
            reading_block.c.exchanger_id == exchanger
        )
    ).one()
    return None if first is None else (first, last)


def clear(connection: Connection, exchanger: int) -> int:
    """Delete the readings of an exchanger; return how many values they were."""
    mine = reading_block.c.exchanger_id == exchanger
    query = select(reading_block.c.packed).where(mine)
    count = sum(
        int(np.count_nonzero(~np.isnan(column)))
        for packed in connection.scalars(query.execution_options(yield_per=16))
        for column in unpack(packed).values.values()
    )
    connection.execute(delete(reading_block).where(mine))
    return count


def compare(connection: Connection, exchanger: int, frame: pd.DataFrame) -> Change:
    """Say what storing ``frame`` would change; nothing is stored."""
    change = Change(rows=len(frame))
    for group in _groups(connection, exchanger, block_of(frame)):
        change += group.change
    return change


def merge(connection: Connection, exchanger: int, frame: pd.DataFrame) -> Change:
    """Store ``frame`` over what is there: a number replaces the stored one, NaN keeps it.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction.
    exchanger : int
        Its number.
    frame : DataFrame
        A trend frame: rising stamps in UTC, each once; a column a role.
    """
    change = Change(rows=len(frame))
    for group in _groups(connection, exchanger, block_of(frame)):
        change += group.change
        if group.change.new_rows or group.change.new_values or group.change.changed_values:
            _replace(connection, exchanger, group)
    return change


@dataclass(frozen=True, slots=True)
class _Group:
    """A stored block, new readings merged into it, and what they change there."""

    stored_first: datetime | None  # by which the stored block is found; None: there is none
    merged: Block
    change: Change  # without ``rows``


def _groups(connection: Connection, exchanger: int, new: Block) -> Iterator[_Group]:
    """Yield new readings with the stored block that each of them belongs to, one after the other.

    A block holds from its first stamp to before the first of the next. Readings behind a full
    block begin one of their own.
    """
    if not len(new):
        return
    columns = (reading_block.c.first_utc, reading_block.c.last_utc, reading_block.c.rows)
    mine = reading_block.c.exchanger_id == exchanger
    blocks = connection.execute(select(*columns).where(mine).order_by(columns[0])).all()
    if not blocks:
        yield _merged(None, None, new)
        return
    firsts = np.array([to_microseconds(b.first_utc) for b in blocks])
    slot = np.maximum(np.searchsorted(firsts, new.times, side="right") - 1, 0)
    for number in slot[np.append(True, np.diff(slot) > 0)].tolist():
        block = blocks[number]
        low, high = np.searchsorted(slot, [number, number + 1]).tolist()
        # of a full block those before and behind it need nothing; it is not even opened for them
        before = int(np.searchsorted(new.times[low:high], firsts[number])) + low
        behind = (
            int(np.searchsorted(new.times[low:high], to_microseconds(block.last_utc), "right"))
            + low
        )
        if block.rows < ROWS_MOST and before - low < ROWS_MOST and high - behind < ROWS_MOST:
            before, behind = low, high
        for start, end in ((low, before), (behind, high)):
            if start < end:
                yield _merged(None, None, new.part(start, end))
        if before < behind:
            query = select(reading_block.c.packed).where(
                mine, reading_block.c.first_utc == block.first_utc
            )
            stored = unpack(connection.scalars(query).one())
            yield _merged(block.first_utc, stored, new.part(before, behind))


def _merged(stored_first: datetime | None, stored: Block | None, new: Block) -> _Group:
    if stored is None:
        count = sum(int(np.count_nonzero(~np.isnan(v))) for v in new.values.values())
        return _Group(None, new, Change(new_rows=len(new), new_values=count))
    times = _union(stored.times, new.times)
    at_stored, at_new = np.searchsorted(times, stored.times), np.searchsorted(times, new.times)
    added = changed = 0
    values: dict[str, NDArray[np.float64]] = {}
    for name in dict.fromkeys((*stored.values, *new.values)):
        column = np.full(len(times), np.nan)
        if name in stored.values:
            column[at_stored] = stored.values[name]
        if name in new.values:
            now, before = new.values[name], column[at_new]
            given, had = ~np.isnan(now), ~np.isnan(before)
            added += int(np.count_nonzero(given & ~had))
            changed += int(np.count_nonzero(given & had & (now != before)))
            column[at_new] = np.where(given, now, before)
        values[name] = column
    change = Change(new_rows=len(times) - len(stored), new_values=added, changed_values=changed)
    return _Group(stored_first, Block(times, values), change)


def _union(stored: Times, new: Times) -> Times:
    times = np.sort(np.concatenate((stored, new)), kind="stable")  # two runs, which it only merges
    different: Times = times[np.append(True, np.diff(times) > 0)]
    return different


def _replace(connection: Connection, exchanger: int, group: _Group) -> None:
    if group.stored_first is not None:
        connection.execute(
            delete(reading_block).where(
                reading_block.c.exchanger_id == exchanger,
                reading_block.c.first_utc == group.stored_first,
            )
        )
    rows = [
        {
            "exchanger_id": exchanger,
            "first_utc": _moment(part.times[0]),
            "last_utc": _moment(part.times[-1]),
            "rows": len(part),
            "packed": pack(part),
        }
        for part in _cut(group.merged)
    ]
    connection.execute(insert(reading_block), rows)


def _cut(block: Block) -> Iterator[Block]:
    """Yield a block in parts that are about equal and no larger than a block may be."""
    parts = -(-len(block) // ROWS_MOST)
    bounds = np.linspace(0, len(block), parts + 1).astype(int).tolist()
    for start, end in pairwise(bounds):
        yield block.part(start, end)


def _joined(blocks: Sequence[Block]) -> Block:
    """Return blocks that follow on each other as one."""
    rows = sum(len(b) for b in blocks)
    times = np.empty(rows, dtype=np.int64)
    values: dict[str, NDArray[np.float64]] = {}
    at = 0
    for block in blocks:
        times[at : at + len(block)] = block.times
        for name, column in block.values.items():
            if name not in values:
                values[name] = np.full(rows, np.nan)
            values[name][at : at + len(block)] = column
        at += len(block)
    return Block(times, values)


def _moment(microseconds: np.int64) -> datetime:
    moment: datetime = pd.Timestamp(int(microseconds), unit="us", tz="UTC").to_pydatetime()
    return moment
