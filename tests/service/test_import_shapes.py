"""Folders, archives and files that complete each other, by the command, down to what is stored."""

import io
import zipfile

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from service.cli import data  # noqa: F401 - registers the command
from service.cli.command import app
from service.settings import Settings
from service.usecases.ledger import ImportOptions, Ledger

OPTIONS = ImportOptions()


@pytest.fixture
def run(workspace):
    def call(*arguments, status=0):
        done = CliRunner().invoke(app, [*map(str, arguments), "-w", str(workspace)])
        assert done.exit_code == status, done.output
        return done

    return call


def test_a_folder_with_an_archive_of_one_file_a_point(run, write_trends, tmp_path, workspace):
    frame = pd.read_csv(io.StringIO(write_trends()), index_col="Time")
    folder = tmp_path / "exports"
    (folder / "2025").mkdir(parents=True)
    names = [str(c) for c in frame.columns]
    with zipfile.ZipFile(folder / "2025" / "temperatures.zip", "w") as archive:
        for name in names[:4]:
            archive.writestr(f"{name}.csv", frame[name].rename("Value").to_csv())
    frame[names[4:]].to_csv(folder / "rest.csv")
    (folder / ".hidden.csv").write_text("nothing to read")
    done = run("import", folder)
    assert done.stdout.count("values stored") == 5
    ledger = Ledger.open(Settings(workspace=workspace))
    stored = ledger.readings("HX-01")
    ledger.close()
    assert stored.shape == (48, 6)
    assert stored["primary_supply_temperature"].tolist() == frame[names[0]].tolist()


def test_what_is_wrong_in_an_archive_is_said_and_the_rest_is_stored(run, write_trends, tmp_path):
    path = tmp_path / "both.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("good.csv", write_trends())
        archive.writestr("letter.txt", "Please find the trends enclosed.")
    done = run("import", path, status=1)
    assert "both.zip/letter.txt" in done.stderr
    assert "288 values stored" in done.stdout


def test_a_folder_without_a_file_says_so(run, tmp_path):
    (tmp_path / "empty").mkdir()
    assert "No file was found" in run("import", tmp_path / "empty", status=1).stderr


def test_hourly_readings_of_a_meter_lie_beside_temperatures_of_five_minutes(ledger, write_trends):
    frame = pd.read_csv(io.StringIO(write_trends(step_min=5)), index_col="Time")
    flow = "A.HX1.HM FLOW"
    ledger.import_store("bms.csv", frame.drop(columns=flow).to_csv().encode(), OPTIONS)
    meter = frame[flow].iloc[3::12]
    # three digits behind every comma may be decimals or thousands: the file alone does not tell
    stated = ImportOptions(decimal=",")
    ledger.import_store("meter.csv", meter.to_csv(sep=";", decimal=",").encode(), stated)
    stored = ledger.readings("HX-01")
    assert len(stored) == len(frame)
    assert stored["primary_flow"].count() == len(meter)
    assert stored["primary_flow"].dropna().to_numpy() == pytest.approx(meter.to_numpy() / 3600)
    assert np.isfinite(stored["primary_supply_temperature"]).all()
