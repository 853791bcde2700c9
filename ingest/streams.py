"""Sources that are read from the start as often as needed, a block of whole lines at a time."""

import bz2
import gzip
import io
import lzma
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any, Final, Self, cast

import pyarrow as pa

from ingest.unpacking import check_growth, is_workbook, open_zip, packed_by, zip_members

Opener = Callable[[], IO[bytes]]
BLOCK_BYTES: Final = 1 << 18
_READ: Final = BLOCK_BYTES
# a line longer than this is no line of a table
_LINE_MOST: Final = 4 << 20


# what a stream raises of a source that is cut short or damaged
DAMAGED: Final = (
    EOFError, OSError, ValueError, zlib.error, lzma.LZMAError, zipfile.BadZipFile, RuntimeError,
    NotImplementedError, pa.ArrowException,
)  # fmt: skip


class NoLines(ValueError):
    """A text without line ends."""


def opener(source: Path | bytes) -> Opener:
    """Return what opens a file or bytes from the start."""
    if isinstance(source, bytes):
        return lambda: io.BytesIO(source)
    return lambda: source.open("rb")


class _Joined(io.RawIOBase):
    """Pieces of bytes as one stream."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._left = memoryview(b"")

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._left:
            piece = next(self._pieces, None)
            if piece is None:
                return 0
            self._left = memoryview(piece)
        size = min(len(buffer), len(self._left))
        buffer[:size] = self._left[:size]
        self._left = self._left[size:]
        return size


def joined(pieces: Callable[[], Iterator[bytes]]) -> Opener:
    """Return what opens pieces of bytes, in their order, as one stream."""
    return lambda: io.BufferedReader(_Joined(pieces()), _READ)


def seekable(open_source: Opener) -> IO[bytes]:
    """Open a source so that it can be read in any order, from a temporary file where need be."""
    stream = open_source()
    if stream.seekable():
        return stream
    spooled = tempfile.TemporaryFile()  # noqa: SIM115 - whoever asked for it closes it
    with stream:
        shutil.copyfileobj(stream, spooled, BLOCK_BYTES)
    spooled.seek(0)
    return spooled


def unpacked(open_source: Opener, name: str = "") -> tuple[Opener, str]:
    """Return what opens a source unpacked, and its packing.

    An archive stays as it is, but for one that holds a single file. A stream raises IngestError where
    more comes out of it than ever comes of trends.
    """
    with open_source() as stream:
        packing = packed_by(stream.read(8))
    if packing == "zip":
        return _only_member(open_source, name) or open_source, packing
    make: dict[str, Callable[[IO[bytes]], Any]] = {
        "gzip": lambda raw: gzip.GzipFile(fileobj=raw),
        "bzip2": bz2.BZ2File,
        "xz": lzma.LZMAFile,
        "zstd": lambda raw: pa.CompressedInputStream(pa.PythonFile(raw, mode="r"), "zstd"),
    }
    if packing not in make:
        return open_source, packing

    def open_unpacked() -> Any:
        raw = _Counted(open_source())
        return _Unpacking(make[packing](cast("IO[bytes]", raw)), raw, lambda: raw.size, name)

    return open_unpacked, packing


def _only_member(open_source: Opener, name: str) -> Opener | None:
    """Return what opens the file that is alone in an archive; ``None``: there are several, or none."""
    with seekable(open_source) as raw, open_zip(raw, name) as archive:
        found = zip_members(archive)
        if len(found) != 1 or is_workbook(archive):
            return None

    def open_member() -> Any:
        raw = seekable(open_source)
        member = zipfile.ZipFile(raw).open(found[0])  # noqa: SIM115 - closed with the stream
        return _Unpacking(member, raw, lambda: max(found[0].compress_size, 1), name)

    return open_member


class _Counted:
    """A stream that counts what is read of it."""

    def __init__(self, raw: IO[bytes]) -> None:
        self._raw, self.size = raw, 0

    closed = False

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        data = self._raw.read(size)
        self.size += len(data)
        return data

    def close(self) -> None:
        self._raw.close()


class _Unpacking:
    """A stream that unpacks another one, watches what comes out of it, and closes it, too."""

    def __init__(self, stream: Any, raw: Any, packed_size: Callable[[], int], name: str) -> None:
        self._stream, self._raw = stream, raw
        self._packed_size, self._size, self._name = packed_size, 0, name

    def read(self, size: int = -1) -> bytes:
        data: bytes = self._stream.read(size)
        self._size += len(data)
        check_growth(self._size, self._packed_size(), self._name)
        return data

    def seekable(self) -> bool:
        return False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()
        self._raw.close()


def line_blocks(open_source: Opener, size: int) -> Iterator[bytes]:
    """Yield the source in blocks of about ``size`` bytes that end with a line, but for the last.

    Raises
    ------
    NoLines
        If a line is longer than any line of a table.
    """
    with open_source() as stream:
        rest = b""
        while True:
            pieces, length = [rest], len(rest)
            while length < size and (piece := stream.read(_READ)):
                pieces.append(piece)
                length += len(piece)
            block = b"".join(pieces)
            if length < size:
                if block:
                    yield block
                return
            cut = block.rfind(b"\n") + 1
            if len(block) - cut > _LINE_MOST:
                raise NoLines
            if cut:
                yield block[:cut]
            rest = block[cut:]
            if len(rest) >= size:
                raise NoLines
