"""Write and read many rows of numbers at once.

Lives here: rows of one exchanger keyed by a time, on SQLite through ``executemany`` and on
PostgreSQL through COPY. A value that is not given leaves the stored one as it is.
"""

import io
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final, cast

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv as arrow_csv
from sqlalchemy import Column, Connection, Table, func, select

_ROWS_AT_A_TIME: Final = 50_000
_ROWS_A_STATEMENT: Final = 50  # fewer calls of the driver; SQLite allows 32,766 marks in one


def upsert(connection: Connection, table: Table, exchanger_id: int, frame: pd.DataFrame) -> None:
    """Store ``frame`` of one exchanger; a NaN keeps what is stored, a number replaces it.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction.
    table : Table
        With the columns ``exchanger_id``, a time, and those of ``frame``.
    exchanger_id : int
        The exchanger.
    frame : DataFrame
        Numbers, indexed by aware times in UTC, each once.
    """
    if frame.empty or not len(frame.columns):
        return
    if connection.dialect.name == "postgresql":
        _upsert_postgresql(connection, table, exchanger_id, frame)
    else:
        _upsert_sqlite(connection, table, exchanger_id, frame)


def select_frame(
    connection: Connection,
    table: Table,
    exchanger_id: int,
    start_utc: datetime | None = None,
    end_utc: datetime | None = None,
    columns: Sequence[str] | None = None,
) -> pd.DataFrame:
    """Return the rows of one exchanger from ``start_utc`` up to, not including, ``end_utc``.

    Columns that hold no value in the range are left out where ``columns`` is ``None``.
    """
    time_column = _time_column(table)
    time_name = str(time_column.name)  # names out of the table's description are not plain text
    condition = table.c.exchanger_id == exchanger_id
    if start_utc is not None:
        condition &= time_column >= start_utc
    if end_utc is not None:
        condition &= time_column < end_utc
    if columns is None:
        columns = _filled_columns(connection, table, condition)
    query = (
        select(time_column, *(table.c[name] for name in columns))
        .where(condition)
        .order_by(time_column)
    )
    if connection.dialect.name == "postgresql":
        return _copy_out(connection, query, time_name, list(columns))
    rows = _raw(connection).execute(_compiled(connection, query)).fetchall()
    index = _index(np.array([r[0] for r in rows], dtype=np.int64), time_name)
    values = np.array([r[1:] for r in rows], dtype=float).reshape(len(rows), len(columns))
    return pd.DataFrame(values, index=index, columns=list(columns))


def _index(microseconds: NDArray[np.int64], name: str) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(microseconds.view("datetime64[us]"), tz="UTC", name=name)


def _time_column(table: Table) -> Column[Any]:
    return next(c for c in table.primary_key.columns if c.name != "exchanger_id")


def _value_columns(table: Table) -> list[Column[Any]]:
    return [c for c in table.columns if not c.primary_key]


def _filled_columns(connection: Connection, table: Table, condition: Any) -> list[str]:
    columns = _value_columns(table)
    counts = connection.execute(select(*(func.count(c) for c in columns)).where(condition)).one()
    return [str(c.name) for c, n in zip(columns, counts, strict=True) if n]


def _raw(connection: Connection) -> Any:
    """The driver's own connection, inside the same transaction."""
    return connection.connection.driver_connection


def _compiled(connection: Connection, query: Any) -> str:
    return str(query.compile(connection, compile_kwargs={"literal_binds": True}))


def _quoted(connection: Connection, names: Sequence[str]) -> list[str]:
    preparer = connection.dialect.identifier_preparer
    return [preparer.quote(n) for n in names]


def _conflict_clause(
    connection: Connection, table: Table, keys: Sequence[str], columns: Sequence[str]
) -> str:
    name = connection.dialect.identifier_preparer.format_table(table)
    keep = ", ".join(
        f"{c} = coalesce(excluded.{c}, {name}.{c})" for c in _quoted(connection, columns)
    )
    return f"ON CONFLICT ({', '.join(_quoted(connection, keys))}) DO UPDATE SET {keep}"


def _microseconds(frame: pd.DataFrame) -> NDArray[np.int64]:
    return cast("pd.DatetimeIndex", frame.index).as_unit("us").asi8


