"""A long row of which one step replaces few members and shares the rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice
from typing import TypeVar, overload

T = TypeVar("T")

SHIFT = 5
SIZE = 1 << SHIFT
"""Members of a chunk; a step copies one chunk for each that it replaces in."""

Part = tuple[T, ...] | list[T]
"""A chunk as it is kept, or its copy in which a step replaces members."""


class Chunks(Sequence[T]):
    """A row that never changes; equal to another with equal members.

    Member i is ``parts[i >> SHIFT][i % SIZE]``.
    """

    __slots__ = ("_size", "parts")

    def __init__(self, members: Iterable[T] = ()) -> None:
        row = tuple(members)
        self._size = len(row)
        self.parts = tuple(row[at : at + SIZE] for at in range(0, len(row), SIZE))

    def replaced(self, parts: Iterable[Part[T]]) -> Chunks[T]:
        """Return a row of as many members, made of *parts*."""
        row = Chunks[T]()
        row._size = self._size
        row.parts = tuple(map(tuple, parts))  # a part that is a tuple stays itself
        return row

    def __len__(self) -> int:
        return self._size

    @overload
    def __getitem__(self, i: int) -> T: ...
    @overload
    def __getitem__(self, i: slice) -> Sequence[T]: ...
    def __getitem__(self, i: int | slice) -> T | Sequence[T]:
        if isinstance(i, slice):
            return self._between(i)
        at = i + self._size if i < 0 else i
        if not 0 <= at < self._size:
            raise IndexError(i)
        return self.parts[at >> SHIFT][at % SIZE]

    def _between(self, part: slice) -> tuple[T, ...]:
        start, stop, step = part.indices(self._size)
        if step != 1:
            return tuple(self)[part]
        near = chain.from_iterable(self.parts[start >> SHIFT : (stop >> SHIFT) + 1])
        begin = start % SIZE
        return tuple(islice(near, begin, begin + max(0, stop - start)))

    def __iter__(self) -> Iterator[T]:
        return chain.from_iterable(self.parts)

    def __eq__(self, other: object) -> bool:
        if isinstance(other, Chunks):
            return self.parts == other.parts
        return NotImplemented

    def __hash__(self) -> int:
        return hash(self.parts)

    def __repr__(self) -> str:
        return f"{type(self).__name__}({list(self)!r})"
