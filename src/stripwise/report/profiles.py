"""The report of fitted chloride profiles and of the penalty factors that they give."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.evidence.fitting import fit
from stripwise.evidence.penalties import (
    Penalties,
    covariance_table,
    penalties,
    penalty_table,
    specimen_table,
)
from stripwise.evidence.profile_data import profiles_of
from stripwise.evidence.profiles import Bootstrap, Fits
from stripwise.evidence.reading import Reading
from stripwise.evidence.robust import bootstrap
from stripwise.report import paper
from stripwise.report.dossier import Dossier
from stripwise.report.profile_figures import plot_penalties, plot_residuals, profiles_figure
from stripwise.report.profile_files import residual_table, scenario_files, strategy_table
from stripwise.report.profile_words import findings, method, sections, warnings_of
from stripwise.scenario.quantities import LENGTH, parse

__all__ = ["profiles_dossier"]

SEED = 1
DRAWS = 50_000
"""Specimens times bootstrap repeats."""

FEWEST, MOST = 99, 999
"""Bootstrap repeats: none below the first, never more than the second."""


def profiles_dossier(
    reading: Reading,
    *,
    reference: str | None = None,
    affected_depth: str | None = None,
    keep_first: bool = False,
    fit_initial: bool = False,
) -> Dossier:
    """Fit chloride profiles and write them up.

    Parameters
    ----------
    reading
        A file of kind profiles.
    reference
        Strategy whose penalty is 1; no penalties without it.
    affected_depth
        Depth that curing changed, with its unit.
    keep_first
        Whether the shallowest layer takes part.
    fit_initial
        Whether C0 is fitted even where it was measured.

    Returns
    -------
    The `Dossier`.

    Raises
    ------
    EvidenceError
        If the file holds rows or profiles that cannot be used.
    InputError
        If `affected_depth` is no depth.
    """
    depth = _depth(affected_depth)
    fits = fit(
        profiles_of(reading),
        keep_first=keep_first,
        fit_initial=fit_initial,
        affected_depth=depth,
    )
    found = None if reference is None else penalties(fits, reference)
    spread = _bootstrap(fits)
    tables = {
        "specimens.csv": specimen_table(fits),
        "strategies.csv": strategy_table(fits, found),
        "residuals.csv": residual_table(fits),
    }
    if spread is not None:
        tables["bootstrap.csv"] = _bootstrap_table(fits, spread)
    with paper.styled():
        figures = {"profiles": profiles_figure(fits)}
        if found is not None and len(found.strategies) > 1:
            figures["penalties"] = _figure(plot_penalties(found, fits))
        figures["residuals"] = _figure(plot_residuals(fits))
    if found is not None:
        tables["penalties.csv"] = penalty_table(found)
        tables["penalty_covariance.csv"] = covariance_table(found)
    below = int(reading.data["chloride_below"].sum()) if reading.has("chloride_below") else 0
    return Dossier(
        title=f"Chloride profiles: {reading.name}",
        about=f"{len(fits.profiles.specimens)} specimens of "
        f"{len(set(fits.profiles.strategies))} strategies: surface content and apparent "
        "diffusivity by least squares, penalty factors by strategy.",
        findings=findings(fits, found),
        sections=sections(fits, found, spread),
        source=reading.path,
        digest=reading.digest,
        warnings=(*reading.notes, *warnings_of(fits, found, below=below, affected_depth=depth)),
        method=method(keep_first=keep_first, repeats=_repeats(len(fits.used))),
        assumptions=ASSUMPTIONS,
        figures=figures,
        tables=tables,
        texts={} if found is None else scenario_files(fits, found, source=reading.path.name),
        record=_record(fits, found),
    )


ASSUMPTIONS = (
    "Exposure: specimens in a test solution, wetted all the time, take up chloride by diffusion "
    "alone; a wall in splash or spray is wetted and dried, and its outer millimetres follow "
    "other laws. The surface content of the solution is not that of the wall.",
    "Age: D_a belongs to the age and the length of the exposure. Concrete goes on hydrating, a "
    "poorly cured face less than a well cured one; a ratio found at weeks or months need not "
    "hold at decades.",
    "Temperature: D_a is that of the test's temperature; a scenario's diffusivity is that at 20 "
    "degC. Convert it where the two differ; the penalty factors are hardly concerned.",
    "Saturation: a face that dried early may be measured wetter, or drier, in the laboratory "
    "than on site; unsaturated concrete lets in chloride more slowly by diffusion and faster by "
    "suction.",
    "Depth: a D_a fitted over the whole profile is an average over skin and bulk. A penalty "
    "from it belongs to the whole cover; put on a thin skin it understates the harm unless the "
    "profile ended within the skin.",
    "A scenario can say how uncertain this step is: curing.model_factor multiplies penalties that "
    "come out of a fit, and is off unless the scenario sets it.",
    "Not covered: cracks, joints, honeycombing, cold, and differences between the concretes of "
    "specimen and wall.",
)


def _depth(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        value = parse(text, LENGTH, to="mm")
    except InputError as error:
        raise InputError("--affected-depth", f"= {text!r}: {error.problem}") from error
    if value <= 0:
        raise InputError("--affected-depth", f"= {text!r}: must be above 0 mm")
    return value


def _repeats(specimens: int) -> int:
    repeats = min(DRAWS // specimens, MOST)
    return repeats if repeats >= FEWEST else 0


def _bootstrap(fits: Fits) -> Bootstrap | None:
    repeats = _repeats(len(fits.used))
    if repeats == 0:
        return None
    return bootstrap(fits, repeats=repeats, rng=np.random.default_rng(SEED))


def _bootstrap_table(fits: Fits, spread: Bootstrap) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "specimen": fits.profiles.specimens,
            "strategy": fits.profiles.strategies,
            "diffusivity_low95": spread.diffusivity_low,
            "diffusivity_high95": spread.diffusivity_high,
            "surface_low95": spread.surface_low,
            "surface_high95": spread.surface_high,
        }
    )


def _figure(ax: Axes) -> Figure:
    figure = ax.get_figure(root=True)
    assert figure is not None
    return figure


def _record(fits: Fits, found: Penalties | None) -> dict[str, object]:
    record: dict[str, object] = {"kind": "profiles", "contents": fits.profiles.basis}
    if found is None:
        return record
    pooled = found.log_diffusivity
    return record | {
        "reference": found.reference,
        "between_specimens_sd_ln": float(np.sqrt(pooled.between)),
        "degrees_of_freedom": pooled.freedom,
        "common_surface_p": found.common_surface,
        "penalties": penalty_table(found).to_dict("records"),
    }
