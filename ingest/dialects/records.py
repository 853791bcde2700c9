"""Delimited text to fields, with the line on which each record began.

The separators are found in the bytes as a whole, so that quoted fields, quoted line ends, short
lines and exact line numbers cost no more than a plain split.
"""

import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

_NEWLINE, _QUOTE = 0x0A, 0x22
# A quoted cell over more lines than this is a stray quotation mark, not a text.
_LINES_IN_A_CELL_MOST = 50
_LOOK_AHEAD = 200
_STAMP = re.compile(
    rb"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}|\d{1,2}:\d{2}|\b\d{10,}\b|\b\d{8}T?\d{4}"
)


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
    emptied: int | None = None  # a field that counts as empty, since it may be cut short

    def row(self, record: int) -> list[str]:
        """Return the cells of one record, trimmed and without quotation marks."""
        start, width = int(self.first[record]), int(self.width[record])
        return [str(cell) for cell in self._clean(self.fields.slice(start, width)).to_pylist()]

    def column(self, position: int, records: NDArray[np.int64]) -> pa.DictionaryArray:
        """Return one column of the given records, trimmed, each distinct text held once."""
        places = self.first[records] + position
        cells = self.fields.take(pa.array(places))
        if self.emptied is not None and self.emptied in places[-1:]:
            cells = pc.if_else(pa.array(places != self.emptied), cells, "")
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
    line_ends = np.flatnonzero(newline)
    swallowed = line_ends[inside[line_ends]]
    where = np.flatnonzero(separator & ~inside)
    if _is_stray(raw, line_ends, swallowed, bool(inside[-1])):
        # A stray quotation mark: let it spoil its own line alone. Parity counts anew on each line.
        where = np.flatnonzero(separator)
        line_of = np.searchsorted(line_ends, where)
        parity_before = np.concatenate(([False], inside[line_ends]))
        keep = (inside[where] == parity_before[line_of]) | newline[where]
        where = where[keep]
    return where, newline[where], True


def _is_stray(
    raw: NDArray[np.uint8], line_ends: NDArray[np.int64], swallowed: NDArray[np.int64], open_: bool
) -> bool:
    """Tell whether quotation marks hold lines together that are rows of their own.

    ``swallowed`` are the line ends between quotation marks. A heading or a remark may go over
    several lines; a line with a stamp in it is a row, whatever stands around it.
    """
    if open_:
        return True
    if not swallowed.size:
        return False
    runs = np.split(
        swallowed, np.flatnonzero(np.diff(np.searchsorted(line_ends, swallowed)) != 1) + 1
    )
    if max(len(run) for run in runs) > _LINES_IN_A_CELL_MOST:
        return True
    return any(
        _STAMP.search(raw[end + 1 : end + 1 + _LOOK_AHEAD].tobytes().split(b"\n", 1)[0])
        for end in swallowed.tolist()
    )


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
