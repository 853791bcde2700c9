"""Sources that are no UTF-8 as streams of it, of which only a piece is held at a time: UTF-16, Parquet."""

import codecs
from collections.abc import Iterator
from typing import IO

import pyarrow as pa
from pyarrow import parquet

from ingest.sources import encoding_of
from ingest.streams import BLOCK_BYTES, Opener, joined, seekable
from ingest.workbooks import PARQUET_MARK, parquet_error, table_text

_ROWS = 1 << 16  # of a Parquet file that are held as text at a time


def utf16_of(head: bytes, stated: str | None) -> str | None:
    """Return the encoding of a text of two bytes a letter; ``None`` for any other."""
    encoding = stated or (encoding_of(head, lambda: ()) if head else None)
    plain = (encoding or "").lower().replace("_", "-")
    return encoding if plain.startswith("utf-16") else None


class Utf16Text:
    """Opens a text in UTF-16 as one in UTF-8; ``size`` is what the last stream read of the former.

    A stream raises UnicodeDecodeError where the text is broken.
    """

    def __init__(self, open_source: Opener, encoding: str) -> None:
        self.size = 0
        self.encoding = encoding
        self._open_source = open_source
        self._open = joined(self._pieces)

    def __call__(self) -> IO[bytes]:
        return self._open()

    def _pieces(self) -> Iterator[bytes]:
        decoder = codecs.getincrementaldecoder(self.encoding)()
        self.size = 0
        with self._open_source() as raw:
            while piece := raw.read(BLOCK_BYTES):
                self.size += len(piece)
                yield decoder.decode(piece).encode()
        yield decoder.decode(b"", final=True).encode()


def is_parquet(head: bytes) -> bool:
    """Tell a Parquet file by its beginning."""
    return head.startswith(PARQUET_MARK)


def parquet_lines(open_source: Opener, name: str) -> Opener:
    """Return what opens a Parquet file as text, the same as :func:`ingest.workbooks.parquet_text`.

    A stream raises IngestError where the file is damaged or has nested columns.
    """

    def pieces() -> Iterator[bytes]:
        with seekable(open_source) as raw:
            opened = parquet.ParquetFile(raw)
            yield table_text(opened.schema_arrow.empty_table(), header=True)
            # one group of rows after the other: a reader of them all keeps what it has passed
            for group in range(opened.num_row_groups):
                for batch in opened.iter_batches(_ROWS, row_groups=[group], use_threads=False):
                    yield table_text(pa.Table.from_batches([batch]), header=False)

    def refusing() -> Iterator[bytes]:
        try:
            yield from pieces()
        except (pa.ArrowException, OSError, ValueError, TypeError) as exc:
            raise parquet_error(name, exc) from exc

    return joined(refusing)
