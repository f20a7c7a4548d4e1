"""Which pixels of a map are paste, away from the edges of aggregate grains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from stripwise.errors import EvidenceError, InputError
from stripwise.evidence.face_maps.face_map import FaceMap

__all__ = ["AGGREGATE_LEVELS", "AggregateLevel", "PasteMask", "SignalSplit", "paste_mask"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

AggregateLevel = Literal["high", "low"]
AGGREGATE_LEVELS = get_args(AggregateLevel)
"""Where aggregate stands in the second channel, beside paste."""

MAX_MISCLASSIFIED = 0.05
"""Largest share of pixels that the two components of the signal may mistake."""

MIN_PASTE = 0.05
"""Smallest share of paste in a map."""

SAMPLE = 20_000
"""Pixels from which the components are estimated."""

SEED = 1
GRID = 4_001


@dataclass(frozen=True, slots=True)
class SignalSplit:
    """The second channel as a mixture of two normal components.

    Attributes
    ----------
    threshold
        Value of the signal between paste and aggregate.
    misclassified
        Share of pixels on the wrong side of it, by the components.
    paste_mean, aggregate_mean
        Means of the components, in the unit of the signal.
    """

    threshold: float
    misclassified: float
    paste_mean: float
    aggregate_mean: float


@dataclass(frozen=True, slots=True)
class PasteMask:
    """What of a map is paste.

    Attributes
    ----------
    paste
        (rows, columns) pixels of paste with a reading whose four neighbours are paste too.
    aggregate
        (rows, columns) pixels of aggregate, before edges were taken off the paste.
    split
        How the signal was split; None where the laboratory gave the mask.
    """

    paste: BoolArray
    aggregate: BoolArray
    split: SignalSplit | None


def paste_mask(face: FaceMap, *, aggregate: AggregateLevel | None = None) -> PasteMask:
    """Tell paste from aggregate, and take one pixel off the paste along every edge.

    The laboratory's mask is taken where there is one. Otherwise the second channel is split as a
    mixture of two normal components at the point where they are equally likely.

    Parameters
    ----------
    aggregate
        Whether aggregate is "high" or "low" in the second channel; needed without a mask.

    Raises
    ------
    InputError
        If `aggregate` is needed and not given.
    EvidenceError
        If the components overlap by more than 5 % of the pixels, or there is hardly any paste.

    References
    ----------
    Mixture by expectation and maximisation: Dempster, Laird and Rubin, J. R. Stat. Soc. B 39, 1977
    (recalled), as scikit-learn computes it.
    """
    split = None
    if face.paste is not None:
        paste = face.paste
    else:
        if aggregate is None:
            raise InputError(
                "--aggregate",
                "must say whether aggregate is high or low in the second channel of the map",
            )
        assert face.signal is not None, "checked when the map was read"
        split = _split(face, aggregate)
        high = face.signal > split.threshold
        paste = ~high if aggregate == "high" else high
        paste &= np.isfinite(face.signal)
    share = float(paste.mean())
    if share < MIN_PASTE:
        raise EvidenceError(
            [f"{face.where}: {share:.1%} of the map is paste; at least {MIN_PASTE:.0%} is needed"]
        )
    inner = ndimage.binary_erosion(paste, border_value=1)
    known = paste if face.signal is None else np.isfinite(face.signal)
    return PasteMask(
        paste=inner & np.isfinite(face.chloride),
        aggregate=~paste & (known | (face.signal is None)),
        split=split,
    )


def _split(face: FaceMap, aggregate: AggregateLevel) -> SignalSplit:
    try:
        from sklearn.mixture import GaussianMixture  # noqa: PLC0415 - an extra, and slow to load
    except ImportError as error:
        raise EvidenceError(
            [
                f"{face.where}: a map without a mask of the paste needs the extra maps "
                "(scikit-learn): pip install 'stripwise[maps]'"
            ]
        ) from error
    assert face.signal is not None
    values = face.signal[np.isfinite(face.signal)]
    low, high = np.quantile(values, [0.0005, 0.9995]) if values.size else (0.0, 0.0)
    if not high > low:
        raise EvidenceError([f"{face.where}: signal is the same everywhere; it tells no aggregate"])
    rng = np.random.default_rng(SEED)
    sample = values if values.size <= SAMPLE else rng.choice(values, SAMPLE, replace=False)
    scaled = np.clip((sample - low) / (high - low), -0.5, 1.5)[:, None]
    mixture = GaussianMixture(n_components=2, n_init=1, random_state=SEED).fit(scaled)
    order = np.argsort(mixture.means_[:, 0])
    means = mixture.means_[order, 0]
    sds = np.sqrt(mixture.covariances_[order, 0, 0])
    weights = mixture.weights_[order]
    # densities of the two components over their whole range
    grid = np.linspace(min(means - 6 * sds), max(means + 6 * sds), GRID)
    density = weights[:, None] * stats.norm.pdf(grid, means[:, None], sds[:, None])
    between = (grid >= means[0]) & (grid <= means[1])
    lower_wins = density[0] >= density[1]
    crossing = np.flatnonzero(between & ~lower_wins)
    place = grid[crossing[0]] if crossing.size else means[1]
    wrong = weights[0] * stats.norm.sf(place, means[0], sds[0]) + weights[1] * stats.norm.cdf(
        place, means[1], sds[1]
    )
    if wrong > MAX_MISCLASSIFIED:
        raise EvidenceError(
            [
                f"{face.where}: aggregate and paste overlap in the second channel: {wrong:.1%} of "
                f"the pixels would be mistaken, at most {MAX_MISCLASSIFIED:.0%} may; take another "
                "element, scan longer, or give a mask"
            ]
        )
    at = low + means * (high - low)
    paste_mean, aggregate_mean = (at[0], at[1]) if aggregate == "high" else (at[1], at[0])
    return SignalSplit(
        threshold=float(low + place * (high - low)),
        misclassified=float(wrong),
        paste_mean=float(paste_mean),
        aggregate_mean=float(aggregate_mean),
    )
