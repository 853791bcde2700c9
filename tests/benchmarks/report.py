"""The report of a fleet: tables in Markdown and one figure, from the bench's rows."""

import json
from collections.abc import Callable
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
from scipy.stats import chi2

matplotlib.use("Agg")
from matplotlib import pyplot as plt

Z_95 = 0.05
SINGLE_METER = ("primary flow", "secondary flow", "meter power", "registers")
METERS = ("primary_flow", "secondary_flow")
SUPPLIES = ("primary_supply_temperature", "secondary_supply_temperature")
SET_RATE = 0.01  # false alerts a year that a user asks for where nothing else is said


def poisson_rate(count: int, years: float) -> tuple[float, float, float]:
    """Return events per year and the exact 95 % interval of a Poisson rate (Garwood's)."""
    low = chi2.ppf(Z_95 / 2, 2 * count) / 2 if count else 0.0
    high = chi2.ppf(1 - Z_95 / 2, 2 * count + 2) / 2
    return count / years, float(low) / years, float(high) / years


def table(heads: list[str], rows: list[list[object]]) -> str:
    """Return a Markdown table."""
    lines = ["| " + " | ".join(heads) + " |", "|" + " --- |" * len(heads)]
    lines += ["| " + " | ".join(str(c) for c in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _share(flags: pd.Series) -> str:
    known = flags.dropna().astype(bool)
    return f"{known.mean():.0%} of {len(known)}" if len(known) else "–"


def _median(values: pd.Series, form: str = "{:.0f}") -> str:
    known = values.dropna().astype(float)
    return form.format(known.median()) if len(known) else "–"


# --- thresholds and delays of the two yardsticks ---------------------------------------------------


def _records(text: object) -> tuple[pd.Timestamp, np.ndarray] | None:
    read = json.loads(text) if isinstance(text, str) else None
    if read is None:
        return None
    return pd.Timestamp(read["first"], tz="UTC"), np.asarray(read["scores"])


def threshold_for(largest: np.ndarray, rate: float) -> float:
    """Return the threshold that ``rate`` of the clean years would pass.

    The upper half of the yearly largest scores is taken for exponential beyond its median, so that a
    rate below one in the number of years can be set.
    """
    middle = float(np.median(largest))
    above = largest[largest > middle] - middle
    scale = float(above.mean()) if len(above) else 1.0
    return middle + scale * float(np.log(0.5 / min(rate, 0.5)))


def delays_at(frame: pd.DataFrame, column: str, threshold: float) -> pd.Series:
    """Return the days from the beginning of each deposit to the first score above the threshold.

    NaN: never, no score, or above it already on the day before, which is a false alarm and no find.
    """
    found: dict[int, float] = {}
    for i, row in frame.iterrows():
        record = _records(row[column])
        if record is None:
            continue
        first, scores = record
        days = first + pd.to_timedelta(np.arange(len(scores)), "D")
        since = pd.Timestamp(row["since_utc"])
        before = scores[days < since.floor("D")]
        if len(before) and before[-1] > threshold:
            continue
        passed = (scores > threshold) & (days >= since.floor("D"))
        found[i] = (
            (days[passed.argmax()] - since) / pd.Timedelta(days=1) if passed.any() else np.nan
        )
    # the day's readings are complete at its end
    return pd.Series(found, dtype=float).reindex(frame.index) + 1.0


def yardsticks(frame: pd.DataFrame, rate: float) -> pd.DataFrame:
    """Return the deposits with ``floor_days`` and ``plain_days`` at a common false-alarm rate."""
    clean, deposits = (
        frame[frame["category"] == "clean"],
        frame[frame["category"] == "deposit"].copy(),
    )
    for name in ("floor", "plain"):
        records = [_records(r) for r in clean[f"{name}_records"]]
        largest = np.array([r[1].max() for r in records if r is not None])
        threshold = threshold_for(largest, rate) if len(largest) else np.inf
        deposits[f"{name}_days"] = delays_at(deposits, f"{name}_records", threshold)
        deposits.attrs[f"{name}_threshold"] = threshold
    return deposits


# --- the tables ------------------------------------------------------------------------------------


def _false_alerts(frame: pd.DataFrame) -> str:
    rows: list[list[object]] = []
    groups: list[tuple[str, pd.DataFrame]] = [(c, frame[frame["category"] == c]) for c in
                                              ("clean", "other", "deposit")]  # fmt: skip
    clean = frame[frame["category"] == "clean"]
    for by in ("instrumentation", "logging", "service", "fluid", "passes"):
        groups += [(f"clean, {by}: {name}", part) for name, part in clean.groupby(by)]
    for name, part in groups:
        if len(part):
            count, years = int(part["false_alerts"].sum()), float(part["years"].sum())
            rate, low, high = poisson_rate(count, years)
            rows.append([name, f"{years:.0f}", count, f"{rate:.3f}", f"{low:.3f} to {high:.3f}"])
    return table(["exchangers", "years", "false fouling alerts", "a year", "95 %"], rows)


def _delays(deposits: pd.DataFrame, by: str) -> str:
    rows = []
    for name, part in deposits.groupby(by):
        both = part[["delay_days", "floor_days", "plain_days"]].astype(float)
        rows.append([
            name, len(part), int(part["alert_utc"].isna().sum()), _median(part["delay_days"]),
            _median(part["loss_at_alert"], "{:.1%}"), _median(both["floor_days"]),
            _median(both["plain_days"]), int(both["plain_days"].isna().sum()),
            _median(both["delay_days"] / both["floor_days"], "{:.2f}"),
            _median(both["delay_days"] / both["plain_days"], "{:.2f}"),
        ])  # fmt: skip
    return table(
        [by, "cases", "missed", "delay, days", "UA lost then", "floor, days", "plain, days",
         "plain missed", "delay / floor", "delay / plain"], rows,
    )  # fmt: skip


def _answers(frame: pd.DataFrame, by: str) -> str:
    columns = ["right", "second", "cannot tell, right one named", "cannot tell", "wrong"]
    rows = []
    for name, part in frame.groupby(by):
        counts = part["answer"].value_counts()
        wrong = part[part["answer"].isin(["wrong", "second"])]["verdict"].value_counts()
        rows.append([name, len(part), *(int(counts.get(c, 0)) for c in columns),
                     ", ".join(f"{k} ({n})" for k, n in wrong.items())])  # fmt: skip
    return table([by, "cases", *columns, "said instead"], rows)


def _overall(frame: pd.DataFrame) -> str:
    """Return shares of right, open and wrong answers, with and without four temperatures."""
    rows = []
    metered = frame[frame["instrumentation"] != "four temperatures"]
    two = frame[frame["instrumentation"] == "both flows"]
    groups = [("all", frame), ("with a meter", metered), ("both flows", two)]
    groups += [(f"with a meter, {c}", p) for c, p in metered.groupby("category")]
    for name, part in groups:
        counts = part["answer"].value_counts() / max(len(part), 1)
        named, open_ = (
            counts.get("cannot tell, right one named", 0.0),
            counts.get("cannot tell", 0.0),
        )
        wrong = counts.get("wrong", 0.0) + counts.get("second", 0.0)
        exactly = part["exactly"].dropna() if "exactly" in part else pd.Series(dtype=bool)
        rows.append([name, len(part), f"{counts.get('right', 0.0):.1%}", f"{named:.1%}", f"{open_:.1%}",
                     f"{wrong:.1%}", f"{_as_asked(part):.1%}", _strictly(part), _share(exactly)])  # fmt: skip
    return table(
        ["exchangers", "cases", "right", "cannot tell, right one named", "cannot tell", "wrong",
         "right, or both named where one meter or none cannot tell them apart", "right, harmless errors counted", "instrument named exactly"], rows,
    )  # fmt: skip


def _as_asked(part: pd.DataFrame) -> float:
    """Return the share of answers that are right, or name both causes where a single meter shows no difference."""
    named = (part["answer"] == "cannot tell, right one named") & alike_by_one_meter(part)
    return float(((part["answer"] == "right") | named).mean())


def alike_by_one_meter(part: pd.DataFrame) -> pd.Series:
    """Tell of which cases the cause is the same in principle as another, seen by a single meter.

    A deposit, the meter's own gain and an error of either supply thermometer change one outlet alike;
    without any meter a deposit looks like more flow.
    """
    single = part["instrumentation"].isin(SINGLE_METER)
    supplies = tuple(f"{r} {how}" for r in (*METERS, *SUPPLIES) for how in ("drift", "step"))
    deposit = part["category"] == "deposit"
    unmetered = part["instrumentation"].eq("four temperatures") & deposit
    return single & (part["kind"].isin(supplies) | deposit) | unmetered


def _strictly(part: pd.DataFrame) -> str:
    """Return the share of right answers where each hidden error has to be named, harmless or not."""
    return (
        f"{(part['answer_strictly'] == 'right').mean():.1%}" if "answer_strictly" in part else "–"
    )


def _confusion(frame: pd.DataFrame) -> str:
    crossed = pd.crosstab(frame["kind"], frame["verdict"])
    rows = [[kind, *(n or "" for n in counts)] for kind, counts in zip(
        crossed.index, crossed.to_numpy().tolist(), strict=True)]  # fmt: skip
    return table(["hidden", *crossed.columns], rows)


def _coverage(frame: pd.DataFrame) -> str:
    rows = []
    groups = [("all", frame), *frame.groupby("category"), *frame.groupby("instrumentation"),
              *frame.groupby("service")]  # fmt: skip
    for name, part in groups:
        row: list[object] = [name]
        for what in ("cleanliness", "approach", "UA_clean"):
            if f"{what}_held" not in part:
                continue
            error = part[f"{what}_value"] - part[f"{what}_true"]
            error = error / part[f"{what}_true"] if what == "UA_clean" else error
            form = "{:.2f} K" if what == "approach" else "{:.1%}"
            row += [_share(part[f"{what}_held"]), _median(error, form), _median(error.abs(), form)]
        rows.append(row)
    heads = [f"{w}: {t}" for w in ("cleanliness", "approach", "clean UA at design")
             for t in ("held", "bias", "error")]  # fmt: skip
    return table(["cases", *heads], rows)


def _forecasts(frame: pd.DataFrame) -> str:
    made = [{"name": row["name"], **f} for _, row in frame.iterrows()
            if isinstance(row.get("forecasts"), str) for f in json.loads(row["forecasts"])]  # fmt: skip
    if not made:
        return "No forecast was made.\n"
    f = pd.DataFrame(made)
    for late in ("date_error", "date_told"):
        f[late] = f.get(late, pd.Series(np.nan, index=f.index))
    rows = []
    for law, part in [("all", f), *f.groupby("law")]:
        due = part["date_told"].dropna()
        rows.append([
            law, part["name"].nunique(), len(part), _share(part["held"]), _median(part["width"], "{:.3f}"),
            _median((part["middle"] - part["true"]).abs(), "{:.3f}"), len(due),
            int((due == False).sum()),
            _median(part["date_error"], "{:+.2f}"), _median(part["date_error"].astype(float).abs(), "{:.2f}"),
            _median(part["date_error"].astype(float).abs().where(part["date_told"] != False, np.inf), "{:.2f}"),
        ])  # fmt: skip
    return table(
        ["law", "exchangers", "forecasts", "held at 90 days", "width", "error", "due dates",
         "not foretold", "date error / lead", "absolute", "those not foretold with them"], rows,
    )  # fmt: skip


def _proofs(frame: pd.DataFrame) -> str:
    if "proof_outcome" not in frame:
        return "No visit was to be proven.\n"
    part = frame[frame["proof_expected"].notna() & frame["proof_outcome"].notna()]
    rows = []
    for expected, p in part.groupby("proof_expected"):
        told = ", ".join(f"{k} ({n})" for k, n in p["proof_outcome"].value_counts().items())
        for name in ("fortnight", "visit"):
            column = f"proof_{name}_gain"
            if column not in p:
                continue
            error = (p[column] - p[f"proof_{name}_true"]).astype(float).dropna()
            nine_in_ten = f"{error.abs().quantile(0.9):.1%}" if len(error) else "–"
            rows.append([
                expected, len(p), told, name, _median(error, "{:+.1%}"), _median(error.abs(), "{:.1%}"),
                nine_in_ten, _share(p[f"proof_{name}_held"]), _median(p[f"proof_{name}_half"], "{:.1%}"),
            ])  # fmt: skip
    return table(
        ["visit", "cases", "called", "gain", "bias", "error", "error, nine in ten", "interval held",
         "half width"], rows,
    )  # fmt: skip


def unlogged_events(frame: pd.DataFrame) -> str:
    """Return a table of what nobody logged: happened, proposed, proposed without cause."""
    if "proposals" not in frame:
        return "These rows were made before proposals were.\n"
    frame = frame[frame["proposals"].notna()]
    rows: list[list[object]] = []
    for name, part in [("all", frame), *frame.groupby("category")]:
        seen = part[part["unlogged"] > 0]
        rows.append([
            name, len(part), int(part["proposals"].sum()), int(part["proposals_false"].sum()),
            int(part["visits_false"].sum()), int(part["unlogged"].sum()),
            int(seen["proposals_right"].clip(upper=seen["unlogged"]).sum()),
            _median(part["proposal_days_off"], "{:.1f}"),
        ])  # fmt: skip
    return table(
        ["cases", "years", "proposed", "of them without cause", "visits without cause",
         "happened and not logged", "found", "days off"], rows,
    )  # fmt: skip


def summary(frame: pd.DataFrame) -> str:
    """Return the report in Markdown."""
    failed = frame[frame["error"].notna()] if "error" in frame else frame.iloc[:0]
    frame = frame[frame["error"].isna()] if "error" in frame else frame
    clean = frame[frame["category"] == "clean"]
    false, years = int(clean["false_alerts"].sum()), float(clean["years"].sum())
    # half an alarm more, so that none in the sample is not taken for none ever; never below what is set
    rate = max((false + 0.5) / max(years, 1.0), SET_RATE)
    deposits = yardsticks(frame, rate)
    causal = frame["causal"].dropna()
    text = [
        f"# Blind fleet: {', '.join(sorted(frame['set'].unique()))}, {len(frame)} exchanger-years\n",
        f"Assessments that failed: {len(failed)}"
        + "".join(f"\n- {r['name']}: `{str(r['error']).strip().splitlines()[-1]}`" for _, r in failed.iterrows())
        + "\n",
        "## False fouling alerts\n", _false_alerts(frame),
        "## Delay on deposits\n",
        (f"Floor and plain detector at {rate:.3f} false alarms a year, that which is asked for, or what the "
        f"analysis showed on the clean cases and half an alarm more (thresholds {deposits.attrs.get('floor_threshold', np.nan):.1f} "
        f"and {deposits.attrs.get('plain_threshold', np.nan):.1f}). Medians; a ratio is that of cases "
        "which both found.\n"),
        *(_delays(deposits, by) for by in ("kind", "instrumentation", "service", "logging")
          if len(deposits)),
        "## Answers\n", _overall(frame), *(_answers(frame, by) for by in ("category", "kind", "instrumentation", "service", "logging")),
        "## Hidden against verdict\n", _confusion(frame),
        "## Nine-in-ten intervals\n", _coverage(frame),
        "## Forecasts, rolling origins\n", _forecasts(frame),
        "## Proof of a visit\n", _proofs(frame),
        "## What nobody logged\n", unlogged_events(frame),
        "## Causality\n",
        (f"A record cut at two thirds raised the same fouling alerts up to there in {int(causal.astype(bool).sum())} "
        f"of {len(causal)} cases.\n"),
        (f"Seconds a case: {_median(frame['seconds'], '{:.1f}')} (simulated {_median(frame['seconds_simulated'], '{:.1f}')}, "
        f"assessed {_median(frame['seconds_assessed'], '{:.1f}')}), {frame['cpu_seconds'].sum() / 60:.0f} minutes of processor time in all.\n"),
    ]  # fmt: skip
    return "\n".join(text)


def _draw(frame: pd.DataFrame, path: Path) -> None:
    """Draw delays and coverage as one figure."""
    frame = frame[frame["error"].isna()] if "error" in frame else frame
    deposits = yardsticks(frame, 0.01)
    figure, (left, right) = plt.subplots(1, 2, figsize=(11, 4.5), layout="constrained")
    pick: list[tuple[str, Callable[[pd.DataFrame], pd.Series]]] = [
        ("floor", lambda d: d["floor_days"]), ("here", lambda d: d["delay_days"]),
        ("plain", lambda d: d["plain_days"]),
    ]  # fmt: skip
    for name, of in pick:
        days = np.sort(of(deposits).astype(float).fillna(np.inf).to_numpy())
        if len(days):
            left.step(days, (np.arange(len(days)) + 1) / len(days), where="post", label=name)
    left.set(
        xlim=(0, 150), ylim=(0, 1), xlabel="days since the deposit began", ylabel="share found"
    )
    left.legend(frameon=False)
    if "cleanliness_held" in frame:
        told = frame.dropna(subset=["cleanliness_value"])
        for category, part in told.groupby("category"):
            right.plot(part["cleanliness_true"], part["cleanliness_value"], ".", label=category)
        right.axline((1, 1), slope=1, color="0.6", lw=0.8)
        right.set(xlabel="true cleanliness factor", ylabel="stated")
        right.legend(frameon=False)
    figure.savefig(path, dpi=130)
    plt.close(figure)


def write_report(frame: pd.DataFrame, folder: Path) -> str:
    """Write ``report.md`` and ``report.png`` and return the text."""
    text = summary(frame)
    (folder / "report.md").write_text(text, encoding="utf-8")
    _draw(frame, folder / "report.png")
    return text
