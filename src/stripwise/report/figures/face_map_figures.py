"""Chloride maps with aggregate in grey, the profile of the paste beside each, on one scale."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from stripwise.evidence.face_maps.face_map import FaceMap
from stripwise.evidence.face_maps.method_agreement import MethodComparison
from stripwise.evidence.face_maps.paste_mask import PasteMask
from stripwise.evidence.face_maps.paste_profile import PasteProfile
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import shorten_text
from stripwise.report.figures.profile_figures import CONTENT_UNITS
from stripwise.units import formatting

__all__ = ["face_maps_figure", "plot_aggregate", "plot_agreement", "shown_faces"]

Array = NDArray[np.float64]

MOST_MAPS = 6
"""Most maps drawn, the first of every strategy before second ones."""

MOST_PIXELS = (160, 320)
"""Most pixels of a drawn map down and across; more are averaged."""

SHADES = "cividis_r"
"""Even in grey print and for every colour vision; dark is much chloride."""

AGGREGATE_GREY = 0.86
ROW_MM, GAP_MM, ABOVE_MM, BELOW_MM = 25.0, 7.0, 4.0, 22.0
LEFT_MM, PROFILE_MM, BETWEEN_MM, RIGHT_MM = 15.0, 46.0, 10.0, 3.0
SHOWN_QUANTILE = 0.995
MEAN_POINTS = 120


def shown_faces(faces: Sequence[FaceMap]) -> list[int]:
    """Choose the maps to draw: the first of each strategy, then the others in their order."""
    names = [face.strategy for face in faces]
    first = [names.index(name) for name in dict.fromkeys(names)]
    return sorted((first + [k for k in range(len(faces)) if k not in first])[:MOST_MAPS])


def face_maps_figure(
    faces: Sequence[FaceMap], masks: Sequence[PasteMask], layers: Sequence[PasteProfile]
) -> Figure:
    """Draw maps under each other, each with the profile of its paste, all on one scale."""
    shown = shown_faces(faces)
    unit = CONTENT_UNITS[faces[0].basis]
    highest = max(
        float(np.quantile(faces[k].chloride[masks[k].paste], SHOWN_QUANTILE)) for k in shown
    )
    deepest = max(float(faces[k].depth[-1]) for k in shown)
    widest = max(float(faces[k].position[-1] - faces[k].position[0]) for k in shown)
    title = "Chloride in the paste of the cut faces, aggregate in grey"
    note = (
        f"The exposed face is at the top. All maps have one scale, in {unit}; beside each the mean "
        "of the paste by layer with its 95 % interval."
    )
    if len(shown) < len(faces):
        note += f" {len(shown)} of {len(faces)} maps are drawn."
    height = len(shown) * (ROW_MM + GAP_MM) - GAP_MM
    figure, total = sheet.new_canvas(
        height=height + ABOVE_MM,
        left=LEFT_MM,
        right=RIGHT_MM,
        bottom=BELOW_MM,
        title=title,
        note=note,
    )
    map_width = style.WIDTH_MM - LEFT_MM - PROFILE_MM - BETWEEN_MM - RIGHT_MM
    shades = mpl.colormaps[SHADES]
    for place, k in enumerate(shown):
        bottom = BELOW_MM + height - (place + 1) * ROW_MM - place * GAP_MM
        boxes = [(LEFT_MM, map_width), (LEFT_MM + map_width + BETWEEN_MM, PROFILE_MM)]
        left, right = (
            figure.add_axes(
                (x / style.WIDTH_MM, bottom / total, wide / style.WIDTH_MM, ROW_MM / total)
            )
            for x, wide in boxes
        )
        _draw_map(left, faces[k], masks[k], shades=shades, highest=highest)
        left.set_xlim(0.0, widest)
        name = f"{faces[k].strategy} ({faces[k].specimen})"
        left.set_title(
            shorten_text(name, width=map_width * sheet.POINTS_PER_MM, size=style.TEXT_SIZE),
            loc="left",
            fontsize=style.TEXT_SIZE,
            color=style.TEXT_COLOR,
            pad=2.5,
            parse_math=False,
        )
        _draw_profile(right, layers[k], highest=highest)
        for ax in (left, right):
            sheet.style_axes(ax)
            ax.set_ylim(deepest, 0.0)
            if place < len(shown) - 1:
                ax.set_xticklabels([])
        left.set_ylabel("Depth [mm]", fontsize=style.TEXT_SIZE)
        right.set_yticklabels([])
        if place == len(shown) - 1:
            left.set_xlabel("Along the face [mm]", fontsize=style.TEXT_SIZE)
            right.set_xlabel(f"Paste [{unit}]", fontsize=style.TEXT_SIZE)
    _draw_scale(figure, shades, highest=highest, total=total, label=f"Chloride [{unit}]")
    return figure


def _draw_map(
    ax: Axes, face: FaceMap, mask: PasteMask, *, shades: mpl.colors.Colormap, highest: float
) -> None:
    down, across = (
        max(-(-size // most), 1)
        for size, most in zip(face.chloride.shape, MOST_PIXELS, strict=True)
    )
    content = np.where(mask.aggregate, np.nan, face.chloride)
    mean, share = (
        _blocks(content, down, across),
        _blocks(mask.aggregate.astype(float), down, across),
    )
    colours = shades(np.clip(np.nan_to_num(mean) / highest, 0.0, 1.0))
    grey = (share >= 0.5) | ~np.isfinite(mean)
    colours[grey] = (AGGREGATE_GREY, AGGREGATE_GREY, AGGREGATE_GREY, 1.0)
    size = face.pixel
    width = size[1] * across * mean.shape[1]
    top = float(face.depth[0]) - 0.5 * size[0]
    ax.imshow(
        colours,
        extent=(0.0, width, top + size[0] * down * mean.shape[0], top),
        aspect="auto",
        interpolation="nearest",
    )


def _blocks(values: Array, down: int, across: int) -> Array:
    """Average blocks of pixels, NaN left out; a rest at the end is cut off."""
    rows, columns = values.shape[0] // down, values.shape[1] // across
    block = values[: rows * down, : columns * across].reshape(rows, down, columns, across)
    known = np.isfinite(block)
    count = known.sum(axis=(1, 3))
    total = np.where(known, block, 0.0).sum(axis=(1, 3))
    with np.errstate(invalid="ignore"):
        return np.asarray(total / count)


def _draw_profile(ax: Axes, part: PasteProfile, *, highest: float) -> None:
    middle = 0.5 * (part.upper + part.lower)
    ax.errorbar(
        part.content,
        middle,
        xerr=part.half_width,
        fmt="o",
        ms=2.6,
        mew=0,
        lw=0.8,
        color=style.MARKER_COLOR,
        ecolor=style.GREY,
        gid="paste-profile",
    )
    ax.set_xlim(min(0.0, float(part.content.min())), 1.15 * max(highest, float(part.content.max())))


def _draw_scale(
    figure: Figure, shades: mpl.colors.Colormap, *, highest: float, total: float, label: str
) -> None:
    ax = figure.add_axes(
        (LEFT_MM / style.WIDTH_MM, 6.0 / total, 60.0 / style.WIDTH_MM, 2.6 / total)
    )
    ramp = shades(np.linspace(0.0, 1.0, 128))[None, :, :]
    ax.imshow(ramp, extent=(0.0, highest, 0.0, 1.0), aspect="auto")
    ax.set_yticks([])
    sheet.style_axes(ax)
    ax.set_title(label, loc="left", fontsize=style.NOTE_SIZE, color=style.GREY, pad=2.0)


def plot_aggregate(
    faces: Sequence[FaceMap], layers: Sequence[PasteProfile], *, ax: Axes | None = None
) -> Axes:
    """Plot the share of aggregate [%] over depth: each map thin, the mean of them bold."""
    near, behind = (
        float(np.mean(side)) for side in zip(*(part.wall_effect for part in layers), strict=True)
    )
    title = (
        f"Aggregate takes up {formatting.percent(near)} of the first 5 mm and "
        f"{formatting.percent(behind)} behind them"
    )
    note = (
        "Share of the pixels of each layer; thin: each map, bold: their mean. Fewer grains fit "
        "against a form (wall effect)."
    )
    if ax is None:
        ax = sheet.new_axes(height=48.0, left=15.0, right=8.0, bottom=12.0, title=title, note=note)
    sheet.style_axes(ax)
    deepest = min(float(part.lower[-1]) for part in layers)
    grid = np.linspace(0.0, deepest, MEAN_POINTS)
    middles = [0.5 * (part.upper + part.lower) for part in layers]
    shares = [100.0 * part.aggregate_share for part in layers]
    for face, middle, share in zip(faces, middles, shares, strict=True):
        ax.plot(middle, share, color=style.LIGHT_GREY, lw=0.7, gid=f"aggregate-{face.specimen}")
    mean = np.mean([np.interp(grid, m, s) for m, s in zip(middles, shares, strict=True)], axis=0)
    ax.plot(grid, mean, color=style.MARKER_COLOR, lw=1.6, gid="aggregate-mean")
    ax.set_xlim(left=0.0)
    ax.set_ylim(bottom=0.0)
    ax.set_xlabel("Depth [mm]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Aggregate [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def plot_agreement(comparison: MethodComparison, *, ax: Axes | None = None) -> Axes:
    """Plot mapped over ground content against their geometric mean, with the limits of agreement."""
    found = comparison.log_ratio
    ratio = comparison.mapped / comparison.ground
    low, high = (float(np.exp(end)) for end in (found.low, found.high))
    title = (
        f"The map reads {formatting.number(float(np.exp(found.bias)))} times the ground content; "
        f"single layers lie between {formatting.number(low)} and {formatting.number(high)} times"
    )
    note = "A dot a ground layer. Full line: mean ratio; dashed: limits of agreement (1.96 sd)."
    if not comparison.same_unit:
        note += " The units differ, so that the mean ratio holds their conversion."
    if ax is None:
        ax = sheet.new_axes(height=58.0, left=17.0, right=8.0, bottom=12.0, title=title, note=note)
    sheet.style_axes(ax)
    ax.plot(
        np.sqrt(comparison.mapped * comparison.ground),
        ratio,
        "o",
        ms=3.4,
        mew=0,
        color=style.MARKER_COLOR,
        gid="pairs",
    )
    ax.axhline(float(np.exp(found.bias)), color=style.TEXT_COLOR, lw=0.9)
    for end in (low, high):
        ax.axhline(end, color=style.GREY, lw=0.8, ls=(0, (5, 2)))
    ends = min(low, float(ratio.min())), max(high, float(ratio.max()))
    ax.set_ylim(ends[0] - 0.15 * (ends[1] - ends[0]), ends[1] + 0.15 * (ends[1] - ends[0]))
    ax.set_xlabel("Geometric mean of both contents", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Mapped over ground", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax
