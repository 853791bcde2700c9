"""One thing that was sent to the files it holds: an archive, a workbook, or the file itself."""

from collections.abc import Iterator

from analytics.vocabulary.errors import IngestError
from ingest.rules import BYTES_MOST
from ingest.unpacking import (
    Budget,
    DamagedMember,
    Member,
    open_zip,
    packed_by,
    zip_contents,
    zip_members,
)
from ingest.workbooks import kind_of, sheet_texts


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
            raise DamagedMember(
                f"{name}: an archive in an archive in an archive. Unpack it and import what it holds."
            )
        for member in zip_contents(data, name, budget):
            if packed_by(member.data) == "zip":
                yield from _inner(member, budget, depth + 1)
            else:
                yield Member(name, data) if count == 1 and not member.refused else member
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
