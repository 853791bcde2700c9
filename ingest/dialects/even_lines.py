"""The even middle of a large text: lines of the same number of cells, and no quotation mark in the text.

Such lines are read by the CSV reader into columns that hold each distinct text once, in a third of the
time and memory that a search for every separator takes. Anything else is left to ``records``. What the
cells mean is not judged here.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import csv

# preambles, headers and footers stand in what is left out at both ends
_ENDS: Final = 500_000
_BLOCK: Final = 8 << 20
_MARK: Final = b"\xef\xbb\xbf"
_TEXTS: Final = pa.dictionary(pa.int32(), pa.string())


@dataclass(frozen=True, slots=True)
class EvenLines:
    """Records ``start`` up to, not including, ``end`` of a text, by column and untrimmed."""

    start: int
    columns: tuple[pa.DictionaryArray, ...]
    blank: NDArray[np.bool_]  # lines without anything between the separators

    def __len__(self) -> int:
        return len(self.blank)

    @property
    def end(self) -> int:
        return self.start + len(self)

    @property
    def width(self) -> int:
        return len(self.columns)

    def holds(self, record: int) -> bool:
        return self.start <= record < self.end

    def row(self, record: int) -> pa.Array:
        """Return the cells of one record."""
        place = record - self.start
        return pa.array([column[place].as_py() for column in self.columns], pa.string())

    def column(self, position: int, records: NDArray[np.int64]) -> pa.DictionaryArray:
        """Return one column of rising ``records``, with the texts that occur in them alone."""
        if not len(records):  # whatever the position: rows may have more cells than these lines
            return pa.array([], pa.string()).dictionary_encode()
        column = self.columns[position]
        if len(records) == len(self):
            return column
        return column.take(pa.array(records - self.start)).cast(pa.string()).dictionary_encode()


def find_even_lines(data: bytes, delimiter: str) -> tuple[EvenLines, bytes, bytes] | None:
    """Return the even middle of ``data`` and the text before and after it.

    ``None`` where the text is short, has quotation marks, or its middle is not even.
    """
    if len(data) < 4 * _ENDS or b'"' in data or not delimiter.isascii():
        return None
    begin = data.find(b"\n", _ENDS) + 1
    end = data.rfind(b"\n", 0, len(data) - _ENDS) + 1
    if not 0 < begin < end:
        return None
    line_end = data.find(b"\n", begin)
    width = data.count(delimiter.encode(), begin, line_end) + 1
    if width == 1 or data.startswith(_MARK, begin):
        return None
    # the reader would give a line without anything as many cells as the others
    if any(data.find(empty, begin - 1, end) >= 0 for empty in (b"\n\n", b"\n\r\n")):
        return None
    table = _read(pa.py_buffer(data)[begin:end], delimiter, width)
    # a reader that saw other lines than there are would shift all that follows
    if table is None or table.num_rows != data.count(b"\n", begin, end):
        return None
    columns = tuple(column.unify_dictionaries().combine_chunks() for column in table.itercolumns())
    start = data.count(b"\n", 0, begin)
    return EvenLines(start, columns, _blank(columns)), data[:begin], data[end:]


def _read(lines: pa.Buffer, delimiter: str, width: int) -> pa.Table | None:
    names = [str(n) for n in range(width)]
    try:
        return csv.read_csv(
            pa.BufferReader(lines),
            csv.ReadOptions(column_names=names, block_size=_BLOCK),
            csv.ParseOptions(
                delimiter=delimiter, quote_char=False, double_quote=False, escape_char=False,
                ignore_empty_lines=False,
            ),
            csv.ConvertOptions(
                column_types=dict.fromkeys(names, _TEXTS), null_values=[], strings_can_be_null=False
            ),
        )  # fmt: skip
    except pa.ArrowInvalid:
        return None  # a line with another number of cells, or one longer than a block


def _blank(columns: tuple[pa.DictionaryArray, ...]) -> NDArray[np.bool_]:
    blank = np.ones(len(columns[0]), dtype=bool)
    for column in columns:
        empty = pc.index(column.dictionary, "").as_py()
        if empty < 0:
            return np.zeros(len(blank), dtype=bool)
        blank &= np.asarray(column.indices) == empty
    return blank


def joined(*parts: pa.DictionaryArray) -> pa.DictionaryArray:
    """Return dictionary columns one after the other, with one dictionary."""
    filled = [part.cast(_TEXTS) for part in parts if len(part)] or [parts[0]]
    return pa.chunked_array(filled).unify_dictionaries().combine_chunks()
