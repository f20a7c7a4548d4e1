"""What the report of fitted profiles says, and its tables."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.layered_fit import LAYERED
from stripwise.evidence.profiles.penalty_factors import MIN_SPECIMENS, ProfilePenaltyFactors
from stripwise.evidence.profiles.pooling import ESTIMATOR
from stripwise.evidence.tables.data_file import LINE
from stripwise.evidence.tables.slips import MOST_SLIPS, is_tenfold
from stripwise.report.components import Figure, Paragraph, Section
from stripwise.report.figures import sheet
from stripwise.report.figures.profile_figures import (
    CONTENT_UNITS,
    plot_penalties,
    plot_residuals,
    profiles_figure,
)
from stripwise.report.pages.fitted_tables import penalty_table, specimen_table
from stripwise.report.pages.skin_section import skin_section
from stripwise.report.prose import paragraphs
from stripwise.studies.fit.fitted_inputs import unwritten_penalties
from stripwise.studies.fit.profiles_study import ProfilesStudy
from stripwise.units import formatting
from stripwise.units.formatting import diffusivity, number

__all__ = ["findings", "method", "sections", "warnings"]

SIGNIFICANCE = 0.05
"""Level of the test of a common surface content."""

LEAST_EXPOSURE = 35
"""Shortest exposure [d] of ASTM C1556 (recalled)."""

MIN_DEGREES_OF_FREEDOM = 5
"""Degrees of freedom below which the reader is warned."""


def findings(
    fits: ProfileFits, penalties: ProfilePenaltyFactors | None, *, ground: bool = True
) -> tuple[str, ...]:
    """Say what came out, the answer first; `ground` of readings, not of the paste of maps."""
    low, high = float(fits.diffusivity.min()), float(fits.diffusivity.max())
    fitted = (
        f"{len(fits.layers_used)} profiles were fitted; the apparent diffusivity lies between "
        f"{diffusivity(low)} and {diffusivity(high)} · 10⁻¹² m²/s."
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
        f"{penalties.strategies[k]} "
        + formatting.value_with_interval(
            float(np.exp(penalties.log_ratios.log_mean[k])),
            float(penalties.low95[k]),
            float(penalties.high95[k]),
        )
        for k in order
        if penalties.strategies[k] != penalties.reference
    ]
    pooled = penalties.log_diffusivity
    return (
        f"Penalty factors against {penalties.reference}, with 95 % intervals: "
        f"{formatting.first_few(parts, 'penalties.csv')}.",
        fitted,
        f"Specimens of one strategy scatter in ln Dₐ with an sd of "
        f"{number(float(np.sqrt(pooled.between_variance)), 2)}"
        + (
            " (assumed: no strategy has two specimens)."
            if pooled.between_assumed
            else f" beyond what the fits explain ({number(pooled.degrees_of_freedom)} degrees of freedom)."
        ),
        *([f"Readings scatter {error_words(fits)}."] if ground else []),
        _common_surface(penalties),
    )


def warnings(study: ProfilesStudy, *, ground: bool = True) -> tuple[str, ...]:
    """Say what to read before using the numbers; `ground` of readings, not of the paste of maps."""
    fits, penalties, below = study.fits, study.penalties, study.readings_below_detection
    texts = [*slips(study), *unwritten_penalties(penalties, study.scenario_files)]
    if below:
        texts.append(
            f"Readings below detection: {below}, taken as half their limit. Where they decide "
            "about the initial content, give initial_pct."
        )
    for item in study.dropped:
        reason = item.reason or "no reason was given"
        texts.append(
            f"Left out by hand: {item.specimen}, {_mm_between(np.array([item.upper, item.lower]))} "
            f"({reason})."
        )
    flagged = int(fits.flagged.sum())
    if flagged and fits.robust:
        texts.append(
            f"Readings far off the fit of their specimen, pulled in by the robust fit: {flagged}. "
            "The notes of specimens.csv say which."
        )
    elif flagged:
        texts.append(
            f"Readings far off the fit of their specimen, kept in it: {flagged}. The notes of "
            "specimens.csv say which, and what a robust fit gives"
            + (
                "; --robust takes it, and --drop leaves a reading out with its reason." * ground
                or "."
            )
        )
    if ground and len(fits.layers_used) < MIN_SPECIMENS:
        texts.append(
            f"Intervals of single specimens are indicative: the file has {len(fits.layers_used)}, "
            f"and their coverage was measured from {MIN_SPECIMENS} on."
        )
    inside = int((fits.origin_depth > 0).sum())
    if inside:
        texts.append(
            f"Profiles with their maximum inside: {inside}. Their depths count from there, and "
            "the scenario needs a convection_zone of the same depth."
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
        texts.append("Without --reference nothing is pooled and no file for a scenario is written.")
    return tuple(texts)


def slips(study: ProfilesStudy) -> tuple[str, ...]:
    """Tell readings and exposures that are likely slips, each with its line."""
    fits, data = study.fits, study.data_file.data
    if "depth_from_mm" in data:
        upper = data["depth_from_mm"].to_numpy(dtype=float)
    elif "depth_mm" in data:
        upper = data["depth_mm"].to_numpy(dtype=float)
    else:  # layers of a map
        return ()
    texts = []
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(fits.layers.weight > 0, fits.profiles.content / fits.fitted, 1.0)
    for row, layer in np.argwhere(fits.flagged & is_tenfold(ratio))[:MOST_SLIPS]:
        name = fits.profiles.specimens[row]
        here = (data["specimen"] == name) & (upper == fits.profiles.upper[row, layer])
        texts.append(
            f"Line {int(data.loc[here, LINE].iloc[0])}, {name}: the content "
            f"{number(float(fits.profiles.content[row, layer]))} is about a power of ten from its "
            "profile; is the decimal point in its place?"
        )
    short = data[data["exposure_d"] < LEAST_EXPOSURE].drop_duplicates("specimen")
    if len(short):
        first = f"{short['specimen'].iloc[0]} on line {int(short[LINE].iloc[0])}"
        many = f"{len(short)} specimens were exposed for less than the {LEAST_EXPOSURE} d of ASTM C1556, first"
        one = f"A specimen was exposed for less than the {LEAST_EXPOSURE} d of ASTM C1556:"
        texts.append(f"{one if len(short) == 1 else many} {first}.")
    return tuple(texts)


def method(study: ProfilesStudy) -> tuple[str, ...]:
    """Say how it was computed, with sources."""
    kept = "kept, as asked for" if study.keep_first else "left out, as washing and drying change it"
    fits = study.fits
    if np.isfinite(fits.smallest_rise) or np.isinf(fits.smallest_rise):
        inside = paragraphs("profiles.maximum", power=_power(fits.smallest_rise))
    elif fits.origin_depth.any():
        inside = paragraphs(
            "profiles.maximum_given",
            depth=formatting.length(float(fits.origin_depth[0]), units="SI"),
        )
    else:
        inside = paragraphs("profiles.maximum_off")
    loss = (
        "Huber's loss (1981), with 1.345 sds of the file's own scatter"
        if fits.robust
        else "least squares"
    )
    return (
        *paragraphs("profiles.method", kept=kept, loss=loss),
        *inside,
        *paragraphs("profiles.error", error=error_words(fits)),
        *paragraphs("profiles.pooling", estimator=ESTIMATOR),
    )


def error_words(fits: ProfileFits) -> str:
    """Say how the readings scatter and how that was found."""
    error = fits.error
    share = error.scale * error.proportional
    constant = f"{number(error.scale * error.constant, 2)} {CONTENT_UNITS[fits.profiles.basis]}"
    words = {
        "constant": f"with a constant sd of {constant}",
        "proportional": f"in proportion to the content, with an sd of {formatting.percent(share)}",
        "mixed": f"with a constant sd of {constant} and {formatting.percent(share)} of the content "
        "beside it",
    }[error.kind]
    if not error.criterion:
        return f"{words} (as asked for)"
    best = min(value for _, value in error.criterion)
    gaps = ", ".join(f"{kind} {number(value - best, 2)}" for kind, value in error.criterion)
    return f"{words} (chosen by the criterion; above the lowest: {gaps})"


def _power(smallest_rise: float) -> str:
    if np.isinf(smallest_rise):
        return "In these data not even a rise of 100 % would be found in 95 of 100 specimens"
    return (
        f"In these data a rise of {formatting.percent(smallest_rise)} would be found in 95 of 100 "
        "specimens (simulated on the specimen of the middle Dₐ, with the upper 95 % limit of the scatter)"
    )


def sections(study: ProfilesStudy) -> tuple[Section, ...]:
    """Lay out the report."""
    fits, penalties, unit = study.fits, study.penalties, CONTENT_UNITS[study.fits.profiles.basis]
    parts = []
    if penalties is not None and len(penalties.strategies) > 1:
        about = Paragraph(
            "A penalty factor is the diffusivity of the face as cured over that of the reference. "
            "It is what a scenario takes as penalty."
        )
        factors = Figure(
            "penalties",
            sheet.draw(plot_penalties, penalties, study.penalty_fits),
            "Data: penalties.csv, penalty_covariance.csv, specimens.csv.",
        )
        parts.append(Section("Penalty factors", (about, factors, penalty_table(penalties, unit))))
    if study.layered is not None:
        parts.append(skin_section(fits, study.layered))
    depth = study.penetration_depth
    skin = (
        f"In the fitted profiles 95 % of the chloride's rise lies within {_mm_between(depth)} of the "
        "surface. Where curing changed the concrete to a greater depth, Dₐ is that of the skin; elsewhere "
        "it is an average over skin and bulk."
    )
    with sheet.style_context():
        drawn = profiles_figure(fits, study.layered)
    residuals = Figure("residuals", sheet.draw(plot_residuals, fits), "Data: residuals.csv.")
    return (
        *parts,
        Section("Profiles", (Paragraph(skin), Figure("profiles", drawn, "Data: residuals.csv."))),
        Section("Residuals", (residuals,)),
        Section("Specimens", (specimen_table(fits, unit),)),
    )


def _mm_between(depth: NDArray[np.float64]) -> str:
    return formatting.interval(
        float(depth.min()), float(depth.max()), lambda mm: formatting.length(mm, units="SI")
    )


def _penetration(penetration_depth: NDArray[np.float64], affected_depth: float) -> str:
    within = int((penetration_depth < affected_depth).sum())
    count, depth = penetration_depth.size, formatting.length(affected_depth, units="SI")
    text = f"{within} of {count} profiles end within the depth of {depth} that curing changed: "
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
        f"p\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}{number(p, 2)}" if p >= 0.001 else "p below 0.001"
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
            f"estimated: an sd of {number(float(np.sqrt(pooled.between_variance)))} of ln Dₐ stands "
            "in for it (fib Bulletin 34, 2006, recalled). Test replicates."
        )
    else:
        single = [n for n, c in zip(penalties.strategies, pooled.counts, strict=True) if c == 1]
        if single:
            texts.append(
                f"{formatting.join_with_and(single[:6])}: one specimen only; its interval takes the "
                "scatter of the other strategies."
            )
        if pooled.degrees_of_freedom < MIN_DEGREES_OF_FREEDOM:
            texts.append(
                f"Only {number(pooled.degrees_of_freedom)} degrees of freedom stand behind the scatter between "
                "specimens, which makes the intervals wide. More replicates narrow them."
            )
    return texts
