"""Packed bytes to plain ones: gzip, bzip2, xz, zstd and the members of a zip archive.

Nothing is ever written to disk. What is unpacked is counted while it is read, never taken from what
the packed file says of itself, and unpacking stops at the limit.
"""

import bz2
import gzip
import io
import lzma
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import pyarrow as pa

from analytics.vocabulary.errors import IngestError

_BLOCK = 1 << 20
# Trends pack to a tenth or a hundredth; a file that grows more than this was made to fill memory.
_GROWTH_MOST = 400
_GROWTH_COUNTS_FROM = 32 << 20
MEMBERS_MOST = 5000
ZIP_MARKS = (b"PK\x03\x04", b"PK\x05\x06")


_MEMBER_ERRORS = (
    zipfile.BadZipFile, EOFError, OSError, ValueError, zlib.error, lzma.LZMAError, RuntimeError,
    NotImplementedError,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Member:
    """One file of an archive, or a file that came by itself.

    ``refused`` says why a file of an archive cannot be unpacked; ``data`` is empty then.
    """

    name: str
    data: bytes
    refused: str = ""


@dataclass(frozen=True, slots=True)
class LargeMember:
    """A large file of an archive, where it lies until the next member is asked for."""

    name: str
    path: Path


class DamagedMember(IngestError):
    """One file of an archive cannot be unpacked; the others may be whole."""


class Budget:
    """How much one thing that was sent may still unpack to, archives inside it included.

    Bytes are spent as they are read, so that files which turn out damaged at their end cost as well.
    """

    def __init__(self, most: int, files_most: int = MEMBERS_MOST) -> None:
        self.most = most
        self._left = most
        self._files_left = files_most

    def spend(self, count: int, name: str) -> None:
        """Take ``count`` bytes off; raise IngestError where there are no more."""
        self._left -= count
        if self._left < 0:
            raise too_large(name, f"more than {self.most / 2**20:.0f} MiB", self.most)

    def spend_files(self, count: int, name: str) -> None:
        """Take ``count`` files off; raise IngestError where there are no more."""
        self._files_left -= count
        if self._files_left < 0:
            raise IngestError(
                f"{name}: the archive holds more than {MEMBERS_MOST} files. Split it."
            )


def too_large(name: str, size: str, most: int) -> IngestError:
    """Return the error for a source larger than ``most`` bytes; ``size`` is said as it stands."""
    return IngestError(
        f"{name}: {size} unpacked, more than the limit of {most / 2**20:.0f} MiB. "
        "Split it by month and import the parts."
    )


def _zstd(source: io.BytesIO) -> Any:
    return pa.CompressedInputStream(pa.PythonFile(source, mode="r"), "zstd")


_PACKERS: tuple[tuple[bytes, str, Callable[[io.BytesIO], Any]], ...] = (
    (b"\x1f\x8b", "gzip", lambda source: gzip.GzipFile(fileobj=source)),
    (b"BZh", "bzip2", bz2.BZ2File),
    (b"\xfd7zXZ\x00", "xz", lzma.LZMAFile),
    (b"\x28\xb5\x2f\xfd", "zstd", _zstd),
)


def packed_by(data: bytes) -> str:
    """Return the name of the packing, "" for none."""
    if data[:4] in ZIP_MARKS:
        return "zip"
    return next((name for mark, name, _ in _PACKERS if data.startswith(mark)), "")


def check_growth(size: int, packed_size: int, name: str) -> None:
    """Raise IngestError where more comes out of a packed file than ever comes of trends."""
    if size > _GROWTH_COUNTS_FROM and size > _GROWTH_MOST * packed_size:
        raise IngestError(
            f"{name}: unpacks to more than {_GROWTH_MOST} times its size, as no trends do. "
            "If it is right, unpack it and import what it holds."
        )


def _read(stream: IO[bytes], packed_size: int, name: str, budget: Budget) -> bytes:
    """Read a stream to its end, or to where nobody's trends would go."""
    blocks: list[bytes] = []
    size = 0
    while block := stream.read(_BLOCK):
        size += len(block)
        budget.spend(len(block), name)
        check_growth(size, packed_size, name)
        blocks.append(block)
    return b"".join(blocks)


def _unpack_stream(data: bytes, packing: str, name: str, most: int) -> bytes:
    opened = next(make for _, its, make in _PACKERS if its == packing)
    try:
        with opened(io.BytesIO(data)) as stream:
            unpacked = _read(stream, len(data), name, Budget(most))
    except (EOFError, OSError, ValueError, zlib.error, lzma.LZMAError, pa.ArrowException) as exc:
        raise IngestError(
            f"{name}: the {packing} file is cut short or damaged ({exc}). Copy or export it again."
        ) from exc
    return unpacked


def _outside(path: str) -> bool:
    """Tell whether a member's path leads out of its archive."""
    parts = path.replace("\\", "/").split("/")
    return ".." in parts or path.startswith(("/", "\\")) or path[1:2] == ":"


def _is_file(member: zipfile.ZipInfo) -> bool:
    base = member.filename.rsplit("/", 1)[-1]
    return not (
        member.filename.endswith("/")
        or member.filename.startswith("__MACOSX")
        or base.startswith(".")
        or base.lower() in ("thumbs.db", "desktop.ini")
    )


def open_zip(source: bytes | IO[bytes], name: str) -> zipfile.ZipFile:
    """Return the archive, checked for what no export does; ``source`` may be read in any order.

    Raises
    ------
    IngestError
        If it is damaged, holds a path that leads outside of it, or too many files.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(source) if isinstance(source, bytes) else source)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as exc:
        raise _damaged(name, exc) from exc
    outside = [m.filename for m in archive.infolist() if _outside(m.filename)]
    if outside:
        raise IngestError(
            f"{name}: the archive holds the path {outside[0]!r}, which leads outside of it. "
            "Nothing of it was read; ask where it comes from."
        )
    Budget(0).spend_files(len(archive.infolist()), name)
    return archive


def _damaged(name: str, exc: Exception) -> IngestError:
    return DamagedMember(
        f"{name}: the zip file cannot be read ({exc}). Unpack it or export it again."
    )


def zip_members(archive: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    """Return the files of an archive in the order of their names, without folders and litter."""
    return sorted((m for m in archive.infolist() if _is_file(m)), key=lambda m: m.filename)


def read_member(
    archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str, budget: Budget
) -> bytes:
    """Return a member's bytes.

    Raises
    ------
    DamagedMember
        If it is damaged or locked.
    IngestError
        If it is larger than what may still be unpacked.
    """
    try:
        with archive.open(member) as stream:
            return _read(stream, max(member.compress_size, 1), name, budget)
    except _MEMBER_ERRORS as exc:
        raise _damaged(name, exc) from exc


def unpack(data: bytes, name: str, most: int) -> tuple[bytes, str]:
    """Return a packed file's only content and the packing; plain bytes come back as they are.

    Raises
    ------
    IngestError
        If it is damaged, larger than ``most`` bytes, or an archive of several files.
    """
    packing = packed_by(data)
    if not packing:
        return data, ""
    if packing != "zip":
        return _unpack_stream(data, packing, name, most), packing
    with open_zip(data, name) as archive:
        if is_workbook(archive):
            return data, ""
        members = zip_members(archive)
        if len(members) != 1:
            listed = ", ".join(m.filename for m in members[:5]) or "none"
            raise IngestError(
                f"{name}: the zip file holds {len(members)} files ({listed}), not one. "
                "Unpack it and import the files one by one."
            )
        return read_member(archive, members[0], name, Budget(most)), "zip"


def member_head(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> bytes:
    """Return the first bytes of a member; raise DamagedMember where it is damaged or locked."""
    try:
        with archive.open(member) as stream:
            return stream.read(8)
    except _MEMBER_ERRORS as exc:
        raise _damaged(name, exc) from exc


def extracted(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str, folder: Path) -> Path:
    """Return where in ``folder`` a member lies that is too large to be held.

    Raises
    ------
    DamagedMember
        If it is damaged or locked.
    IngestError
        If it grows as no trends do, or the disk has no room for it.
    """
    target, size = folder / "member", 0
    free = shutil.disk_usage(folder).free
    try:
        with archive.open(member) as stream, target.open("wb") as out:
            while block := stream.read(_BLOCK):
                size += len(block)
                check_growth(size, max(member.compress_size, 1), name)
                if size > free // 2:
                    raise IngestError(
                        f"{name}: unpacks to more than half of what is free below {folder.parent}. "
                        "Make room, or let TMPDIR name a folder on a larger disk."
                    )
                out.write(block)
    except _MEMBER_ERRORS as exc:
        raise _damaged(name, exc) from exc
    return target


def is_workbook(archive: zipfile.ZipFile) -> bool:
    """Tell whether a zip archive is an office document."""
    return "[Content_Types].xml" in archive.namelist()


def zip_contents(data: bytes, name: str, budget: Budget) -> Iterator[Member]:
    """Yield the files of an archive one after the other; a damaged one says so in its place.

    Raises
    ------
    IngestError
        If the archive as a whole cannot be read, or holds more than ``budget`` has left.
    """
    with open_zip(data, name) as archive:
        found = zip_members(archive)
        budget.spend_files(len(found), name)
        for info in found:
            label = f"{name}/{info.filename}"
            try:
                yield Member(label, read_member(archive, info, label, budget))
            except DamagedMember as exc:
                # the block in which the damage showed was unpacked too, but never came back
                budget.spend(min(info.file_size, _BLOCK), label)
                yield Member(label, b"", str(exc))
