"""The bytes of imported files, packed in parts, so that a file of any size is kept and read again."""

import zlib
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Final

import pyarrow as pa
from sqlalchemy import Connection, exists, insert, select

from service.store.tables import SourceFileRow, SourcePartRow

PART_BYTES: Final = 8 << 20
_ZSTD = b"zst1"  # before the size and the packed bytes


def pack(data: bytes | memoryview) -> bytes:
    """Pack quickly: trends shrink well by any means, and an import should not wait for this."""
    buffer: bytes = pa.Codec("zstd", 1).compress(data, asbytes=True)
    return _ZSTD + len(data).to_bytes(8, "little") + buffer


def unpack(packed: bytes) -> bytes:
    """Return what :func:`pack` packed."""
    if not packed.startswith(_ZSTD):
        return zlib.decompress(packed)  # of an earlier version
    size = int.from_bytes(packed[4:12], "little")
    data: bytes = pa.decompress(memoryview(packed)[12:], size, codec="zstd", asbytes=True)
    return data


def pack_all(data: bytes) -> list[bytes]:
    """Return a file's bytes as packed parts."""
    whole = memoryview(data)
    return [pack(whole[at : at + PART_BYTES]) for at in range(0, len(data), PART_BYTES)]


def keep(
    connection: Connection,
    *,
    sha256: str,
    name: str,
    size: int,
    packed: Iterable[bytes],
    now_utc: datetime,
) -> None:
    """Keep a file, once; its ``packed`` parts are taken one after the other."""
    if connection.scalar(select(exists().where(SourceFileRow.sha256 == sha256))):
        return
    connection.execute(
        insert(SourceFileRow).values(sha256=sha256, name=name, size=size, stored_utc=now_utc)
    )
    for number, part in enumerate(packed):
        connection.execute(insert(SourcePartRow).values(sha256=sha256, number=number, packed=part))


def parts(connection: Connection, sha256: str) -> Iterator[bytes]:
    """Yield the bytes of an imported file, part by part; nothing where it is not kept."""
    number = 0
    while True:
        packed = connection.scalar(
            select(SourcePartRow.packed).where(
                SourcePartRow.sha256 == sha256, SourcePartRow.number == number
            )
        )
        if packed is None:
            return
        yield unpack(packed)
        number += 1


def whole(connection: Connection, sha256: str) -> bytes | None:
    """Return the bytes of an imported file; ``None`` where there is none."""
    if not connection.scalar(select(exists().where(SourceFileRow.sha256 == sha256))):
        return None
    return b"".join(parts(connection, sha256))
