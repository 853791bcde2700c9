"""Trend files through the API: check first, then store."""

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, Path, Query, Response, UploadFile

from analytics.vocabulary.errors import IngestError
from service.api.dependencies import LedgerOf
from service.api.problems import NotFound
from service.api.schemas import ImportCheckOut, ImportManyOut, ImportOut, RefusedOut
from service.api.subjects import INTAKE
from service.usecases.files import ImportOptions
from service.usecases.import_report import report_csv
from service.usecases.ledger import Ledger
from service.usecases.parts import each_file

router = APIRouter(prefix="/imports", tags=[INTAKE])

Option = Annotated[str | None, Form()]
Run = Annotated[int, Path(description="Number of the import, as storing it answered.")]


@router.post("", status_code=200, summary="Check or store a trend file")
def import_file(
    ledger: LedgerOf,
    response: Response,
    file: Annotated[
        UploadFile, File(description="A trend file or an archive of them, packed or not.")
    ],
    check: Annotated[bool, Query(description="Only say what storing it would do.")] = False,
    exchanger: Option = None,
    date_order: Option = None,
    time_zone: Option = None,
    decimal: Option = None,
    delimiter: Option = None,
    encoding: Option = None,
    stamp: Option = None,
    accept: Annotated[bool, Form(description="Store as checked, questions or not.")] = False,
    unit_of: Annotated[list[str] | None, Form(description="POINT=UNIT")] = None,
) -> ImportCheckOut | ImportOut | ImportManyOut:
    """Check a trend file (`check=true`), or store it whole and begin to assess what it touches.

    A file about which a question is open is not stored; the check lists the questions, and the form
    fields answer them. Storing the same file again stores nothing twice.

    An archive of several files, or a workbook of several sheets, is answered file by file, each
    stored whole or not at all: with 207 where some were refused, with 422 where all were.
    """
    options = ImportOptions(
        exchanger=exchanger,
        date_order=date_order,
        time_zone=time_zone,
        decimal=decimal,
        delimiter=delimiter,
        encoding=encoding,
        stamp=stamp,
        units=dict(_pair(text) for text in unit_of or ()),
        accept=accept,
    )
    name = (file.filename or "upload").replace("\\", "/").rsplit("/", 1)[-1]
    data = read_upload(file, name, ledger.settings.largest_upload_bytes)

    def one(its_name: str, its_data: bytes) -> ImportCheckOut | ImportOut:
        do = _check if check else _store
        return do(ledger, its_name, its_data, options)

    parts = list(each_file(name, data, one))
    if not any(part.done for part in parts):
        raise IngestError(" ".join(part.refused for part in parts))
    if len(parts) == 1 and parts[0].done is not None:
        return parts[0].done
    refused = [RefusedOut(name=part.name, reason=part.refused) for part in parts if part.refused]
    response.status_code = 207 if refused else 200
    return ImportManyOut(
        name=name, files=[part.done for part in parts if part.done is not None], refused=refused
    )


@router.get("/{run}/report.json", summary="Report of an import")
def report_as_json(ledger: LedgerOf, run: Run) -> dict[str, Any]:
    """Return what an import read, stored, repaired and refused, by reason, with examples."""
    return _report(ledger, run)


@router.get("/{run}/report.csv", response_class=Response, summary="Report of an import as a table")
def report_as_csv(ledger: LedgerOf, run: Run) -> Response:
    """Return the report of an import as CSV: the account first, then a line for each example."""
    return Response(
        report_csv(_report(ledger, run)), media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="import-{run}.csv"'},
    )  # fmt: skip


def _report(ledger: Ledger, run: int) -> dict[str, Any]:
    found = ledger.import_report(run)
    if found is None:
        raise NotFound(f"There is no import {run}.")
    return found


def read_upload(file: UploadFile, name: str, most: int) -> bytes:
    """Return the bytes of an upload; raise IngestError where there are too many."""
    data = file.file.read(most + 1)
    if len(data) > most:
        raise IngestError(
            f"{name}: is larger than {most / 2**20:.0f} MiB. Split it by month, or use the command: "
            "plateledger import"
        )
    return data


def _pair(text: str) -> tuple[str, str]:
    point, equals, unit = text.rpartition("=")
    if not equals or not point or not unit:
        raise IngestError(f"unit_of: must read POINT=UNIT, got {text!r}.")
    return point, unit


def _check(ledger: Ledger, name: str, data: bytes, options: ImportOptions) -> ImportCheckOut:
    found = ledger.import_check(name, data, options)
    return ImportCheckOut(
        name=found.name,
        sha256=found.sha256,
        size=found.size,
        stored_before=found.stored_before_utc,
        tags=list(found.tags),
        rows=found.rows,
        new_rows=found.new_rows,
        new_values=found.new_values,
        changed_values=found.changed_values,
        refused_rows=found.refused_rows,
        account=asdict(found.account),
        questions=list(found.questions),
        findings=[f.to_dict() for f in found.findings],
        examination=found.examination.to_dict(),
    )


def _store(ledger: Ledger, name: str, data: bytes, options: ImportOptions) -> ImportOut:
    done = ledger.import_store(name, data, options)
    if not done.repeated:
        ledger.assess_soon(done.tags)
    return ImportOut(
        name=done.name,
        sha256=done.sha256,
        run=done.run,
        repeated=done.repeated,
        tags=list(done.tags),
        rows=done.rows,
        new_rows=done.new_rows,
        new_values=done.new_values,
        changed_values=done.changed_values,
        refused_rows=done.refused_rows,
        account=asdict(done.account),
        stored=done.stored_utc,
        assessing=[] if done.repeated else list(done.tags),
    )
