"""The blind fleet: simulated exchanger-years with hidden causes, assessed as an owner would have them.

    python -m tests.benchmarks.fleet --set tuning --clean 60 --faulty 60 --workers 2 --out results

Writes one row a case (``rows.jsonl`` while it runs, ``rows.parquet`` at the end), then ``report.md``
and ``report.png``. An interrupted run goes on where it stopped. The simulator shares no code with the
analysis; sets have seed sequences of their own, and the set ``judging`` is for opening once.
"""

import argparse
import json
import time
import traceback
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import pandas as pd

from demo_data.simulator.wide_fleet import SETS
from tests.benchmarks.judging import judge
from tests.benchmarks.report import write_report

Task = tuple[str, str, int]


def guarded(task: Task) -> dict[str, object]:
    """Judge one case; an assessment that fails is a row too, and counts as wrong."""
    try:
        return judge(*task)
    except Exception:  # noqa: BLE001 - one failed case must not end an hour of others
        of_set, group, number = task
        return {
            "name": f"{of_set}-{group}-{number:04d}", "set": of_set, "group": group,
            "number": number, "error": traceback.format_exc(limit=4),
        }  # fmt: skip


def read_rows(path: Path) -> list[dict[str, object]]:
    """Return the rows of an earlier run; a last line cut short is left out."""
    rows: list[dict[str, object]] = []
    for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        try:
            rows.append(json.loads(line))
        except json.JSONDecodeError:
            continue
    return rows


def run_fleet(tasks: list[Task], folder: Path, workers: int) -> pd.DataFrame:
    """Judge what an earlier run has not, with progress on the way; return all rows asked for."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "rows.jsonl"
    done = {(r["set"], r["group"], r["number"]) for r in read_rows(path)}
    left = [t for t in tasks if t not in done]
    began = time.perf_counter()
    with path.open("a", encoding="utf-8") as lines, ProcessPoolExecutor(workers) as pool:
        if path.stat().st_size:
            lines.write("\n")  # a last line cut short must not spoil the next one
        for count, future in enumerate(as_completed([pool.submit(guarded, t) for t in left]), 1):
            row = future.result()
            lines.write(json.dumps(row, default=str) + "\n")
            lines.flush()
            told = row.get("answer", "FAILED")
            print(
                f"{count}/{len(left)} {row['name']} {row.get('kind', '')}: {row.get('verdict', '')}, "
                f"{told} ({time.perf_counter() - began:.0f} s)", flush=True,
            )  # fmt: skip
    wanted = set(tasks)
    rows = [r for r in read_rows(path) if (r["set"], r["group"], r["number"]) in wanted]
    frame = pd.DataFrame(rows).sort_values(["group", "number"], ignore_index=True)
    frame.to_parquet(folder / "rows.parquet")
    return frame


def main() -> None:
    """Run the fleet and write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=sorted(SETS), default="tuning")
    parser.add_argument("--clean", type=int, default=60, help="clean exchanger-years")
    parser.add_argument("--faulty", type=int, default=60, help="others")
    parser.add_argument("--first", type=int, default=0, help="number of the first of each")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True, help="folder of the results")
    options = parser.parse_args()
    counts = {"clean": options.clean, "faulty": options.faulty}
    # by turns, so that a run cut short is a smaller fleet and not half of one
    tasks = [
        (options.set, group, options.first + i)
        for i in range(max(counts.values()))
        for group, count in counts.items()
        if i < count
    ]
    frame = run_fleet(tasks, options.out, options.workers)
    print(write_report(frame, options.out))


if __name__ == "__main__":
    main()
