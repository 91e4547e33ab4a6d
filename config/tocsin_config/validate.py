"""Tables against their models: pydantic's findings in words, with lines."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from tocsin_config.fields import Table
from tocsin_config.problems import Key, Problem, suggestion

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

    from tocsin_config.document import Document

Model = TypeVar("Model", bound=Table)

MOST_REPAIRS = 6
LONGEST_SHOWN = 60
_AMBIGUOUS = "{0}_degc for degrees Celsius, {0}_rate for multiples of 1C"
_HINTS = {
    "password": "password_file, the name of a file that holds the password alone",
    "trip_c": _AMBIGUOUS.format("trip"),
    "clear_c": _AMBIGUOUS.format("clear"),
}


@dataclass(frozen=True, slots=True)
class Validated(Generic[Model]):
    """A model, as far as one could be had.

    Attributes:
        model: With an example in place of what was wrong, so that the rest can be
            checked further; None if even that failed.
        broken: Where an example stands in, or a value was left out.
    """

    model: Model | None
    problems: list[Problem]
    broken: frozenset[Key]


def validate(
    model: type[Model],
    data: Mapping[str, Any],
    document: Document,
    at: Key = (),
) -> Validated[Model]:
    """Return *data* as *model*; it stands at *at* in *document*."""
    problems: list[Problem] = []
    broken: set[Key] = set()
    mended = deepcopy(dict(data))
    for turn in range(MOST_REPAIRS):
        try:
            made = model.model_validate(mended)
        except ValidationError as exc:
            for error in exc.errors(include_url=False, include_context=False):
                path: Key = error["loc"]
                if error["type"] == "too_short" and error["input"]:
                    continue  # only short because an element is wrong, as told
                if turn == 0 and not (document.mangled and error["type"] == "missing"):
                    problems.append(_problem(model, error, document, at))
                if error["type"] != "extra_forbidden":
                    broken.add((*at, *path))
                _mend(model, mended, path, error["type"])
        else:
            return Validated(made, problems, frozenset(broken))
    return Validated(None, problems, frozenset(broken))


def _problem(
    model: type[Table],
    error: ErrorDetails,
    document: Document,
    at: Key,
) -> Problem:
    path: Key = error["loc"]
    owner, info = _find(model, path)
    kind, value = error["type"], error["input"]
    right = (info.description if info else None) or "a value that fits"
    if kind == "extra_forbidden":
        last = str(path[-1])
        right = _HINTS.get(last) or suggestion(last, owner.model_fields)
        wrong = "a secret in the site file" if last == "password" else "unknown key"
        return document.problem((*at, *path), wrong, right)
    if kind == "missing":
        return document.problem((*at, *path), "is missing", right)
    extra = info.json_schema_extra if info else None
    if isinstance(extra, dict) and isinstance(value, str):
        right = suggestion(value, [str(word) for word in _list(extra["choices"])])
        wrong = f"unknown {extra['what']} {_shown(value)}"
        return document.problem((*at, *path), wrong, right)
    return document.problem((*at, *path), f"{_shown(value)} does not fit", right)


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, bool):
        return "true" if value else "false"
    try:
        text = repr(value) if isinstance(value, str | list) else str(value)
    except ValueError:  # Python will not print an integer of thousands of digits
        return "a number this long"
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."


def _find(
    model: type[BaseModel], path: Key
) -> tuple[type[BaseModel], FieldInfo | None]:
    """Return the table that *path* ends in, and the nearest field on the way."""
    info: FieldInfo | None = None
    for i, part in enumerate(path):
        if isinstance(part, int):
            continue
        found = model.model_fields.get(part)
        if found is None:
            return model, info
        info, inner = found, _table_of(found.annotation)
        if inner is not None and i < len(path) - 1:
            model = inner
    return model, info


def _table_of(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = (_table_of(each) for each in get_args(annotation))
    return next((each for each in inner if each is not None), None)


def _mend(model: type[Table], data: dict[str, Any], path: Key, kind: str) -> None:
    """Put an example where a value is missing or wrong, or leave it out."""
    _, info = _find(model, path)
    if path and isinstance(path[-1], int) and info is not None:
        if _table_of(info.annotation) is None:
            path = path[:-1]  # one wrong word spoils a list of words
        else:
            _put(data, path, {})
            return
    if not path:
        return
    if kind != "extra_forbidden" and info is not None and info.is_required():
        example = (info.examples or [None])[0]
        if path[-1] == "name":
            example = f"{example}-{'-'.join(map(str, path))}"
        _put(data, path, deepcopy(example))
    else:
        _put(data, path, None, leave_out=True)


def _put(data: object, path: Key, value: object, *, leave_out: bool = False) -> None:
    for part in path[:-1]:
        if isinstance(data, dict):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
    last = path[-1]
    if isinstance(data, dict):
        if leave_out:
            data.pop(last, None)
        else:
            data[last] = value
    elif isinstance(data, list) and isinstance(last, int) and last < len(data):
        data[last] = value
