"""What the report of fitted profiles says, and its tables."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import BootstrapIntervals, ProfileFits
from stripwise.evidence.profiles.layered_fit import LAYERED
from stripwise.evidence.profiles.penalty_factors import ProfilePenaltyFactors
from stripwise.evidence.profiles.pooling import ESTIMATOR
from stripwise.report import formatting
from stripwise.report.components import Section, Table
from stripwise.report.figures.profile_figures import CONTENT_UNITS
from stripwise.studies.fit.profiles_study import ProfilesStudy

__all__ = ["findings", "method", "sections", "warnings"]

E12 = 1e12
"""From m2/s to the 10⁻¹² m²/s of the page."""

MAX_ROWS = 60
"""Most specimens in a table."""

SIGNIFICANCE = 0.05
"""Level of the test of a common surface content."""

MIN_DEGREES_OF_FREEDOM = 5
"""Degrees of freedom below which the reader is warned."""


def findings(fits: ProfileFits, penalties: ProfilePenaltyFactors | None) -> tuple[str, ...]:
    """Say what came out, the answer first."""
    low, high = float(fits.diffusivity.min()) * E12, float(fits.diffusivity.max()) * E12
    fitted = (
        f"{len(fits.layers_used)} profiles were fitted; the apparent diffusivity lies between "
        f"{formatting.number(low)} and {formatting.number(high)} · 10⁻¹² m²/s."
    )
    if penalties is None:
        return (
            fitted,
            "No penalty factors: name the strategy that the others are compared with by "
            "--reference.",
        )
    if len(penalties.strategies) == 1:
        return (fitted, f"{penalties.reference} is the only strategy: there is nothing to compare.")
    order = np.argsort(-penalties.log_ratios.log_mean, kind="stable")
    parts = [
        f"{penalties.strategies[k]} {formatting.number(float(np.exp(penalties.log_ratios.log_mean[k])))} "
        f"({formatting.number(float(penalties.low95[k]))} to {formatting.number(float(penalties.high95[k]))})"
        for k in order
        if penalties.strategies[k] != penalties.reference
    ]
    more = f", and {len(parts) - 6} more in penalties.csv" if len(parts) > 6 else ""
    pooled = penalties.log_diffusivity
    return (
        f"Penalty factors against {penalties.reference}, with 95 % intervals: "
        f"{'; '.join(parts[:6])}{more}.",
        fitted,
        f"Between specimens of one strategy ln Dₐ scatters with an sd of "
        f"{formatting.number(float(np.sqrt(pooled.between_variance)), 2)}"
        + (
            " (assumed: no strategy has two specimens)."
            if pooled.between_assumed
            else f" beyond what the fits explain ({pooled.degrees_of_freedom:g} degrees of freedom)."
        ),
        _common_surface(penalties),
    )


def warnings(study: ProfilesStudy) -> tuple[str, ...]:
    """Say what to read before using the numbers."""
    fits, penalties, below = study.fits, study.penalties, study.readings_below_detection
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
    inside = int((fits.origin_depth > 0).sum())
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
    # where a skin is taken up its section says what the penalties belong to
    layered = study.layered is not None and LAYERED in study.layered.choice
    if study.affected_depth is not None and not layered:
        texts.append(_penetration(study.penetration_depth, study.affected_depth))
    if penalties is not None:
        texts += _replicates(penalties)
    else:
        texts.append("Without --reference nothing is pooled, and no file for a scenario written.")
    return tuple(texts)


def method(*, keep_first: bool, repeats: int) -> tuple[str, ...]:
    """Say how it was computed, with sources."""
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


def sections(study: ProfilesStudy) -> tuple[Section, ...]:
    """Lay out the report."""
    penalties, unit = study.penalties, CONTENT_UNITS[study.fits.profiles.basis]
    parts = []
    if penalties is not None and len(penalties.strategies) > 1:
        parts.append(
            Section(
                "Penalty factors",
                (
                    "A penalty factor is the diffusivity of the face as cured over that of the "
                    "reference. It is what a scenario takes as penalty.",
                ),
                "penalties",
                "Data: penalties.csv, penalty_covariance.csv, specimens.csv.",
                (_penalty_table(penalties, unit),),
            )
        )
    depth = study.penetration_depth
    skin = (
        f"At the fits, 95 % of the chloride's rise lies within {formatting.number(float(depth.min()))} "
        f"to {formatting.number(float(depth.max()))} mm of the surface. Where curing changed the "
        "concrete deeper than that, Dₐ is the skin's; where less deep, it is an average over "
        "skin and bulk."
    )
    parts += [
        Section("Profiles", (skin,), "profiles", "Data: residuals.csv.", ()),
        Section("Residuals", (), "residuals", "Data: residuals.csv.", ()),
        Section("Specimens", (), "", "", (_specimen_table(study.fits, study.bootstrap, unit),)),
    ]
    return tuple(parts)


def _penetration(penetration_depth: NDArray[np.float64], affected_depth: float) -> str:
    within = int((penetration_depth < affected_depth).sum())
    count, depth = penetration_depth.size, formatting.number(affected_depth)
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


def _common_surface(penalties: ProfilePenaltyFactors) -> str:
    p = penalties.equal_surface_p
    text = (
        f"p\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}{formatting.number(p, 2)}"
        if p >= 0.001
        else "p below 0.001"
    )
    if p < SIGNIFICANCE:
        return (
            f"The strategies do not share one surface content (F test, {text}): curing changed "
            "what the face binds or takes up, and a penalty on the diffusivity alone misses that."
        )
    return f"One common surface content for all strategies is compatible with the data ({text})."


def _replicates(penalties: ProfilePenaltyFactors) -> list[str]:
    pooled, texts = penalties.log_diffusivity, []
    if pooled.between_assumed:
        texts.append(
            "No strategy has two specimens, so that the scatter between specimens cannot be "
            f"estimated: an sd of {formatting.number(float(np.sqrt(pooled.between_variance)))} of ln Dₐ stands "
            "in for it (fib Bulletin 34, 2006, recalled). Test replicates."
        )
    else:
        single = [n for n, c in zip(penalties.strategies, pooled.counts, strict=True) if c == 1]
        if single:
            texts.append(
                f"{formatting.join_with_and(single[:6])}: one specimen only; its interval leans on the "
                "scatter of the other strategies."
            )
        if pooled.degrees_of_freedom < MIN_DEGREES_OF_FREEDOM:
            texts.append(
                f"Only {pooled.degrees_of_freedom:g} degrees of freedom stand behind the scatter between "
                "specimens: the intervals are wide because t is. More replicates narrow them."
            )
    return texts


def _penalty_table(penalties: ProfilePenaltyFactors, unit: str) -> Table:
    rows = []
    for k, name in enumerate(penalties.strategies):
        is_reference = name == penalties.reference
        rows.append(
            (
                name + (" (reference)" if is_reference else ""),
                str(penalties.log_diffusivity.counts[k]),
                formatting.number(float(np.exp(penalties.log_diffusivity.mean[k])) * E12),
                formatting.number(float(np.exp(penalties.log_ratios.log_mean[k]))),
                ""
                if is_reference
                else formatting.interval(
                    float(penalties.low95[k]), float(penalties.high95[k]), formatting.number
                ),
                f"{formatting.number(float(penalties.mean[k]))}; {formatting.number(float(penalties.sd[k]), 2)}",
                f"{formatting.number(float(penalties.surface.mean[k]))} ± "
                f"{formatting.number(float(np.sqrt(penalties.surface.variance[k])), 2)}",
            )
        )
    return Table(
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


def _specimen_table(fits: ProfileFits, intervals: BootstrapIntervals | None, unit: str) -> Table:
    profiles = fits.profiles
    rows = []
    for k in range(min(len(fits.layers_used), MAX_ROWS)):
        ends = (
            ""
            if intervals is None
            else formatting.interval(
                float(intervals.diffusivity_low[k]) * E12,
                float(intervals.diffusivity_high[k]) * E12,
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
                str(fits.layers_used[k]),
                fits.notes[k],
            )
        )
    cut = (
        ""
        if len(rows) == len(fits.layers_used)
        else f" The first {MAX_ROWS}; all in specimens.csv."
    )
    return Table(
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
