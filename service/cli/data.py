"""``import``, ``assess`` and ``export``: readings in, evaluations made, tables out."""

import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from service.cli.command import AsJson, Workspace, app, opened

if TYPE_CHECKING:
    from datetime import tzinfo

    from service.usecases.importing import ImportCheck, ImportOutcome


@app.command("import")
def import_files(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="Trend files, folders and archives: text, workbooks, Parquet; packed or not."
        ),
    ],
    check: Annotated[
        bool, typer.Option("--check", help="Say what the files hold; store nothing.")
    ] = False,
    exchanger: Annotated[
        str | None, typer.Option(help="The files are this exchanger's alone.")
    ] = None,
    date_order: Annotated[
        str | None, typer.Option(help="dmy, mdy or ymd, where the dates leave it open.")
    ] = None,
    time_zone: Annotated[
        str | None, typer.Option(help="Zone of the stamps, if not the site's: CET, UTC or +01:00.")
    ] = None,
    decimal: Annotated[str | None, typer.Option(help="'.' or ','.")] = None,
    delimiter: Annotated[str | None, typer.Option(help="';', ',', '|' or tab.")] = None,
    encoding: Annotated[str | None, typer.Option(help="utf-8, utf-16, cp1252 or cp850.")] = None,
    stamp: Annotated[
        str | None, typer.Option(help="A stamp is an interval's start, its end, or an instant.")
    ] = None,
    unit_of: Annotated[
        list[str] | None,
        typer.Option(metavar="POINT=UNIT", help="Unit of a point in these files; may be repeated."),
    ] = None,
    accept: Annotated[
        bool,
        typer.Option(
            "--accept", help="Where a question is open, store as --check says it is taken."
        ),
    ] = False,
    report_to: Annotated[
        Path | None,
        typer.Option(
            "--report",
            help="Write what was read, stored, repaired and refused to this file: .json or .csv.",
        ),
    ] = None,
    workspace: Workspace = None,
    as_json: AsJson = False,
) -> None:
    """Store the readings of trend files. Each file is stored whole or not at all.

    The same file twice is stored once. Files may overlap: readings are merged, and where a value
    differs the newer import wins. Lines that cannot be used are counted and listed with their
    numbers; the bytes of every file are kept.

    \b
    Examples:
      plateledger import -w plant trends/2026-*.csv
      plateledger import -w plant october.csv --check
      plateledger import -w plant exports/ archive-2025.zip logbook.xlsx
      plateledger import -w plant block-a.csv.gz --date-order dmy --time-zone UTC
      plateledger import -w plant oct.csv --unit-of "A.HX1.HM FLOW=l/s"
    """
    from analytics.vocabulary.errors import PlateledgerError
    from service.cli.output import WRONG_USE, fail, note, print_json, progress
    from service.store.codec import plain
    from service.usecases.files import ImportOptions, files_below, load
    from service.usecases.parts import each_file

    pairs = [u.rpartition("=") for u in unit_of or ()]
    if any(not point or not unit for point, _, unit in pairs):
        fail('--unit-of: write it as POINT=UNIT, as in "A.HX1.HM FLOW=l/s".', WRONG_USE)
    options = ImportOptions(
        exchanger=exchanger,
        date_order=date_order,
        time_zone=time_zone,
        decimal=decimal,
        delimiter=delimiter,
        encoding=encoding,
        stamp=stamp,
        units={point: unit for point, _, unit in pairs},
        accept=accept,
    )
    results: list[dict[str, Any]] = []
    reports: list[dict[str, Any]] = []
    failed = 0

    def one(ledger: Any, name: str, data: bytes | Path) -> None:
        if check:
            checked = ledger.import_check(name, data, options, plant)
            results.append(_check_values(checked))
            if not as_json:
                _print_check(checked, plant.zone, accept=accept)
        else:
            outcome = ledger.import_store(name, data, options)
            results.append(plain(outcome))
            reports.append(ledger.import_report(outcome.run))
            if not as_json:
                _print_outcome(outcome, ledger)

    def refused(name: str, reason: str) -> None:
        nonlocal failed
        failed += 1
        note(reason)
        results.append({"name": name, "error": reason})

    found = list(files_below(files))
    # a check stores nothing, not even the register by which it reads
    with opened(workspace, load=None if check else True) as ledger, progress() as report:
        plant = ledger.plant_as_written() if check else ledger.plant()
        for n, (path, shown) in enumerate(found):
            report(f"importing {shown}", n, len(found))
            try:
                data = load(path)
            except PlateledgerError as exc:
                refused(shown, str(exc))
                continue
            for part in each_file(shown, data, partial(one, ledger)):
                if part.refused:
                    refused(part.name, part.refused)
        report("imported", len(found), len(found))
    if not as_json:
        _print_assumed(reports)
    if report_to is not None:
        _write_reports(report_to, reports)
    if not found:
        note("No file was found there.")
        failed += 1
    if as_json:
        print_json(results)
    if failed:
        raise typer.Exit(1)


