"""Delimited text to fields, with the line on which each record began.

The separators are found in the bytes as a whole, so that quoted fields, quoted line ends, short
lines and exact line numbers cost no more than a plain split.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

_NEWLINE, _QUOTE = 0x0A, 0x22
# A quoted cell over more lines than this is a stray quotation mark, not a text.
_LINES_IN_A_CELL_MOST = 50


@dataclass(frozen=True, slots=True)
class Records:
    """All fields of a text, row after row.

    ``first`` is the position of each record's first field, ``width`` how many it has, ``line`` the
    line on which it begins, counted from 1.
    """

    fields: pa.Array
    first: NDArray[np.int64]
    width: NDArray[np.int64]
    line: NDArray[np.int64]
    blank: NDArray[np.bool_]  # records without anything between the separators
    delimiter: str
    quoted: bool

    def row(self, record: int) -> list[str]:
        """Return the cells of one record, trimmed and without quotation marks."""
        start, width = int(self.first[record]), int(self.width[record])
        return [str(cell) for cell in self._clean(self.fields.slice(start, width)).to_pylist()]

    def column(self, position: int, records: NDArray[np.int64]) -> pa.DictionaryArray:
        """Return one column of the given records, trimmed, each distinct text held once."""
        cells = self.fields.take(pa.array(self.first[records] + position))
        encoded = cells.dictionary_encode()
        return pa.DictionaryArray.from_arrays(
            encoded.indices, self._clean(encoded.dictionary), safe=False
        )

    def _clean(self, cells: pa.Array) -> pa.Array:
        """Cut off the separator that each field still carries, blanks, and quotation marks."""
        trimmed = pc.utf8_trim_whitespace(pc.utf8_rtrim(cells, characters=f"{self.delimiter}\r\n"))
        if not self.quoted:
            return trimmed
        # ="..." is how some exports keep spreadsheets from reformatting a cell
        trimmed = pc.replace_substring_regex(trimmed, r'^="', '"')
        wrapped = pc.and_(pc.starts_with(trimmed, '"'), pc.ends_with(trimmed, '"'))
        bare = pc.utf8_trim_whitespace(
            pc.replace_substring(pc.utf8_slice_codeunits(trimmed, 1, -1), '""', '"')
        )
        return pc.if_else(wrapped, bare, trimmed)


def _separators(
    raw: NDArray[np.uint8], delimiter: str
) -> tuple[NDArray[np.int64], NDArray[np.bool_], bool]:
    """Return where the separators are, which of them end a record, and whether quotes occur."""
    newline = raw == _NEWLINE
    separator = newline | (raw == ord(delimiter))
    quotes = raw == _QUOTE
    if not quotes.any():
        where = np.flatnonzero(separator)
        return where, newline[where], False
    inside = np.bitwise_xor.accumulate(quotes)
    where = np.flatnonzero(separator & ~inside)
    ends = where[newline[where]]
    lines_before = np.searchsorted(np.flatnonzero(newline), ends)
    lines_each = np.diff(lines_before, prepend=-1)
    tail = int(np.count_nonzero(newline)) - (int(lines_before[-1]) + 1 if len(ends) else 0)
    if tail > 0 or (len(ends) and int(lines_each.max()) > _LINES_IN_A_CELL_MOST):
        # A stray quotation mark: let it spoil its own line alone. Parity counts anew on each line.
        line_ends = np.flatnonzero(newline)
        line_of = np.searchsorted(line_ends, np.flatnonzero(separator))
        parity_before = np.concatenate(([False], inside[line_ends]))
        where = np.flatnonzero(separator)
        keep = (inside[where] == parity_before[line_of]) | newline[where]
        where = where[keep]
    return where, newline[where], True


def _blank(
    raw: NDArray[np.uint8],
    offsets: NDArray[np.int32],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Return which records hold nothing but separators, one byte each, and a carriage return."""
    size = offsets[last + 1] - offsets[first]
    before_end = raw[np.maximum(offsets[last + 1] - 2, 0)]
    return np.asarray(size - ((size >= 2) & (before_end == 0x0D)) == last - first + 1)


def split_records(data: bytes, delimiter: str) -> Records:
    """Split UTF-8 ``data``, which ends in a line end, into fields."""
    raw = np.frombuffer(data, dtype=np.uint8)
    where, is_end, quoted = _separators(raw, delimiter)
    offsets = np.empty(len(where) + 1, dtype=np.int32)
    offsets[0] = 0
    offsets[1:] = where + 1
    fields = pa.StringArray.from_buffers(len(where), pa.py_buffer(offsets), pa.py_buffer(data))
    last = np.flatnonzero(is_end)
    first = np.empty(len(last), dtype=np.int64)
    first[:1] = 0
    first[1:] = last[:-1] + 1
    width = last - first + 1
    if quoted:
        line_ends = np.flatnonzero(raw == _NEWLINE)
        line = np.searchsorted(line_ends, offsets[first]) + 1
    else:
        line = np.arange(1, len(last) + 1)
    return Records(
        fields=fields,
        first=first,
        width=width.astype(np.int64),
        line=line.astype(np.int64),
        blank=_blank(raw, offsets, first, last),
        delimiter=delimiter,
        quoted=quoted,
    )
