"""The form that says which point is which role: written into the register, then the file is stored."""

from collections.abc import Mapping
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool

from analytics.vocabulary.errors import IngestError, PlateledgerError
from service.pages.archives import gone, part_of, uploads_of
from service.pages.imports import check_page, options_of
from service.pages.mapping import answered, changes_of, rows_of
from service.pages.rendering import ledger_of, message_page
from service.register.editing import Occupied
from service.usecases.confirming import Confirmed
from service.usecases.files import contents
from service.usecases.ledger import ImportOptions, Ledger

_FIELDS_MOST = 20_000  # three for each column


async def confirm(request: Request, digest: str) -> HTMLResponse | RedirectResponse:
    """Write what was confirmed into the register; then store the file, or check it again."""
    held = await run_in_threadpool(uploads_of(request).get, digest)
    if held is None:
        return gone(request)
    async with request.form(max_fields=_FIELDS_MOST) as sent:
        form = {k: str(v) for k, v in sent.items()}
    member = form.get("member") or None
    carried = {k: v for k, v in form.items() if v and k.startswith("carry:")}
    query = {k.removeprefix("carry:"): v for k, v in carried.items()}
    options, ledger = options_of(query), ledger_of(request)
    address = f"/import/{digest}?" + urlencode({**({"member": member} if member else {}), **query})

    def write() -> HTMLResponse | RedirectResponse:
        name, data = part_of(contents(*held), member, held[0])
        plant = ledger.plant()
        found = ledger.import_check(name, data, options)
        rows = answered(rows_of(found.examination.columns, plant, options), form, plant)

        def again(problem: str, *, occupied: bool = False) -> HTMLResponse:
            return check_page(
                request, found, digest, options, member, rows=rows, problem=problem,
                occupied=occupied, all_tag=form.get("tag", ""), file=form.get("file", "*"), status=422,
            )  # fmt: skip

        if any(row.problem for row in rows):
            return again("Nothing is written yet: the rows marked below are not complete.")
        changes = changes_of(rows, form.get("file", "").strip() or "*")
        confirmed = None
        try:
            if changes:
                confirmed = ledger.confirm_points(
                    changes, seen=form.get("seen", ""), replace=bool(form.get("replace"))
                )
        except Occupied as exc:
            return again(str(exc), occupied=True)
        except PlateledgerError as exc:
            return again(str(exc))
        return _follow(request, ledger, confirmed, name, data, options, form, address)

    try:
        return await run_in_threadpool(write)
    except PlateledgerError as exc:
        return message_page(
            request, "Nothing was written.", str(exc), status=422, action=(address, "Back to the check")
        )  # fmt: skip


def _follow(
    request: Request, ledger: Ledger, confirmed: Confirmed | None, name: str, data: bytes,
    options: ImportOptions, form: Mapping[str, str], address: str,
) -> HTMLResponse | RedirectResponse:  # fmt: skip
    """Let stored originals follow the register, and store the file that waited."""
    points = len(confirmed.points) if confirmed else 0
    said = {"written": points} if points else {}
    tags: tuple[str, ...] = ()
    if confirmed is not None and confirmed.originals:
        try:
            done = ledger.reread()
        except IngestError as exc:
            return message_page(
                request, f"The register is written; {confirmed.originals} stored originals wait.",
                f"They hold points that changed, and could not be read again: {exc} "
                "With the command: plateledger reread --accept",
                status=422, action=(address, "Back to the check"),
            )  # fmt: skip
        tags, said = done.tags, {**said, "reread": done.files}
    if form.get("then") == "store":
        try:
            outcome = ledger.import_store(name, data, options)
        except IngestError as exc:
            if tags:
                ledger.assess_soon(tags)
            return message_page(
                request, "The register is written; the file is not stored yet." if points else "Nothing was stored.",
                str(exc), status=422, action=(f"{address}&{urlencode(said)}", "Back to the check"),
            )  # fmt: skip
        ledger.assess_soon(tuple(dict.fromkeys((*tags, *outcome.tags))))
        digest = request.path_params["digest"]
        if form.get("member"):
            return RedirectResponse(f"/import/{digest}?{urlencode(said)}", status_code=303)
        uploads_of(request).forget(digest)
        answer = urlencode({"stored": outcome.run, **said})
        return RedirectResponse(f"/import?{answer}", status_code=303)
    if tags:
        ledger.assess_soon(tags)
    return RedirectResponse(f"{address}&{urlencode(said)}", status_code=303)