def _print_assumed(reports: list[dict[str, Any]]) -> None:
    """Say which regular logs were silent, and once for all files which clock was taken unasked."""
    from service.cli.output import note

    for report in reports:
        for reason in report["reasons"]:
            if reason["reason"] in ("logger silent", "point silent"):
                for example in reason["examples"]:
                    note(f"{report['name']}: {example['text']}")
    said = [
        (report["name"], reason["examples"][0]["text"])
        for report in reports
        for reason in report["reasons"]
        if reason["reason"] == "clock assumed" and reason["examples"]
    ]
    if said:
        more = f" and {len(said) - 1} more" if len(said) > 1 else ""
        note(f"{said[0][0]}{more}: {said[0][1]}")


def _write_reports(path: Path, reports: list[dict[str, Any]]) -> None:
    import json

    from service.cli.output import fail, note
    from service.usecases.import_report import report_csv
    from service.wording.numbers import counted

    if path.suffix.lower() == ".csv":
        text = "".join(f"# {r['name']}\n{report_csv(r)}" for r in reports)
    else:
        text = json.dumps(reports, indent=2, ensure_ascii=False)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as exc:
        fail(f"{path}: cannot be written, {exc.strerror}.")
    note(f"{path}: the report of {counted(len(reports), 'import')}.")


def _check_values(checked: "ImportCheck") -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "name": checked.name,
        "sha256": checked.sha256,
        "tags": list(checked.tags),
        "rows": checked.rows,
        "new_rows": checked.new_rows,
        "new_values": checked.new_values,
        "changed_values": checked.changed_values,
        "refused_rows": checked.refused_rows,
        "account": asdict(checked.account),
        "questions": list(checked.questions),
        "findings": [f.to_dict() for f in checked.findings],
        "examination": checked.examination.to_dict(),
    }


_ADD = (
    "Put what each column is below [exchanger.points] in plant.toml, as in the entries proposed above, or "
    "choose it on the Import page; then check again."
)


def _print_check(checked: "ImportCheck", zone: "tzinfo", *, accept: bool) -> None:
    from datetime import datetime

    from service.cli.output import say
    from service.usecases.import_report import change_sentence
    from service.wording import dates

    found = checked.examination
    span = "no stamps read"
    if found.first_utc and found.last_utc:
        first, last = (datetime.fromisoformat(t) for t in (found.first_utc, found.last_utc))
        span = f"{dates.stamp(first, zone)} to {dates.stamp(last, zone)}"
    say(f"{checked.name}: {found.shape} table, {found.encoding}, decimal {found.decimal!r}, {span}")
    for column in found.columns:
        taken = ", ".join(f"{tag} {role}" for tag, role in column.taken_for)
        if taken:
            say(f"  {column.heading!r}: {taken}, in {column.unit_used or 'no unit'}")
        else:
            say(f"  {column.heading!r}: left out, {column.left_out or 'not in the register'}")
    for finding in checked.findings[:20]:
        place = f" line {finding.line}" if finding.line is not None else ""
        column_name = f", column {finding.column}" if finding.column else ""
        say(f"  {finding.severity}{place}{column_name}: {finding.text}")
    if len(checked.findings) > 20:
        say(f"  … and {len(checked.findings) - 20} more; --json lists them")
    for question in checked.questions:
        say(f"  QUESTION: {question}")
    if found.proposal:
        say("  Entries to consider for the register:")
        for line in found.proposal.splitlines():
            say(f"    {line}")
    if checked.stored_before_utc is not None:
        say(f"  These very bytes were stored on {dates.stamp(checked.stored_before_utc, zone)}.")
    if not checked.tags:
        say(
            "  None of its points is in the register, so that storing it would add nothing. " + _ADD
        )
        return
    left = [c.heading for c in found.columns if not c.taken_for and c.left_out != "time"]
    if left:
        columns = "column is" if len(left) == 1 else "columns are"
        say(f"  {len(left)} {columns} left out, as said above.")
    say(
        f"  {checked.account.sentence(stored=False)}. "
        f"{change_sentence(checked.tags, checked.new_values, checked.changed_values)}. Nothing was stored."
    )
    if checked.questions and not accept:
        say("  An import will be refused while a question is open: correct it, or add --accept.")


