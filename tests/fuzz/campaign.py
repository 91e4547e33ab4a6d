"""Runs a target: spoils inputs, judges what comes out, measures time and memory.

An input whose outcome has a new shape (a refusal in other words) is spoilt further, so
the campaign works its way in without knowing the code. Everything follows from the
seed.
"""

from __future__ import annotations

import gc
import math
import re
import signal
import time
import traceback
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from contextlib import AbstractContextManager

    from tests.fuzz.mutate import Mutator

    Look = Callable[[bytes], str]
    """Gives one input to the product: empty if it was taken and what came out is
    sound, else the documented error's text. Whatever else it raises is a bug."""

MOST_KINDS = 20
"""So many kinds of failure end a campaign."""

FRESH = 0.6
"""Such a share of the inputs is made of sound ones, the others of spoilt ones."""

MOST_POOL = 400
MOST_SHAPES = 5_000
MOST_MB = 6.0
"""By so much may memory grow once `FEW` inputs have come."""

FEW = 10_000
"""Up to here caches and buffers fill; memory is judged from twice as many on."""

A_WHILE = 1_000
"""Inputs between two looks at the clock."""

LONGEST_SAID = 3_000
"""Letters of a refusal."""

FOREVER = 5
"""An input that takes so many times what it may is cut off."""

_VARIES = re.compile(
    r"'[^']*'|\"[^\"]*\"|0x[0-9A-Fa-f]+|[-+]?\d[\d.,]*(?:e[-+]?\d+)?|\b[0-9A-F]{8}\b"
)
_PATH = re.compile(r"/\S+/")


class WrongError(AssertionError):
    """What came out is not what may come out."""


class StuckError(BaseException):
    """An input that does not come to an end; no handler of errors may stop it."""


@dataclass(frozen=True, kw_only=True)
class Target:
    """One decoder or loader.

    Attributes:
        corpus: Sound inputs, of the real encoders or sample files.
        opened: What the target needs, open for the campaign, as a way to look.
        says: What every refusal must look like: where and why.
        most_s: CPU time that one input may take.
    """

    name: str
    what: str
    corpus: Callable[[], Sequence[bytes]]
    mutated: Mutator
    opened: Callable[[], AbstractContextManager[Look]]
    says: re.Pattern[str]
    most_s: float = 1.0


@dataclass
class Failure:
    """One kind of failure: how often, and the first input that showed it."""

    text: str
    data: bytes
    times: int = 1


@dataclass
class Result:
    """What a campaign came to.

    Attributes:
        taken, refused: Inputs by outcome.
        shapes: Refusals by their words, numbers and names taken out.
        slowest: CPU seconds and the input.
        growth_mb: Since `FEW` inputs had come, without the campaign's own pool of
            inputs; 0 for a short campaign.
    """

    target: Target
    inputs: int = 0
    taken: int = 0
    refused: int = 0
    wall_s: float = 0.0
    shapes: Counter[str] = field(default_factory=Counter)
    slowest: tuple[float, bytes] = (0.0, b"")
    growth_mb: float = 0.0
    failures: dict[str, Failure] = field(default_factory=dict)

    @property
    def trouble(self) -> str:
        """Return what is wrong with the campaign as a whole, or nothing."""
        if self.failures:
            return f"{len(self.failures)} kinds of failure"
        if not self.taken or not self.refused:
            return "nothing taken, or nothing refused: it shows nothing"
        if self.growth_mb > MOST_MB:
            return f"memory grew by {self.growth_mb:.1f} MB"
        return ""

    def __str__(self) -> str:
        slow_s, slow = self.slowest
        return (
            f"{self.target.name:16} {self.inputs} inputs in {self.wall_s:.0f} s, "
            f"{self.inputs / max(self.wall_s, 1e-9):.0f}/s; taken {self.taken}, "
            f"refused {self.refused} in {len(self.shapes)} ways; "
            f"slowest {1000 * slow_s:.1f} ms, {len(slow)} bytes; "
            f"memory {self.growth_mb:+.1f} MB; {self.trouble or 'sound'}"
        )


