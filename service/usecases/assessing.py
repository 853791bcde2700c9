"""Assess exchangers: from the stored readings to an evaluation, the daily account and alerts."""

import os
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from time import monotonic

import pandas as pd
from sqlalchemy import Connection

from analytics.vocabulary.records import Evaluation, Exchanger, MaintenanceEvent
from service.register.reading import exchanger_of
from service.store import evaluations, gaps, imports, log, registered
from service.store.codec import exchanger_snapshot, fingerprint, plain
from service.store.store import Store
from service.usecases import alerting, proposing, reopening
from service.usecases.evaluating import (
    Answer,
    Evaluate,
    Task,
    answer,
    answer_numbered,
    load_analysis,
)
from service.usecases.progress import Progress, silent


@dataclass(frozen=True, slots=True, kw_only=True)
class AssessOutcome:
    """Which exchangers were assessed anew, which had nothing new, which failed and why."""

    assessed: tuple[str, ...]
    unchanged: tuple[str, ...]
    without_readings: tuple[str, ...]
    failed: Mapping[str, str]
    seconds: float


def assess(
    store: Store,
    tags: Sequence[str] | None = None,
    *,
    again: bool = False,
    workers: int = 0,
    progress: Progress | None = None,
    evaluate: Evaluate | None = None,
) -> AssessOutcome:
    """Assess exchangers whose readings, log or register entry changed since the last time.

    Parameters
    ----------
    store : Store
        The ledger's database.
    tags : sequence of str, optional
        Which exchangers; without: all.
    again : bool
        Assess them even where nothing changed.
    workers : int
        How many at the same time; 0: one per core.
    progress : callable, optional
        Told what is done; see ``service.usecases.progress``.
    evaluate : callable, optional
        Stands in for ``analytics.evaluation.evaluate``.

    Returns
    -------
    outcome : AssessOutcome
        One exchanger that fails does not stop the others.

    Raises
    ------
    RegisterError
        If a tag is not registered.
    """
    started = monotonic()
    report = progress or silent
    tasks, unchanged, empty = _plan(store, tags, again=again)
    assessed: list[str] = []
    failed: dict[str, str] = {}
    report("assessing", 0, len(tasks))
    for task, result in _run(store, tasks, evaluate, _parallel(workers, len(tasks))):
        tag = task.exchanger.tag
        if result.evaluation is not None:
            _save(store, result.evaluation, result, task)
            assessed.append(tag)
        else:
            failed[tag] = result.failure
        report(f"assessed {tag}", len(assessed) + len(failed), len(tasks))
    return AssessOutcome(
        assessed=tuple(assessed),
        unchanged=unchanged,
        without_readings=empty,
        failed=failed,
        seconds=monotonic() - started,
    )


def outdated(store: Store) -> tuple[str, ...]:
    """Return the exchangers whose readings, log or register changed since they were assessed."""
    tasks, _, _ = _plan(store, None, again=False)
    with store.reading() as connection:
        known = evaluations.heads(connection)
    return tuple(t.exchanger.tag for t in tasks if t.exchanger.tag in known)


def warm_workers(workers: int = 0) -> Callable[[], None]:
    """Start the worker processes while something else is done; call what is returned before assessing.

    ``assess`` then finds them with the analysis loaded, which takes longer than a small fleet.
    """
    count = _parallel(workers, os.cpu_count() or 1)
    if count <= 1:
        return lambda: None
    from joblib import Parallel, delayed

    pool = Parallel(n_jobs=count, return_as="generator_unordered")
    loaded = pool(delayed(load_analysis)() for _ in range(count))
    return lambda: deque(loaded, maxlen=0).clear()


def _plan(
    store: Store, tags: Sequence[str] | None, *, again: bool
) -> tuple[list[Task], tuple[str, ...], tuple[str, ...]]:
    tasks: list[Task] = []
    unchanged: list[str] = []
    empty: list[str] = []
    with store.reading() as connection:
        plant = registered.load_plant(connection)
        chosen = plant.exchangers if tags is None else [exchanger_of(plant, t) for t in tags]
        known = evaluations.heads(connection)
        for exchanger in chosen:
            events = log.load_events(connection, exchanger.tag)
            mark = _fingerprint(exchanger, events, imports.data_version(connection, exchanger.tag))
            if imports.reading_span(connection, exchanger.tag) is None:
                empty.append(exchanger.tag)
            elif not again and exchanger.tag in known and known[exchanger.tag].fingerprint == mark:
                unchanged.append(exchanger.tag)
            else:
                told = gaps.load_gaps(connection, exchanger.tag)
                tasks.append(Task(exchanger=exchanger, events=events, fingerprint=mark, gaps=told))
    return tasks, tuple(unchanged), tuple(empty)


def _fingerprint(
    exchanger: Exchanger, events: tuple[MaintenanceEvent, ...], data_version: int
) -> str:
    try:
        program = version("plateledger")
    except PackageNotFoundError:
        program = ""
    return fingerprint(exchanger_snapshot(exchanger), plain(events), data_version, program)


def _parallel(workers: int, tasks: int) -> int:
    return min(workers or os.cpu_count() or 1, tasks)


def _run(
    store: Store, tasks: Sequence[Task], evaluate: Evaluate | None, workers: int
) -> Iterator[tuple[Task, Answer]]:
    """Yield each task with its evaluation, or with why there is none, as they are finished."""
    if workers <= 1:
        for task in tasks:
            yield task, answer(task, _trends(store, task), evaluate)
        return
    from joblib import Parallel, delayed

    # Processes, since much of the work holds the interpreter; frames are loaded as workers fall
    # free, so that the memory holds a few exchangers and not the fleet.
    with Parallel(n_jobs=workers, return_as="generator_unordered", pre_dispatch="n_jobs") as pool:
        numbered = enumerate(tasks)
        results = pool(
            delayed(answer_numbered)(n, task, _trends(store, task), evaluate)
            for n, task in numbered
        )
        for number, result in results:
            yield tasks[number], result


def _trends(store: Store, task: Task) -> pd.DataFrame:
    with store.reading() as connection:
        return imports.load_readings(connection, task.exchanger.tag)


def _save(store: Store, evaluation: Evaluation, result: Answer, task: Task) -> None:
    now_utc = datetime.now(UTC)
    with store.writing() as connection:
        since = _since(connection, evaluation.tag, result.day_marks)
        evaluations.save_evaluation(
            connection,
            evaluation,
            fingerprint=task.fingerprint,
            made_utc=now_utc,
            intervals=result.intervals,
            day_marks=result.day_marks,
        )
        alerting.take_over(
            connection, evaluation.tag, evaluation.alerts, now_utc=now_utc, since=since
        )
        proposing.take_over(connection, evaluation.tag, evaluation.proposals, now_utc=now_utc)


def _since(connection: Connection, tag: str, marks: bytes) -> alerting.Since | None:
    """Return what changed since the last assessment: readings of concluded days, and the log."""
    last = evaluations.day_marks(connection, tag)
    if last is None:
        return None
    made_utc, through_utc, before = last
    now = reopening.unpacked(marks)
    assert now is not None
    return alerting.Since(
        concluded_utc=datetime(through_utc.year, through_utc.month, through_utc.day, tzinfo=UTC),
        reopened=reopening.reopened(reopening.unpacked(before), now, through_utc),
        entered=log.entered_since(connection, tag, made_utc),
    )
