"""Import in two steps: what a file was taken for, with its open questions; then storing it."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from analytics.vocabulary.errors import PlateledgerError
from ingest.outages import POINT_REASON, REASON
from service.pages.archives import gone, list_files, part_of, size_text, uploads_of
from service.pages.mapping import (
    LEAVE_OUT,
    MAPPING_QUESTION,
    Row,
    heading_of,
    proposed,
    roles_listed,
    rows_of,
    written_sentence,
)
from service.pages.rendering import ledger_of, message_page, page
from service.register.plant import Plant
from service.usecases.files import contents
from service.usecases.import_report import ImportAccount, change_sentence
from service.usecases.ledger import ImportCheck, ImportOptions, ImportOutcome
from service.wording import dates, numbers
from service.wording.numbers import count_word

_PLAIN = ("exchanger", "date_order", "time_zone", "decimal", "delimiter", "encoding", "stamp")
_CHOICES: dict[str, tuple[tuple[str, str], ...]] = {
    "date_order": (("", "as found"), ("dmy", "day first"), ("mdy", "month first"),
                   ("ymd", "year first")),
    "decimal": (("", "as found"), (".", "point"), (",", "comma")),
    "delimiter": (("", "as found"), (";", "semicolon"), (",", "comma"), ("\t", "tab"), ("|", "bar")),
    "stamp": (("", "as registered"), ("start", "its start"), ("end", "its end"), ("instant", "an instant")),
}  # fmt: skip
_RUNS_SHOWN = 20
_FINDINGS_SHOWN = 200
_REASONS = {
    "state": "a word in place of a figure, as of a fault or a state",
    "state word": "a word that was read as a state",
    "outside range": "a figure beyond what the quantity can be",
    "footer": "a line below the readings",
}


def show(
    request: Request, stored: int | None = None, written: int = 0, reread: int = 0
) -> HTMLResponse:
    """Answer the form for a file, and the past imports."""
    ledger = ledger_of(request)
    plant = ledger.plant()
    runs = ledger.import_runs()
    outcome = (
        next((r for r in runs if r.get("run") == stored), None) if stored is not None else None
    )
    return page(
        request, "import.html", title="Import", outcome=outcome, change=_change(outcome),
        runs=[_run(r, plant) for r in runs[:_RUNS_SHOWN]], working=ledger.working_on(),
        tags=[e.tag for e in plant.exchangers], written=written_sentence(written, reread),
    )  # fmt: skip


def _change(run: Mapping[str, Any] | None) -> str:
    if run is None:
        return ""
    return change_sentence(
        run.get("tags") or (), run.get("new_values") or 0, run.get("changed_values") or 0
    )


def _run(run: Mapping[str, Any], plant: Plant) -> dict[str, Any]:
    at = run.get("stored_utc")
    tags = run.get("tags") or ()
    return {
        "run": run.get("run"),
        "name": run.get("name", ""),
        "stored": f"{dates.short_day(at, plant.zone, year=True)}, {dates.clock(at, plant.zone)}"
        if at
        else "",
        "new_values": numbers.number(float(run.get("new_values") or 0), 0),
        "findings": numbers.number(float(run.get("findings") or 0), 0),
        "tags": ", ".join(tags) if not isinstance(tags, str) else tags,
    }


async def receive(request: Request) -> HTMLResponse | RedirectResponse:
    """Take a file and go on to its check."""
    async with request.form() as form:
        sent = form.get("file")
        exchanger = str(form.get("exchanger", ""))
        if not isinstance(sent, UploadFile) or not sent.filename:
            return message_page(
                request, "No file came.", "Choose a trend file and send it again.", status=422,
                action=("/import", "Back to import"),
            )  # fmt: skip
        name = sent.filename.replace("\\", "/").rsplit("/", 1)[-1]
        try:
            digest = await run_in_threadpool(uploads_of(request).keep, name, sent.file)
        except PlateledgerError as exc:
            return message_page(
                request, "The file was not taken.", str(exc), status=422,
                action=("/import", "Back to import"),
            )  # fmt: skip
    query = urlencode({"exchanger": exchanger} if exchanger else {})
    return RedirectResponse(f"/import/{digest}?{query}".rstrip("?"), status_code=303)


def check(
    request: Request, digest: str, member: str | None = None, written: int = 0, reread: int = 0
) -> HTMLResponse:
    """Answer what the file was taken for, or which files an archive holds; nothing is stored."""
    held = uploads_of(request).get(digest)
    if held is None:
        return gone(request)
    options = options_of(dict(request.query_params))
    ledger = ledger_of(request)
    try:
        parts = list(contents(*held))
        if member is None and [part.name for part in parts] != [held[0]]:
            return list_files(request, digest, held[0], parts, options.exchanger)
        name, data = part_of(parts, member, held[0])
        found = ledger.import_check(name, data, options)
    except PlateledgerError as exc:
        return message_page(
            request, "The file cannot be read; nothing was stored.", str(exc), status=422,
            action=("/import", "Send another file"),
        )  # fmt: skip
    return check_page(
        request, found, digest, options, member, written=written_sentence(written, reread)
    )


def check_page(
    request: Request, found: ImportCheck, digest: str, options: ImportOptions, member: str | None,
    *, rows: list[Row] | None = None, all_tag: str = "", problem: str = "", occupied: bool = False, file: str = "*",
    written: str = "", status: int = 200,
) -> HTMLResponse:  # fmt: skip
    """Answer what a file was taken for; ``rows``: as the user filled the form in."""
    ledger = ledger_of(request)
    plant = ledger.plant()
    examination = found.examination
    questions = list(examination.questions)
    rows = rows if rows is not None else rows_of(examination.columns, plant, options)
    others = [q for q in questions if not q.startswith(MAPPING_QUESTION)]
    chosen = {name: getattr(options, name) for name in _PLAIN if getattr(options, name)}
    return page(
        request, "import_check.html", title="Import", check=found, digest=digest,
        opening=_opening(examination.columns, questions, proposed(rows)), about=_about(found),
        stamps=[c.heading for c in examination.columns if c.left_out == "time"],
        rows=rows, rows_heading=heading_of(rows), roles=roles_listed(), leave_out=LEAVE_OUT,
        seen=ledger.register_digest(), problem=problem, occupied=occupied, file=file, written=written,
        all_tag=all_tag, overruled=bool(others or chosen or options.units),
        carried={**chosen, **{f"unit:{point}": unit for point, unit in options.units.items()}},
        questions=[_shown(q) for q in questions], refused=_refusals(examination.refused),
        silences=[f.text for f in found.findings if f.reason in (REASON, POINT_REASON)],
        doubtful=_refusals(examination.doubtful), notes=_refusals(examination.notes),
        clock=_sentence(examination.clock), clock_note=_sentence(examination.clock_note), date_format=examination.date_format,
        date_why=examination.date_format_why, span=_span(examination, plant),
        before=dates.long_day(found.stored_before_utc, plant.zone) if found.stored_before_utc else "",
        proposal=examination.proposal, choices=_CHOICES,
        options=options, tags=[e.tag for e in plant.exchangers],
        size=size_text(found.size), zone=str(plant.zone), member=member, status=status,
        account=found.account.sentence(stored=False), values=numbers.counted(found.account.values_stored, "value"),
        change=change_sentence(found.tags, found.new_values, found.changed_values),
    )  # fmt: skip


def _shown(question: str) -> str:
    if question.startswith(MAPPING_QUESTION):
        question = f"{MAPPING_QUESTION} which point is which. Choose in the rows marked below."
    return question[:1].upper() + question[1:]


def options_of(query: Mapping[str, str]) -> ImportOptions:
    plain: dict[str, Any] = {name: query.get(name) or None for name in _PLAIN}
    units = {k.removeprefix("unit:"): v for k, v in query.items() if k.startswith("unit:") and v}
    return ImportOptions(**plain, units=units, accept=bool(query.get("accept")))


def _opening(
    columns: Sequence[Any], questions: list[str], waiting: int
) -> tuple[str, str]:  # fmt: skip
    understood = sum(c.left_out == "time" or bool(c.taken_for) for c in columns)
    verb = "is" if understood == 1 else "are"
    first = f"{count_word(understood).capitalize()} of {count_word(len(columns))} columns {verb} understood"
    if not questions:
        rest = (
            f"{count_word(waiting)} {'waits' if waiting == 1 else 'wait'} to be confirmed"
            if waiting
            else "no question is open"
        )
        return f"{first}; {rest}.", "Nothing is stored yet."
    open_ = (
        "one question is open"
        if len(questions) == 1
        else f"{count_word(len(questions))} questions are open"
    )
    return f"{first}; {open_}.", "Nothing is stored yet."


def _about(found: ImportCheck) -> str:
    examination = found.examination
    delimiter = {"\t": "tabs", ";": "semicolons", ",": "commas", "|": "bars"}.get(
        examination.delimiter, ""
    )
    decimal = {",": "decimal comma", ".": "decimal point"}.get(examination.decimal, "")
    parts = [
        numbers.counted(examination.rows_read, "line"),
        examination.shape,
        delimiter,
        decimal,
        examination.encoding,
    ]
    return ", ".join(p for p in parts if p)


def _span(examination: Any, plant: Plant) -> str:
    if not (examination.first_utc and examination.last_utc):
        return ""
    step = examination.interval_s
    every = f", every {step / 60:g}{numbers.NBSP}min" if step else ""
    first, last = (
        f"{dates.long_day(at, plant.zone)}, {dates.clock(at, plant.zone)}"
        for at in map(datetime.fromisoformat, (examination.first_utc, examination.last_utc))
    )
    return f"{first} to {last}{every}"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


def _refusals(counts: Mapping[str, int]) -> list[tuple[str, str]]:
    ordered = sorted(counts.items(), key=lambda item: -item[1])
    return [
        (f"{count:,}", _REASONS.get(reason, reason.replace("_", " "))) for reason, count in ordered
    ]


async def store(request: Request, digest: str) -> HTMLResponse | RedirectResponse:
    """Store the file's readings and start the assessment."""
    uploads = uploads_of(request)
    held = await run_in_threadpool(uploads.get, digest)
    if held is None:
        return gone(request)
    async with request.form() as sent:
        form = {k: str(v) for k, v in sent.items()}
    member = form.pop("member", "") or None
    options, ledger = options_of(form), ledger_of(request)

    def store_it() -> ImportOutcome:
        name, data = part_of(contents(*held), member, held[0])
        return ledger.import_store(name, data, options)

    try:
        outcome = await run_in_threadpool(store_it)
    except PlateledgerError as exc:
        query = urlencode(
            {**({"member": member} if member else {}), **{k: v for k, v in form.items() if v}}
        )
        return message_page(
            request, "Nothing was stored.", str(exc), status=422,
            action=(f"/import/{digest}?{query}", "Back to the check"),
        )  # fmt: skip
    ledger.assess_soon(outcome.tags)
    if member is not None:  # the other files of the archive still wait
        return RedirectResponse(f"/import/{digest}", status_code=303)
    uploads.forget(digest)
    return RedirectResponse(f"/import?stored={outcome.run}", status_code=303)


def findings(request: Request, run: int) -> HTMLResponse:
    """Answer what an import refused or remarked, with line numbers."""
    ledger = ledger_of(request)
    found = ledger.findings(run, limit=_FINDINGS_SHOWN)
    report = ledger.import_report(run)
    account = ImportAccount(**report["account"]).sentence() if report else ""
    return page(
        request, "findings.html", title="Findings of an import", run=run, findings=found,
        account=account,
    )  # fmt: skip
