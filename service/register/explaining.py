"""What is wrong with a register, one sentence for each thing: where, what, value seen, what to do."""

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from analytics.vocabulary.quantities import ROLE_NAMES
from service.register.schemas import ExchangerTable, RegisterFile

_ROLE_TABLES = ("points", "meters", "thermometers")
_KINDS = {
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "finite_number": "must be a finite number",
    "int_type": "must be a whole number",
    "string_type": "must be text in quotes",
    "string_too_short": "must not be empty",
    "date_type": "must be a date such as 2025-09-15, without quotes",
    "date_from_datetime_inexact": "must be a date such as 2025-09-15, without a time of day",
    "list_type": "must be a list of tables, written [[exchanger]]",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
    "dict_type": "must be a table",
}
_BOUNDS = {
    "greater_than": ("gt", "must be above"),
    "greater_than_equal": ("ge", "must be at least"),
    "less_than": ("lt", "must be below"),
    "less_than_equal": ("le", "must be at most"),
}


def explain(error: ValidationError, file: str, document: Mapping[str, Any]) -> list[str]:
    """Return one sentence for each thing that is wrong in ``document``, read from ``file``."""
    return [_sentence(e, file, document) for e in error.errors(include_url=False)]


def place(file: str, document: Mapping[str, Any], path: Sequence[int | str]) -> str:
    """Return where ``path`` is, in the user's words: file, exchanger by its tag, key."""
    parts = [p for p in path if p != "[key]"]
    where = file
    if len(parts) > 1 and parts[0] == "exchanger" and isinstance(parts[1], int):
        where += f", {_exchanger_name(document, parts[1])}"
        parts = parts[2:]
    keys = ".".join(str(p) for p in parts)
    return f"{where}, {keys}" if keys else where


def nearest(word: str, known: Sequence[str]) -> str | None:
    """Return the known word that ``word`` is most likely a slip of."""
    close = get_close_matches(word.lower(), [k.lower() for k in known], n=1, cutoff=0.6)
    return next((k for k in known if close and k.lower() == close[0]), None)


def _exchanger_name(document: Mapping[str, Any], position: int) -> str:
    try:
        tag = document["exchanger"][position]["tag"]
    except (KeyError, IndexError, TypeError):
        tag = None
    return f'exchanger "{tag}"' if isinstance(tag, str) else f"exchanger number {position + 1}"


def _sentence(error: ErrorDetails, file: str, document: Mapping[str, Any]) -> str:
    kind, path, value = error["type"], error["loc"], error["input"]
    if kind == "extra_forbidden":
        return _unknown_key(path, file, document)
    where = place(file, document, path)
    if kind == "missing":
        return f"{where}: is missing. Add it; the example register shows how."
    context = error.get("ctx", {})
    if kind == "value_error":
        what = str(context.get("error", error["msg"]))
        return f"{where}: {_with_value(path, value)}{what.rstrip('.')}."
    if kind == "literal_error":
        choices = str(context.get("expected", "")).replace("'", '"')
        return f"{where}: must be {choices}, got {shown(value)}."
    if kind in _BOUNDS:
        key, words = _BOUNDS[kind]
        return (
            f"{where}: {words} {context[key]:g}, got {shown(value)}. Check the value and its unit."
        )
    if kind == "string_pattern_mismatch":
        return f"{where}: {shown(value)} cannot be used. {_pattern_advice(str(path[-1]))}"
    words = _KINDS.get(kind, error["msg"].rstrip("."))
    return f"{where}: {words}, got {shown(value)}."


def shown(value: object) -> str:
    """Return a value as the file spells it, cut where long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"' if len(value) <= 60 else f'"{value[:57]}…"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return str(value)


def _with_value(path: Sequence[int | str], value: object) -> str:
    """A check of one value names it; a check of a whole table names values itself."""
    if isinstance(value, Mapping | BaseModel):
        return ""
    if path and path[-1] == "[key]":
        proposal = nearest(str(value), ROLE_NAMES)
        return f"{shown(value)} " if proposal is None else f'did you mean "{proposal}"? It '
    return f"{shown(value)} "


def _pattern_advice(key: str) -> str:
    if key == "currency":
        return 'Write three capital letters, as in "EUR".'
    return "Use letters, digits, blanks, dots, dashes and underlines, at most 40."


def _unknown_key(path: Sequence[int | str], file: str, document: Mapping[str, Any]) -> str:
    key = str(path[-1])
    where = place(file, document, path[:-1])
    known = keys_at(path[:-1])
    proposal = nearest(key, known)
    if proposal is not None:
        return f'{where}: "{key}" is not known. Did you mean "{proposal}"?'
    elsewhere = nearest(key, keys_at(("exchanger", 0)))
    if elsewhere is not None and elsewhere == key:
        return f'{where}: "{key}" does not belong here but under [[exchanger]].'
    return f'{where}: "{key}" is not known. Keys here: {", ".join(known)}.'


def keys_at(path: Sequence[int | str]) -> tuple[str, ...]:
    """Return the keys that the table at ``path`` may have, as they are typed."""
    model: type[BaseModel] = RegisterFile
    for part in path:
        if isinstance(part, int) or part in ROLE_NAMES:
            continue
        if part in _ROLE_TABLES and model is ExchangerTable:
            model = get_args(ExchangerTable.model_fields[str(part)].annotation)[1]
            continue
        model = _model_of(_by_key(model)[str(part)]) or model
    return tuple(_by_key(model))


def _by_key(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {f.alias or name: f for name, f in model.model_fields.items()}


def _model_of(field: FieldInfo) -> type[BaseModel] | None:
    candidates = (field.annotation, *get_args(field.annotation))
    return next((c for c in candidates if isinstance(c, type) and issubclass(c, BaseModel)), None)
