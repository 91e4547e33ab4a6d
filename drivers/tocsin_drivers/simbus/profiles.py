"""Scripted power over time: loads, sun, water, weather. Stateless and seeded."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Protocol

from tocsin.core.published import interpolate


class Profile(Protocol):
    """A value that depends on the time alone, so that any moment can be asked."""

    def at(self, t_s: float) -> float:
        """Return the value at *t_s* seconds from the start of the story."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """Always the same."""

    value: float

    def at(self, t_s: float) -> float:  # noqa: ARG002 - the time does not matter
        """Return the value."""
        return self.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Straight lines between points of (time in s, value), the ends carried on.

    Attributes:
        points: Ascending in time.
        flicker: Largest share by which the value is reduced or raised at random:
            clouds, cooking, gusts.
        every_s: How long one random value lasts.
        seed: The same seed gives the same flicker.
    """

    points: tuple[tuple[float, float], ...]
    flicker: float = 0.0
    every_s: float = 120.0
    seed: int = 0

    def at(self, t_s: float) -> float:
        """Return the value at *t_s*."""
        value = interpolate(self.points, t_s)
        if not self.flicker:
            return value
        rng = Random(f"{self.seed}/{int(t_s // self.every_s)}")  # noqa: S311 - weather
        return value * (1 + self.flicker * rng.uniform(-1, 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """A constant from each point of (time in s, value) on; 0 before the first."""

    points: tuple[tuple[float, float], ...]

    def at(self, t_s: float) -> float:
        """Return the value at *t_s*."""
        held = 0.0
        for from_s, value in self.points:
            if t_s < from_s:
                break
            held = value
        return held


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """On and off in turns, as a refrigerator does."""

    on_s: float
    off_s: float
    value: float

    def at(self, t_s: float) -> float:
        """Return the value while on, else 0."""
        return self.value if t_s % (self.on_s + self.off_s) < self.on_s else 0.0


@dataclass(frozen=True, slots=True)
class Sum:
    """Several profiles at once."""

    parts: tuple[Profile, ...]

    def at(self, t_s: float) -> float:
        """Return the sum at *t_s*."""
        return sum(part.at(t_s) for part in self.parts)
