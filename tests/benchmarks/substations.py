"""What the two real substations say: offsets, crossing, UA by quarter, and what is missing.

Run ``python -m tests.benchmarks.substations``. Nothing here is fitted beyond what an assessment with
an empty register finds. Data and licence: ``tests/analytics/data/README.md``.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.evaluation import evaluate
from analytics.evaluation.health import crossing_share
from analytics.evaluation.thermometer_pairs import PAIRS, contrast_of
from analytics.trends.account import Account, keep_account
from analytics.trends.thermometer_steps import shift_K
from analytics.vocabulary.quantities import REASON_BITS, TEMPERATURES
from analytics.vocabulary.records import Evaluation, Exchanger
from service.wording.remarks import remark_text
from tests.analytics.substations import NUMBERS, substation

LABELS = ("cold end", "primary pair", "secondary pair")
LEAST_HOURS = 50
LAST = np.array([10**6])  # a day after every step


def summers(account: Account) -> pd.DataFrame:
    """Return each standstill's differences by pair, K; one row a summer."""
    stretches = account.idle.stretches()
    rows = [[float(contrast_of(p) @ s.middle_K) for p in PAIRS] for s in stretches]
    years = [pd.Timestamp(s.last, unit="D").year for s in stretches]
    frame = pd.DataFrame(rows, columns=list(LABELS), index=pd.Index(years, name="year"))
    frame.insert(0, "hours", [s.hours for s in stretches])
    return frame


def operation(account: Account, found: Evaluation) -> pd.DataFrame:
    """Return UA by quarter from hours with evidence, W/K as kW/K.

    ``as_read`` is the textbook's with the thermometers as they are, ``crossed`` the share of hours in
    which that has no answer, ``UA`` with the errors as all evidence to the end of the record has them
    (``u``: standard uncertainty, common to all quarters for the most part), ``to_clean`` what the
    assessment shows: UA over that of the reference period at the same flows, day by day.
    """
    v = found.intervals
    steady = v[(v["set_aside"] == 0) & np.isfinite(v["UA_W_K"])]
    raw = _textbook(steady, np.zeros((len(steady), 4)))
    assert account.offsets is not None
    day = (pd.DatetimeIndex(steady.index).as_unit("s").asi8 // 86400).astype(np.int64)
    moved = shift_K(account.steps, day, known=False) - shift_K(account.steps, LAST, known=False)
    errors = account.offsets.error_K[-1] + moved
    UA = _textbook(steady, errors)
    _, sd = account.offsets.pair(contrast_of(PAIRS[0]), int(account.offsets.day[-1]))
    low = _textbook(steady, errors + np.outer(np.ones(len(steady)), [0, sd / 2, 0, -sd / 2]))
    ratio = steady["UA_W_K"] / steady["UA_clean_W_K"]
    quarters = {
        "hours": UA.resample("QS").size(),
        "as_read": raw.resample("QS").median() / 1e3,
        "crossed": raw.isna().astype(float).resample("QS").mean(),
        "UA": UA.resample("QS").median() / 1e3,
        "u": (low - UA).abs().resample("QS").median() / 1e3,
        "to_clean": ratio.resample("QS").median(),
        "day_to_day": ratio.resample("D").median().resample("QS").apply(_scatter),
    }
    table = pd.DataFrame(quarters)
    return table[table["hours"] >= LEAST_HOURS]


def shares(account: Account) -> dict[str, float]:
    """Return crossing before and after, and the share of running hours that each reason takes."""
    halted = REASON_BITS["stopped"] | REASON_BITS["gap"]
    bits = account.set_aside
    runs = (bits & halted) == 0
    found = {
        "crossing as read": crossing_share(account),
        "crossing corrected": crossing_share(account, corrected=True),
        "kept": float((bits[runs] == 0).mean()),
    }
    for name, bit in REASON_BITS.items():
        if not bit & halted and ((bits[runs] & bit) != 0).any():
            found[f"set aside: {name}"] = float(((bits[runs] & bit) != 0).mean())
    return found


def _textbook(steady: pd.DataFrame, error_K: NDArray[np.float64]) -> pd.Series:
    """Return UA from the meter's heat and the corrected LMTD; NaN where the streams cross."""
    t = steady[list(TEMPERATURES)].to_numpy() - error_K
    hot, cold = t[:, 0] - t[:, 2], t[:, 1] - t[:, 3]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where((hot > 0) & (cold > 0), (hot - cold) / np.log(hot / cold), np.nan)
        # the meter's own thermometers make its heat: what they are off by is in its reading
        return steady["heat_power"].where(steady["heat_power"] > 0) / mean


def _scatter(daily: pd.Series) -> float:
    moves = np.diff(daily.dropna().to_numpy())
    return float(1.4826 * np.median(np.abs(moves)) / np.sqrt(2)) if len(moves) > 5 else np.nan


def main() -> None:
    """Print the tables."""
    for number in NUMBERS:
        exchanger, trends = Exchanger(tag=f"S-{number}"), substation(number)
        account, found = keep_account(exchanger, trends, ()), evaluate(exchanger, trends)
        print(f"\n== Substation {number}: {found.verdict.kind}")
        table = summers(account)
        print("\nAt a standstill, K (first reads higher than second by):")
        print(table.round(2).to_string())
        print("sd from summer to summer:", table[list(LABELS)].std().round(2).to_dict())
        print("\nFrom load, and all together, K (nine times in ten):")
        for said in (p for p in found.pairs if p.evidence in ("load", "together")):
            d = said.difference_K
            label = LABELS[PAIRS.index((said.first_role, said.second_role))]
            print(f"  {said.evidence:9} {label:15} {d.value:+.2f} ({d.low:+.2f} to {d.high:+.2f})")
        print("\nShares of running hours:")
        for name, share in shares(account).items():
            print(f"  {name:24} {share:.3f}")
        print("\nUA by quarter, kW/K; u: standard uncertainty:")
        print(operation(account, found).round(3).to_string())
        for remark in (*found.verdict.reasons, *found.health.consequences):
            print("-", remark_text(remark))
        for alert in found.alerts:
            print(
                "  alert:",
                alert.kind,
                alert.subject or "",
                alert.raised_utc.date(),
                "to",
                alert.ended_utc,
            )


if __name__ == "__main__":
    main()
