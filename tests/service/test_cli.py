"""The command as a user has it: answers on standard output, sentences on standard error."""

import io
import json
import os
import signal
import subprocess
import sys
import time
import tracemalloc
from pathlib import Path

import httpx2
import pandas as pd
import pytest
from typer.testing import CliRunner

from service.cli import (  # noqa: F401
    answers,
    data,
    maintenance,
    proposals,
    receiving,
    rereading,
    serving,
    setting_up,
)
from service.cli.command import app
from service.register.reading import example_register, parse_register
from service.settings import Settings
from service.usecases.assessing import assess
from service.usecases.ledger import Ledger
from tests.service import made_up

ROOT = Path(__file__).parent.parent.parent
COMMANDS = ("init", "register", "import", "assess", "status", "alerts", "export", "log", "document", "proposals",
            "serve", "demo", "sender", "watch", "listen", "reread")  # fmt: skip


@pytest.fixture
def run(workspace):
    """Run the command inside this process."""
    runner = CliRunner()

    def call(*arguments, status=0):
        known = [*arguments, "-w", str(workspace)]
        done = runner.invoke(app, known, catch_exceptions=False)
        assert done.exit_code == status, done.output
        return done

    return call


def outside(*arguments, **more):
    """Run the command as a program of its own."""
    code = "from service.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=ROOT, capture_output=True, text=True, timeout=120, check=False, **more,
    )  # fmt: skip


@pytest.fixture
def trend_file(tmp_path, write_trends):
    path = tmp_path / "october.csv"
    path.write_text(write_trends(), encoding="utf-8")
    return path


@pytest.fixture
def assessed(run, workspace, trend_file):
    """A workspace with readings and a finished answer."""
    run("import", str(trend_file))
    ledger = Ledger.open(Settings(workspace=workspace))
    assess(ledger.store, workers=1, evaluate=lambda x, t, e: made_up.deposit(x.tag))
    ledger.close()
    return run


# --- help and start-up -----------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_an_example(command):
    done = CliRunner().invoke(app, [command, "--help"])
    assert done.exit_code == 0
    assert "Example" in done.output
    assert f"plateledger {command}" in done.output


def test_every_command_is_listed():
    done = CliRunner().invoke(app, ["--help"])
    for command in COMMANDS:
        assert f"\n  {command} " in done.output


