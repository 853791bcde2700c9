"""The report of an import: what was read, stored, repaired and refused, by reason, with examples."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from service.store import imports
from service.store.store import Store
from service.wording.numbers import counted

_EXAMPLES_EACH = 20
_COLUMNS = ("what", "reason", "count", "line", "column", "text")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportAccount:
    """What became of the lines and cells of a file; each counts once, whatever it serves."""

    lines_read: int
    lines_refused: int
    stamps_stored: int
    values_stored: int  # of all exchangers together
    cells_missing: int  # empty, or a word for no value
    cells_refused: int

    def sentence(self, *, stored: bool = True) -> str:
        """Return the account in one line; ``stored``: or only checked, in the same words."""
        done = "stored" if stored else "to store"
        return (
            f"{counted(self.lines_read, 'line')} read, {self.lines_refused:,} of them refused; "
            f"{counted(self.values_stored, 'value')} {done} at {counted(self.stamps_stored, 'stamp')}, "
            f"{counted(self.cells_missing, 'cell')} missing, {self.cells_refused:,} refused"
        )


def change_sentence(tags: Sequence[str], new_values: int, changed_values: int) -> str:
    """Return what a file changes, or would change, in what is stored of its exchangers."""
    return (
        f"For {', '.join(tags)}: {counted(new_values, 'value')} new, "
        f"{counted(changed_values, 'value')} changed"
    )


def account_of(examination: Mapping[str, Any]) -> ImportAccount:
    """Return the account of an examination; imports of earlier versions know less, which counts 0."""
    return ImportAccount(
        lines_read=examination.get("rows_read", 0),
        lines_refused=examination.get("rows_refused", 0),
        stamps_stored=examination.get("rows_stored", 0),
        values_stored=examination.get("values_stored", 0),
        cells_missing=examination.get("cells_missing", 0),
        cells_refused=examination.get("cells_refused", 0),
    )


def import_report(store: Store, number: int) -> dict[str, Any] | None:
    """Return the report of a stored import as plain values; ``None`` where there is none.

    ``reasons`` holds for each reason what was done ("refused", "repaired", "doubtful", "noted"),
    the exact count, and examples with line, column and sentence.
    """
    with store.reading() as connection:
        run = imports.find_run(connection, number)
        if run is None:
            return None
        findings = imports.list_findings(connection, number, limit=100_000)
    examination = run["examination"]
    return {
        "run": number,
        "name": run["name"],
        "sha256": run["sha256"],
        "stored": run["stored_utc"].isoformat(),
        "exchangers": list(run["tags"]),
        "account": asdict(account_of(examination)),
        "new_values": run["new_values"],
        "changed_values": run["changed_values"],
        "columns": [
            {name: column.get(name) for name in (
                "heading", "taken_for", "left_out", "unit_used", "values_read", "values_missing",
                "values_unreadable", "values_outside_range", "missing_words",
            )}
            for column in examination.get("columns", ())
        ],
        "reasons": _reasons(examination, findings),
    }  # fmt: skip


def _reasons(
    examination: Mapping[str, Any], findings: Iterable[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    from ingest.findings import REPAIRS

    words = {"refused": "refused", "doubtful": "doubtful", "notes": "noted"}
    severities = {"refused": "refused", "doubtful": "doubtful", "notes": "note"}
    examples: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for finding in findings:
        kept = examples.setdefault((finding["severity"], finding["reason"]), [])
        if len(kept) < _EXAMPLES_EACH:
            kept.append({name: finding[name] for name in ("line", "column", "text")})
    return [
        {
            "what": "repaired" if field != "refused" and reason in REPAIRS else word,
            "reason": reason,
            "count": count,
            "examples": examples.get((severities[field], reason), []),
        }
        for field, word in words.items()
        for reason, count in sorted(examination.get(field, {}).items(), key=lambda i: -i[1])
    ]


def report_csv(report: Mapping[str, Any]) -> str:
    """Return a report as a table: the account first, then a line for each example."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for name, count in report["account"].items():
        writer.writerow(("account", name.replace("_", " "), count, "", "", ""))
    for column in report["columns"]:
        if column["values_missing"]:
            writer.writerow(
                ("missing", "cells missing", column["values_missing"], "", column["heading"], "")
            )
        elif column["left_out"] and column["left_out"] != "time":
            writer.writerow(("left out", column["left_out"], "", "", column["heading"], ""))
    for reason in report["reasons"]:
        for example in reason["examples"] or [{"line": None, "column": None, "text": ""}]:
            writer.writerow(
                (reason["what"], reason["reason"], reason["count"], example["line"],
                 example["column"], example["text"])
            )  # fmt: skip
    return out.getvalue()