_FINDINGS_SHOWN = 3


def _print_outcome(outcome: "ImportOutcome", ledger: Any) -> None:
    from service.cli.output import note, say
    from service.usecases.import_report import change_sentence
    from service.wording import dates

    if outcome.repeated:
        say(
            f"{outcome.name}: was stored on {dates.stamp(outcome.stored_utc, ledger.plant().zone)} already; "
            "nothing is stored twice."
        )
        return
    say(
        f"{outcome.name}: {outcome.account.sentence()}. "
        f"{change_sentence(outcome.tags, outcome.new_values, outcome.changed_values)}."
    )
    if outcome.refused_rows:
        told = [
            f for f in ledger.findings(outcome.run) if f["severity"] != "note"
        ]  # notes tell of no row that was refused
        for finding in told[:_FINDINGS_SHOWN]:
            line = f" line {finding['line']}" if finding["line"] is not None else ""
            column = f", column {finding['column']}" if finding["column"] else ""
            note(f"  {outcome.name}{line}{column}: {finding['text']}")
        more = max(len(told), outcome.refused_rows) - _FINDINGS_SHOWN
        if more > 0:
            note(f"  and {more:,} more; --report FILE tells of all reasons.")


@app.command("assess")
def assess_exchangers(
    tags: Annotated[
        list[str] | None, typer.Argument(help="Exchangers; without: all.", show_default=False)
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Also where neither readings, log nor register changed.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option(help="Exchangers at the same time; without: one per core.")
    ] = None,
    workspace: Workspace = None,
    as_json: AsJson = False,
) -> None:
    """Assess exchangers: verdict, cause, forecast and money from the stored readings.

    \b
    Examples:
      plateledger assess -w plant
      plateledger assess -w plant HX-03 --again
    """
    from service.cli.output import note, print_json, progress, say
    from service.store.codec import plain

    with opened(workspace, load=True, workers=workers) as ledger:
        with progress() as report:
            outcome = ledger.assess(tags or None, again=again, progress=report)
        if as_json:
            print_json(plain(outcome))
        else:
            for tag in outcome.assessed:
                say(f"{tag}: assessed.")
            for tag in outcome.without_readings:
                note(f"{tag}: has no readings. Import a trend file that holds its points.")
            if outcome.unchanged:
                note(
                    f"Nothing new for {', '.join(outcome.unchanged)}; --again assesses them anyway."
                )
        for text in outcome.failed.values():
            note(text)
        if outcome.failed:
            raise typer.Exit(1)


@app.command("export")
def export_table(
    tag: Annotated[str, typer.Argument(help="The exchanger.")],
    what: Annotated[str, typer.Option(help="daily, intervals, readings or gaps.")] = "daily",
    file_format: Annotated[str, typer.Option("--format", help="csv or parquet.")] = "csv",
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="File to write; without: standard output.")
    ] = None,
    workspace: Workspace = None,
) -> None:
    """Write the daily account, the grid intervals or the readings as a table, in SI units.

    The unit ends each column's name; times are UTC. Gaps are the times for which a logger says
    itself that it has no value.

    \b
    Examples:
      plateledger export HX-03 -w plant --what daily -o hx-03.csv
      plateledger export HX-03 -w plant --what intervals --format parquet -o hx-03.parquet
    """
    from service.cli.output import WRONG_USE, fail, note
    from service.usecases.exporting import encoded, export_frame, write_export

    if what not in ("daily", "intervals", "readings", "gaps"):
        fail(f"--what: must be daily, intervals, readings or gaps, got {what!r}.", WRONG_USE)
    if file_format not in ("csv", "parquet"):
        fail(f"--format: must be csv or parquet, got {file_format!r}.", WRONG_USE)
    if output is None and file_format == "parquet" and sys.stdout.isatty():
        fail("Parquet is not for a terminal. Name a file with -o.", WRONG_USE)
    with opened(workspace) as ledger:
        frame = export_frame(ledger.store, tag, what)  # type: ignore[arg-type]
        data = encoded(frame, file_format)  # type: ignore[arg-type]
        if output is None:
            sys.stdout.buffer.write(data)
        else:
            write_export(data, output)
            note(f"{output}: {len(frame):,} rows.")
