"""What is known of an exchanger's limit: whether it is passed, and whether anything is at stake.

Lives here: facts that several sentences and charts share. Not here: their wording (``verdicts.py``).
"""

from datetime import datetime

from analytics.vocabulary.records import Deed, Estimate, Evaluation, MaintenanceEvent, VerdictKind

_NAME = "approach_reference_K"
_MEAN_DAYS = 5  # as in the line of the main chart
_OF_A_DEPOSIT = (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER)


def passed_utc(evaluation: Evaluation) -> datetime | None:
    """Return since when the approach has stayed above its limit; ``None`` while it is not above."""
    state = evaluation.state
    if state is None or state.approach_limit_K is None or state.approach_reference_K is None:
        return None
    if state.approach_reference_K.value <= state.approach_limit_K or evaluation.daily.empty:
        return None
    mean = evaluation.daily[_NAME].dropna().rolling(_MEAN_DAYS, min_periods=1).mean()
    below = mean.index[(mean <= state.approach_limit_K).to_numpy()]
    above = mean.index[mean.index > below[-1]] if len(below) else mean.index
    return above[0].to_pydatetime() if len(above) else None


def is_at_stake(evaluation: Evaluation) -> bool:
    """Tell whether the forecast is a loss to come: only then it stands in red."""
    forecast = evaluation.forecast
    if forecast is None or forecast.date_5 is None:
        return False
    return evaluation.verdict.kind in _OF_A_DEPOSIT or forecast.date_50 is not None


def clean_today(evaluation: Evaluation) -> Estimate | None:
    """Return the clean approach at the reference condition of the plates that are fitted now.

    The reference's own is that of the plates at its time; the daily account goes along with the pack.
    """
    names = [f"approach_clean_K{end}" for end in ("", "_low", "_high")]
    if set(names) <= set(evaluation.daily.columns):
        known = evaluation.daily[names].dropna()
        if len(known):
            value, low, high = (float(v) for v in known.iloc[-1])
            return Estimate(value=value, low=low, high=high)
    return None if evaluation.reference is None else evaluation.reference.approach_K


def plates_changed(
    evaluation: Evaluation, events: tuple[MaintenanceEvent, ...] | list[MaintenanceEvent]
) -> MaintenanceEvent | None:
    """Return the last visit that changed the plates after the clean level was taken.

    From then on the approach of the former plates is no yardstick.
    """
    reference = evaluation.reference
    if reference is None:
        return None
    since = reference.period.end_utc if reference.period is not None else None
    own = [
        e
        for e in events
        if e.tag == evaluation.tag
        and e.deed is Deed.PLATES_CHANGED
        and (since is None or e.at_utc >= since)
        and e.at_utc <= evaluation.through_utc
    ]
    return max(own, key=lambda e: e.at_utc) if own else None
