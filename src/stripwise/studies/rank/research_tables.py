"""Indices over scenarios, strategies and ages in one table, and of quantities of one's own.

Axes: r repeats, n points, k items.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.errors import InputError
from stripwise.risk.model.service_options import refusal
from stripwise.risk.probability.integral import front_depths, initiation_ages
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.sensitivity.input_sets import RankedItem, index_status, ranked_items
from stripwise.risk.sensitivity.quantities_of_interest import QuantitiesOfInterest
from stripwise.scenario.model import Scenario
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.rank.convergence import MAX_POINTS, converge
from stripwise.studies.rank.index_tables import index_table
from stripwise.studies.rank.input_groups import RankedItems
from stripwise.units.formatting import number

__all__ = ["own_indices", "rank_sample", "rank_table"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]
Quantity = str | Callable[[pd.DataFrame], ArrayLike]

TABLE_PRECISION = 0.2
"""Full width of the widest interval of a table unless given; a ranking of one strategy aims at half."""
FIRST, SECOND = "A", "B"
LABELS = ("repeat", "matrix", "point")
MOST_ROWS = 2**24


def rank_table(
    cases: Scenario | Mapping[str, Scenario],
    *,
    strategies: Sequence[str] | None = None,
    ages: Sequence[float] | None = None,
    second_order: bool = False,
    precision: float = TABLE_PRECISION,
    seed: int | None = None,
    workers: int = 1,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Rank what drives the answer over scenarios, strategies and ages, in one tidy table.

    Parameters
    ----------
    cases
        A scenario, or scenarios by name.
    strategies
        Names of strategies; all that a scenario has unless given.
    ages
        Ages [yr]; the target life unless given.
    second_order
        Whether to add the interaction of every pair of inputs.
    precision
        Full width of the widest 95 % interval that the sample grows towards.
    seed
        Seed; that of each scenario unless given.
    workers
        Threads; the results do not depend on it.
    progress
        Called with "ranks" and the share done.

    Returns
    -------
    The columns of sensitivity.csv after a first column scenario. With the extra `xarray`,
    `table.set_index([...]).to_xarray()` makes arrays of it.

    Raises
    ------
    InputError
        If there is no such strategy, or fewer than two inputs are random.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> deep = case.replace({"reinforcement.cover.nominal": "75 mm"})
    >>> walls = {"60 mm": case, "75 mm": deep}
    >>> table = stripwise.rank_table(walls, strategies=["Forms 24 h"], ages=[50], precision=0.5)
    >>> table["scenario"].unique().tolist()
    ['60 mm', '75 mm']
    """
    named = {cases.title: cases} if isinstance(cases, Scenario) else dict(cases)
    jobs = [
        (name, case, strategy)
        for name, case in named.items()
        for strategy in (strategies or [s.name for s in case.strategies])
    ]
    if not jobs:
        raise InputError("cases", "holds no scenario")
    frames = []
    for done, (name, case, strategy) in enumerate(jobs, start=1):
        wall, life = build_wall(case), case.target.service_life
        if reason := refusal("rank", wall.conditions):
            raise InputError(name, reason)
        plans = {plan.name: plan for plan in wall.plans}
        if strategy not in plans:
            raise InputError("strategies", f"{strategy!r} is none of {name}: {', '.join(plans)}")
        at = np.unique(np.asarray([life] if ages is None else [*ages, life], dtype=float))
        quantities = QuantitiesOfInterest.from_wall(
            wall, plans[strategy], reference=plans[case.reference_strategy], ages=at
        )
        ranked = RankedItems.from_quantities(quantities, second_order=second_order)
        sample = converge(
            quantities,
            ranked.layout,
            is_required=ranked.defined,
            precision=precision,
            repeats=case.sampling.repeats,
            seed=case.sampling.seed if seed is None else seed,
            raise_if_missed=False,
            workers=workers,
            progress=lambda _stage, _done: None,
            max_points=MAX_POINTS // 8,
            names=ranked.index_name,
        )
        rows = index_table(ranked, sample, strategy=strategy, life=life)
        frames.append(rows.assign(scenario=name)[["scenario", *rows.columns]])
        if progress is not None:
            progress("ranks", done / len(jobs))
    return pd.concat(frames, ignore_index=True)


