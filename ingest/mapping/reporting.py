"""Proposals for points that nobody registered, put into the examination of a file."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.units import convert, is_unit, parse_unit
from ingest.examination import ColumnReport, Examination
from ingest.guessing import Guess, tag_in
from ingest.mapping import weather
from ingest.mapping.proposing import Candidate, Proposal, propose
from ingest.mapping.scoring import FLOWS, MAIN, POWER

_PHYSICAL = (*MAIN, *FLOWS, POWER)
_OUTVOTED = 0.3
_TEMPERATURES = (parse_unit("degC"), parse_unit("degF"), parse_unit("kelvin"))


def keep_values(
    examination: Examination, heading: str, time_utc: NDArray[np.datetime64],
    values: NDArray[np.float64],
) -> None:  # fmt: skip
    """Keep the values of a point that nobody registered for :func:`propose_mapping`."""
    index = pd.DatetimeIndex(time_utc).tz_localize("UTC")
    series = pd.Series(values, index=index)
    series = series[np.isfinite(values)].sort_index()
    examination.unregistered[heading] = series[~series.index.duplicated()]


def propose_mapping(examination: Examination) -> None:
    """Let physics confirm, correct or doubt what the names of unregistered points suggest."""
    reports = {c.heading: c for c in examination.columns if c.heading in examination.unregistered}
    groups: dict[str | None, list[str]] = {}
    for heading in reports:
        groups.setdefault(tag_in(heading), []).append(heading)
    shared = groups.pop(None, []) if len(groups) > 1 else []
    registered = any(c.taken_for for c in examination.columns)
    for tag, headings in groups.items():
        taken = _taken(examination, tag)
        if taken & set(MAIN):  # what is left over is none of the four temperatures
            _leave_to_names([reports[h] for h in headings], taken)
            continue
        chosen = [*headings, *(h for h in shared if _of_context(reports[h]))]
        candidates = [
            Candidate(
                heading=h, values=examination.unregistered[h], unit=reports[h].unit_in_file,
                guess=reports[h].guess,
            )
            for h in chosen
        ]  # fmt: skip
        proposals = propose(candidates)
        for proposal in proposals:
            reports[proposal.heading].guess = _guess(proposal, tag)
        if not registered:
            _ask(proposals, reports, examination)
        _doubt_the_rest(proposals, [reports[h] for h in headings])

    _propose_weather(examination)


def _taken(examination: Examination, tag: str | None) -> set[str]:
    """Return the roles that the register gives to columns whose names hint at the same exchanger."""
    own = (c for c in examination.columns if tag_in(c.heading) == tag)
    return {role for column in own for _, role in column.taken_for}


def _leave_to_names(reports: list[ColumnReport], taken: set[str]) -> None:
    """Keep what names suggest for the rest of an exchanger, but no role that a point has already."""
    for report in reports:
        if report.guess is not None and report.guess.role in taken:
            report.guess = None


def _propose_weather(examination: Examination) -> None:
    """Propose an outdoor thermometer by its readings where no name in the file says that it is one."""
    roles = {r for c in examination.columns for _, r in c.taken_for}
    roles |= {c.guess.role for c in examination.columns if c.guess is not None}
    if weather.ROLE in roles:
        return
    found: dict[str, str] = {}
    for report in examination.columns:
        values = examination.unregistered.get(report.heading)
        stated = report.unit_in_file
        if values is None or report.guess is not None or report.taken_for:
            continue
        if stated and not (is_unit(stated) and parse_unit(stated) in _TEMPERATURES):
            continue
        usual = convert(values.to_numpy(), stated or "degC", "degC")
        why = weather.looks_like_weather(pd.Series(usual, index=values.index))
        if why:
            found[report.heading] = why
    headings = sorted(found, key=lambda h: float(examination.unregistered[h].mean()))
    for report in examination.columns:
        if headings and report.heading == headings[0]:
            report.guess = Guess(
                weather.ROLE, tag_in(report.heading), weather.CHANCE, found[report.heading],
                unit=report.unit_in_file or "degC", unit_sure=bool(report.unit_in_file),
                rival=headings[1] if len(headings) > 1 else None,
            )  # fmt: skip


def _of_context(report: ColumnReport) -> bool:
    return report.guess is not None and report.guess.role not in _PHYSICAL


def _guess(proposal: Proposal, tag: str | None) -> Guess:
    return Guess(
        role=proposal.role,
        tag=tag,
        chance=proposal.chance,
        why=proposal.why,
        unit=proposal.unit,
        unit_sure=proposal.unit_sure,
        settled=proposal.sure,
        rival=proposal.rival,
    )


def _ask(
    proposals: list[Proposal], reports: dict[str, ColumnReport], examination: Examination
) -> None:
    """Ask once about all roles that are not settled, and about each unit that does not fit."""
    open_ = [p for p in proposals if not p.sure]
    if open_:
        each = "; ".join(
            f"{p.heading!r} perhaps {ROLES[p.role].label}"
            + (f" (or {p.rival!r})" if p.rival else "")
            for p in open_
        )
        why = list(dict.fromkeys(p.why for p in open_))
        examination.ask(
            f"names and readings do not settle which point is which: {each}. Confirm or correct the "
            f"entries marked below. Why: {'; '.join(why)}."
        )
    for p in proposals:
        stated = reports[p.heading].unit_in_file
        if stated and is_unit(stated) and not _alike(p.unit, stated) and p.chance > 0.5:
            examination.ask(
                f"column {p.heading!r}: the file says {stated}, but as {ROLES[p.role].label} its "
                f"values fit {p.unit}. Which is it?"
            )


def _alike(unit: str, stated: str) -> bool:
    return parse_unit(unit) == parse_unit(stated)


def _doubt_the_rest(proposals: list[Proposal], reports: list[ColumnReport]) -> None:
    """A name that claims a role which physics gave to another point counts for little."""
    if not proposals:
        return
    taken = {p.role: p.heading for p in proposals}
    for report in reports:
        guess = report.guess
        if guess is None or taken.get(guess.role, report.heading) == report.heading:
            continue
        why = f"{guess.why}; but {taken[guess.role]!r} fits that role better"
        report.guess = Guess(guess.role, guess.tag, round(guess.chance * _OUTVOTED, 2), why)
