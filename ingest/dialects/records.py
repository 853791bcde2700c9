"""Delimited text to fields, with the line on which each record began.

The separators are found in the bytes as a whole, so that quoted fields, quoted line ends, short
lines and exact line numbers cost no more than a plain split. What lies between the first and the last
lines of a large text is read by the CSV reader where it is even (``even_lines``), to the same cells.
"""

import re
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.dialects.even_lines import EvenLines, find_even_lines, joined, listed

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

    ``fields`` holds those outside ``even``, whose own fields have numbers all the same. ``first`` is the position of each record's first field, ``width`` how many it has, ``line`` the
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
    even: EvenLines | None = None

    def row(self, record: int) -> list[str]:
        """Return the cells of one record, trimmed and without quotation marks."""
        if self.even is not None and self.even.holds(record):
            cells = self.even.row(record)
        else:
            start, width = int(self.first[record]), int(self.width[record])
            cells = self.fields.slice(int(self._place(np.array([start]))[0]), width)
        return [str(cell) for cell in self._clean(cells).to_pylist()]

    def column(
        self, position: int, records: NDArray[np.int64], *, distinct: bool = True
    ) -> pa.DictionaryArray:
        """Return one column of the given records, trimmed.

        Its list holds each text once; with ``distinct=False`` texts may come again in it, which costs
        less where they hardly repeat.
        """
        if self.even is None:
            encoded = self._texts(position, records).dictionary_encode()
        else:
            start, end = np.searchsorted(records, (self.even.start, self.even.end))
            parts = joined(
                self._texts(position, records[:start]),
                self.even.column(position, records[start:end]),
                self._texts(position, records[end:]),
            )
            encoded = parts.dictionary_encode() if distinct else listed(parts)
        return pa.DictionaryArray.from_arrays(
            encoded.indices, self._clean(encoded.dictionary), safe=False
        )

    def _texts(self, position: int, records: NDArray[np.int64]) -> pa.Array:
        """Return one column of records outside ``even``, as it stands in the text."""
        places = self.first[records] + position
        cells = self.fields.take(pa.array(self._place(places)))
        if self.emptied is not None and self.emptied in places[-1:]:
            cells = pc.if_else(pa.array(places != self.emptied), cells, "")
        return cells

    def _place(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return where fields stand in ``fields``, those of ``even`` being left out of it."""
        if self.even is None:
            return numbers
        left_out = self.even.width * len(self.even)
        behind = numbers >= int(self.first[self.even.start]) + left_out
        return np.where(behind, numbers - left_out, numbers)

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
    found = find_even_lines(data, delimiter)
    if found is None:
        return _split_all(data, delimiter)
    even, before, after = found
    outside = _split_all(before + after, delimiter)
    return _with_even(outside, even)


def _with_even(outside: Records, even: EvenLines) -> Records:
    """Put the even lines where they belong: behind the first ``even.start`` records."""
    lines, at = len(even), even.start
    # one record a line throughout, as there are no quotation marks
    width = np.insert(outside.width, at, np.full(lines, even.width))
    return replace(
        outside,
        first=np.concatenate(([0], np.cumsum(width)[:-1])),
        width=width,
        line=np.arange(1, len(width) + 1),
        blank=np.insert(outside.blank, at, even.blank),
        even=even,
    )


def _split_all(data: bytes, delimiter: str) -> Records:
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
