"""What a run returns: tables as DataFrames, the verdict, and the checks the run made on itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.scenario.model import Scenario
from stripwise.studies.shown_results import Writable, answer_html, as_dataset, short_line

__all__ = [
    "ONLY",
    "Assessment",
    "ExchangeRate",
    "HandStep",
    "HasReliabilityMap",
    "MonteCarloCheck",
    "ReliabilityMap",
    "ServiceResults",
    "SimulatedFace",
]

ONLY = "only"
"""Key of the record of a run that was asked for a part alone."""


@dataclass(frozen=True, slots=True)
class MonteCarloCheck:
    """Plain Monte Carlo of the reference strategy at the target life, against the main answer.

    Attributes
    ----------
    samples
        Number of pseudo-random samples.
    plain, sampled
        Probability by plain Monte Carlo and by the exact cover integral.
    standard_error
        Of the difference.
    deviations
        |plain - sampled| / standard_error.
    agrees
        Whether `deviations` is at most 4.
    """

    samples: int
    plain: float
    sampled: float
    standard_error: float
    deviations: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class ExchangeRate:
    """Cover that buys as much reliability as 24 h more in the forms, at one design point.

    Attributes
    ----------
    cover, strip_age
        The design point: nominal cover [mm] and strip age [h].
    rate
        Cover to add instead of 24 h more in the forms [mm].
    saved
        Cover to take off after 24 h more in the forms [mm].
    low95, high95
        Sampling interval [mm].
    know_low, know_high
        2.5 % and 97.5 % quantiles over the epistemic inputs [mm]; NaN without such inputs.
    """

    cover: float
    strip_age: float
    rate: float
    low95: float
    high95: float
    know_low: float
    know_high: float
    saved: float


@dataclass(frozen=True, slots=True)
class ReliabilityMap:
    """Reliability index at the target life over the choices.

    Attributes
    ----------
    cover
        (c,) nominal cover [mm].
    strip_age
        (t,) strip age [h], equally spaced in its logarithm.
    follow_up
        f labels.
    index
        (f, t, c) reliability index.
    demanded
        (f, t, c) index that the demanded share of the epistemic points reaches; None where no
        confidence is demanded.
    safe
        (f, t, c) the index that governs, judged as a decision does: sampling error counts against
        the wall; None where it was not worked out.
    """

    cover: NDArray[np.float64]
    strip_age: NDArray[np.float64]
    follow_up: tuple[str, ...]
    index: NDArray[np.float64]
    demanded: NDArray[np.float64] | None = None
    safe: NDArray[np.float64] | None = None

    @property
    def governing(self) -> NDArray[np.float64]:
        """Index that must reach the target, (f, t, c): the lower one where a confidence is demanded."""
        return self.index if self.demanded is None else np.minimum(self.index, self.demanded)

    @property
    def decided(self) -> NDArray[np.float64]:
        """Index (f, t, c) from which a decision says yes."""
        return self.governing if self.safe is None else self.safe


class HasReliabilityMap(Protocol):
    """Results with a map: those of a run, or those of a design."""

    @property
    def scenario(self) -> Scenario:
        """The scenario as resolved."""
        ...

    @property
    def reliability_map(self) -> ReliabilityMap | None:
        """The map; None where the scenario opens no choices."""
        ...


@dataclass(frozen=True, slots=True)
class HandStep:
    """One line of the hand check: words, symbol, formula with numbers filled in, value and unit."""

    words: str
    symbol: str
    formula: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class SimulatedFace:
    """One simulated face: `corroded` (y, x) cells of `width` by `height` m at `age` yr.

    `share` of the cells, of the strategy `strategy`.
    """

    strategy: str
    age: float
    width: float
    height: float
    corroded: NDArray[np.bool_]
    share: float


@dataclass(frozen=True, slots=True)
class ServiceResults:
    """What the options of the physics add to a run.

    Attributes
    ----------
    notes
        Sentences: what each option does to the answer, and how far it holds.
    mechanisms
        strategy, mechanism, probability_at_target, life_at_target_yr of each mechanism alone and
        of both; None with a single mechanism.
    cracking
        strategy, age_yr, probability_initiation, probability_cracking, low95, high95, know_low,
        know_high; None unless asked for.
    cracking_lives
        strategy, probability_at_target, life_at_target_yr and initiation_life_yr; None likewise.
    extent
        strategy, age_yr, mean_share, sd_share and a column per share; None unless asked for.
    face
        One simulated face, or None.
    layers
        strategy, probability_at_target, probability_uncoated (empty without a coating), and by a
        sample on two grids: probability_grid, probability_finer_grid, front_change_mean_mm,
        front_change_most_mm; None unless the front is a numerical solution.
    """

    notes: tuple[str, ...] = ()
    mechanisms: pd.DataFrame | None = None
    cracking: pd.DataFrame | None = None
    cracking_lives: pd.DataFrame | None = None
    extent: pd.DataFrame | None = None
    face: SimulatedFace | None = None
    layers: pd.DataFrame | None = None


@dataclass(frozen=True, slots=True)
class Assessment(Writable):
    """Everything that a run computes.

    Attributes
    ----------
    scenario
        The scenario as resolved.
    curves, strategies, sensitivity
        The tables of the files of the same name; README.md explains their columns.
    inputs
        One row per input: name, label, family, mean, sd, p05, p50, p95, unit, kind, group, source.
    answer
        Its sentences for the first screen.
    verdict
        Sentences for the owner, the most important first.
    exchange
        Cover against form time, or None where the scenario opens no choices.
    reliability_map
        Index over cover and strip age, or None where the scenario opens no choices.
    hand_check
        Steps of a calculation at mean values for the reference strategy; none with an own front.
    plain_check
        The independent check by plain Monte Carlo.
    special_cases
        One row per case and strategy: case, strategy ("" for all), share of the samples.
    uniform_face
        strategy, probability_at_target with the penalty on the whole cover; None unless the
        scenario penalises a skin only.
    warnings
        What the reader must know before using the numbers.
    run
        Versions, seed, sizes and times, for run.json.
    service
        What the options of the physics add.
    """

    scenario: Scenario
    curves: pd.DataFrame
    strategies: pd.DataFrame
    sensitivity: pd.DataFrame
    inputs: pd.DataFrame
    verdict: tuple[str, ...]
    answer: tuple[str, ...]
    exchange: ExchangeRate | None
    reliability_map: ReliabilityMap | None
    hand_check: tuple[HandStep, ...]
    plain_check: MonteCarloCheck
    special_cases: pd.DataFrame
    uniform_face: pd.DataFrame | None
    warnings: tuple[str, ...]
    run: dict[str, Any]
    service: ServiceResults = ServiceResults()

    def __repr__(self) -> str:
        """Give the answer in one line."""
        return short_line("Assessment", self.scenario.title, self.verdict[0])

    def _repr_html_(self) -> str:
        shown = self.strategies[
            ["strategy", "probability_at_target", "confidence", "meets_target", "life_at_target_yr"]
        ]
        return answer_html(self.answer, shown)

    def to_xarray(self) -> Any:
        """Return the curves as an xarray Dataset over strategy and age_yr (extra `xarray`).

        Examples
        --------
        >>> import stripwise
        >>> case = stripwise.load("scenarios/garage-wall.toml")
        >>> data = stripwise.assess(case, only="curves").to_xarray()
        >>> sorted(map(str, data.sizes))
        ['age_yr', 'strategy']
        """
        return as_dataset(self.curves, ("strategy", "age_yr"))
