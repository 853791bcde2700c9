"""Do the stated nine-in-ten intervals hold the truth nine times in ten?

    python -m tests.benchmarks.coverage --count 2000

Draws exchangers with instruments inside their classes (``drawn.py`` says how), and asks of the interval
indicators (duty, UA, at one random steady hour of each exchanger) and of the account (fouling
resistance against the exchanger's own clean state, on its last day) how often the interval holds the
truth, by quantity and instrumentation. z is the miss over the stated standard deviation.
"""

import argparse
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd

from analytics.evaluation.intervals import interval_frame
from analytics.trends.account import Account, keep_account
from analytics.trends.reference_condition import NINE_IN_TEN, deposit_doubt
from tests.benchmarks.drawn import KINDS, Drawn, draw

QUANTITIES = ("duty_primary", "duty_secondary", "UA", "fouling_resistance")
TRUTHS = {
    "duty_primary": ("duty_primary_W", "duty_primary_u_W", "duty_W"),
    "duty_secondary": ("duty_secondary_W", "duty_secondary_u_W", "duty_W"),
    "UA": ("UA_W_K", "UA_u_W_K", "UA_W_K"),
}


def judge(seed: int) -> list[dict[str, object]]:
    """Draw and assess one exchanger: one row a quantity."""
    # the first four kinds in turn; four temperatures give neither duty, UA nor resistance
    drawn = draw(seed, KINDS[seed % 4])
    began = time.perf_counter()
    account = keep_account(drawn.exchanger, drawn.trends, ())
    seconds = time.perf_counter() - began
    if account.fit is None:
        return []
    described = drawn.thermometer_class or "none"
    common = {"seed": seed, "kind": drawn.kind, "class": described, "seconds": seconds}
    return [
        {**common, **row} for row in (*_indicators(drawn, account), _resistance(drawn, account))
    ]


def _indicators(drawn: Drawn, account: Account) -> Iterator[dict[str, object]]:
    frame = interval_frame(account, account.table, 3600.0)
    steady = frame.index[frame["set_aside"] == 0]
    hour = steady[
        int(np.random.default_rng((int(drawn.exchanger.tag[3:]), 7)).integers(len(steady)))
    ]
    for quantity, (value, u, truth) in TRUTHS.items():
        shown, doubt = float(frame.at[hour, value]), float(frame.at[hour, u])
        true = float(drawn.truth.at[hour, truth])
        if np.isfinite(shown):
            yield {
                "quantity": quantity,
                "z": (shown - true) / doubt,
                "relative_u": doubt / true,
                "widened": 1.0,
            }


def _resistance(drawn: Drawn, account: Account) -> dict[str, object]:
    assert account.fit is not None
    assert account.info is not None
    deposit, sd = account.deposit()
    day = pd.Timestamp(int(account.info.day[-1]), unit="D", tz="UTC")
    of_day = drawn.truth["resistance_K_W"][drawn.truth.index.floor("D") == day]
    true = float(of_day.mean()) * account.fit.model.scale_UA_W_K
    return {
        "quantity": "fouling_resistance", "z": (float(deposit[-1]) - true) / float(deposit_doubt(deposit, sd)[-1]),
        "relative_u": float(sd[-1]), "widened": 1.0, "true": true, "found": float(deposit[-1]),
        "alarm": bool(account.alarm is not None and account.alarm[-1]),
        "kept_by": int(account.kept_by[-1]) if account.kept_by is not None else -1,
    }  # fmt: skip


def coverage_table(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return count, coverage of nine in ten, and the spread of z, by quantity and the given columns."""
    inside = rows["z"].abs() <= NINE_IN_TEN * rows["widened"]
    grouped = rows.assign(inside=inside).groupby(["quantity", *by], sort=False)
    return pd.DataFrame(
        {
            "count": grouped.size(),
            "coverage": grouped["inside"].mean(),
            "z median": grouped["z"].median(),
            "z sd": grouped["z"].std(),
            "z 5 %": grouped["z"].quantile(0.05),
            "z 95 %": grouped["z"].quantile(0.95),
            "median u": grouped["relative_u"].median(),
        }
    ).reset_index()


def run(
    count: int,
    first_seed: int = 0,
    workers: int = 1,
    *,
    progress: bool = False,
    keep: str | None = None,
) -> pd.DataFrame:
    """Judge ``count`` exchangers; rows as :func:`judge` gives them, kept in a CSV file on the way."""
    seeds = range(first_seed, first_seed + count)
    rows: list[dict[str, object]] = []
    with ProcessPoolExecutor(workers) as pool:
        for done, found in enumerate(pool.map(judge, seeds, chunksize=10), 1):
            rows += found
            if progress and done % 100 == 0:
                print(f"{done}/{count}", flush=True)
                if keep is not None:
                    pd.DataFrame(rows).to_csv(keep, index=False)
    return pd.DataFrame(rows)


def main() -> None:
    """Run and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--rows", help="write every row to this CSV file")
    options = parser.parse_args()
    rows = run(options.count, options.first_seed, options.workers, progress=True, keep=options.rows)
    if options.rows:
        rows.to_csv(options.rows, index=False)
    judged = rows["seed"].nunique()
    print(f"{judged} of {options.count} exchangers had a reference; "
          f"{rows.groupby('seed')['seconds'].first().median():.2f} s each")  # fmt: skip
    for by in ([], ["kind"], ["class"], ["kind", "class"]):
        print(coverage_table(rows, by).round(3).to_string(index=False), end="\n\n")


if __name__ == "__main__":
    main()
