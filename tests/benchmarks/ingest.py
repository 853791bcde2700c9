"""Seconds and memory from file to stored, beside a bare read of the same file by pyarrow.

python -m tests.benchmarks.ingest                  # a year of one-minute data, eight points
python -m tests.benchmarks.ingest --days 30        # less of it
python -m tests.benchmarks.ingest --large 2        # a file of 2 GB, too

Each measurement runs in a process of its own, so that its peak memory is its own.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import csv

POINTS = (
    ("HX PRI SUP T", "primary_supply_temperature", "degC", 85.0),
    ("HX PRI RET T", "primary_return_temperature", "degC", 45.0),
    ("HX SEC SUP T", "secondary_supply_temperature", "degC", 60.0),
    ("HX SEC RET T", "secondary_return_temperature", "degC", 40.0),
    ("HX PRI FLOW", "primary_flow", "m3/h", 12.0),
    ("HX SEC FLOW", "secondary_flow", "m3/h", 22.0),
    ("HX VALVE", "valve_position", "%", 50.0),
    ("OAT", "outdoor_temperature", "degC", 5.0),
)
REGISTER = (
    '[plant]\nname = "Bench"\ntime_zone = "UTC"\n\n[[exchanger]]\ntag = "HX-01"\n\n[exchanger.points]\n'
    + "".join(f'{role} = {{ point = "{n}", unit = "{u}" }}\n' for n, role, u, _ in POINTS)
)


def write_wide(path: Path, days: int) -> None:
    """Write ``days`` of one-minute readings of eight points, a month at a time."""
    rng = np.random.default_rng(1)
    start = pd.Timestamp("2024-09-01")
    with path.open("w", encoding="utf-8") as out:
        out.write(",".join(["Time", *(n for n, *_ in POINTS)]) + "\n")
        for first in range(0, days, 30):
            minutes = min(30, days - first) * 1440
            index = pd.date_range(start + pd.Timedelta(days=first), periods=minutes, freq="min")
            values = {
                n: (level + np.cumsum(rng.normal(0, 0.03, minutes)).clip(-9, 9)).round(2)
                for n, _, _, level in POINTS
            }
            frame = pd.DataFrame(values, index=index.strftime("%Y-%m-%d %H:%M:%S"))
            frame.to_csv(out, header=False)


def write_seconds(path: Path, size: float, start: str = "2024-09-01") -> int:
    """Write about ``size`` bytes of readings of eight points, one each second; return the rows."""
    rng = np.random.default_rng(2)
    names = ["Time", *(n for n, *_ in POINTS)]
    at, rows = 0, 200_000
    with path.open("wb") as out:
        out.write((",".join(names) + "\n").encode())
        while out.tell() < size:
            stamps = np.datetime64(start, "s") + np.arange(at, at + rows)
            columns = [pa.array(stamps).cast(pa.string())]
            columns += [
                pa.array((level + np.cumsum(rng.normal(0, 0.003, rows)).clip(-9, 9)).round(2))
                for *_, level in POINTS
            ]
            csv.write_csv(
                pa.table(columns, names=names), out,
                csv.WriteOptions(include_header=False, quoting_style="none"),
            )  # fmt: skip
            at += rows
    return at


def write_long(wide_file: Path, path: Path) -> None:
    """Write the readings of ``wide_file`` as a table of time, point and value."""
    with path.open("w", encoding="utf-8") as out:
        out.write("Time,Point,Value\n")
        for part in pd.read_csv(wide_file, dtype=str, chunksize=100_000):
            part.melt("Time").sort_values("Time", kind="stable").to_csv(
                out, header=False, index=False
            )


def _bare(path: Path) -> None:
    csv.read_csv(path)


def _stored(path: Path) -> None:
    from service.settings import Settings
    from service.usecases.files import ImportOptions, load
    from service.usecases.ledger import Ledger

    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        workspace = Path(folder)
        (workspace / "plant.toml").write_text(REGISTER)
        ledger = Ledger.open(Settings(workspace=workspace))
        ledger.load_register()
        # libraries and units are loaded once a process, however many files it takes
        with path.open() as lines:
            first = "".join(islice(lines, 100)).replace("2024-09-01", "2023-09-01")
        ledger.import_store("first.csv", first.encode(), ImportOptions())
        began, cpu = time.perf_counter(), time.process_time()
        done = ledger.import_store(path.name, load(path), ImportOptions())
        seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
        ledger.close()
    print(json.dumps({"seconds": seconds, "cpu": cpu, "rows": done.rows, "peak_MB": _peak_MB()}))


def _peak_MB() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _time_bare(path: Path) -> None:
    _bare(path)  # the first reading loads the library and warms the disk's cache
    began, cpu = time.perf_counter(), time.process_time()
    _bare(path)
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    print(json.dumps({"seconds": seconds, "cpu": cpu, "peak_MB": _peak_MB()}))


def _measured(what: str, path: Path) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.ingest", "--measure", what, str(path)],
        check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def _compare(path: Path, times: int) -> None:
    """Print what ``path`` took, best of ``times`` for both."""
    bare = min((_measured("bare", path) for _ in range(times)), key=lambda m: m["seconds"])
    ours = min((_measured("stored", path) for _ in range(times)), key=lambda m: m["seconds"])
    print(
        f"{path.name}: {path.stat().st_size / 1e6:.0f} MB, {ours['rows']:,} rows; bare "
        f"{bare['seconds']:.3f} s, stored {ours['seconds']:.2f} s, ratio "
        f"{ours['seconds'] / bare['seconds']:.1f} (of processor time {ours['cpu']:.2f} s to "
        f"{bare['cpu']:.2f} s, {ours['cpu'] / bare['cpu']:.1f}), peak {ours['peak_MB']:.0f} MB"
    )


def main() -> None:
    """Time a wide and a long file of the same readings."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--large", type=float, help="GB of a file of each second's readings, too")
    parser.add_argument("--folder", help="where the files are written")
    parser.add_argument("--measure", nargs=2, metavar=("WHAT", "FILE"))
    given = parser.parse_args()
    if given.measure:
        {"bare": _time_bare, "stored": _stored}[given.measure[0]](Path(given.measure[1]))
        return
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        wide_file, long_file = Path(folder) / "wide.csv", Path(folder) / "long.csv"
        write_wide(wide_file, given.days)
        write_long(wide_file, long_file)
        _compare(wide_file, given.times)
        _compare(long_file, given.times)
        if given.large:
            large_file = Path(folder) / "seconds.csv"
            write_seconds(large_file, given.large * 1e9)
            _compare(large_file, 1)


if __name__ == "__main__":
    main()
