"""One thing that was sent to the files it holds: an archive, a workbook, or the file itself."""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from zipfile import ZipFile, ZipInfo

from analytics.vocabulary.errors import IngestError
from ingest.rules import BYTES_MOST
from ingest.unpacking import (
    Budget,
    DamagedMember,
    LargeMember,
    Member,
    extracted,
    member_head,
    open_zip,
    packed_by,
    read_member,
    zip_contents,
    zip_members,
)
from ingest.workbooks import kind_of, sheet_texts

_TOO_DEEP = "{name}: an archive in an archive in an archive. Unpack it and import what it holds."


def members(name: str, data: bytes, most: int = BYTES_MOST) -> Iterator[Member]:
    """Yield the files that ``data`` holds, each with a name that tells where it came from.

    An archive of several files yields each, one after the other; so does a workbook with several
    sheets. Anything else is yielded as it is, packed or not. An archive inside an archive is opened
    once; deeper ones are refused. A file of an archive that is damaged is yielded with the reason
    in ``refused``; the others are not lost with it.

    Raises
    ------
    IngestError
        If an archive is damaged as a whole, holds a path that leads outside of it, or too much.
    """
    yield from _members(name, data, Budget(most), depth=0)


def members_on_disk(
    name: str, path: Path, large_from: int, most: int = BYTES_MOST
) -> Iterator[Member | LargeMember]:
    """Yield the files that a file on disk holds; those of ``large_from`` bytes or more where they lie.

    A file that is no archive, or alone in one, is yielded as it is. What is held unpacked is limited as
    by :func:`members`, large files by their growth and by the disk.

    Raises
    ------
    IngestError
        If an archive is damaged as a whole, holds a path that leads outside of it, or too much.
    """
    yield from _on_disk(name, path, large_from, Budget(most), depth=0)


def _on_disk(
    name: str, path: Path, large_from: int, budget: Budget, depth: int
) -> Iterator[Member | LargeMember]:
    with path.open("rb") as stream:
        if packed_by(stream.read(8)) != "zip":
            yield LargeMember(name, path)
            return
        if depth > 1:
            raise DamagedMember(_TOO_DEEP.format(name=name))
        with open_zip(stream, name) as archive, TemporaryDirectory() as folder:
            found = zip_members(archive)
            budget.spend_files(len(found), name)
            for info in found:
                label = f"{name}/{info.filename}"
                try:
                    if info.file_size < large_from:
                        member = Member(label, read_member(archive, info, label, budget))
                        yield from _opened(member, budget, depth)
                        continue
                    if len(found) == 1 and not _is_archive(archive, info, label):
                        yield LargeMember(name, path)
                        continue
                    large = extracted(archive, info, label, Path(folder))
                    yield from _on_disk(label, large, large_from, budget, depth + 1)
                except DamagedMember as exc:
                    yield Member(label, b"", str(exc))


def _is_archive(archive: ZipFile, member: ZipInfo, name: str) -> bool:
    return packed_by(member_head(archive, member, name)) == "zip"


def _opened(member: Member, budget: Budget, depth: int) -> Iterator[Member]:
    """Yield a file of an archive, or what it holds where it is an archive itself."""
    if packed_by(member.data) == "zip":
        yield from _inner(member, budget, depth + 1)
    else:
        yield member


def _members(name: str, data: bytes, budget: Budget, depth: int) -> Iterator[Member]:
    if kind_of(data, name) == "workbook":
        sheets = _sheets(name, data, budget)
        if len(sheets) == 1:
            yield Member(name, data)
            return
        for sheet, text in sheets.items():
            yield Member(f"{name}/{sheet}", text)
    elif packed_by(data) == "zip":
        with open_zip(data, name) as archive:
            count = len(zip_members(archive))
        if depth > 1:
            raise DamagedMember(_TOO_DEEP.format(name=name))
        for member in zip_contents(data, name, budget):
            if count == 1 and not member.refused and packed_by(member.data) != "zip":
                yield Member(name, data)
            else:
                yield from _opened(member, budget, depth)
    else:
        yield Member(name, data)


def _sheets(name: str, data: bytes, budget: Budget) -> dict[str, bytes]:
    try:
        sheets = sheet_texts(data, name, budget.most)
    except IngestError as exc:
        raise DamagedMember(str(exc)) from exc
    budget.spend(sum(map(len, sheets.values())), name)
    return sheets


def _inner(member: Member, budget: Budget, depth: int) -> Iterator[Member]:
    """Yield what an archive or workbook inside an archive holds; alone is refused what is damaged."""
    try:
        yield from _members(member.name, member.data, budget, depth)
    except DamagedMember as exc:
        yield Member(member.name, b"", str(exc))
