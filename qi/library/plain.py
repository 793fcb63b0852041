"""The dataclasses of the model as plain values that JSON holds, and back by the types of their fields.

What comes back must have exactly the fields that the model has now: what an older or newer version wrote is told apart by that.
"""

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from functools import cache
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints
from zoneinfo import ZoneInfo

import numpy as np

_NOT_FINITE = "not a finite number"


def plain(value: object) -> Any:  # noqa: ANN401 - whatever JSON holds
    """A value of the model as JSON holds it, without NaN and infinity.

    Raises: TypeError for a value that has no such form.
    """
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return {_NOT_FINITE: str(value)}
    if value is None or isinstance(value, str | bool | int | float):
        return value
    if isinstance(value, datetime):
        return _moment(value)
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(each) for key, each in value.items()}
    if isinstance(value, frozenset):
        return [plain(each) for each in sorted(value)]
    if isinstance(value, tuple | list):
        return [plain(each) for each in value]
    raise TypeError(f"{type(value).__name__} has no plain form")


def made(value: Any, kind: Any) -> Any:  # noqa: ANN401 - plain value in, value of the kind out
    """A value of the model from its plain form.

    Parameters: value, as plain gave it; kind, a type of a field of the model.
    Raises: ValueError, TypeError, KeyError where the value is not of that kind.
    """
    if isinstance(value, dict) and list(value) == [_NOT_FINITE]:
        return float(value[_NOT_FINITE])
    if get_origin(kind) in (Union, UnionType):
        wanted = [one for one in get_args(kind) if one is not type(None)]
        return None if value is None and len(wanted) < len(get_args(kind)) else made(value, wanted[0] if len(wanted) == 1 else Any)
    if kind is datetime:
        return _datetime(value)
    if is_dataclass(kind):
        return _dataclass(value, kind)
    if kind is Any or kind is object:
        return value
    return _collection(value, kind) if get_origin(kind) else _simple(value, kind)


@cache
def kinds(of: type) -> dict[str, Any]:
    """The types of a dataclass's fields, by name."""
    return get_type_hints(of)


def _dataclass(value: dict[str, Any], kind: Any) -> Any:  # noqa: ANN401
    wanted = kinds(kind)
    if not isinstance(value, dict) or set(value) != set(wanted):
        raise ValueError(f"{kind.__name__} has not the fields {', '.join(wanted)}")
    return kind(**{name: made(value[name], wanted[name]) for name in wanted})


def _collection(value: Any, kind: Any) -> Any:  # noqa: ANN401
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Mapping and isinstance(value, dict):
        return {key: made(each, inner[1]) for key, each in value.items()}
    if origin is frozenset and isinstance(value, list):
        return frozenset(made(each, inner[0]) for each in value)
    if origin is tuple and isinstance(value, list):
        of_each = [inner[0]] * len(value) if inner[-1] is Ellipsis else inner
        return tuple(made(each, one) for each, one in zip(value, of_each, strict=True))
    raise TypeError(f"found {type(value).__name__}, which is no plain form of {kind}")


def _simple(value: Any, kind: type) -> Any:  # noqa: ANN401
    right = (int, float) if kind is float else kind
    if not isinstance(value, right):
        raise TypeError(f"found {type(value).__name__}, should be {kind.__name__}")
    return value


def _moment(time: datetime) -> dict[str, str | None]:
    """A time with its zone by name, or with its offset, or without either."""
    zone = time.tzinfo.key if isinstance(time.tzinfo, ZoneInfo) else None
    return {"time": (time.astimezone(UTC) if zone else time).isoformat(), "zone": zone}


def _datetime(value: dict[str, str | None]) -> datetime:
    time = datetime.fromisoformat(str(value["time"]))
    return time.astimezone(ZoneInfo(value["zone"])) if value["zone"] else time
