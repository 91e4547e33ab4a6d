"""Cheap copies of objects that are changed many times a second."""

from __future__ import annotations

from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")

_SLOTS = "__slots__"


def clone(of: T) -> T:
    """Return a shallow copy of a slotted dataclass, without running its checks."""
    kind = type(of)
    new: T = object.__new__(kind)
    for name, value in zip(getattr(kind, _SLOTS), _all_of(kind)(of), strict=True):
        setattr(new, name, value)
    return new


@cache
def _all_of(kind: type) -> Callable[[object], tuple[Any, ...]]:
    """Return what gives the value of every slot of a *kind* with several."""
    return attrgetter(*getattr(kind, _SLOTS))
