"""One exchanger's evaluation, as a worker process runs it.

Apart from ``assessing.py`` so that a worker imports the analysis and not the database as well.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import pandas as pd

from analytics.vocabulary.errors import PlateledgerError
from analytics.vocabulary.records import Evaluation, Exchanger, MaintenanceEvent
from service.store.parquet import to_parquet
from service.usecases import reopening

Evaluate = Callable[[Exchanger, pd.DataFrame, Sequence[MaintenanceEvent]], Evaluation]
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """An exchanger to be assessed; ``fingerprint`` tells what the answer will rest on."""

    exchanger: Exchanger
    events: tuple[MaintenanceEvent, ...]
    fingerprint: str
    gaps: pd.DataFrame | None = None  # gap frame; see ``analytics.vocabulary.gaps``


def evaluate_task(task: Task, trends: pd.DataFrame, evaluate: Evaluate | None) -> Evaluation | str:
    """Return the evaluation, or a sentence on why there is none."""
    if evaluate is None:
        from analytics.evaluation import evaluate as evaluate_exchanger

        evaluate = partial(evaluate_exchanger, gaps=task.gaps)
    try:
        return evaluate(task.exchanger, trends, task.events)
    except PlateledgerError as exc:
        return str(exc)
    except Exception as exc:  # noqa: BLE001 - a fault must not cost the others their answer
        _LOG.exception("%s: the assessment failed", task.exchanger.tag)
        return (
            f"{task.exchanger.tag}: the assessment failed ({type(exc).__name__}: {exc}). "
            "The last one is kept; this is a fault of the program."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a task came to: an evaluation, its intervals as Parquet, marks of its readings; or why not."""

    evaluation: Evaluation | None
    intervals: bytes = b""
    day_marks: bytes = b""
    failure: str = ""


def answer(task: Task, trends: pd.DataFrame, evaluate: Evaluate | None) -> Answer:
    """Evaluate and write the intervals as Parquet, which is small to hand over."""
    found = evaluate_task(task, trends, evaluate)
    if isinstance(found, str):
        return Answer(evaluation=None, failure=found)
    return Answer(
        evaluation=replace(found, intervals=found.intervals.iloc[:0]),
        intervals=to_parquet(found.intervals),
        day_marks=reopening.packed(reopening.day_marks(trends, task.gaps)),
    )


def load_analysis() -> None:
    """Import the analysis and build the curves of water, so that the first exchanger need not wait."""
    import analytics.evaluation  # noqa: F401 - to have it loaded
    from analytics.physics.fluids import fluid_properties
    from analytics.vocabulary.records import Fluid

    fluid_properties(Fluid())


def answer_numbered(
    number: int, task: Task, trends: pd.DataFrame, evaluate: Evaluate | None
) -> tuple[int, Answer]:
    """Return the number given with the answer: workers finish in any order."""
    return number, answer(task, trends, evaluate)
