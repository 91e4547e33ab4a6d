"""A long row of which one step replaces few members and shares the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, islice
from typing import Any, Generic, TypeVar, overload

from tocsin.core.alarm import NEVER_MS

T = TypeVar("T")
R = TypeVar("R")

SHIFT = 5
SIZE = 1 << SHIFT
"""Members of a chunk; a step copies one chunk for each that it replaces in."""

Looked = tuple[list[Any], set[int]]
"""What was found in each part, and the parts where nobody has looked yet."""


def parts_of(start: int, stop: int) -> slice:
    """Return in which parts the members from *start* to before *stop* are."""
    return slice(start >> SHIFT, (stop + SIZE - 1) >> SHIFT)


class Chunks(Sequence[T]):
    """A row that never changes; equal to another with equal members.

    Member i is ``parts[i >> SHIFT][i % SIZE]``.
    """

    __slots__ = ("_looked", "_size", "parts")

    def __init__(self, members: Iterable[T] = ()) -> None:
        row = tuple(members)
        self._size = len(row)
        self.parts = tuple(row[at : at + SIZE] for at in range(0, len(row), SIZE))
        self._looked: dict[Callable[[tuple[T, ...]], Any], Looked] = {}

    @classmethod
    def of(cls, row: Sequence[T]) -> Chunks[T]:
        """Return *row* in chunks: itself, if it is so already."""
        return row if isinstance(row, Chunks) else cls(row)

    def replaced(
        self, parts: Iterable[tuple[T, ...]], changed: Iterable[int]
    ) -> Chunks[T]:
        """Return a row of as many members in these *parts*; some of them are others."""
        row: Chunks[T] = object.__new__(Chunks)
        row._size, row.parts = self._size, tuple(parts)
        row._looked = {
            look: (found[:], unseen.union(changed))
            for look, (found, unseen) in self._looked.items()
        }
        return row

    def seen(self, look: Callable[[tuple[T, ...]], R]) -> Sequence[R]:
        """Return what *look* finds in each part.

        A part never changes: it is looked at once, for every row that shares it.
        """
        if look not in self._looked:
            nothing: list[Any] = [None] * len(self.parts)
            self._looked[look] = nothing, set(range(len(nothing)))
        found, unseen = self._looked[look]
        if unseen:
            for at in unseen:
                found[at] = look(self.parts[at])
            unseen.clear()
        return found

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
        near = chain.from_iterable(self.parts[parts_of(start, stop)])
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


class Draft(Generic[T]):
    """A row while a step works on it; replace its members one by one, and only so."""

    def __init__(self, row: Sequence[T]) -> None:
        self._row = Chunks.of(row)
        self._parts: list[Any] = list(self._row.parts)
        self._open: dict[int, list[T]] = {}

    def __len__(self) -> int:
        return len(self._row)

    def __iter__(self) -> Iterator[T]:
        return iter(self.row())

    def __getitem__(self, i: int) -> T:
        member: T = self._parts[i >> SHIFT][i % SIZE]
        return member

    def put(self, i: int, new: T) -> T:
        """Replace the member at *i*, and return what was there."""
        at, k = i >> SHIFT, i % SIZE
        if at not in self._open:
            self._parts[at] = self._open[at] = list(self._parts[at])
        part = self._open[at]
        old, part[k] = part[k], new
        return old

    def each(self, places: Iterable[int]) -> Iterator[tuple[int, T]]:
        """Yield the members at *places*, each as it is by then."""
        parts = self._parts
        for i in places:
            yield i, parts[i >> SHIFT][i % SIZE]

    def row(self) -> Chunks[T]:
        """Return every member as it is now."""
        if self._open:
            for at, part in self._open.items():
                self._parts[at] = tuple(part)
            self._row = self._row.replaced(self._parts, self._open)
            self._open.clear()
        return self._row


class Moments:
    """When each of many things is due; it knows the first without a look at all.

    Kept by chunks, and copied as they are replaced in, like a row.

    Attributes:
        first_ms: The first moment; never, if there is none.
    """

    __slots__ = ("_firsts_ms", "_own", "_parts", "first_ms")

    def __init__(self, moments_ms: Iterable[int]) -> None:
        self._parts = [list(part) for part in Chunks(moments_ms).parts]
        self._firsts_ms = [min(part) for part in self._parts]
        self._own = set(range(len(self._parts)))
        self.first_ms = min(self._firsts_ms, default=NEVER_MS)

    def copied(self) -> Moments:
        """Return a copy that goes on by itself."""
        new: Moments = object.__new__(Moments)
        new._own = set()
        new._parts, new._firsts_ms = self._parts[:], self._firsts_ms[:]
        new.first_ms = self.first_ms
        self._own.clear()
        return new

    def __setitem__(self, i: int, new_ms: int) -> None:
        at, k = i >> SHIFT, i % SIZE
        old_ms, first_ms = self._parts[at][k], self._firsts_ms[at]
        if old_ms == new_ms:
            return
        if at not in self._own:
            self._parts[at] = self._parts[at][:]
            self._own.add(at)
        self._parts[at][k] = new_ms
        if old_ms == first_ms or new_ms < first_ms:
            self._firsts_ms[at] = min(self._parts[at])
            self.first_ms = min(self._firsts_ms)

    def __eq__(self, other: object) -> bool:
        if isinstance(other, Moments):
            return self._parts == other._parts
        return NotImplemented

    __hash__ = None  # type: ignore[assignment]  # it changes

    def until(self, at_ms: int, among: range | None = None) -> list[int]:
        """Return the places of what is due by then, in their order."""
        if at_ms < self.first_ms:
            return []
        firsts_ms, begin = self._firsts_ms, 0
        if among is not None:
            near = parts_of(among.start, among.stop)
            firsts_ms, begin = firsts_ms[near], near.start
        return [
            i
            for at, first_ms in enumerate(firsts_ms, start=begin)
            if first_ms <= at_ms
            for i, moment_ms in enumerate(self._parts[at], start=at << SHIFT)
            if moment_ms <= at_ms and (among is None or i in among)
        ]
