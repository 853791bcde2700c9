"""The page of documents: for each exchanger the paper that fits its verdict."""

from datetime import UTC, datetime
from pathlib import Path

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from analytics.vocabulary.errors import PlateledgerError
from analytics.vocabulary.records import VerdictKind
from service.pages.rendering import ledger_of, message_page, page
from service.register.plant import Plant
from service.wording import dates
from service.wording.staleness import old_plant
from service.wording.verdicts import headline

_FILES_SHOWN = 50


def show(request: Request, written: str = "") -> HTMLResponse:
    """Answer the list of papers that can be made."""
    ledger = ledger_of(request)
    plant, evaluations = ledger.plant(), ledger.evaluations()
    rows = [
        {
            "tag": e.tag,
            "building": (x.building if (x := plant.exchanger(e.tag)) else ""),
            "headline": headline(e, plant),
            "kind": "Request to clean, and visit sheet"
            if e.verdict.kind is VerdictKind.CLEAN_NOW
            else "Report, and visit sheet",
        }
        for e in evaluations
    ]
    return page(
        request, "documents.html", title="Documents", rows=rows, written=written,
        files=_files(ledger.settings.documents_path, plant),
        old=old_plant(evaluations, plant, ledger.now()),
    )  # fmt: skip


def _files(folder: Path, plant: Plant) -> list[tuple[str, str]]:
    """Return day and name of the documents written so far, the newest first."""
    if not folder.is_dir():
        return []
    found = [(datetime.fromtimestamp(f.stat().st_mtime, UTC), f.name) for f in folder.glob("*.pdf")]
    found.sort(reverse=True)
    return [(dates.long_day(at, plant.zone), name) for at, name in found[:_FILES_SHOWN]]


def pdf(request: Request, tag: str) -> Response:
    """Answer the document of ``tag`` as PDF."""
    try:
        data = ledger_of(request).document_pdf(tag)
    except PlateledgerError as exc:
        return message_page(
            request, "There is no document yet.", str(exc), status=404,
            action=("/documents", "Back to the documents"),
        )  # fmt: skip
    safe = "".join(c if c.isalnum() or c in "-_" else "-" for c in tag)
    return Response(
        data,
        media_type="application/pdf",
        headers={
            "Content-Disposition": f'inline; filename="{safe}.pdf"',
            "Cache-Control": "no-store",
        },
    )


def write(request: Request, tag: str) -> Response:
    """Write the document into the workspace and return to the list."""
    try:
        path = ledger_of(request).write_document(tag)
    except PlateledgerError as exc:
        return message_page(
            request, "The document was not written.", str(exc), status=422,
            action=("/documents", "Back to the documents"),
        )  # fmt: skip
    return RedirectResponse(f"/documents?written={path.name}", status_code=303)