def run(
    target: Target,
    count: int,
    seed: int,
    told: Callable[[Result], bool] = lambda _: False,
    most_s: float = math.inf,
) -> Result:
    """Give *count* spoilt inputs to *target*, or as many as *most_s* allow.

    *told* hears of it now and then, and ends it by returning True.
    """
    result, chance = Result(target), Random(seed)
    corpus = [bytes(each) for each in target.corpus()]
    pool = list(corpus)
    with target.opened() as look, _watched():
        for data in corpus:
            _one(result, look, data)
        if result.refused and not result.failures:
            raise ValueError(f"{target.name}: {result.shapes} of its sound inputs")
        begun_s, first_mb = time.perf_counter(), 0.0
        for number in range(count):
            base = chance.choice(corpus if chance.random() < FRESH else pool)
            data = target.mutated(chance, base, corpus)
            if _one(result, look, data) and len(data) < 2 * max(map(len, corpus)):
                pool.append(data)
                if len(pool) > MOST_POOL:
                    del pool[chance.randrange(len(corpus), len(pool))]
            if number == FEW:
                first_mb = resident_mb() - _weight_mb(pool)
            if number % A_WHILE == A_WHILE - 1:
                result.wall_s = time.perf_counter() - begun_s
                is_late = result.wall_s > most_s
                if told(result) or is_late or len(result.failures) >= MOST_KINDS:
                    break
        result.wall_s = time.perf_counter() - begun_s
        if result.inputs > 2 * FEW:
            result.growth_mb = resident_mb() - _weight_mb(pool) - first_mb
    return result


def _one(result: Result, look: Look, data: bytes) -> bool:
    """Look at one input; return True if its outcome has a shape that is new."""
    target = result.target
    begun_s = time.process_time()
    signal.setitimer(signal.ITIMER_VIRTUAL, FOREVER * target.most_s)
    try:
        why = look(data)
        _judged(target, why)
    except (Exception, StuckError) as exc:  # noqa: BLE001 any other error is a bug
        why = _noted(result, data, exc)
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
    took_s = time.process_time() - begun_s
    if took_s > result.slowest[0]:
        result.slowest = took_s, data
    if took_s > target.most_s:
        _noted(result, data, WrongError(f"took {took_s:.2f} s of CPU time"))
    result.inputs += 1
    if not why:
        result.taken += 1
        return False
    result.refused += 1
    shape = shape_of(why)
    is_new = shape not in result.shapes and len(result.shapes) < MOST_SHAPES
    if is_new or shape in result.shapes:
        result.shapes[shape] += 1
    return is_new


def _judged(target: Target, why: str) -> None:
    """See that a refusal says where and why, at no great length, and can be printed.

    Raises:
        WrongError: it does not.
    """
    if why and not target.says.fullmatch(why):
        raise WrongError(f"a refusal must say where and why: {why!r}"[:400])
    if MemoryError.__name__ in why:
        raise WrongError("it took all memory")
    if len(why) > LONGEST_SAID:
        raise WrongError(f"a refusal of {len(why)} letters: {why!r}"[:400])
    try:
        why.encode()
    except UnicodeEncodeError:
        raise WrongError(f"it cannot be printed: {why!r}"[:400]) from None


def _noted(result: Result, data: bytes, exc: BaseException) -> str:
    """Keep a failure by its kind and place; return its text."""
    last = traceback.extract_tb(exc.__traceback__)[-1:]
    place = "".join(f"{Path(f.filename).name}:{f.lineno}" for f in last)
    text = f"{type(exc).__name__} at {place or 'the end'}: {exc}"[:600]
    key = text[:120] if place.startswith("campaign.py") else f"{type(exc)} {place}"
    key = shape_of(key)
    if key in result.failures:
        result.failures[key].times += 1
    else:
        result.failures[key] = Failure(text, data)
    return text


def shape_of(why: str) -> str:
    """Return *why* without what varies: paths, numbers, names in quotes."""
    return _VARIES.sub("~", _PATH.sub("", why[:300]))[:160]


@contextmanager
def _watched() -> Iterator[None]:
    """Cut off what does not come to an end."""

    def stuck(*_: object) -> None:
        raise StuckError("it does not come to an end")

    before = signal.signal(signal.SIGVTALRM, stuck)
    try:
        yield
    finally:
        signal.signal(signal.SIGVTALRM, before)


def _weight_mb(pool: Sequence[bytes]) -> float:
    return sum(map(len, pool)) / 1e6


def resident_mb() -> float:
    """Return what this process holds now."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * 4_096 / 1e6