def rank_sample(
    case: Scenario,
    strategy: str | None = None,
    *,
    ages: Sequence[float] = (),
    n: int = 512,
    repeats: int = 8,
    seed: int | None = None,
) -> pd.DataFrame:
    """Draw the design of a sensitivity analysis and compute the model on it.

    Two independent samples A and B, and for every input and group the sample A with that item's
    columns from B (Saltelli's design). The table can be saved and read again, the quantities being
    worked out later by `own_indices` or by another program.

    Parameters
    ----------
    case
        The scenario.
    strategy
        Name of a strategy; the reference strategy unless given.
    ages
        Ages at which the depth of the front is given [yr].
    n, repeats
        Points, a power of two, and independent scramblings.
    seed
        Seed; the scenario's unless given.

    Returns
    -------
    A row per repeat, matrix ("A", "B" or the name of an item) and point; then every random input in
    internal units, penalty, front_mm_at_AGE and initiation_yr.

    Raises
    ------
    InputError
        If n is no power of two, there is no such strategy, or the table would pass 2^24 rows.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> table = stripwise.rank_sample(case, "Forms 24 h", ages=[50], n=256)
    >>> found = stripwise.own_indices(table, "front_mm_at_50")
    >>> found["first"].idxmax() == found["total"].idxmax()
    True
    """
    wall = build_wall(case)
    name = case.reference_strategy if strategy is None else strategy
    plans = [plan for plan in wall.plans if plan.name == name]
    if not plans:
        raise InputError("strategy", f"= {name!r} is no strategy of the scenario")
    if n < 2 or n & (n - 1):
        raise InputError("n", f"= {n} must be a power of two")
    if repeats < 2:
        raise InputError("repeats", f"= {repeats} must be at least 2")
    one = wall.with_plans((plans[0],))
    sampler = InputSampler.from_inputs(one.inputs, one.correlations, one.draws)
    items = {_item_name(item): item for item in ranked_items(sampler) if not item.reason}
    if (2 + len(items)) * n * repeats > MOST_ROWS:
        raise InputError("n", f"= {n} makes more than 2^24 rows; take fewer points or repeats")
    d, frames = sampler.dimensions, []
    first_seed = case.sampling.seed if seed is None else seed
    for r in range(repeats):
        rng = random_stream(first_seed, stage="samples", index=(1, r))
        z = np.concatenate(list(sobol_blocks(2 * d, n, rng)), axis=1)
        a, b = z[:d], z[d:]
        matrices = {FIRST: a, SECOND: b}
        for label, item in items.items():
            mixed = a.copy()
            mixed[list(item.columns)] = b[list(item.columns)]
            matrices[label] = mixed
        for label, scores in matrices.items():
            values = sampler.values(scores)
            block = one.sample_block(values)
            columns: dict[str, object] = {"repeat": r, "matrix": label, "point": np.arange(n)}
            columns |= {i.name: np.broadcast_to(values[i.name], n) for i in sampler.inputs}
            columns["penalty"] = np.broadcast_to(np.exp(block.log_penalty[0]), n)
            for age in ages:
                depth = front_depths(one, block, float(age))[0]
                columns[f"front_mm_at_{number(age)}"] = np.broadcast_to(depth, n)
            columns["initiation_yr"] = np.broadcast_to(initiation_ages(one, block, values)[0], n)
            frames.append(pd.DataFrame(columns))
    return pd.concat(frames, ignore_index=True)


def own_indices(table: pd.DataFrame, quantity: Quantity) -> pd.DataFrame:
    """Return first and total Sobol' indices of a quantity of one's own.

    Parameters
    ----------
    table
        Of `rank_sample`, read again from a file or not.
    quantity
        Name of a column, or a function from the table to one finite number per row.

    Returns
    -------
    A row per input and group: item, first, first_low95, first_high95, total, total_low95,
    total_high95, status. Intervals come from the independent scramblings.

    Raises
    ------
    InputError
        If the table is none of `rank_sample`, or the quantity is not finite or does not vary.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> table = stripwise.rank_sample(case, "Forms 24 h", ages=[50], n=256)
    >>> spared = lambda t: t["reinforcement.cover"] - t["front_mm_at_50"]
    >>> bool((stripwise.own_indices(table, spared)["total"] > -0.1).all())
    True

    References
    ----------
    Saltelli et al., Comput. Phys. Commun. 181, 2010, Table 2 (b) and (f), the latter Jansen's
    (recalled).
    """
    if missing := [label for label in LABELS if label not in table]:
        raise InputError("table", f"lacks the column {missing[0]}; take one of rank_sample")
    if isinstance(quantity, str) and quantity not in table:
        raise InputError("quantity", f"= {quantity!r} is no column of the table")
    found = table[quantity] if isinstance(quantity, str) else quantity(table)
    y = np.asarray(found, dtype=float)
    if y.shape != (len(table),):
        raise InputError("quantity", f"has the shape {y.shape}; must be one number per row")
    if not np.isfinite(y).all():
        row = int(np.flatnonzero(~np.isfinite(y))[0])
        raise InputError(
            "quantity", f"is {y[row]} in row {row}; must be finite (clip or transform)"
        )
    wide = (
        table[list(LABELS)]
        .assign(y=y)
        .pivot_table(index=["repeat", "point"], columns="matrix", values="y")
    )
    items = [label for label in dict.fromkeys(table["matrix"]) if label not in (FIRST, SECOND)]
    by_repeat = [_indices(part, items) for _, part in wide.groupby(level="repeat")]
    first, total = np.moveaxis(np.array(by_repeat), 1, 0)
    rows = []
    for k, item in enumerate(items):
        f, t = t_interval(first[:, k]), t_interval(total[:, k])
        numbers = [float(x) for x in (*f, *t)]
        status = index_status(
            (numbers[0], numbers[1], numbers[2]), (numbers[3], numbers[4], numbers[5])
        )
        rows.append((item, *numbers, status))
    ends = [f"{kind}{end}" for kind in ("first", "total") for end in ("", "_low95", "_high95")]
    return pd.DataFrame(rows, columns=["item", *ends, "status"])


def _indices(part: pd.DataFrame, items: list[str]) -> tuple[Array, Array]:
    """Return first and total indices (k,) of one repeat."""
    a, b = part[FIRST].to_numpy(), part[SECOND].to_numpy()
    mixed = part[items].to_numpy().T
    both = np.concatenate([a, b])
    variance = both.var()
    if not variance > 0.0:
        raise InputError("quantity", "does not vary")
    first = np.mean((b - both.mean()) * (mixed - a), axis=1) / variance
    total = 0.5 * np.mean((a - mixed) ** 2, axis=1) / variance
    return first, total


def _item_name(item: RankedItem) -> str:
    return item.input or f"{item.group} (group)"
