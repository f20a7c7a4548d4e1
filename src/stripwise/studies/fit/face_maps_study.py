"""What chloride maps of cut faces say about curing: profiles of the paste, fits and penalties."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from stripwise.evidence.face_maps.face_map import FaceMap
from stripwise.evidence.face_maps.method_agreement import MethodComparison, compare_methods
from stripwise.evidence.face_maps.paste_mask import AggregateLevel, PasteMask, paste_mask
from stripwise.evidence.face_maps.paste_profile import (
    PasteProfile,
    StripErrors,
    paste_profile,
    profiles_of_paste,
    with_strip_errors,
)
from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.profile_fit import fit_profiles
from stripwise.evidence.tables.data_file import DataFile
from stripwise.evidence.tables.face_map_files import build_face_maps
from stripwise.evidence.tables.profile_rows import build_profiles
from stripwise.scenario.model import Scenario
from stripwise.studies.fit.profiles_study import ProfilesStudy, study_profiles
from stripwise.studies.shown_results import Reported
from stripwise.units.source_files import SourceFile

__all__ = ["FaceMapsStudy", "study_face_maps"]

SEED = 1


@dataclass(frozen=True, slots=True, repr=False)
class FaceMapsStudy(Reported):
    """Maps of g specimens, their paste, and the fits of its profiles.

    Attributes
    ----------
    faces, masks, layers
        g maps, what of each is paste, and the profile of the paste.
    errors
        Intervals of the fits by strips across the maps.
    profiles
        Fits, penalties and files as of ground profiles.
    comparison
        Agreement with ground profiles of the same specimens; None without any.
    binder_share
        Mass of binder per mass of paste by which contents were divided; None where they were not.
    table, specimens, comparison_table
        Tables of the layers, of the fits, and of the pairs of layers.
    sources
        Files that were read beside the list.
    """

    faces: tuple[FaceMap, ...]
    masks: tuple[PasteMask, ...]
    layers: tuple[PasteProfile, ...]
    errors: StripErrors
    profiles: ProfilesStudy
    comparison: MethodComparison | None
    binder_share: float | None
    table: pd.DataFrame
    specimens: pd.DataFrame
    comparison_table: pd.DataFrame | None
    sources: tuple[SourceFile, ...]

    @property
    def title(self) -> str:
        """Name of the data or of the scenario."""
        return self.profiles.data_file.name

    @property
    def shown(self) -> pd.DataFrame:
        """The table for a notebook."""
        return self.specimens


def study_face_maps(
    data_file: DataFile,
    *,
    faces: tuple[FaceMap, ...] | None = None,
    aggregate: AggregateLevel | None = None,
    layer: float | None = None,
    binder_share: float | None = None,
    ground: DataFile | None = None,
    reference: str | None = None,
    affected_depth: float | None = None,
    keep_first: bool = False,
    fit_initial: bool = False,
    accept: bool = False,
    margin: float | None = None,
    scenario: Scenario | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> FaceMapsStudy:
    """Take the aggregate out of chloride maps, and fit the profile of the paste.

    Parameters
    ----------
    data_file
        A list of maps.
    faces
        Its maps where they were read already.
    aggregate
        Whether aggregate is "high" or "low" in the second channel.
    layer
        Thickness of a layer [mm].
    binder_share
        Mass of binder per mass of paste; contents stay by mass of paste unless given.
    ground
        Ground profiles of some of the same specimens, to compare with.
    reference, affected_depth, keep_first, fit_initial, margin, scenario
        As for ground profiles.

    Raises
    ------
    EvidenceError, InputError
        If a map cannot be read or split, or holds no profile.
    """
    faces = build_face_maps(data_file) if faces is None else faces
    if binder_share is not None:
        faces = tuple(_by_binder(face, binder_share) for face in faces)
    masks = tuple(paste_mask(face, aggregate=aggregate) for face in faces)
    layers = tuple(
        paste_profile(face, mask, layer=layer) for face, mask in zip(faces, masks, strict=True)
    )
    fits = fit_profiles(
        replace(profiles_of_paste(faces, layers), file=data_file.name),
        keep_first=keep_first,
        fit_initial=fit_initial,
        affected_depth=affected_depth,
        error="constant",
    )
    fits, errors = with_strip_errors(fits, layers, rng=np.random.default_rng(SEED))
    study = study_profiles(
        data_file,
        reference=reference,
        affected_depth=affected_depth,
        keep_first=keep_first,
        fit_initial=fit_initial,
        fits=fits,
        accept=accept,
        margin=margin,
        scenario=scenario,
        progress=progress,
    )
    comparison = None
    if ground is not None:
        by_grinding = fit_profiles(
            build_profiles(ground), keep_first=keep_first, fit_initial=fit_initial
        )
        comparison = compare_methods(fits, by_grinding)
    return FaceMapsStudy(
        faces=faces,
        masks=masks,
        layers=layers,
        errors=errors,
        profiles=study,
        comparison=comparison,
        binder_share=binder_share,
        table=_layer_table(faces, layers),
        specimens=_specimen_table(fits, errors, masks),
        comparison_table=None if comparison is None else _pairs_table(comparison),
        sources=_sources(data_file, faces) + (() if ground is None else ground.sources),
    )


def _sources(data_file: DataFile, faces: tuple[FaceMap, ...]) -> tuple[SourceFile, ...]:
    found = {face.digest: SourceFile(face.file, face.digest) for face in faces}
    return tuple(file for digest, file in found.items() if digest != data_file.digest)


def _by_binder(face: FaceMap, share: float) -> FaceMap:
    if face.basis == "pct_binder":
        return face
    return replace(
        face, chloride=face.chloride / share, initial=face.initial / share, basis="pct_binder"
    )


def _layer_table(faces: tuple[FaceMap, ...], layers: tuple[PasteProfile, ...]) -> pd.DataFrame:
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "specimen": face.specimen,
                    "strategy": face.strategy,
                    "depth_from_mm": part.upper,
                    "depth_to_mm": part.lower,
                    f"chloride_{face.basis}": part.content,
                    "low95": part.content - part.half_width,
                    "high95": part.content + part.half_width,
                    "paste_pixels": part.pixels.astype(int),
                    "effective_pixels": part.effective_pixels,
                    "aggregate_share": part.aggregate_share,
                }
            )
            for face, part in zip(faces, layers, strict=True)
        ],
        ignore_index=True,
    )


def _specimen_table(
    fits: ProfileFits, errors: StripErrors, masks: tuple[PasteMask, ...]
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "specimen": fits.profiles.specimens,
            "strategy": fits.profiles.strategies,
            "diffusivity_m2_s": fits.diffusivity,
            "diffusivity_low95": errors.diffusivity_low,
            "diffusivity_high95": errors.diffusivity_high,
            f"surface_{fits.profiles.basis}": fits.surface,
            "surface_low95": errors.surface_low,
            "surface_high95": errors.surface_high,
            "effective_strips": errors.effective_strips,
            "layers_used": fits.layers_used,
            "aggregate_share": [float(mask.aggregate.mean()) for mask in masks],
            "misclassified": [
                np.nan if mask.split is None else mask.split.misclassified for mask in masks
            ],
            "notes": fits.notes,
        }
    )


def _pairs_table(comparison: MethodComparison) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "specimen": comparison.specimens,
            "depth_from_mm": comparison.upper,
            "depth_to_mm": comparison.lower,
            "mapped": comparison.mapped,
            "ground": comparison.ground,
            "ratio": comparison.mapped / comparison.ground,
        }
    )
