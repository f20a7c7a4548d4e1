"""How deep the chloride fronts of one block of samples are, without service conditions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.ingress.front import layered_front_depth
from stripwise.risk.model.wall import SampleBlock, Wall

__all__ = ["Fronts"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fronts:
    """The fronts of one block of samples, with all that does not change with age computed once.

    Attributes
    ----------
    wall, block
        The wall and its samples, n of them, with the diffusivity in their rate.
    spread
        Of a uniform face: s arrays (n,) 2 z sqrt(k_c k_e k_t D_ref), so that the front is
        start_depth + spread exp(log_effective_time / 2) [mm/yr^0.5]; empty for a layered one.
    """

    wall: Wall
    block: SampleBlock
    spread: tuple[Array, ...]

    @classmethod
    def from_block(cls, wall: Wall, block: SampleBlock) -> Fronts:
        """Prepare the fronts of a block of samples."""
        if wall.layered:
            return cls(wall, block, ())
        common = 2.0 * block.root * np.exp(0.5 * block.log_rate)
        return cls(wall, block, tuple(common * np.exp(0.5 * log_k) for log_k in block.log_penalty))

    def depths(self, age: float) -> Iterator[Array]:
        """Yield the depth of the front from the surface (n,) [mm] at an age [yr], per strategy.

        0 where there is no front, inf where depassivated from the start.
        """
        wall, block = self.wall, self.block
        log_effective_time = wall.ageing_law.log_effective_time(age, block.exponent)
        if not wall.layered:
            growth = np.exp(0.5 * log_effective_time)
            for spread in self.spread:
                yield block.start_depth + spread * growth
            return
        ratio = np.asarray(block.ratio)
        front_ratio = np.where((ratio > 0.0) & (ratio < 1.0), ratio, 1.0)
        tau, skin = (
            np.exp(block.log_rate + log_effective_time),
            np.maximum(block.skin - block.zone, 0.0),
        )
        for log_k in block.log_penalty:
            yield block.start_depth + layered_front_depth(
                front_ratio, tau, penalty=np.exp(log_k), skin=skin
            )
