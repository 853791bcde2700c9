"""What was sent, file by file: each file of an archive or workbook goes its own way.

The command, the watched folder, the pages and the API all take this road, so that one archive means the
same to each of them: a file that is wrong is named with its reason, and the others are not lost with it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar, cast

from analytics.vocabulary.errors import IngestError, PlateledgerError
from service.store.store import StoreError
from service.usecases.files import contents_of

T = TypeVar("T")
D = TypeVar("D", bound=bytes | Path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part(Generic[T]):
    """What became of one file: what was done with it, or why it was refused."""

    name: str
    done: T | None
    refused: str = ""


def each_file(name: str, data: D, deed: Callable[[str, D | bytes], T]) -> Iterator[Part[T]]:
    """Do ``deed`` with each file that ``data`` holds, one after the other.

    A path stands for the large text, or the archive with one in it, that lies there.

    What is wrong with a file, or with the archive as a whole, comes back as a part that says so. A
    database that cannot be reached is no fault of the file: that error goes to the caller.
    """
    found = 0
    try:
        for its_name, its_data, refused in contents_of(name, data):
            found += 1
            yield (
                Part(name=its_name, done=None, refused=refused)
                if refused
                else _done(its_name, cast("D", its_data), deed)
            )
        if not found:
            raise IngestError(f"{name}: the archive holds no file. Send the trends themselves.")
    except PlateledgerError as exc:
        if isinstance(exc, StoreError):
            raise
        yield Part(name=name, done=None, refused=str(exc))


def _done(name: str, data: D, deed: Callable[[str, D], T]) -> Part[T]:
    try:
        return Part(name=name, done=deed(name, data))
    except StoreError:
        raise
    except PlateledgerError as exc:
        return Part(name=name, done=None, refused=str(exc))
