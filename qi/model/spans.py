"""Arithmetic on stretches of time: sorted, disjoint, half-open stretches [start, end) in seconds from case start."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Self

import numpy as np


@dataclass(frozen=True)
class Span:
    """One stretch of time [s from case start]."""

    start_s: float
    end_s: float

    @property
    def seconds(self) -> float:
        """Length [s]; zero when the end is not after the start."""
        return max(0.0, self.end_s - self.start_s)


def _normal(edges: np.ndarray) -> np.ndarray:
    """Sort stretches, drop empty ones, join those that touch or overlap; shape (n, 2)."""
    edges = edges[edges[:, 1] > edges[:, 0]]
    if len(edges) < 2:
        return edges
    edges = edges[np.argsort(edges[:, 0], kind="stable")]
    reach = np.maximum.accumulate(edges[:, 1])
    first = np.r_[True, edges[1:, 0] > reach[:-1]]
    last = np.r_[first[1:], True]
    return np.column_stack([edges[first, 0], reach[last]])


@dataclass(frozen=True, eq=False)
class Spans:
    """Several stretches of time, always sorted and disjoint; edges has shape (n, 2) [s from case start]."""

    edges: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))

    @classmethod
    def of(cls, pairs: Iterable[tuple[float, float]] | np.ndarray) -> Self:
        """Make spans from (start, end) pairs in any order; overlapping pairs are joined."""
        return cls(_normal(np.asarray(list(pairs), dtype=float).reshape(-1, 2)))

    @classmethod
    def where(cls, state: np.ndarray, *, start_s: float, step_s: float) -> Self:
        """Stretches in which a state holds: frame i covers start_s + i·step_s to start_s + (i+1)·step_s."""
        flips = np.flatnonzero(np.diff(np.r_[False, np.asarray(state, dtype=bool), False]))
        return cls(start_s + step_s * flips.reshape(-1, 2).astype(float))

    def __len__(self) -> int:
        return len(self.edges)

    def __bool__(self) -> bool:
        return len(self.edges) > 0

    def __iter__(self) -> Iterator[Span]:
        return (Span(float(start), float(end)) for start, end in self.edges)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Spans) and np.array_equal(self.edges, other.edges)

    __hash__ = None  # type: ignore[assignment]

    @property
    def seconds(self) -> float:
        """Total length [s]."""
        return float((self.edges[:, 1] - self.edges[:, 0]).sum())

    @property
    def first(self) -> Span:
        """The first stretch; an empty one at 0 where there is none."""
        return Span(*map(float, self.edges[0])) if len(self) else Span(0.0, 0.0)

    @property
    def hull(self) -> Span:
        """From the first start to the last end; an empty one at 0 where there is none."""
        return Span(float(self.edges[0, 0]), float(self.edges[-1, 1])) if len(self) else Span(0.0, 0.0)

    def pairs(self) -> list[tuple[float, float]]:
        """The stretches as plain (start, end) numbers."""
        return [(float(start), float(end)) for start, end in self.edges]

    def union(self, other: "Spans") -> "Spans":
        """Time in either."""
        return Spans(_normal(np.concatenate([self.edges, other.edges])))

    def overlap(self, other: "Spans") -> "Spans":
        """Time in both."""
        if not (len(self) and len(other)):
            return Spans()
        return self.minus(Spans.of([(-np.inf, np.inf)]).minus(other))

    def clip(self, span: Span) -> "Spans":
        """The part inside one stretch."""
        return Spans(_normal(np.clip(self.edges, span.start_s, span.end_s)))

    def minus(self, other: "Spans") -> "Spans":
        """Time in this and not in the other."""
        if not (len(self) and len(other)):
            return self
        times = np.concatenate([self.edges.ravel(), other.edges.ravel()])
        steps = np.concatenate([np.tile([1, -1], len(self)), np.tile([-2, 2], len(other))])
        order = np.argsort(times, kind="stable")
        times, level = times[order], np.cumsum(steps[order])
        inside = np.flatnonzero(level[:-1] == 1)
        return Spans(_normal(np.column_stack([times[inside], times[inside + 1]])))

    def grown(self, by_s: float) -> "Spans":
        """Each stretch longer (or, with a negative number, shorter) by that much at both ends."""
        return Spans(_normal(self.edges + np.array([-by_s, by_s])))

    def gaps(self, within: "Spans | None" = None) -> "Spans":
        """The time between the stretches, or all the time of `within` that they leave open."""
        return (Spans.of([(self.hull.start_s, self.hull.end_s)]) if within is None else within).minus(self)

    def longer_than(self, seconds: float) -> "Spans":
        """Only the stretches of at least that length."""
        return Spans(self.edges[(self.edges[:, 1] - self.edges[:, 0]) >= seconds])

    def contains(self, times_s: np.ndarray | float) -> np.ndarray:
        """For each time, whether it lies in a stretch (start included, end not)."""
        times = np.asarray(times_s, dtype=float)
        if not len(self):
            return np.zeros(times.shape, dtype=bool)
        at = np.searchsorted(self.edges[:, 0], times, side="right") - 1
        return (at >= 0) & (times < self.edges[np.maximum(at, 0), 1])

    def seconds_in(self, starts_s: np.ndarray, ends_s: np.ndarray) -> np.ndarray:
        """For each stretch from starts_s to ends_s, how much of it lies in these spans [s]."""
        if not len(self) or not len(starts_s):
            return np.zeros(len(starts_s))
        corners = np.clip(self.edges.ravel(), np.min(starts_s), np.max(ends_s))
        rise = np.r_[0.0, np.cumsum(np.diff(corners) * (np.arange(len(corners) - 1) % 2 == 0))]
        return np.interp(ends_s, corners, rise) - np.interp(starts_s, corners, rise)