def test_help_does_not_load_what_it_does_not_need():
    """Start-up is quick because none of the large libraries is imported for it."""
    code = (
        "import sys; sys.argv = ['plateledger', 'status', '--help']\n"
        "from service.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "print([m for m in ('pandas', 'numpy', 'scipy', 'sqlalchemy', 'fastapi', 'pint')"
        " if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "[]"


# --- set up ----------------------------------------------------------------------------------------


def test_init_register_and_what_is_taken_for_granted(tmp_path):
    folder = tmp_path / "new"
    done = outside("init", "-w", folder)
    assert (done.returncode, done.stdout.split()) == (
        0, [str(folder / "plant.toml"), str(folder / "maintenance.csv")],
    )  # fmt: skip
    again = CliRunner().invoke(app, ["init", "-w", str(folder)])
    assert (again.exit_code, again.stdout) == (1, "")
    assert "stays as it is" in again.stderr
    path = folder / "plant.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("area_m2 = 10.2", "# area_m2"), encoding="utf-8")
    done = outside("register", "-w", folder)
    assert done.returncode == 0
    assert "without area_m2: UA, but no U" in done.stdout
    path.write_text(text.replace("area_m2", "aera_m2"), encoding="utf-8")
    for arguments in (("register",), ("register", "--check"), ("assess",)):
        done = CliRunner().invoke(app, [*arguments, "-w", str(folder)])
        assert (done.exit_code, done.stdout) == (1, "")
        assert done.stderr == (
            'plant.toml, exchanger "HX-01": "aera_m2" is not known. Did you mean "area_m2"?\n'
        )


def test_register_as_json(run):
    values = json.loads(run("register", "--json").stdout)
    assert values["exchangers"] == ["HX-01"]
    assert values["loaded"] is True


def test_a_folder_without_a_register_gets_no_ledger(tmp_path):
    done = CliRunner().invoke(app, ["status", "-w", str(tmp_path)])
    assert done.exit_code == 1
    assert "plateledger init" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [("status", "--nonsense"), ("import",), ("serve", "--port", "99999"), ("nonsense",),
     ("import", "x.csv", "--unit-of", "A"), ("export", "HX-01", "--what", "all"),
     ("log", "HX-01", "2026-03-02")],
)  # fmt: skip
def test_wrong_use_is_status_2(workspace, arguments):
    done = CliRunner().invoke(app, [*arguments, "-w", str(workspace)])
    assert done.exit_code == 2
    assert done.stdout == ""
    assert done.stderr


# --- import ----------------------------------------------------------------------------------------


def test_check_store_and_store_again(run, trend_file):
    done = run("import", str(trend_file), "--check")
    assert "'A.HX1.PRI FLW T': HX-01 primary_supply_temperature, in degC" in done.stdout
    assert "288 values new, 0 values changed. Nothing was stored." in done.stdout
    stored = run("import", str(trend_file), "--report", str(trend_file.with_suffix(".json"))).stdout
    assert (
        "48 lines read, 0 of them refused; 288 values stored at 48 stamps, 0 cells missing"
        in stored
    )
    assert "288 values new, 0 values changed" in stored
    report = json.loads(trend_file.with_suffix(".json").read_text())
    assert report[0]["account"]["values_stored"] == 288
    assert "nothing is stored twice" in run("import", str(trend_file)).stdout


def test_one_file_that_fails_does_not_stop_the_others(run, trend_file, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"%PDF-1.4 nothing")
    done = run("import", str(bad), str(tmp_path / "none.csv"), str(trend_file), "--json", status=1)
    first, second, third = json.loads(done.stdout)
    assert "PDF" in first["error"]
    assert "none.csv" in second["error"]
    assert third["new_rows"] == 48
    assert done.stderr.count("\n") == 2


def test_a_file_beyond_every_limit_is_not_read(run, tmp_path):
    """A hole of 2 GiB: reading it would take the memory."""
    path = tmp_path / "hole.csv"
    with path.open("wb") as file:
        file.truncate(2 << 30)
    tracemalloc.start()
    try:
        done = run("import", str(path), status=1)
        assert tracemalloc.get_traced_memory()[1] < 100 << 20
    finally:
        tracemalloc.stop()
    assert "hole.csv: 2048 MiB unpacked, more than the limit of 1024 MiB" in done.stderr


def test_the_clock_assumed_is_said_once_for_all_files(run, write_trends, tmp_path):
    paths = []
    for month in ("06", "07", "12"):
        paths.append(str(tmp_path / f"{month}.csv"))
        Path(paths[-1]).write_text(write_trends(start=f"2025-{month}-03"), encoding="utf-8")
    done = run("import", *paths)
    assert done.stderr.count("logger_time_zone") == 1
    assert "06.csv and 1 more: the stamps carry no offset" in done.stderr
    assert "logger_time_zone" not in run("import", paths[2]).stderr


def test_a_column_of_another_measure_is_named_once(run, trend_file):
    heading, rest = trend_file.read_text(encoding="utf-8").split("\n", 1)
    units = "," + ",".join("kW" if "FLOW" in c else "degC" for c in heading.split(",")[1:])
    trend_file.write_text(f"{heading}\n{units}\n{rest}", encoding="utf-8")
    done = run("import", str(trend_file))
    finding, clock = done.stderr.strip().splitlines()
    assert finding == (
        "october.csv line 2, column A.HX1.HM FLOW: unit 'kW' does not measure primary flow, for "
        "which the point is registered. Left out; check the entry in the register."
    )
    assert "logger_time_zone" in clock


def test_options_reach_the_reader(run, trend_file):
    """Read as UTC the first stamp is midnight UTC; as CET it is two hours earlier."""
    run("import", str(trend_file), "--time-zone", "UTC", "--unit-of", "A.HX1.HM FLOW=l/s")
    table = run("export", "HX-01", "--what", "readings").stdout
    frame = pd.read_csv(io.StringIO(table), index_col=0)
    assert frame.index[0] == "2025-10-01T00:00:00Z"
    assert frame["primary_flow"].iloc[0] == pytest.approx(0.008)


# --- answers ---------------------------------------------------------------------------------------


def test_status_in_words(assessed):
    done = assessed("status")
    assert "HX-01" in done.stdout
    assert "Clean it: deposit." in done.stdout
    assert "\x1b" not in done.stdout


def test_status_as_json(assessed):
    (status,) = json.loads(assessed("status", "--json").stdout)
    expected = made_up.deposit("HX-01")
    assert status["tag"] == "HX-01"
    assert status["verdict"] == str(expected.verdict.kind)
    assert status["cause"]["kind"] == "deposit"
    assert status["runner_up"]["times_less_likely"] == expected.verdict.runner_up.times_less_likely
    figures = {
        "cleanliness_factor": (
            status["cleanliness_factor"],
            expected.state.cleanliness_factor,
            "1",
        ),
        "approach": (status["approach"]["at_reference"], expected.state.approach_reference_K, "K"),
        "month": (status["avoidable_cost"]["next_month"], expected.money.next_month, "EUR"),
        "year": (status["avoidable_cost"]["next_year"], expected.money.next_year_untouched, "EUR"),
    }
    for name, (shown, estimate, unit) in figures.items():
        assert (shown["value"], shown["low"], shown["high"], shown["unit"]) == (
            estimate.value, estimate.low, estimate.high, unit,
        ), name  # fmt: skip
    assert status["limit_reached"]["median"].endswith("Z")
    assert status["data_health"]["grade"] == expected.health.grade


def test_status_tells_what_the_last_visit_achieved(run, workspace, trend_file):
    run("import", str(trend_file))
    ledger = Ledger.open(Settings(workspace=workspace))
    assess(ledger.store, workers=1, evaluate=lambda x, t, e: made_up.visited(x.tag))
    ledger.close()
    (status,) = json.loads(run("status", "--json").stdout)
    expected = made_up.visited().proofs[-1]
    visit = status["last_visit"]
    assert (visit["outcome"], visit["deed"]) == (expected.outcome, str(expected.event.deed))
    assert expected.at_visit is not None
    assert expected.measured is not None
    assert (
        visit["gain"]["value"] == visit["at_visit"]["gain"]["value"] == expected.at_visit.gain.value
    )
    assert visit["measured"]["gain"]["low"] == expected.measured.gain.low
    assert visit["measured"]["first"] == "2026-10-18T00:00:00Z"
    assert visit["text"].startswith(expected.outcome.capitalize())


def test_documented_keys_are_the_keys(assessed):
    (status,) = json.loads(assessed("status", "--json").stdout)
    shown = CliRunner().invoke(app, ["status", "--help"]).output
    for name, value in status.items():
        assert name in shown, name
        assert name in answers.__doc__, name
        for inner in value if isinstance(value, dict) else ():
            assert inner in shown, inner


def test_what_cannot_be_told_has_a_reason(run):
    (status,) = json.loads(run("status", "--json").stdout)
    assert status["verdict"] is None
    for figure in (status["cleanliness_factor"], *status["approach"].values()):
        assert figure["value"] is None
        assert figure["reason"]


def test_alerts_are_listed_and_acknowledged(run, workspace, trend_file):
    run("import", str(trend_file))
    ledger = Ledger.open(Settings(workspace=workspace))
    assess(ledger.store, workers=1, evaluate=lambda x, t, e: made_up.stopped(x.tag))
    open_ones = [a for a in ledger.alerts() if a.withdrawn_utc is None]
    ledger.close()
    listed = json.loads(run("alerts", "--json").stdout)
    assert [a["number"] for a in listed] == [a.number for a in open_ones]
    if listed:
        number = str(listed[0]["number"])
        assert "acknowledged." in run("alerts", "acknowledge", number, "--by", "A").stdout
    done = run("alerts", "acknowledge", "999", status=1)
    assert "none with this number" in done.stderr


def test_log_by_command_and_by_file(run, tmp_path):
    assert "stored." in run("log", "HX-01", "2026-03-02", "cleaned in place").stdout
    assert "already" in run("log", "HX-01", "2026-03-02", "cleaned in place").stdout
    path = tmp_path / "visits.csv"
    path.write_text("tag,date,deed\nHX-01,2026-03-02,cleaned in place\nHX-01,2026-04-02,other\n")
    assert run("log", "--file", str(path)).stdout.startswith("1 of 2")
    entries = json.loads(run("log", "HX-01", "--json").stdout)
    assert [e["deed"] for e in entries] == ["cleaned in place", "other"]
    done = run("log", "HX-01", "yesterday", "other", status=1)
    assert "Write it as 2026-03-02" in done.stderr


def test_people_read_the_sites_time_and_programs_utc(run, trend_file):
    """The site's zone is CET: 09:30 in March is 08:30 UTC, the first stamp of the trends midnight in summer."""
    run("log", "HX-01", "2026-03-02 09:30", "cleaned in place")
    assert "HX-01  2026-03-02 09:30 CET  cleaned in place" in run("log", "HX-01").stdout
    (entry,) = json.loads(run("log", "HX-01", "--json").stdout)
    assert entry["at_utc"] == "2026-03-02T08:30:00Z"
    said = run("import", str(trend_file), "--check").stdout
    (checked,) = json.loads(run("import", str(trend_file), "--check", "--json").stdout)
    assert "2025-10-01 00:00 CEST to " in said
    assert checked["examination"]["first_utc"] == "2025-09-30T22:00:00Z"
    run("import", str(trend_file))
    assert " CE" in run("import", str(trend_file)).stdout.split("was stored on ")[1]


def test_check_import_and_report_count_alike(run, trend_file, tmp_path):
    """48 lines of six points, one cell empty: 287 values, in the same words before and after."""
    lines = trend_file.read_text().strip().split("\n")
    cells = lines[5].split(",")
    lines[5] = ",".join([*cells[:2], "", *cells[3:]])
    path = tmp_path / "gap.csv"
    path.write_text("\n".join(lines) + "\n")
    counts = (
        "48 lines read, 0 of them refused; 287 values {} at 48 stamps, 1 cell missing, 0 refused. "
    )
    change = "For HX-01: 287 values new, 0 values changed."
    assert counts.format("to store") + change in run("import", str(path), "--check").stdout
    (checked,) = json.loads(run("import", str(path), "--check", "--json").stdout)
    assert counts.format("stored") + change in run("import", str(path)).stdout
    report = tmp_path / "report.json"
    run("import", str(path), "--report", str(report))
    (told,) = json.loads(report.read_text())
    assert told["account"] == checked["account"]
    assert told["account"]["values_stored"] == told["new_values"] == 287


def test_export_to_files(assessed, tmp_path):
    expected = made_up.deposit("HX-01")
    assessed(
        "export", "HX-01", "--what", "intervals", "--format", "parquet", "-o", str(tmp_path / "i")
    )
    assert len(pd.read_parquet(tmp_path / "i")) == len(expected.intervals)
    assessed("export", "HX-01", "-o", str(tmp_path / "d.csv"))
    daily = pd.read_csv(tmp_path / "d.csv", index_col=0)
    pd.testing.assert_series_equal(
        daily["cleanliness_factor"], expected.daily["cleanliness_factor"], check_index=False
    )
    done = assessed("export", "HX-1", status=1)
    assert 'Did you mean "HX-01"' in done.stderr


def test_assess_says_what_it_did(run):
    done = run("assess", "--json")
    assert json.loads(done.stdout)["without_readings"] == ["HX-01"]
    assert "Did you mean" in run("assess", "HX-1", status=1).stderr


# --- serve -----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_serve_answers_and_stops(workspace):
    code = "from service.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "serve", "-w", str(workspace), "--port", "0"],
        cwd=ROOT, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        address = process.stderr.readline().split()[0]
        for _ in range(100):
            try:
                found = httpx2.get(f"{address}v1/plant", timeout=5).json()
                break
            except httpx2.TransportError:
                time.sleep(0.1)
        assert found["exchangers"] == ["HX-01"]
        assert httpx2.get(address, timeout=5).status_code == 200
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)


def test_a_port_that_is_taken_is_a_sentence(workspace):
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = outside("serve", "-w", workspace, "--port", taken.getsockname()[1])
    assert done.returncode == 1
    assert "Choose another --port" in done.stderr
    assert "Traceback" not in done.stderr


def test_demo_leaves_another_plant_alone(workspace):
    before = sorted(p.name for p in workspace.iterdir())
    done = CliRunner().invoke(app, ["demo", "--no-serve", "-w", str(workspace)])
    assert done.exit_code == 1
    assert "holds another plant" in done.stderr
    assert sorted(p.name for p in workspace.iterdir()) == before


# --- what a reader is told to do next ---------------------------------------------------------------


def test_a_visit_that_is_still_to_come_is_refused(run, tmp_path):
    done = run("log", "HX-01", "2999-01-01", "opened and cleaned", status=1)
    assert "still to come" in done.stderr
    visits = tmp_path / "visits.csv"
    visits.write_text("tag,date,deed\nHX-01,2999-01-01,opened and cleaned\n", encoding="utf-8")
    assert "visits.csv line 2: date:" in run("log", "--file", str(visits), status=1).stderr


def test_a_log_entry_points_to_the_assessment(assessed, workspace):
    assert "changed since" not in assessed("status").stderr
    done = assessed("log", "HX-01", "2025-10-01", "cleaned in place")
    assert f"plateledger assess -w {workspace}" in done.stderr
    assert "changed since this was assessed: HX-01" in assessed("status").stderr


def test_init_prints_commands_with_its_workspace(tmp_path):
    done = CliRunner().invoke(app, ["init", "-w", str(tmp_path / "new")])
    assert f"plateledger register -w {tmp_path / 'new'}" in done.stderr


def test_a_sender_is_made_listed_and_revoked(run):
    token = run("sender", "add", "gateway-1").stdout.strip()
    assert token.startswith("pl_")
    assert "never heard of" in run("sender", "list").stdout
    assert "there is one already" in run("sender", "add", "gateway-1", status=1).stderr
    run("sender", "revoke", "gateway-1")
    (listed,) = json.loads(run("sender", "list", "--json").stdout)
    assert listed["revoked_utc"]
    assert "token" not in json.dumps(listed)
    run("sender", "revoke", "gateway-1", status=1)


def test_watch_takes_what_is_there(run, workspace, write_trends):
    inbox = workspace / "inbox"
    inbox.mkdir()
    (inbox / "october.csv").write_text(write_trends(), encoding="utf-8")
    (inbox / "noise.csv").write_bytes(b"\x00\x01")
    done = run("watch", "--once", "--every", "0.2")
    assert (
        "october.csv: 48 lines read, 0 of them refused; 288 values stored at 48 stamps, "
        in done.stdout
    )
    assert "noise.csv: refused." in done.stderr
    assert (inbox / "done" / "october.csv").exists()
    assert (inbox / "refused" / "noise.csv.reason.txt").exists()


def test_watch_counts_what_it_refused(run, workspace, write_trends):
    lines = write_trends().strip().split("\n")
    cells = lines[5].split(",")
    lines[5] = ",".join([cells[0], "6O.1", *cells[2:]])
    lines[9] += ",0"
    (workspace / "inbox").mkdir()
    (workspace / "inbox" / "october.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run("watch", "--once", "--every", "0.2")
    assert "0 cells missing, 1 refused; HX-01." in done.stdout


def test_an_import_says_how_many_more_lines_it_refused(run, workspace, write_trends):
    lines = write_trends().strip().split("\n")
    for n in range(5, 9):
        lines[n] += ",0"
    (workspace / "october.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run("import", str(workspace / "october.csv"))
    assert done.stderr.count("october.csv line") == 3
    assert "and 1 more" in done.stderr


def test_a_check_says_why_it_would_add_nothing(run, trend_file, tmp_path):
    """Points that nobody registered: not "0 rows", but why, and what to do."""
    other = tmp_path / "other.csv"
    other.write_text(trend_file.read_text().replace("A.HX1.", "B.HX7.").replace("OAT", "B.OAT"))
    done = run("import", "--check", str(other))
    assert "None of its points is in the register" in done.stdout
    assert "[exchanger.points] in plant.toml" in done.stdout
    assert "0 values to store" not in done.stdout
    some = tmp_path / "some.csv"
    some.write_text(trend_file.read_text().replace("OAT", "Room 12"))
    said = run("import", "--check", str(some)).stdout
    assert "1 column is left out" in said
    assert "240 values to store at 48 stamps" in said


def test_the_example_is_called_one_until_it_is_changed(tmp_path):
    folder = tmp_path / "new"
    runner = CliRunner()
    begun = runner.invoke(app, ["init", "-w", str(folder)])
    assert "the exchanger HX-01 are made up" in begun.stderr
    loaded = runner.invoke(app, ["register", "-w", str(folder)])
    assert "the exchanger HX-01 are made up" in loaded.stderr
    assert "new: HX-01" in loaded.stderr
    path = folder / "plant.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('"HX-01"', '"HX-09"'), encoding="utf-8"
    )
    again = runner.invoke(app, ["register", "-w", str(folder)])
    assert "made up" not in again.stderr
    assert "it is the made-up exchanger of the example" in again.stdout
    assert "new: HX-09" in again.stderr
    assert "Not in the register any more" not in again.stderr  # it never had a reading


def test_a_check_leaves_no_register_behind_and_reads_by_the_one_of_now(workspace, trend_file):
    runner = CliRunner()
    checked = runner.invoke(app, ["import", "-w", str(workspace), "--check", str(trend_file)])
    assert checked.exit_code == 0, checked.output
    assert "Nothing was stored." in checked.stdout
    assert "HX-01" in checked.stdout
    ledger = Ledger.open(Settings(workspace=workspace))
    assert not ledger.is_registered()
    ledger.load_register()
    ledger.close()
    path = workspace / "plant.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"HX-01"', '"HX-09"'), encoding="utf-8")
    checked = runner.invoke(
        app, ["import", "-w", str(workspace), "--check", "--json", str(trend_file)]
    )
    (found,) = json.loads(checked.stdout)
    assert (found["tags"], found["new_rows"]) == (["HX-09"], 48)
    ledger = Ledger.open(Settings(workspace=workspace))
    assert [e.tag for e in ledger.plant().exchangers] == ["HX-01"]
    ledger.close()


def test_an_exchanger_with_readings_that_left_the_register_is_told_of(run, workspace, trend_file):
    run("import", str(trend_file))
    path = workspace / "plant.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"HX-01"', '"HX-09"'), encoding="utf-8")
    assert "Not in the register any more, readings kept: HX-01." in run("register").stderr


def test_an_exchanger_that_stayed_in_from_the_example_is_told_as_that(tmp_path):
    """One that somebody added stands beside it; one described over it keeps the nameplate."""
    example = example_register()
    own = '\n[[exchanger]]\ntag = "HX-21"\n\n[exchanger.points]\nprimary_flow = { point = "F", unit = "m3/h" }\n'
    for text, said in (
        (example + own, "it is the made-up exchanger"),
        (example.replace("A.HX1.", "C.HX3."), "its nameplate is the made-up one"),
        (example.replace("area_m2 = 10.2", "area_m2 = 12.4"), ""),
    ):
        plant = parse_register(text, "plant.toml", folder=tmp_path)
        told = [n for n in plant.notes["HX-01"] if "of the example" in n]
        assert len(told) == bool(said)
        assert all(n.startswith(said) for n in told)
        assert not [n for n in plant.notes.get("HX-21", ()) if "of the example" in n]


def test_a_corrected_mapping_reads_the_originals_again(run, workspace, trend_file):
    """A flow registered in l/s that is m3/h, and two returns swapped: put right without the file."""
    register = workspace / "plant.toml"
    right = register.read_text(encoding="utf-8")
    wrong = right.replace('"A.HX1.HM FLOW", unit = "m3/h"', '"A.HX1.HM FLOW", unit = "l/s"')
    wrong = wrong.replace("A.HX1.PRI RTN T", "x").replace("A.HX1.SEC RTN T", "A.HX1.PRI RTN T")
    register.write_text(wrong.replace('"x"', '"A.HX1.SEC RTN T"'), encoding="utf-8")
    run("import", str(trend_file), "--accept")
    trend_file.unlink()
    register.write_text(right, encoding="utf-8")
    done = run("reread")
    assert "1 files read again" in done.stdout
    frame = pd.read_csv(io.StringIO(run("export", "HX-01", "--what", "readings").stdout))
    assert frame.filter(like="primary_flow").iloc[0, 0] == pytest.approx(8.0 / 3600.0)
    assert frame.filter(like="primary_return").iloc[0, 0] == 45.0
    assert frame.filter(like="secondary_return").iloc[0, 0] == 41.0


def test_a_point_taken_out_of_the_register_goes_with_its_values(run, workspace, trend_file):
    run("import", str(trend_file))
    register = workspace / "plant.toml"
    without = register.read_text(encoding="utf-8").replace("A.HX1.HM FLOW", "another")
    register.write_text(without, encoding="utf-8")
    assert "240 values stored in place of 288" in run("reread").stdout


def test_reread_changes_nothing_where_a_question_is_open(run, workspace, trend_file):
    run("import", str(trend_file))
    register = workspace / "plant.toml"
    text = register.read_text(encoding="utf-8").replace("PRI FLW T", "x").replace("PRI RTN T", "y")
    register.write_text(text.replace("A.HX1.x", "A.HX1.PRI RTN T").replace("A.HX1.y", "A.HX1.PRI FLW T"), encoding="utf-8")  # fmt: skip
    before = run("export", "HX-01", "--what", "readings").stdout
    assert "swapped" in run("reread", status=1).stderr
    assert run("export", "HX-01", "--what", "readings").stdout == before


def test_status_names_the_workspace_in_what_it_says_to_call(assessed, workspace):
    said = assessed("status").stderr.replace("\n", " ")
    assert f"plateledger serve -w {workspace}" in said
    assert f"status --json -w {workspace}" in said


def test_a_report_of_one_import_is_no_plural(run, trend_file, tmp_path):
    done = run("import", str(trend_file), "--report", str(tmp_path / "r.json"))
    assert "the report of 1 import." in done.stderr


def test_a_check_says_that_an_import_will_be_refused(run, trend_file, tmp_path):
    """Headings of supply and return that changed places contradict the flow of heat."""
    path = tmp_path / "open.csv"
    text = trend_file.read_text().replace("PRI FLW T", "x").replace("PRI RTN T", "PRI FLW T")
    path.write_text(text.replace("A.HX1.x", "A.HX1.PRI RTN T"))
    refusal = "An import will be refused while a question is open"
    asked = run("import", "--check", str(path)).stdout
    assert "accept it as it is (--accept" in asked
    assert refusal in asked
    assert "--accept" in asked
    assert refusal not in run("import", "--check", "--accept", str(path)).stdout
    assert refusal not in run("import", "--check", str(trend_file)).stdout
    run("import", str(path), status=1)
