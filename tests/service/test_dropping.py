"""A watched folder: files are taken when whole, and end in done or refused."""

import os
import zipfile

import pytest

from service.settings import Settings
from service.store import imports
from service.usecases.dropping import DropFolder
from service.usecases.files import ImportOptions
from service.usecases.ledger import Ledger


@pytest.fixture
def drop(tmp_path):
    folder = DropFolder(tmp_path / "inbox", settle_s=0.0)
    folder.prepare()
    return folder


def take(drop, ledger):
    """Two looks: a file must stand still from one to the next."""
    drop.sweep(ledger)
    return drop.sweep(ledger)


@pytest.fixture
def ledger(workspace):

    opened = Ledger.open(Settings(workspace=workspace, workers=1))
    opened.load_register()
    yield opened
    opened.close()


def test_a_file_is_stored_and_moved_to_done(drop, ledger, write_trends):
    (drop.folder / "october.csv").write_text(write_trends())
    assert drop.sweep(ledger) == [], "the first look only notes its size"
    (taken,) = drop.sweep(ledger)
    assert taken.outcomes[0].new_rows == 48
    assert taken.moved_to == drop.folder / "done" / "october.csv"
    assert taken.moved_to.exists()
    assert not (drop.folder / "october.csv").exists()
    assert drop.sweep(ledger) == []


def test_a_file_that_still_grows_waits(drop, ledger, write_trends):
    text = write_trends()
    path = drop.folder / "october.csv"
    for end in (500, 1500, len(text)):
        path.write_text(text[:end])
        os.utime(path, ns=(end, end))
        assert drop.sweep(ledger) == []
    assert drop.sweep(ledger)[0].outcomes[0].new_rows == 48


@pytest.mark.parametrize("name", [".hidden.csv", "october.csv.part", "october.csv.tmp", "x.csv~"])
def test_what_another_program_is_writing_is_left_alone(drop, ledger, write_trends, name):
    (drop.folder / name).write_text(write_trends())
    assert take(drop, ledger) == []
    assert (drop.folder / name).exists()


def test_a_refused_file_has_its_reason_beside_it(drop, ledger):
    (drop.folder / "minutes.csv").write_bytes(b"\x00\x01\x02")
    (taken,) = take(drop, ledger)
    reason = drop.folder / "refused" / "minutes.csv.reason.txt"
    assert taken.refused in reason.read_text()
    assert taken.moved_to.read_bytes() == b"\x00\x01\x02"


def test_an_open_question_is_not_answered_by_itself(drop, ledger):
    rows = "".join(f"0{d}/0{d + 1}/2025 10:00,80,45\n" for d in range(1, 8))
    (drop.folder / "a.csv").write_text("Time,A.HX1.PRI FLW T,A.HX1.PRI RTN T\n" + rows)
    (taken,) = take(drop, ledger)
    assert taken.outcomes == ()
    assert ledger.import_runs() == ()


def test_names_that_come_again_are_kept_apart(drop, ledger, write_trends):
    for start in ("2025-10-01", "2025-10-08"):
        (drop.folder / "export.csv").write_text(write_trends(start=start))
        assert take(drop, ledger)[0].outcomes[0].new_rows == 48
    assert sorted(p.name for p in (drop.folder / "done").iterdir()) == [
        "export (2).csv",
        "export.csv",
    ]


def test_after_a_crash_between_storing_and_moving_nothing_is_doubled(drop, ledger, write_trends):
    text = write_trends()
    ledger.import_store("october.csv", text.encode(), ImportOptions())
    (drop.folder / "october.csv").write_text(text)
    (taken,) = take(DropFolder(drop.folder, settle_s=0.0), ledger)
    assert taken.outcomes[0].repeated
    assert len(ledger.readings("HX-01")) == 48


def test_each_file_of_an_archive_is_taken_and_the_bad_ones_are_named(drop, ledger, write_trends):
    good = {"a.csv": write_trends(), "b.csv": write_trends(start="2025-10-03")}
    with zipfile.ZipFile(drop.folder / "both.zip", "w") as archive:
        for name, text in good.items():
            archive.writestr(name, text)
        archive.writestr("letter.txt", "Please find the trends enclosed.")
    (taken,) = take(drop, ledger)
    assert [(o.name, o.new_rows) for o in taken.outcomes] == [
        ("both.zip/a.csv", 48), ("both.zip/b.csv", 48)
    ]  # fmt: skip
    reason = (drop.folder / "refused" / "both.zip.reason.txt").read_text()
    assert "both.zip/letter.txt" in reason
    assert "Stored of it: both.zip/a.csv, both.zip/b.csv." in reason
    assert (drop.folder / "refused" / "both.zip").exists()
    with ledger.store.reading() as connection:
        kept = [imports.kept_file(connection, o.sha256) for o in taken.outcomes]
    assert kept == [text.encode() for text in good.values()], "the original of each file is kept"


def test_an_archive_cut_short_or_empty_is_refused(drop, ledger, write_trends):
    path = drop.folder / "cut.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.csv", write_trends())
    path.write_bytes(path.read_bytes()[:-40])
    with zipfile.ZipFile(drop.folder / "empty.zip", "w"):
        pass
    reasons = {taken.name: taken.refused for taken in take(drop, ledger)}
    assert "cut.zip: the zip file cannot be read" in reasons["cut.zip"]
    assert "holds no file" in reasons["empty.zip"]