def _upsert_sqlite(
    connection: Connection, table: Table, exchanger_id: int, frame: pd.DataFrame
) -> None:
    columns = [str(c) for c in frame.columns]
    keys = ["exchanger_id", _time_column(table).name]
    names = ", ".join(_quoted(connection, [*keys, *columns]))
    marks = f"({exchanger_id:d}, ?, {', '.join('?' * len(columns))})"
    insert = f"INSERT INTO {connection.dialect.identifier_preparer.format_table(table)} ({names}) "
    conflict = _conflict_clause(connection, table, keys, columns)
    cursor = _raw(connection).cursor()
    for start in range(0, len(frame), _ROWS_AT_A_TIME):
        cells = _cells(frame.iloc[start : start + _ROWS_AT_A_TIME])
        whole = len(cells) - len(cells) % _ROWS_A_STATEMENT
        for part, each in ((cells[:whole], _ROWS_A_STATEMENT), (cells[whole:], 1)):
            if len(part):
                rows = part.reshape(len(part) // each, -1).tolist()
                cursor.executemany(f"{insert} VALUES {', '.join([marks] * each)} {conflict}", rows)
    cursor.close()


def _cells(frame: pd.DataFrame) -> NDArray[np.object_]:
    """Return times and values as plain numbers, None for NaN; one row for each of the frame."""
    values = frame.to_numpy(dtype=float)
    cells = np.empty((len(frame), values.shape[1] + 1), dtype=object)
    cells[:, 0] = _microseconds(frame)
    cells[:, 1:] = values
    cells[:, 1:][np.isnan(values)] = None
    return cells


def _upsert_postgresql(
    connection: Connection, table: Table, exchanger_id: int, frame: pd.DataFrame
) -> None:
    columns = [str(c) for c in frame.columns]
    time_name = _time_column(table).name
    keys = ["exchanger_id", time_name]
    quoted = ", ".join(_quoted(connection, [time_name, *columns]))
    target = connection.dialect.identifier_preparer.format_table(table)
    cursor = _raw(connection).cursor()
    cursor.execute("DROP TABLE IF EXISTS arriving")
    cursor.execute(
        f"CREATE TEMPORARY TABLE arriving ON COMMIT DROP AS SELECT {quoted} FROM {target} LIMIT 0"
    )
    arrays = [pa.array(_microseconds(frame), type=pa.timestamp("us", tz="UTC"))]
    arrays += [pa.array(frame[c].to_numpy(dtype=float), from_pandas=True) for c in frame.columns]
    buffer = io.BytesIO()
    arrow_csv.write_csv(
        pa.table(arrays, names=[time_name, *columns]),
        buffer,
        arrow_csv.WriteOptions(include_header=False),
    )
    with cursor.copy(f"COPY arriving ({quoted}) FROM STDIN (FORMAT csv)") as copy:
        copy.write(buffer.getvalue())
    cursor.execute(
        f"INSERT INTO {target} (exchanger_id, {quoted}) SELECT {exchanger_id:d}, {quoted} FROM arriving "
        f"ORDER BY {time_name} " + _conflict_clause(connection, table, keys, columns)
    )
    cursor.execute("DROP TABLE arriving")
    cursor.close()


def _copy_out(
    connection: Connection, query: Any, time_name: str, columns: list[str]
) -> pd.DataFrame:
    names = [time_name, *columns]
    cursor = _raw(connection).cursor()
    buffer = io.BytesIO()
    # the offset of a printed time follows the session's zone; in UTC it is always +00
    cursor.execute("SET LOCAL TIME ZONE 'UTC'")
    with cursor.copy(f"COPY ({_compiled(connection, query)}) TO STDOUT (FORMAT csv)") as copy:
        for block in copy:
            buffer.write(block)
    cursor.close()
    if not buffer.tell():
        return pd.DataFrame(
            np.empty((0, len(names) - 1)), index=_index(np.empty(0, np.int64), time_name),
            columns=columns,
        )  # fmt: skip
    buffer.seek(0)
    loaded = arrow_csv.read_csv(
        buffer,
        read_options=arrow_csv.ReadOptions(column_names=names),
        convert_options=arrow_csv.ConvertOptions(
            column_types={time_name: pa.string(), **{n: pa.float64() for n in columns}}
        ),
    )
    stamps = pd.to_datetime(loaded[time_name].to_pandas(), utc=True, format="ISO8601")
    frame: pd.DataFrame = loaded.drop_columns([time_name]).to_pandas()
    frame.index = pd.DatetimeIndex(stamps, name=time_name).as_unit("us")
    return frame
