"""The report of fitted chloride profiles and of the penalty factors that they give."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.evidence.profiles.chloride_profiles import Bootstrap, Fits
from stripwise.evidence.profiles.layered_fit import (
    LAYERED,
    SKIN_ONLY,
    Layered,
    depth_effect,
    fit_layered,
    skin_fits,
)
from stripwise.evidence.profiles.penalty_factors import (
    Penalties,
    covariance_table,
    penalties,
    penalty_table,
    specimen_table,
)
from stripwise.evidence.profiles.profile_fit import fit
from stripwise.evidence.profiles.robust_fit import bootstrap
from stripwise.evidence.tables.profile_rows import profiles_of
from stripwise.evidence.tables.reading import Reading
from stripwise.report.components import Dossier, Section
from stripwise.report.figures import sheet
from stripwise.report.figures.profile_figures import plot_penalties, plot_residuals, profiles_figure
from stripwise.report.pages.profile_files import residual_table, scenario_files, strategy_table
from stripwise.report.pages.profile_text import findings, method, sections, warnings_of
from stripwise.report.pages.skin_section import (
    depth_file,
    plot_skins,
    skin_findings,
    skin_method,
    skin_record,
    skin_section,
    skin_table,
)
from stripwise.units.quantities import LENGTH, parse

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
    layered: bool = False,
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
    layered
        Whether a skin on a core is fitted too; of that depth, or of a fitted one.
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
    skin = fit_layered(fits, depth=depth) if layered else None
    found = None if reference is None else _penalties(fits, skin, reference)
    spread = _bootstrap(fits)
    tables = {
        "specimens.csv": specimen_table(fits),
        "strategies.csv": strategy_table(fits, found),
        "residuals.csv": residual_table(fits),
    }
    if spread is not None:
        tables["bootstrap.csv"] = _bootstrap_table(fits, spread)
    with sheet.styled():
        figures = {"profiles": profiles_figure(fits, skin)}
        if skin is not None and LAYERED in skin.choice:
            figures["skin"] = _figure(plot_skins(fits, skin))
        if found is not None and len(found.strategies) > 1:
            figures["penalties"] = _figure(plot_penalties(found, _for_penalties(fits, skin, found)))
        figures["residuals"] = _figure(plot_residuals(fits))
    if found is not None:
        tables["penalties.csv"] = penalty_table(found)
        tables["penalty_covariance.csv"] = covariance_table(found)
    texts = {} if found is None else scenario_files(fits, found, source=reading.path.name)
    if skin is not None:
        tables["layered.csv"] = skin_table(fits, skin)
        if {LAYERED, SKIN_ONLY} & set(skin.choice):
            texts["affected_depth.toml"] = depth_file(skin, source=reading.path.name)
    # where a skin is taken up its section says what the penalties belong to
    told = None if skin is not None and LAYERED in skin.choice else depth
    below = int(reading.data["chloride_below"].sum()) if reading.has("chloride_below") else 0
    return Dossier(
        title=f"Chloride profiles: {reading.name}",
        about=f"{len(fits.profiles.specimens)} specimens of "
        f"{len(set(fits.profiles.strategies))} strategies: surface content and apparent "
        "diffusivity by least squares, penalty factors by strategy.",
        findings=(*findings(fits, found), *_skin_findings(skin, reference)),
        sections=_with_skin(sections(fits, found, spread), fits, skin),
        source=reading.path,
        digest=reading.digest,
        warnings=(*reading.notes, *warnings_of(fits, found, below=below, affected_depth=told)),
        method=method(keep_first=keep_first, repeats=_repeats(len(fits.used)))
        + (() if skin is None else (skin_method(),)),
        assumptions=ASSUMPTIONS,
        figures=figures,
        tables=tables,
        texts=texts,
        record=_record(fits, found) | ({} if skin is None else skin_record(skin)),
    )


ASSUMPTIONS = (
    "Exposure: specimens in a test solution, wetted all the time, take up chloride by diffusion "
    "alone; a wall in splash or spray is wetted and dried, and its outer millimetres follow "
    "other laws. The surface content of the solution is not that of the wall.",
    "Age: Dₐ belongs to the age and the length of the exposure. Concrete goes on hydrating, a "
    "poorly cured face less than a well cured one; a ratio found at weeks or months need not "
    "hold at decades.",
    "Temperature: Dₐ is that of the test's temperature; a scenario's diffusivity is that at 20 "
    "degC. Convert it where the two differ; the penalty factors are hardly concerned.",
    "Saturation: a face that dried early may be measured wetter, or drier, in the laboratory "
    "than on site; unsaturated concrete lets in chloride more slowly by diffusion and faster by "
    "suction.",
    "Depth: a Dₐ fitted over the whole profile is an average over skin and bulk. A penalty "
    "from it belongs to the whole cover; put on a thin skin it understates the harm unless the "
    "profile ended within the skin.",
    "A scenario can say how uncertain this step is: curing.model_factor multiplies penalties that "
    "come out of a fit, and is off unless the scenario sets it.",
    "Not covered: cracks, joints, honeycombing, cold, and differences between the concretes of "
    "specimen and wall.",
)


def _for_penalties(fits: Fits, skin: Layered | None, found: Penalties) -> Fits:
    return fits if skin is None else skin_fits(fits, skin, keep=found.reference)


def _penalties(fits: Fits, skin: Layered | None, reference: str) -> Penalties:
    if skin is None or LAYERED not in skin.choice:
        return penalties(fits, reference)
    return penalties(
        skin_fits(fits, skin, keep=reference),
        reference,
        shared=depth_effect(fits, skin, keep=reference),
    )


def _skin_findings(skin: Layered | None, reference: str | None) -> tuple[str, ...]:
    return () if skin is None else skin_findings(skin, reference=reference)


def _with_skin(parts: tuple[Section, ...], fits: Fits, skin: Layered | None) -> tuple[Section, ...]:
    if skin is None:
        return parts
    place = next(i for i, part in enumerate(parts) if part.heading == "Profiles")
    return (*parts[:place], skin_section(fits, skin), *parts[place:])


def _depth(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        value = parse(text, LENGTH, to="mm")
    except InputError as error:
        raise InputError("--affected-depth", f"{text!r}: {error.problem}") from error
    if value <= 0:
        raise InputError("--affected-depth", f"{text!r}: must be above 0 mm")
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
