"""Sources that are read from the start as often as needed, a block of whole lines at a time."""

import bz2
import gzip
import io
import lzma
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any, Final, Self

import pyarrow as pa

from ingest.unpacking import packed_by

Opener = Callable[[], IO[bytes]]
_READ: Final = 1 << 18
# a line longer than this is no line of a table
_LINE_MOST: Final = 4 << 20


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


def unpacked(open_source: Opener) -> tuple[Opener, str]:
    """Return what opens a source unpacked, and its packing; an archive stays as it is."""
    with open_source() as stream:
        packing = packed_by(stream.read(8))
    make: dict[str, Callable[[IO[bytes]], Any]] = {
        "gzip": lambda raw: gzip.GzipFile(fileobj=raw),
        "bzip2": bz2.BZ2File,
        "xz": lzma.LZMAFile,
        "zstd": lambda raw: pa.CompressedInputStream(pa.PythonFile(raw, mode="r"), "zstd"),
    }
    if packing not in make:
        return open_source, packing

    def open_unpacked() -> Any:
        raw = open_source()
        return _Unpacking(make[packing](raw), raw)

    return open_unpacked, packing


class _Unpacking:
    """A stream that unpacks another one, and closes it, too."""

    def __init__(self, stream: Any, raw: IO[bytes]) -> None:
        self._stream, self._raw = stream, raw

    def read(self, size: int = -1) -> bytes:
        data: bytes = self._stream.read(size)
        return data

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
