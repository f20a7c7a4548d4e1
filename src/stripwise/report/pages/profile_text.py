"""What the report of fitted profiles says."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, Bootstrap, Fits
from stripwise.evidence.profiles.layer_averages import reach
from stripwise.evidence.profiles.penalty_factors import Penalties
from stripwise.evidence.profiles.pooling import ESTIMATOR
from stripwise.report import formatting
from stripwise.report.components import Grid, Section
from stripwise.report.figures.profile_figures import CONTENT

__all__ = ["findings", "method", "sections", "warnings_of"]

E12 = 1e12
MOST_ROWS = 60
SMALL = 0.05
"""Level of the test of a common surface content."""

FEW = 5
"""Degrees of freedom below which the reader is warned."""


def findings(fits: Fits, found: Penalties | None) -> tuple[str, ...]:
    """Say what came out, a sentence each.

    Parameters
    ----------
    fits
        Fits of all specimens.
    found
        Penalty factors; None without a reference.

    Returns
    -------
    The sentences, the answer first.
    """
    low, high = float(fits.diffusivity.min()) * E12, float(fits.diffusivity.max()) * E12
    fitted = (
        f"{len(fits.used)} profiles were fitted; the apparent diffusivity lies between "
        f"{formatting.number(low)} and {formatting.number(high)} · 10⁻¹² m²/s."
    )
    if found is None:
        return (
            fitted,
            "No penalty factors: name the strategy that the others are compared with by "
            "--reference.",
        )
    if len(found.strategies) == 1:
        return (fitted, f"{found.reference} is the only strategy: there is nothing to compare.")
    order = np.argsort(-found.ratios.log_mean, kind="stable")
    parts = [
        f"{found.strategies[k]} {formatting.number(float(np.exp(found.ratios.log_mean[k])))} "
        f"({formatting.number(float(found.low95[k]))} to {formatting.number(float(found.high95[k]))})"
        for k in order
        if found.strategies[k] != found.reference
    ]
    more = f", and {len(parts) - 6} more in penalties.csv" if len(parts) > 6 else ""
    pooled = found.log_diffusivity
    return (
        f"Penalty factors against {found.reference}, with 95 % intervals: "
        f"{'; '.join(parts[:6])}{more}.",
        fitted,
        f"Between specimens of one strategy ln Dₐ scatters with an sd of "
        f"{formatting.number(float(np.sqrt(pooled.between)), 2)}"
        + (
            " (assumed: no strategy has two specimens)."
            if pooled.assumed
            else f" beyond what the fits explain ({pooled.freedom:g} degrees of freedom)."
        ),
        _common_surface(found),
    )


def warnings_of(
    fits: Fits, found: Penalties | None, *, below: int, affected_depth: float | None
) -> tuple[str, ...]:
    """Say what to read before using the numbers.

    Parameters
    ----------
    fits
        Fits of all specimens.
    found
        Penalty factors; None without a reference.
    below
        Number of readings below detection.
    affected_depth
        Depth that curing changed [mm]; None where it is not given.

    Returns
    -------
    The sentences.
    """
    texts = []
    if below:
        texts.append(
            f"Readings below detection: {below}, taken as half their limit. Where they decide "
            "about the initial content, give initial_pct."
        )
    flagged = int(fits.flagged.sum())
    if flagged:
        texts.append(
            f"Readings far off the fit of their specimen, kept in it: {flagged}. The notes of "
            "specimens.csv say which, and what a robust fit gives."
        )
    inside = int((fits.start > 0).sum())
    if inside:
        texts.append(
            f"Profiles with their maximum inside: {inside}. Their depths count from there, and "
            "the scenario needs a convection_zone to match."
        )
    if np.isnan(fits.layers.initial).any():
        texts.append(
            "Where no initial content was given it is fitted, which makes Cs and Dₐ less "
            "certain; a sample from deep in the concrete settles it."
        )
    if affected_depth is not None:
        texts.append(_skin(fits, affected_depth))
    if found is not None:
        texts += _few(found)
    else:
        texts.append("Without --reference nothing is pooled, and no file for a scenario written.")
    return tuple(texts)


def method(*, keep_first: bool, repeats: int) -> tuple[str, ...]:
    """Say how it was computed.

    Parameters
    ----------
    keep_first
        Whether the shallowest layer took part.
    repeats
        Repeats of the bootstrap; 0 for none.

    Returns
    -------
    The sentences with their sources.
    """
    kept = "kept, as asked for" if keep_first else "left out, as washing and drying change it"
    boot = (
        f"Bootstrap with {repeats} repeats (bootstrap.csv): every repeat keeps every layer; its "
        "residual over 1 - leverage is multiplied by one of Webb's six factors (Wu 1986; Webb "
        "2014; recalled). With a handful of layers it is a check on the standard errors, no "
        "better than they are."
        if repeats
        else "No bootstrap: there are too many specimens for one."
    )
    return (
        "Each profile: C = C0 + (Cs - C0) erfc(x / (2 sqrt(Dₐ t))), averaged exactly over each "
        "layer by the integral of erfc, not taken at its middle; ln Dₐ, Cs and, where it was not "
        "measured, C0 by least squares with equal weights, after ASTM C1556 and NT Build 443 "
        "(recalled). The content is read as it stands: where binder or chloride ran out, or "
        "binding is not linear, Dₐ takes it up.",
        f"The shallowest layer is {kept}. Where a deeper layer exceeds the first of the fit by "
        "more than 5 %, the layers before the maximum are left out and depths count from the "
        "maximum's layer (after Andrade, Climent, de Vera 2015).",
        "Standard errors from the residuals and the Jacobian, by the degrees of freedom left. "
        "Flags: a fit by Huber's loss (1981), readings beyond 4 robust standard deviations; the "
        "scale is the larger of the specimen's own and the median of the file.",
        f"Pooling of ln Dₐ: {ESTIMATOR} (recalled). The error of the reference is in every "
        "ratio, and so in the covariance. In penalties.csv mean and sd are those of the lognormal "
        "whose 2.5 % and 97.5 % quantiles are the interval; the figures show its median.",
        boot,
    )


def sections(fits: Fits, found: Penalties | None, spread: Bootstrap | None) -> tuple[Section, ...]:
    """Lay out the report.

    Parameters
    ----------
    fits
        Fits of all specimens.
    found
        Penalty factors; None without a reference.
    spread
        The bootstrap; None without one.

    Returns
    -------
    Its sections.
    """
    unit = CONTENT[fits.profiles.basis]
    parts = []
    if found is not None and len(found.strategies) > 1:
        parts.append(
            Section(
                "Penalty factors",
                (
                    "A penalty factor is the diffusivity of the face as cured over that of the "
                    "reference. It is what a scenario takes as penalty.",
                ),
                "penalties",
                "Data: penalties.csv, penalty_covariance.csv, specimens.csv.",
                (_penalty_grid(found, unit),),
            )
        )
    depth = _reached(fits)
    skin = (
        f"At the fits, 95 % of the chloride's rise lies within {formatting.number(float(depth.min()))} "
        f"to {formatting.number(float(depth.max()))} mm of the surface. Where curing changed the "
        "concrete deeper than that, Dₐ is the skin's; where less deep, it is an average over "
        "skin and bulk."
    )
    parts += [
        Section("Profiles", (skin,), "profiles", "Data: residuals.csv.", ()),
        Section("Residuals", (), "residuals", "Data: residuals.csv.", ()),
        Section("Specimens", (), "", "", (_specimen_grid(fits, spread, unit),)),
    ]
    return tuple(parts)


def _reached(fits: Fits) -> NDArray[np.float64]:
    """Depth of 5 % of the rise at the surface [mm], (g,)."""
    return fits.start + reach(fits.diffusivity * MM2_D_PER_M2_S, fits.profiles.exposure)


def _skin(fits: Fits, affected_depth: float) -> str:
    within = int((_reached(fits) < affected_depth).sum())
    count, depth = len(fits.used), formatting.number(affected_depth)
    text = (
        f"Within the depth of {depth} mm that curing changed ended {within} of {count} profiles: "
    )
    if within == count:
        return text + (
            "their Dₐ is the skin's, and the penalty factors belong to a scenario with that "
            "affected_depth."
        )
    return text + (
        "Dₐ of the others is an average over skin and bulk. Put on the skin alone, such a "
        "penalty understates the harm; on the whole cover, the skin's own overstates it."
    )


def _common_surface(found: Penalties) -> str:
    p = found.common_surface
    text = (
        f"p\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}{formatting.number(p, 2)}"
        if p >= 0.001
        else "p below 0.001"
    )
    if p < SMALL:
        return (
            f"The strategies do not share one surface content (F test, {text}): curing changed "
            "what the face binds or takes up, and a penalty on the diffusivity alone misses that."
        )
    return f"One common surface content for all strategies is compatible with the data ({text})."


def _few(found: Penalties) -> list[str]:
    pooled, texts = found.log_diffusivity, []
    if pooled.assumed:
        texts.append(
            "No strategy has two specimens, so that the scatter between specimens cannot be "
            f"estimated: an sd of {formatting.number(float(np.sqrt(pooled.between)))} of ln Dₐ stands "
            "in for it (fib Bulletin 34, 2006, recalled). Test replicates."
        )
    else:
        single = [n for n, c in zip(found.strategies, pooled.counts, strict=True) if c == 1]
        if single:
            texts.append(
                f"{formatting.listing(single[:6])}: one specimen only; its interval leans on the "
                "scatter of the other strategies."
            )
        if pooled.freedom < FEW:
            texts.append(
                f"Only {pooled.freedom:g} degrees of freedom stand behind the scatter between "
                "specimens: the intervals are wide because t is. More replicates narrow them."
            )
    return texts


def _penalty_grid(found: Penalties, unit: str) -> Grid:
    rows = []
    for k, name in enumerate(found.strategies):
        certain = name == found.reference
        rows.append(
            (
                name + (" (reference)" if certain else ""),
                str(found.log_diffusivity.counts[k]),
                formatting.number(float(np.exp(found.log_diffusivity.mean[k])) * E12),
                formatting.number(float(np.exp(found.ratios.log_mean[k]))),
                ""
                if certain
                else formatting.interval(
                    float(found.low95[k]), float(found.high95[k]), formatting.number
                ),
                f"{formatting.number(float(found.mean[k]))}; {formatting.number(float(found.sd[k]), 2)}",
                f"{formatting.number(float(found.surface.mean[k]))} ± "
                f"{formatting.number(float(np.sqrt(found.surface.variance[k])), 2)}",
            )
        )
    return Grid(
        f"By strategy. Surface content in {unit}, ± its standard error.",
        (
            "Strategy",
            "Specimens",
            "Dₐ [10⁻¹² m²/s]",
            "Penalty, median",
            "95 % interval",
            "Mean; sd",
            "Surface content",
        ),
        tuple(rows),
        frozenset({1, 2, 3, 4, 5, 6}),
    )


def _specimen_grid(fits: Fits, spread: Bootstrap | None, unit: str) -> Grid:
    profiles = fits.profiles
    rows = []
    for k in range(min(len(fits.used), MOST_ROWS)):
        ends = (
            ""
            if spread is None
            else formatting.interval(
                float(spread.diffusivity_low[k]) * E12,
                float(spread.diffusivity_high[k]) * E12,
                formatting.number,
            )
        )
        rows.append(
            (
                profiles.specimens[k],
                profiles.strategies[k],
                _with_error(fits.diffusivity[k] * E12, fits.diffusivity_se[k] * E12),
                ends,
                _with_error(fits.surface[k], fits.surface_se[k]),
                formatting.number(float(fits.correlation[k]), 2),
                formatting.number(float(fits.rmse[k]), 2),
                str(fits.used[k]),
                fits.notes[k],
            )
        )
    cut = "" if len(rows) == len(fits.used) else f" The first {MOST_ROWS}; all in specimens.csv."
    return Grid(
        f"Each specimen, ± standard errors. Contents in {unit}.{cut}",
        (
            "Specimen",
            "Strategy",
            "Dₐ [10⁻¹² m²/s]",
            "95 % by bootstrap",
            "Surface content",
            "Correlation",
            "Rmse",
            "Layers",
            "Notes",
        ),
        tuple(rows),
        frozenset({2, 3, 4, 5, 6, 7}),
    )


def _with_error(value: float, error: float) -> str:
    text = f"{formatting.number(float(value))} ± {formatting.number(float(error), 2)}"
    return text.replace(" ", "\N{NO-BREAK SPACE}")
