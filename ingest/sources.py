"""From a path or bytes to text in UTF-8: unpacking, the size limit, the encoding."""

import gzip
import io
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path

from analytics.vocabulary.errors import IngestError

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
    (b"BZh", "a bzip2 file"),
    (b"\xfd7zXZ", "an xz file"),
    (b"\x28\xb5\x2f\xfd", "a zstd file"),
    (b"PAR1", "a parquet file"),
)
_MARKS: tuple[tuple[bytes, str], ...] = (
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


@dataclass(frozen=True, slots=True)
class SourceText:
    """A source as UTF-8 with plain line ends at the last line; ``encoding`` is the file's own."""

    data: bytes
    encoding: str
    packed: str  # "", "gzip" or "zip"
    size: int  # bytes, unpacked


def too_large(name: str, size: str, most: int) -> IngestError:
    """Return the error for a source larger than ``most`` bytes; ``size`` is said as it stands."""
    return IngestError(
        f"{name}: {size} unpacked, more than the limit of {most / 2**20:.0f} MiB. "
        "Split it by month and import the parts."
    )


def _unpack_gzip(data: bytes, name: str, most: int) -> bytes:
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as packed:
            unpacked = packed.read(most + 1)
    except (EOFError, zlib.error, gzip.BadGzipFile) as exc:
        raise IngestError(
            f"{name}: the gzip file is cut short or damaged ({exc}). Copy or export it again."
        ) from exc
    if len(unpacked) > most:
        raise too_large(name, f"more than {most / 2**20:.0f} MiB", most)
    return unpacked


def _unpack_zip(data: bytes, name: str, most: int) -> bytes:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = [
                m
                for m in archive.infolist()
                if not m.is_dir() and not m.filename.startswith("__MACOSX")
            ]
            if any(m.filename == "[Content_Types].xml" for m in members):
                raise IngestError(f"{name}: is a spreadsheet or text document. {_EXPORT}")
            if len(members) != 1:
                listed = ", ".join(m.filename for m in members[:5]) or "none"
                raise IngestError(
                    f"{name}: the zip file holds {len(members)} files ({listed}), not one. "
                    "Unpack it and import the files one by one."
                )
            with archive.open(members[0]) as packed:
                # the size in the directory may lie; what is read does not
                unpacked = packed.read(most + 1)
    except (zipfile.BadZipFile, EOFError, zlib.error, RuntimeError, NotImplementedError) as exc:
        raise IngestError(
            f"{name}: the zip file cannot be read ({exc}). Unpack it or export it again."
        ) from exc
    if len(unpacked) > most:
        raise too_large(name, f"more than {most / 2**20:.0f} MiB", most)
    return unpacked


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


def _encoding_of(data: bytes) -> str | None:
    """Return the encoding; ``None`` where the bytes are no text."""
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return encoding
    head = data[:4096]
    if b"\0" in head:
        even, odd = head[::2].count(0), head[1::2].count(0)
        if max(even, odd) > 0.3 * len(head) / 2 and min(even, odd) < 0.05 * len(head) / 2:
            return "utf-16-le" if odd > even else "utf-16-be"
        return None
    if b"\0" in data:
        return None
    control = sum(head.count(bytes([code])) for code in (*range(1, 9), *range(14, 27)))
    if control > 0.02 * len(head):
        return None
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        # The degree sign and umlauts tell: 0xB0 in the Windows code page, 0xF8 in the DOS one.
        dos_degree = data.count(b"\xf8C") + data.count(b"\xf8F")
        windows_degree = data.count(b"\xb0C") + data.count(b"\xb0F")
        if dos_degree > windows_degree:
            return "cp850"
        try:
            data.decode("cp1252")
        except UnicodeDecodeError:
            return "latin-1" if windows_degree else "cp850"
        return "cp1252"
    return "utf-8"


def load_text(
    source: Path | bytes, name: str, bytes_most: int, encoding: str | None = None
) -> SourceText:
    """Return the source's text as UTF-8, unpacked.

    Raises
    ------
    IngestError
        If it is empty, over the limit, damaged, or no text at all.
    """
    data, packed = _load(source, name, bytes_most), ""
    if data[:2] == b"\x1f\x8b":
        data, packed = _unpack_gzip(data, name, bytes_most), "gzip"
    elif data[:4] in (b"PK\x03\x04", b"PK\x05\x06"):
        data, packed = _unpack_zip(data, name, bytes_most), "zip"
    if not data.strip(b" \t\r\n\0\xef\xbb\xbf\xff\xfe"):
        raise IngestError(f"{name}: the file is empty. Export the trends again.")
    for magic, what in _NOT_TEXT:
        if data.startswith(magic):
            raise IngestError(f"{name}: is {what}, not a text file. {_EXPORT}")
    if data[:512].lstrip().lower().startswith((b"<!doctype html", b"<html", b"<?xml")):
        raise IngestError(f"{name}: is a web page or XML, not a table. {_EXPORT}")
    found = encoding or _encoding_of(data)
    if found is None:
        raise IngestError(f"{name}: holds bytes that are no text. {_EXPORT}")
    size = len(data)
    if found not in ("utf-8", "ascii"):
        try:
            data = data.decode(found).encode("utf-8")
        except (UnicodeDecodeError, LookupError) as exc:
            raise IngestError(
                f"{name}: cannot be read in the encoding {found!r} ({exc}). "
                "Give --encoding utf-8, utf-16, cp1252 or cp850."
            ) from exc
    else:
        try:
            data.decode("utf-8")
        except UnicodeDecodeError as exc:
            raise IngestError(
                f"{name}: is not in UTF-8 (byte {exc.start}). Give --encoding cp1252 or leave it out."
            ) from exc
    if b"\n" not in data and b"\r" in data:
        data = data.replace(b"\r", b"\n")
    return SourceText(
        data=data if data.endswith(b"\n") else data + b"\n",
        encoding=found.replace("utf-8-sig", "utf-8 with a byte-order mark"),
        packed=packed,
        size=size,
    )
