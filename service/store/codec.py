"""Records to plain JSON values and back.

Lives here: the converter and the frames inside an evaluation. JSON has no NaN and no infinity: NaN
is ``null``, infinity is text. Small frames travel inside the document; the grid intervals, which are
many, travel apart as Parquet, and the daily account has its own table.
"""

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from typing import Any, Literal, cast

import cattrs
import numpy as np
import pandas as pd

from analytics.vocabulary.records import (
    AlertEvent,
    CauseKind,
    Evaluation,
    Exchanger,
    Proposal,
    Remark,
)
from service.register.plant import DisplayUnits, Point

_SPECIAL = {"Infinity": math.inf, "-Infinity": -math.inf}


def _float_out(value: float) -> float | str | None:
    value = float(value)
    if math.isfinite(value):
        return value
    return None if math.isnan(value) else ("Infinity" if value > 0 else "-Infinity")


def _float_in(value: Any, _: Any) -> float:
    return math.nan if value is None else float(_SPECIAL.get(value, value))


def _optional_float_in(value: Any, _: Any) -> float | None:
    return None if value is None else float(_SPECIAL.get(value, value))


def _time_out(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _time_in(text: str, _: Any) -> datetime:
    return datetime.fromisoformat(text)


def _column_out(values: pd.Index | pd.Series) -> dict[str, Any]:
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        stamps = pd.DatetimeIndex(values).tz_convert("UTC").as_unit("us")
        return {"kind": "time", "values": stamps.asi8.tolist()}
    if pd.api.types.is_bool_dtype(values.dtype):
        return {"kind": "bool", "values": values.tolist()}
    if pd.api.types.is_integer_dtype(values.dtype):
        return {"kind": "int", "values": values.tolist()}
    if pd.api.types.is_float_dtype(values.dtype):
        return {"kind": "float", "values": [_float_out(v) for v in values.tolist()]}
    return {"kind": "text", "values": [None if pd.isna(v) else str(v) for v in values]}


def _column_in(data: Mapping[str, Any]) -> Any:
    kind, values = data["kind"], data["values"]
    if kind == "time":
        return pd.DatetimeIndex(np.asarray(values, dtype="datetime64[us]"), tz="UTC")
    if kind == "float":
        return np.array(values, dtype=float)  # reads null as NaN, and "Infinity" as what it says
    if kind == "int":
        return np.array(values, dtype=np.int64)
    return np.array(values, dtype=bool) if kind == "bool" else pd.array(values, dtype="str")


def _frame_out(frame: pd.DataFrame) -> dict[str, Any]:
    return {
        "index": {"name": frame.index.name, **_column_out(frame.index)},
        "columns": {str(c): _column_out(frame[c]) for c in frame.columns},
    }


def _frame_in(data: Mapping[str, Any], _: Any) -> pd.DataFrame:
    index = pd.Index(_column_in(data["index"]), name=data["index"]["name"])
    columns = {name: _column_in(column) for name, column in data["columns"].items()}
    return pd.DataFrame(columns, index=index)


def _alert_kind_in(text: str, _: Any) -> CauseKind | Literal["data stopped"]:
    return "data stopped" if text == "data stopped" else CauseKind(text)


@cache
def converter() -> cattrs.Converter:
    """Return the converter of all records of the project."""
    found = cattrs.Converter(forbid_extra_keys=False)
    found.register_unstructure_hook(float, _float_out)
    found.register_structure_hook(float, _float_in)
    found.register_structure_hook(float | None, _optional_float_in)
    found.register_unstructure_hook(datetime, _time_out)
    found.register_structure_hook(datetime, _time_in)
    found.register_unstructure_hook(pd.DataFrame, _frame_out)
    found.register_structure_hook(pd.DataFrame, _frame_in)
    found.register_structure_hook(CauseKind | Literal["data stopped"], _alert_kind_in)
    found.register_unstructure_hook(CauseKind | Literal["data stopped"], str)
    return found


def evaluation_document(evaluation: Evaluation) -> dict[str, Any]:
    """Return all of an evaluation but ``daily`` and ``intervals`` as plain JSON values."""
    without = replace(evaluation, daily=pd.DataFrame(), intervals=pd.DataFrame())
    document = cast("dict[str, Any]", converter().unstructure(without))
    del document["daily"], document["intervals"]
    return document


def evaluation_from(
    document: Mapping[str, Any], *, daily: pd.DataFrame, intervals: pd.DataFrame
) -> Evaluation:
    """Return the evaluation that :func:`evaluation_document` wrote, with its frames."""
    empty = _frame_out(pd.DataFrame())
    bare = converter().structure({**document, "daily": empty, "intervals": empty}, Evaluation)
    return replace(bare, daily=daily, intervals=intervals)


def exchanger_snapshot(exchanger: Exchanger) -> dict[str, Any]:
    """Return an exchanger as plain JSON values."""
    return cast("dict[str, Any]", converter().unstructure(exchanger))


def exchanger_from(snapshot: Mapping[str, Any]) -> Exchanger:
    """Return the exchanger of a snapshot."""
    return converter().structure(snapshot, Exchanger)


def points_from(values: Any) -> tuple[Point, ...]:
    """Return points from plain JSON values."""
    return converter().structure(values, tuple[Point, ...])


def units_from(values: Any) -> DisplayUnits:
    """Return display units from plain JSON values."""
    return converter().structure(values, DisplayUnits)


def remark_from(values: Any) -> Remark:
    """Return a remark from plain JSON values."""
    return converter().structure(values, Remark)


def proposal_from(values: Any) -> Proposal:
    """Return a proposal from plain JSON values."""
    return converter().structure(values, Proposal)


def alert_events_from(values: Any) -> tuple[AlertEvent, ...]:
    """Return alert events from plain JSON values."""
    return converter().structure(values, tuple[AlertEvent, ...])


def plain(record: Any) -> Any:
    """Return any record as plain JSON values."""
    return converter().unstructure(record)


def fingerprint(*values: Any) -> str:
    """Return a short text that differs whenever plain JSON ``values`` differ."""
    text = json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:32]
