"""What a fit of profiles leaves for programs: tables, and files that a scenario reads."""

from __future__ import annotations

from importlib.metadata import version

import numpy as np
import pandas as pd

from stripwise.evidence.profiles.chloride_profiles import Fits
from stripwise.evidence.profiles.penalty_factors import (
    NORMAL_975,
    Factors,
    Penalties,
    diffusivity_table,
)
from stripwise.scenario.penalty_files import FittedPenalties, fitted_text
from stripwise.units.names import JOINER

__all__ = ["diffusivity_text", "penalty_file", "residual_table", "scenario_files", "strategy_table"]

LEAST = 1e-10
"""Spread below which a fitted input is written as fixed."""

BASIS = {"pct": 'basis = "concrete"', "pct_binder": 'basis = "binder"'}


def residual_table(fits: Fits) -> pd.DataFrame:
    """Tabulate every layer with its reading, the fit, and whether it took part or was flagged.

    Parameters
    ----------
    fits
        Fits of all specimens.

    Returns
    -------
    DataFrame with a row per layer; depths in mm, contents in the unit of the profiles.
    """
    profiles = fits.profiles
    row, layer = np.nonzero(profiles.present)
    content, fitted = profiles.content[row, layer], fits.fitted[row, layer]
    return pd.DataFrame(
        {
            "specimen": np.array(profiles.specimens, dtype=object)[row],
            "strategy": np.array(profiles.strategies, dtype=object)[row],
            "depth_from_mm": profiles.upper[row, layer],
            "depth_to_mm": profiles.lower[row, layer],
            f"chloride_{profiles.basis}": content,
            "fitted": fitted,
            "residual": content - fitted,
            "used": fits.layers.weight[row, layer] > 0,
            "flagged": fits.flagged[row, layer],
        }
    )


def strategy_table(fits: Fits, found: Penalties | None) -> pd.DataFrame:
    """Tabulate D_a and Cs by strategy; pooled where there is a reference, else plain means.

    Parameters
    ----------
    fits
        Fits of all specimens.
    found
        Penalty factors; None without a reference.

    Returns
    -------
    DataFrame: strategy, specimens, diffusivity_m2_s (geometric mean), surface_pct (or the unit
    of the profiles instead); pooled also diffusivity_low95, diffusivity_high95, surface_se.
    """
    unit = f"surface_{fits.profiles.basis}"
    if found is None:
        table = pd.DataFrame(
            {
                "strategy": fits.profiles.strategies,
                "log": np.log(fits.diffusivity),
                unit: fits.surface,
            }
        )
        groups = table.groupby("strategy", sort=False)
        return pd.DataFrame(
            {
                "strategy": list(groups.groups),
                "specimens": groups.size().to_numpy(),
                "diffusivity_m2_s": np.exp(groups["log"].mean().to_numpy()),
                unit: groups[unit].mean().to_numpy(),
            }
        )
    table = diffusivity_table(found)
    table[unit] = found.surface.mean
    table["surface_se"] = np.sqrt(found.surface.variance)
    return table


def scenario_files(fits: Fits, found: Penalties, *, source: str) -> dict[str, str]:
    """Write penalties.toml, diffusivity.toml and surface_chloride.toml for a scenario.

    Parameters
    ----------
    fits, found
        The fits and the penalty factors.
    source
        Name of the file that was fitted.

    Returns
    -------
    TOML by name; no penalties.toml where the reference is the only strategy.
    """
    exposure = sorted(set(fits.profiles.exposure.tolist()))
    span = f"{exposure[0]:g}" if len(exposure) == 1 else f"{exposure[0]:g} to {exposure[-1]:g}"
    name = found.reference.replace(JOINER, "")
    words = f"fitted by stripwise from {source}, exposure {span} d, reference {name}"
    files = penalty_file(found, source=source, told=words)
    files["diffusivity.toml"] = diffusivity_text(
        found,
        "Apparent diffusivity of the reference strategy",
        source=f"{words}; apparent, at the age of the exposure",
    )
    reference = found.strategies.index(found.reference)
    cs, basis = found.surface, fits.profiles.basis
    sd = float(np.sqrt(cs.between + cs.variance[reference] * (cs.t / NORMAL_975) ** 2))
    unit = ' kg/m^3"' if basis == "kg_m3" else ""
    quote = '"' if unit else ""
    files["surface_chloride.toml"] = _input_text(
        "Surface content of the reference strategy in the test's exposure: not that of the wall",
        [
            *_moments(f"{quote}{cs.mean[reference]:.6g}{unit}", f"{quote}{sd:.6g}{unit}", sd),
            *([BASIS[basis]] if basis in BASIS else []),
        ],
        source=f"{words}; surface content in the test's exposure",
    )
    return files


def penalty_file(found: Factors, *, source: str, told: str) -> dict[str, str]:
    """Write penalties.toml, which the strategies of a scenario name by `from`.

    Parameters
    ----------
    found
        The penalty factors.
    source
        Name of the file that was fitted.
    told
        What the scenario shows as their source.

    Returns
    -------
    TOML by name; empty where the reference is the only strategy.
    """
    others = [k for k, name in enumerate(found.strategies) if name != found.reference]
    if not others:
        return {}
    correlation = found.correlation[np.ix_(others, others)]
    np.fill_diagonal(correlation, 1.0)
    fit = FittedPenalties(
        reference=found.reference,
        kind="knowledge",
        source=told,
        strategies=tuple(found.strategies[k] for k in others),
        mean=found.mean[others],
        sd=found.sd[others],
        correlation=correlation,
    )
    text = fitted_text(
        fit,
        specimens=[int(found.log_diffusivity.counts[k]) for k in others],
        head=[
            f"Penalty factors fitted by stripwise {version('stripwise')} from {source}.",
            'A scenario takes them by  penalty = { from = "penalties.toml" }  in a',
            '[[strategy]] of the same name, or with  as = "name here"  beside from. They are',
            "lognormal and drawn jointly. They are ratios of laboratory diffusivities, not of",
            "the wall's.",
        ],
    )
    return {"penalties.toml": text}


def diffusivity_text(found: Factors, what: str, *, source: str) -> str:
    """Write the diffusivity of the reference strategy as an input of a scenario.

    Parameters
    ----------
    found
        The penalty factors.
    what
        What it is, the start of the file's first line.
    source
        What the scenario shows as its source.

    Returns
    -------
    TOML with the table ``[input]``: a lognormal of the scatter between specimens and the error of
    the mean.
    """
    pooled = found.log_diffusivity
    reference = found.strategies.index(found.reference)
    spread = pooled.between + pooled.variance[reference] * (pooled.t / NORMAL_975) ** 2
    mean = float(np.exp(pooled.mean[reference] + 0.5 * spread))
    return _input_text(
        f"{what}: scatter between specimens and error of the mean",
        _moments(f'"{mean:.6g} m^2/s"', f'"{mean * np.sqrt(np.expm1(spread)):.6g} m^2/s"', spread),
        source=source,
    )


def _moments(mean: str, sd: str, spread: float) -> list[str]:
    """Write mean and sd of a lognormal; a fixed value where nothing scatters."""
    if spread <= LEAST:
        return ['family = "fixed"', f"value = {mean}"]
    return ['family = "lognormal"', f"mean = {mean}", f"sd = {sd}"]


def _input_text(what: str, lines: list[str], *, source: str) -> str:
    escaped = source.replace("\\", "\\\\").replace('"', '\\"')
    return "\n".join([f"# {what}.", "[input]", *lines, f'source = "{escaped}"']) + "\n"
