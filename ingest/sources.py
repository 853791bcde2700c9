"""From a path or bytes to text in UTF-8: the size limit, what is no text, the encoding."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analytics.vocabulary.errors import IngestError
from ingest.bacnet.json_text import is_json, records_text
from ingest.findings import Window
from ingest.unpacking import too_large, unpack
from ingest.workbooks import PARQUET_MARK, kind_of, parquet_text, sheet_texts

__all__ = ["SourceText", "load_text", "too_large"]

_EXPORT = "Export the trends as CSV and import that."
# First bytes of files that people send by mistake.
_NOT_TEXT: tuple[tuple[bytes, str], ...] = (
    (b"%PDF", "a PDF"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet or database file"),
    (b"SQLite format 3", "a database file"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a rar archive"),
)
_NOTHING = b" \t\r\n\0\xef\xbb\xbf\xff\xfe"
BROKEN_UTF8 = "utf-8 with broken bytes"
_LEAST_LINES = 20  # of a text whose null bytes are taken for damage
_NULL_LINES_MOST = 0.01  # of its lines: with more of them it is no text
_MARKS: tuple[tuple[bytes, str], ...] = (
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


@dataclass(frozen=True, slots=True)
class SourceText:
    """A source as UTF-8 with plain line ends at the last line; ``encoding`` is the file's own.

    Of a large source it may be one part of several: see ``ingest.large``.
    """

    data: bytes
    encoding: str
    packed: str  # "", "gzip", "bzip2", "xz", "zstd", "zip", "workbook", "parquet" or "json"
    size: int  # bytes, unpacked
    unfinished: bool = False  # the last line has no line end: it may be cut short
    broken_bytes: int = 0  # that are no UTF-8 in a text that is
    null_lines: tuple[int, ...] = ()  # left empty, as null bytes stood on them
    window: Window | None = None  # of a part: the lines above the table, and then those around it
    skipped: int = 0  # lines of the file between the two that are not shown
    width: int = 0  # of the rows of a part


def _load(source: Path | bytes, name: str, most: int) -> bytes:
    if isinstance(source, bytes):
        size = len(source)
    else:
        try:
            size = source.stat().st_size
        except OSError as exc:
            raise IngestError(
                f"{name}: cannot be opened ({exc.strerror}). Check the path."
            ) from exc
    if size > most:
        raise too_large(name, f"{size / 2**20:.0f} MiB", most)
    if isinstance(source, bytes):
        return source
    try:
        return source.read_bytes()
    except OSError as exc:
        raise IngestError(f"{name}: cannot be read ({exc.strerror}). Check the path.") from exc


def looks_like_text(head: bytes) -> bool:
    """Tell whether a source that begins so is a text by itself, as far as its beginning tells."""
    known = any(head.startswith(magic) for magic, _ in _NOT_TEXT)
    markup = head[:512].lstrip().lower().startswith((b"<!doctype html", b"<html", b"<?xml"))
    return bool(head) and not (
        known or markup or head.startswith(PARQUET_MARK) or is_json(head) or b"\0" in head
    )


def encoding_of(head: bytes, blocks: Callable[[], Iterable[bytes]]) -> str | None:
    """Return the encoding of a text; ``None`` where the bytes are no text.

    ``head`` is its beginning, ``blocks`` yields all of it from the start, cut at line ends.
    """
    for mark, encoding in _MARKS:
        if head.startswith(mark):
            return encoding
    head = head[:4096]
    if b"\0" in head:
        return _unmarked_utf_16(head)
    control = sum(head.count(bytes([code])) for code in (*range(1, 9), *range(14, 27)))
    if control > 0.02 * len(head):
        return None
    sound = True
    for block in blocks():
        if b"\0" in block:
            return None
        sound = sound and is_utf8(block)
    return "utf-8" if sound else _encoding_of_old_text(blocks())


def _unmarked_utf_16(head: bytes) -> str | None:
    """Return the order of bytes of a UTF-16 text; ``None``: its null bytes are of another kind."""
    even, odd = head[::2].count(0), head[1::2].count(0)
    if max(even, odd) > 0.3 * len(head) / 2 and min(even, odd) < 0.05 * len(head) / 2:
        return "utf-16-le" if odd > even else "utf-16-be"
    return None


def _of_wide_characters(data: bytes, stated: str | None) -> bool:
    """Tell whether null bytes are parts of characters."""
    if stated is not None:
        return stated.lower().replace("_", "-").startswith(("utf-16", "utf-32"))
    marked = any(data.startswith(mark) and "16" in name for mark, name in _MARKS)
    return marked or _unmarked_utf_16(data[:4096]) is not None


def _without_null_lines(data: bytes, name: str) -> tuple[bytes, tuple[int, ...]]:
    """Empty the lines that hold null bytes, and return their numbers.

    A run of null bytes, as a crash of the logger leaves one, takes the place of what was lost, line ends
    included: what stands before and behind it need not belong together, and neither is read.

    Raises
    ------
    IngestError
        If they stand on so many lines that it is no text.
    """
    data = plain_line_ends(data)
    raw = np.frombuffer(data, dtype=np.uint8)
    ends = np.append(np.flatnonzero(raw == ord("\n")), len(raw))
    hit = np.unique(np.searchsorted(ends, np.flatnonzero(raw == 0)))
    if len(ends) < _LEAST_LINES or len(hit) > max(1, _NULL_LINES_MOST * len(ends)):
        raise IngestError(f"{name}: holds bytes that are no text. {_EXPORT}")
    begins = np.r_[0, ends[:-1] + 1]
    kept = np.ones(len(raw), dtype=bool)
    for line in hit:
        kept[begins[line] : ends[line]] = False
    return raw[kept].tobytes(), tuple((hit + 1).tolist())


def is_utf8(data: bytes) -> bool:
    """Tell whether bytes are UTF-8."""
    if data.isascii():
        return True  # decoding would hold a large text a second time
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _encoding_of_old_text(blocks: Iterable[bytes]) -> str:
    """Return the encoding of a text that is no sound UTF-8."""
    shorter = broken = dos_degree = windows_degree = 0
    windows = True
    for block in blocks:
        text = block.decode("utf-8", errors="replace")
        broken += text.count("\ufffd")
        shorter += len(block) - len(text)
        # The degree sign and umlauts tell: 0xB0 in the Windows code page, 0xF8 in the DOS one.
        dos_degree += block.count(b"\xf8C") + block.count(b"\xf8F")
        windows_degree += block.count(b"\xb0C") + block.count(b"\xb0F")
        try:
            block.decode("cp1252")
        except UnicodeDecodeError:
            windows = False
    # a letter of two or three bytes shortens the text, a broken byte does not
    if shorter > 2 * broken:
        return BROKEN_UTF8
    if dos_degree > windows_degree:
        return "cp850"
    if windows:
        return "cp1252"
    return "latin-1" if windows_degree else "cp850"


def _table_text(data: bytes, kind: str, name: str, most: int) -> bytes:
    """Return a Parquet table, or the only sheet of a workbook, as text."""
    if kind == "parquet":
        return parquet_text(data, name, most)
    sheets = sheet_texts(data, name, most)
    if len(sheets) > 1:
        raise IngestError(
            f"{name}: holds {len(sheets)} sheets ({', '.join(sheets)}), not one. "
            "Import it by the command or the page, which take sheet by sheet."
        )
    return next(iter(sheets.values()))


def load_text(
    source: Path | bytes, name: str, bytes_most: int, encoding: str | None = None
) -> SourceText:
    """Return the source's text as UTF-8, unpacked.

    Raises
    ------
    IngestError
        If it is empty, over the limit, damaged, or no text at all.
    """
    data, packed = unpack(_load(source, name, bytes_most), name, bytes_most)
    if kind := kind_of(data, name):
        data, packed = _table_text(data, kind, name, bytes_most), kind
    elif is_json(data):
        data, packed = records_text(data, name), packed or "json"
    if not data[:4096].strip(_NOTHING) and not data.strip(_NOTHING):
        raise IngestError(f"{name}: the file is empty. Export the trends again.")
    for magic, what in _NOT_TEXT:
        if data.startswith(magic):
            raise IngestError(f"{name}: is {what}, not a text file. {_EXPORT}")
    if data[:512].lstrip().lower().startswith((b"<!doctype html", b"<html", b"<?xml")):
        raise IngestError(f"{name}: is a web page or XML, not a table. {_EXPORT}")
    null_lines: tuple[int, ...] = ()
    if b"\0" in data and not _of_wide_characters(data, encoding):
        data, null_lines = _without_null_lines(data, name)
    found = encoding or encoding_of(data, lambda: [data])
    if found is None:
        raise IngestError(f"{name}: holds bytes that are no text. {_EXPORT}")
    size, broken = len(data), 0
    if found == BROKEN_UTF8:
        text = data.decode("utf-8", errors="replace")
        data, broken, found = text.encode(), text.count("\ufffd"), "utf-8"
    elif found not in ("utf-8", "ascii"):
        try:
            data = data.decode(found).encode("utf-8")
        except (UnicodeDecodeError, LookupError) as exc:
            raise IngestError(
                f"{name}: cannot be read in the encoding {found!r} ({exc}). "
                "Give --encoding utf-8, utf-16, cp1252 or cp850."
            ) from exc
    elif not data.isascii():
        try:
            data.decode("utf-8")
        except UnicodeDecodeError as exc:
            raise IngestError(
                f"{name}: is not in UTF-8 (byte {exc.start}). Give --encoding cp1252 or leave it out."
            ) from exc
    data = plain_line_ends(data)
    return SourceText(
        data=data if data.endswith(b"\n") else data + b"\n",
        encoding=found.replace("utf-8-sig", "utf-8 with a byte-order mark"),
        packed=packed,
        size=size,
        unfinished=not data.endswith(b"\n"),
        broken_bytes=broken,
        null_lines=null_lines,
    )


def plain_line_ends(data: bytes) -> bytes:
    """Return text whose lines end in \\n or \\r\\n, whatever mixture of line ends it came with."""
    if b"\r" not in data or data.count(b"\r") == data.count(b"\r\n"):
        return data
    # \r\r\n is one line end that was translated twice
    data = data.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n")
    return data.replace(b"\r", b"\n")
