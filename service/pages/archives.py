"""Archives and workbooks that were sent: the files they hold, each to be checked, or all stored at once.

Lives here also: what is held between the check and the storing, for the pages of the import.
"""

from collections.abc import Iterable
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import HTMLResponse
from starlette.concurrency import run_in_threadpool

from analytics.vocabulary.errors import IngestError
from service.pages.rendering import ledger_of, message_page, page
from service.pages.uploads import FOLDER, Uploads
from service.usecases.files import digest as digest_of
from service.usecases.ledger import ImportOptions, ImportOutcome
from service.usecases.parts import Part, each_file
from service.wording import numbers

if TYPE_CHECKING:
    from ingest.unpacking import Member


def uploads_of(request: Request) -> Uploads:
    """Return what was sent to the pages and waits."""
    settings = ledger_of(request).settings
    return Uploads(
        settings.workspace / FOLDER,
        file_bytes_most=settings.largest_upload_bytes,
        bytes_most=settings.held_upload_bytes,
    )


def gone(request: Request) -> HTMLResponse:
    """Answer that a file is not held any more."""
    return message_page(
        request, "The file is no longer held.",
        "It was stored, or it waited for more than a week. Send it again to check it.",
        status=404, action=("/import", "Send a file"),
    )  # fmt: skip


def size_text(size_bytes: int) -> str:
    """Return a size in bytes or MB."""
    if size_bytes < 100_000:
        return f"{size_bytes:,}{numbers.NBSP}bytes"
    return f"{size_bytes / 1e6:,.1f}{numbers.NBSP}MB"


def part_of(parts: "Iterable[Member]", member: str | None, name: str) -> tuple[str, bytes]:
    """Return name and bytes of one file of what was sent.

    Raises
    ------
    IngestError
        If there is no such file in it, or it is damaged.
    """
    wanted = name if member is None else member
    for part in parts:
        if part.name == wanted:
            if part.refused:
                raise IngestError(part.refused)
            return part.name, part.data
    raise IngestError(f"{name}: holds no file {wanted!r}. Send it again.")


def list_files(
    request: Request, digest: str, name: str, parts: "list[Member]", exchanger: str | None
) -> HTMLResponse:
    """Answer the files of an archive: which are stored, which wait, which cannot be read."""
    if not parts:
        raise IngestError(f"{name}: the archive holds no file. Send the trends themselves.")
    stored = {run.get("sha256") for run in ledger_of(request).import_runs()}
    rows = [
        {
            "name": part.name.removeprefix(f"{name}/"),
            "size": size_text(len(part.data)) if not part.refused else "",
            "state": part.refused or ("stored" if digest_of(part.data) in stored else ""),
            "refused": bool(part.refused),
            "address": _address(digest, part.name, exchanger),
        }
        for part in parts
    ]
    waiting = sum(not row["state"] for row in rows)
    return page(
        request, "import_many.html", title="Import", name=name, digest=digest, files=rows,
        waiting=waiting, exchanger=exchanger, done=False,
    )  # fmt: skip


async def store_all(request: Request, digest: str) -> HTMLResponse:
    """Store each file of an archive about which no question is open, and say what became of each."""
    uploads = uploads_of(request)
    held = await run_in_threadpool(uploads.get, digest)
    if held is None:
        return gone(request)
    async with request.form() as sent:
        exchanger = str(sent.get("exchanger", "")) or None
    ledger = ledger_of(request)
    options = ImportOptions(exchanger=exchanger)

    def store_each() -> list[Part[ImportOutcome]]:
        deed = ledger.import_store
        return list(each_file(*held, lambda name, data: deed(name, data, options)))

    parts = await run_in_threadpool(store_each)
    tags = sorted({t for p in parts if p.done and not p.done.repeated for t in p.done.tags})
    if tags:
        ledger.assess_soon(tags)
    refused = sum(bool(p.refused) for p in parts)
    if not refused:
        uploads.forget(digest)
    rows = [
        {
            "name": part.name.removeprefix(f"{held[0]}/"),
            "size": "",
            "state": part.refused or _stored(part.done),
            "refused": bool(part.refused),
            "address": _address(digest, part.name, exchanger),
        }
        for part in parts
    ]
    return page(
        request, "import_many.html", title="Import", name=held[0], digest=digest, files=rows,
        waiting=refused, exchanger=exchanger, done=True, status=422 if refused == len(parts) else 200,
    )  # fmt: skip


def _stored(outcome: ImportOutcome | None) -> str:
    if outcome is None:
        return ""
    if outcome.repeated:
        return "was stored before; nothing is stored twice"
    return f"{outcome.account.sentence()}; for {', '.join(outcome.tags)}"


def _address(digest: str, member: str, exchanger: str | None) -> str:
    return f"/import/{digest}?" + urlencode(
        {"member": member, **({"exchanger": exchanger} if exchanger else {})}
    )
