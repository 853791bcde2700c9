"""The report of an import counts each line and cell once, and names what was done about it."""

import io
import zipfile

from service.usecases.import_report import report_csv
from service.usecases.ledger import ImportOptions


def test_counts_add_up_and_examples_carry_line_and_column(ledger, write_trends):
    lines = write_trends().strip().split("\n")
    cells = lines[5].split(",")
    lines[5] = ",".join([cells[0], "6O.1", "", *cells[3:]])  # line 6: one unreadable, one empty
    lines[9] = lines[9] + ",0"  # line 10: a cell too many
    lines.insert(20, lines[0])  # line 21: the header again
    done = ledger.import_store("oct.csv", ("\n".join(lines) + "\n").encode(), ImportOptions())
    account = done.account
    assert (account.lines_read, account.lines_refused, account.stamps_stored) == (49, 1, 47)
    assert (account.values_stored, account.cells_missing, account.cells_refused) == (280, 1, 1)
    # 47 stamps of 6 points: what is not stored is missing or refused
    assert account.values_stored + account.cells_missing + account.cells_refused == 47 * 6
    report = ledger.import_report(done.run)
    by_reason = {r["reason"]: r for r in report["reasons"]}
    assert by_reason["number"]["examples"][0]["line"] == 6
    assert "6O.1" in by_reason["number"]["examples"][0]["text"]
    assert by_reason["number of cells"]["examples"][0]["line"] == 10
    assert (by_reason["header again"]["what"], by_reason["header again"]["count"]) == (
        "repaired",
        1,
    )
    table = report_csv(report)
    assert "refused,number,1,6,A.HX1.PRI FLW T" in table
    assert "missing,cells missing,1" in table


def test_there_is_no_report_of_an_import_that_never_was(ledger):
    assert ledger.import_report(17) is None


def test_an_archive_sent_to_the_page_is_checked_file_by_file(ledger, write_trends):
    from fastapi.testclient import TestClient

    from service.app import create_app

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.csv", write_trends())
        archive.writestr("b.csv", write_trends("2025-10-03"))
    client = TestClient(create_app(ledger.settings), base_url="http://127.0.0.1")
    client.headers["origin"] = "http://127.0.0.1"
    with client:
        sent = client.post("/import", files={"file": ("both.zip", packed.getvalue())})
        assert "both.zip holds 2 files" in sent.text
        address = sent.text.split('href="/import/')[1].split('"')[0]
        assert "both.zip/a.csv" in client.get(f"/import/{address}").text
