"""Which files a scenario reads from fitted diffusivities, penalty factors and contents."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.penalty_factors import (
    NORMAL_975,
    PenaltyFactors,
    ProfilePenaltyFactors,
)
from stripwise.scenario.penalty_files import FittedPenalties, fitted_text
from stripwise.units.formatting import interval
from stripwise.units.names import ZERO_WIDTH_JOINER
from stripwise.units.software import version

__all__ = [
    "JOINT_DRAWS",
    "diffusivity_spread",
    "diffusivity_toml",
    "fitted_factors",
    "has_joint_draws",
    "joint_hint",
    "penalty_files",
    "profile_files",
    "unwritten_penalties",
]

MIN_SPREAD = 1e-10
"""Spread below which a fitted input is written as fixed."""

WIDEST = 10.0
"""High over low end of an interval of a penalty up to which it is written unasked."""

JOINT_DRAWS = "joint_draws.csv"
"""File of the joint draws of the reference's diffusivity and the penalties."""

BASIS_LINES = {"pct": 'basis = "concrete"', "pct_binder": 'basis = "binder"'}


def profile_files(
    fits: ProfileFits, penalties: ProfilePenaltyFactors, *, source: str, accept: bool = False
) -> dict[str, str]:
    """Write penalties.toml, diffusivity.toml and surface_chloride.toml, as TOML by file name.

    There is no penalties.toml where the reference is the only strategy, and no
    surface_chloride.toml of contents by mass of paste.
    """
    exposure = sorted(set(fits.profiles.exposure.tolist()))
    span = interval(exposure[0], exposure[-1])
    name = penalties.reference.replace(ZERO_WIDTH_JOINER, "")
    description = f"fitted by stripwise from {source}, exposure {span} d, reference {name}"
    files = penalty_files(penalties, source=source, description=description, accept=accept)
    files["diffusivity.toml"] = diffusivity_toml(
        penalties,
        "Apparent diffusivity of the reference strategy",
        source=f"{description}; apparent, at the age of the exposure",
    )
    reference = penalties.strategies.index(penalties.reference)
    cs, basis = penalties.surface, fits.profiles.basis
    if basis == "pct_paste":  # no scenario has contents by mass of paste
        return files
    sd = float(
        np.sqrt(cs.between_variance + cs.variance[reference] * (cs.t_quantile / NORMAL_975) ** 2)
    )
    unit = ' kg/m^3"' if basis == "kg_m3" else ""
    quote = '"' if unit else ""
    files["surface_chloride.toml"] = _input_text(
        "Surface content of the reference strategy in the test's exposure: not that of the wall",
        [
            *_moments(f"{quote}{cs.mean[reference]:.6g}{unit}", f"{quote}{sd:.6g}{unit}", sd),
            *([BASIS_LINES[basis]] if basis in BASIS_LINES else []),
        ],
        source=f"{description}; surface content in the test's exposure",
    )
    return files


def penalty_files(
    penalties: PenaltyFactors, *, source: str, description: str, accept: bool = False
) -> dict[str, str]:
    """Write penalties.toml, which the strategies of a scenario name by `from`.

    `source` is the file that was fitted, `description` what the scenario shows as the source of the
    factors. Empty where the reference is the only strategy, and where an interval spans more than a
    factor of ten, unless that is accepted.
    """
    fit = fitted_factors(penalties, source=description)
    if fit is None or (not accept and _too_wide(penalties)):
        return {}
    counts = dict(zip(penalties.strategies, penalties.log_diffusivity.counts, strict=True))
    text = fitted_text(
        fit,
        specimens=[int(counts[name]) for name in fit.strategies],
        head=[
            f"Penalty factors fitted by stripwise {version('stripwise')} from {source}.",
            'A scenario takes them by  penalty = { from = "penalties.toml" }  in a',
            '[[strategy]] of the same name, or with  as = "name here"  beside from. They are',
            "lognormal and drawn jointly. They are ratios of laboratory diffusivities, not of",
            "the wall's.",
            *joint_hint(penalties),
        ],
    )
    return {"penalties.toml": text}


