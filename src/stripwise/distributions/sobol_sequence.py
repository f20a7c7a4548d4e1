"""Scrambled Sobol' points, those of scipy bit by bit, without its statistics to import."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import NumericalError

__all__ = ["BITS", "SobolSequence"]

Array = NDArray[np.float64]
Words = NDArray[np.uint32]

BITS = 30
"""Binary digits of a point."""

MOST_COLUMNS = 1111
"""Columns that the table of direction numbers has."""


@dataclass(slots=True)
class SobolSequence:
    """One scrambled sequence of d columns, read block by block.

    Attributes
    ----------
    directions
        (d, 30) scrambled direction numbers.
    point
        (d,) the next point, before it is divided by 2^30.
    place
        Its place in the sequence.
    """

    directions: Words
    point: Words
    place: int

    @classmethod
    def scrambled(cls, dimensions: int, rng: np.random.Generator) -> SobolSequence:
        """Scramble the sequence by a random shift and random lower triangular matrices.

        References
        ----------
        Matousek, J. Complexity 14, 1998 (recalled): the linear scrambling.
        """
        rng = rng.spawn(1)[0]  # as scipy's sequence does
        digits = rng.integers(0, 2, size=(dimensions, BITS), dtype=np.uint32)
        shift = (digits @ (np.uint32(1) << np.arange(BITS, dtype=np.uint32))).astype(np.uint32)
        matrix = rng.integers(0, 2, size=(dimensions, BITS, BITS), dtype=np.uint32)
        lower = np.tril(matrix, -1).astype(float) + np.eye(BITS)
        places = np.arange(BITS - 1, -1, -1, dtype=np.uint32)  # the first digit is the largest
        mixed = np.rint(lower @ _plain_bits(dimensions)).astype(np.uint32) & np.uint32(1)
        directions = np.bitwise_or.reduce(mixed << places[:, None], axis=1)
        return cls(directions, shift, 0)

    def skip(self, points: int) -> None:
        """Pass over some points."""
        place = self.place + points
        changed = (place ^ (place >> 1)) ^ (self.place ^ (self.place >> 1))
        for bit in range(BITS):
            if changed >> bit & 1:
                self.point = self.point ^ self.directions[:, bit]
        self.place = place

    def draw(self, points: int) -> Array:
        """Return the next points, (d, points) in [0, 1)."""
        steps = np.arange(self.place, self.place + points, dtype=np.int64)
        lowest = np.bitwise_count((steps & -steps) - 1) if points > 1 else steps
        words = self.directions[:, np.minimum(lowest, BITS - 1)]
        words[:, 0] = self.point
        np.bitwise_xor.accumulate(words, axis=1, out=words)
        self.skip(points)
        return np.asarray(words * 0.5**BITS)


@functools.lru_cache(maxsize=64)
def _plain_bits(dimensions: int) -> Array:
    """Return the binary digits of the direction numbers, the largest first, (d, 30, 30)."""
    places = np.arange(BITS - 1, -1, -1, dtype=np.uint32)
    bits = (_plain_directions(dimensions)[:, None, :] >> places[:, None]) & np.uint32(1)
    return bits.astype(float)


@functools.lru_cache(maxsize=64)
def _plain_directions(dimensions: int) -> Words:
    """Return the direction numbers before any scrambling, (d, 30)."""
    if dimensions > MOST_COLUMNS:
        raise NumericalError(f"{dimensions} columns are asked for; Sobol' has {MOST_COLUMNS} here")
    found = np.ones((dimensions, BITS), dtype=np.uint64)
    for words, line in zip(found[1:], _table(), strict=False):
        taps, *start = (int(word) for word in line.split())
        words[: len(start)] = start
        for j in range(len(start), BITS):
            words[j] = _next_direction(words[j - len(start) : j], taps)
    shifts = np.arange(BITS - 1, -1, -1, dtype=np.uint64)
    return (found << shifts).astype(np.uint32)


def _next_direction(before: NDArray[np.uint64], taps: int) -> int:
    """Return the direction number after as many as the polynomial has degrees."""
    degree = len(before)
    word = int(before[0])
    for k in range(1, degree + 1):
        if taps >> (degree - k) & 1:
            word ^= int(before[degree - k]) << k
    return word


@functools.cache
def _table() -> tuple[str, ...]:
    text = resources.files("stripwise.distributions").joinpath("sobol_directions.txt").read_text()
    return tuple(line for line in text.splitlines() if not line.startswith("#"))
