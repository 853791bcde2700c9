"""Spreadsheets and Parquet to delimited text, so that one way of reading serves all files.

Stamps are written year first, numbers with a decimal point and every digit; the line of a finding is
the row of the sheet.
"""

import csv
import io
import zipfile
from datetime import date, datetime, time, timedelta
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv
from pyarrow import parquet

from analytics.vocabulary.errors import IngestError
from ingest.unpacking import is_workbook, open_zip, packed_by, too_large

PARQUET_MARK = b"PAR1"
_ROWS_MOST = 1_048_576  # of a sheet, by the format


def kind_of(data: bytes, name: str) -> str:
    """Return "parquet", "workbook", or "" for anything else."""
    if data.startswith(PARQUET_MARK):
        return "parquet"
    if packed_by(data) != "zip":
        return ""
    with open_zip(data, name) as archive:
        return "workbook" if is_workbook(archive) else ""


def parquet_text(data: bytes, name: str, most: int) -> bytes:
    """Return a Parquet table as text.

    Raises
    ------
    IngestError
        If it is damaged, holds nested columns, or grows beyond ``most`` bytes.
    """
    try:
        opened = parquet.ParquetFile(io.BytesIO(data))
        size = opened.metadata.num_rows * max(1, opened.metadata.num_columns) * 8
        if size > most:
            raise too_large(name, f"{size / 2**20:.0f} MiB", most)
        table = opened.read()
        text = table_text(table, header=True)
    except (pa.ArrowException, OSError, ValueError, TypeError) as exc:
        raise parquet_error(name, exc) from exc
    return text


def table_text(table: pa.Table, *, header: bool) -> bytes:
    """Return a table as text; raise TypeError where a column has no plain form."""
    columns = [_plain(column) for column in table.columns]
    names, head, out = _names(table), io.StringIO(), io.BytesIO()
    if header:
        # the library quotes every heading, and a text with quotation marks takes longer to read
        csv.writer(head, lineterminator="\n").writerow(names)
    out.write(head.getvalue().encode())
    arrow_csv.write_csv(
        pa.table(columns, names=names), out, arrow_csv.WriteOptions(include_header=False)
    )
    return out.getvalue()


def parquet_error(name: str, exc: Exception) -> IngestError:
    """Return the error for a Parquet file that cannot be read, and why."""
    return IngestError(
        f"{name}: the Parquet file cannot be read ({str(exc).splitlines()[0] if str(exc) else exc!r}). "
        "Write it again with one plain column for each point."
    )


def _names(table: pa.Table) -> list[str]:
    names = [str(n) for n in table.column_names]
    # what pandas calls an index without a name
    return ["time" if n == "__index_level_0__" else n for n in names]


def _plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    if pa.types.is_dictionary(column.type):
        return _plain(pc.cast(column, column.type.value_type))
    if pa.types.is_boolean(column.type):
        return pc.cast(column, pa.int8())
    if pa.types.is_float16(column.type) or pa.types.is_decimal(column.type):
        return pc.cast(column, pa.float64())
    if pa.types.is_nested(column.type) or pa.types.is_binary(column.type):
        raise TypeError(f"a column of the type {column.type}")
    return column


def sheet_texts(data: bytes, name: str, most: int) -> dict[str, bytes]:
    """Return the sheets of a workbook that hold anything, as text, by their names.

    Raises
    ------
    IngestError
        If it is no workbook, is damaged, locked, or unpacks to more than ``most`` bytes.
    """
    from python_calamine import CalamineError, CalamineWorkbook

    with open_zip(data, name) as archive:
        _check_size(archive, name, most)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        found = {}
        for sheet in book.sheet_names:
            rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
            if any(cell != "" for row in rows for cell in row):
                found[sheet] = _text(rows)
    except (CalamineError, OSError, ValueError) as exc:
        raise IngestError(
            f"{name}: cannot be read as a workbook ({exc}). Export the trends as CSV and import that."
        ) from exc
    if not found:
        raise IngestError(f"{name}: every sheet is empty. Export the trends again.")
    return found


def _check_size(archive: zipfile.ZipFile, name: str, most: int) -> None:
    # the library unpacks whole sheets; a sheet that lies about its size fails on its checksum
    size = sum(m.file_size for m in archive.infolist())
    packed = sum(m.compress_size for m in archive.infolist())
    if size > min(most, 1 << 29) or size > max(400 * packed, 32 << 20):
        raise too_large(name, f"{size / 2**20:.0f} MiB", min(most, 1 << 29))


def _text(rows: list[list[Any]]) -> bytes:
    width = max(len(row) for row in rows)
    out = io.StringIO()
    writer = csv.writer(out, delimiter="\t", lineterminator="\n")
    for row in rows:
        writer.writerow([_cell(value) for value in row] + [""] * (width - len(row)))
    return out.getvalue().encode()


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return _whole_second(value).isoformat(sep=" ")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return str(value)
    return str(value).replace("\n", " ").replace("\r", " ").replace("\t", " ")


def _whole_second(moment: datetime) -> datetime:
    """Undo the day fractions of spreadsheets, which miss whole seconds by a millisecond or less."""
    nearest = (moment + timedelta(milliseconds=500)).replace(microsecond=0)
    return nearest if abs(nearest - moment) <= timedelta(milliseconds=2) else moment