def fitted_factors(penalties: PenaltyFactors, *, source: str) -> FittedPenalties | None:
    """Return the factors as a scenario reads them; None where the reference is the only strategy."""
    others = [k for k, name in enumerate(penalties.strategies) if name != penalties.reference]
    if not others:
        return None
    correlation = penalties.correlation[np.ix_(others, others)]
    np.fill_diagonal(correlation, 1.0)
    return FittedPenalties(
        reference=penalties.reference,
        kind="knowledge",
        source=source,
        strategies=tuple(penalties.strategies[k] for k in others),
        mean=penalties.mean[others],
        sd=penalties.sd[others],
        correlation=correlation,
    )


def _too_wide(penalties: PenaltyFactors) -> list[str]:
    return [
        name
        for name, low, high in zip(
            penalties.strategies, penalties.low95, penalties.high95, strict=True
        )
        if high > WIDEST * low
    ]


def unwritten_penalties(
    penalties: PenaltyFactors | None, files: Mapping[str, str]
) -> tuple[str, ...]:
    """Say why there is no penalties.toml where an interval is too wide for one."""
    if penalties is None or "penalties.toml" in files or not (names := _too_wide(penalties)):
        return ()
    return (
        f"penalties.toml was not written: the interval of {', '.join(names)} spans more than a factor "
        "of ten, which says next to nothing. Look for slips, test more specimens, or give --accept.",
    )


def diffusivity_toml(penalties: PenaltyFactors, what: str, *, source: str) -> str:
    """Write the diffusivity of the reference strategy as the table ``[input]`` of a scenario.

    A lognormal of the scatter between specimens, which is aleatory, and the error of the mean,
    which is epistemic and goes into `between_walls`; `what` it is starts the first line, `source`
    is what the scenario shows.
    """
    between, error = diffusivity_spread(penalties)
    spread = between + error
    reference = penalties.strategies.index(penalties.reference)
    mean = float(np.exp(penalties.log_diffusivity.mean[reference] + 0.5 * spread))
    return _input_text(
        f"{what}: scatter between specimens and error of the mean",
        [
            *_moments(
                f'"{mean:.6g} m^2/s"', f'"{mean * np.sqrt(np.expm1(spread)):.6g} m^2/s"', spread
            ),
            *([] if spread <= MIN_SPREAD else [f"between_walls = {error / spread:.6g}"]),
        ],
        source=source,
        further=joint_hint(penalties),
    )


def diffusivity_spread(penalties: PenaltyFactors) -> tuple[float, float]:
    """Return two variances of ln D of the reference: between specimens, and of the mean's error."""
    pooled = penalties.log_diffusivity
    error = pooled.variance[penalties.strategies.index(penalties.reference)]
    return pooled.between_variance, float(error * (pooled.t_quantile / NORMAL_975) ** 2)


def has_joint_draws(penalties: PenaltyFactors) -> bool:
    """Whether the error of the reference is in penalties, too, that are worth writing."""
    several = len(penalties.strategies) > 1
    return several and diffusivity_spread(penalties)[1] > MIN_SPREAD


def joint_hint(penalties: PenaltyFactors) -> list[str]:
    """Return the lines of a comment that name the joint draws; none where there are none."""
    if not has_joint_draws(penalties):
        return []
    return [
        "The reference's error is in the diffusivity and in every penalty. At the head of a",
        f'scenario that takes both,  knowledge = {{ from = "{JOINT_DRAWS}", others = "independent" }}',
        "draws it once; without it is drawn for each, and the uncertainty range is too wide.",
    ]


def _moments(mean: str, sd: str, spread: float) -> list[str]:
    """Write mean and sd of a lognormal; a fixed value where nothing scatters."""
    if spread <= MIN_SPREAD:
        return ['family = "fixed"', f"value = {mean}"]
    return ['family = "lognormal"', f"mean = {mean}", f"sd = {sd}"]


def _input_text(what: str, lines: list[str], *, source: str, further: Sequence[str] = ()) -> str:
    """Write a table [input]; `what` it is and `further` lines are comment on top."""
    escaped = source.replace("\\", "\\\\").replace('"', '\\"')
    head = [f"# {what}.", *(f"# {line}" for line in further)]
    return "\n".join([*head, "[input]", *lines, f'source = "{escaped}"']) + "\n"
