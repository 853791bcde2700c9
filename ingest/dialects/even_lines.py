"""The even middle of a large text: lines of the same number of cells, and no quotation mark in the text.

Such lines are read by the CSV reader, in a fraction of the time and memory that a search for every
separator takes. Columns in which texts come again hold each of them once; those that hardly repeat, as
stamps, are kept as they are. Anything else is left to ``records``. What the cells mean is not judged here.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import csv

# preambles, headers and footers stand in what is left out at both ends
_ENDS: Final = 100_000
_BLOCK: Final = 1 << 20
_PROBE: Final = 1 << 18
_NEWLINE: Final = 0x0A
_MARK: Final = b"\xef\xbb\xbf"
_TEXTS: Final = pa.dictionary(pa.int32(), pa.string())
# With twice the lines this many times the texts: a column is not worth a list of its distinct texts.
_GROWS: Final = 1.9
_FEW_TEXTS: Final = 64
# A value that wanders brings new texts, too, but each many times over.
_SHARE: Final = 0.25


@dataclass(frozen=True, slots=True)
class EvenLines:
    """Records ``start`` up to, not including, ``end`` of a text, by column and untrimmed."""

    start: int
    columns: tuple[pa.Array, ...]  # of texts, or of numbers into a list of distinct ones
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

    def column(self, position: int, records: NDArray[np.int64]) -> pa.Array:
        """Return one column of rising ``records``; a list of distinct texts holds no others."""
        if not len(records):  # whatever the position: rows may have more cells than these lines
            return pa.array([], pa.string())
        column = self.columns[position]
        if len(records) == len(self):
            return column
        taken = column.take(pa.array(records - self.start))
        if pa.types.is_dictionary(taken.type):
            return taken.cast(pa.string()).dictionary_encode()
        return taken


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
    lines = pa.py_buffer(data)[begin:end]
    kinds = _kinds(lines, delimiter, width)
    table = None if kinds is None else _read(lines, delimiter, kinds)
    # a reader that saw other lines than there are would shift all that follows
    if table is None or table.num_rows != _line_ends(data, begin, end):
        return None
    columns = tuple(_whole(column) for column in table.itercolumns())
    blank = _blank(columns)
    # the reader gives a line without anything as many cells as the others
    if blank.any() and any(data.find(empty, begin - 1, end) >= 0 for empty in (b"\n\n", b"\n\r\n")):
        return None
    start = data.count(b"\n", 0, begin)
    return EvenLines(start, columns, blank), data[:begin], data[end:]


def _line_ends(data: bytes, begin: int, end: int) -> int:
    """Return how many line ends there are; in blocks, a third of the time of ``bytes.count``."""
    lines = np.frombuffer(data, dtype=np.uint8)[begin:end]
    ends = (lines[at : at + _PROBE] == _NEWLINE for at in range(0, len(lines), _PROBE))
    return sum(int(np.count_nonzero(block)) for block in ends)


def _kinds(lines: pa.Buffer, delimiter: str, width: int) -> list[pa.DataType] | None:
    """Return for each column how it is best held, by its first lines."""
    head = lines[:_PROBE].to_pybytes()
    head = head[: head.rfind(b"\n") + 1]
    probe = _read(pa.py_buffer(head), delimiter, [pa.string()] * width) if head else None
    if probe is None:
        return None
    half = probe.slice(0, len(probe) // 2)

    def goes_on(name: str) -> bool:
        few, more = (pc.count_distinct(table[name]).as_py() for table in (half, probe))
        return bool(more > max(_FEW_TEXTS, _GROWS * few, _SHARE * len(probe)))

    return [pa.string() if goes_on(name) else _TEXTS for name in probe.column_names]


def _whole(column: pa.ChunkedArray) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.unify_dictionaries()
    return column.combine_chunks()


def _read(lines: pa.Buffer, delimiter: str, kinds: list[pa.DataType]) -> pa.Table | None:
    names = [str(n) for n in range(len(kinds))]
    try:
        return csv.read_csv(
            pa.BufferReader(lines),
            csv.ReadOptions(column_names=names, block_size=_BLOCK),
            csv.ParseOptions(
                delimiter=delimiter, quote_char=False, double_quote=False, escape_char=False,
                ignore_empty_lines=False,
            ),
            csv.ConvertOptions(
                column_types=dict(zip(names, kinds, strict=True)), null_values=[], strings_can_be_null=False
            ),
        )  # fmt: skip
    except pa.ArrowInvalid:
        return None  # a line with another number of cells, or one longer than a block


def _blank(columns: tuple[pa.Array, ...]) -> NDArray[np.bool_]:
    blank = np.ones(len(columns[0]), dtype=bool)
    for column in columns:
        if pa.types.is_dictionary(column.type):
            blank &= np.asarray(column.indices) == pc.index(column.dictionary, "").as_py()
        else:
            blank &= np.asarray(pc.equal(pc.binary_length(column), 0))
        if not blank.any():
            break
    return blank


def joined(*parts: pa.Array) -> pa.Array:
    """Return columns one after the other; with one list of distinct texts where the longest has one."""
    filled = [part for part in parts if len(part)] or [parts[0]]
    kind = max(filled, key=len).type
    return _whole(pa.chunked_array([part.cast(kind) for part in filled]))


def listed(column: pa.Array) -> pa.DictionaryArray:
    """Return a column with a list of texts in which each may come again, but no run of the same."""
    if pa.types.is_dictionary(column.type):
        return column
    if not len(column):
        return column.dictionary_encode()
    new = np.ones(len(column), dtype=bool)
    new[1:] = np.asarray(pc.not_equal(column[1:], column[:-1]))
    indices = pa.array(np.cumsum(new, dtype=np.int32) - np.int32(1))
    texts = column if new.all() else column.filter(pa.array(new))
    return pa.DictionaryArray.from_arrays(indices, texts, safe=False)
