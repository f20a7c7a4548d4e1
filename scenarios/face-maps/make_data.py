"""Invent chloride maps of cut faces and ground profiles of four of the specimens.

Everything here is made up: grains, contents, noise. The truth is Cs = 3 % by mass of paste, C0 = 0.05 %
and the diffusivities in DIFFUSIVITY, each specimen 8 % off in ln D.

    python make_data.py
"""

import itertools
from pathlib import Path

import numpy as np
from scipy import ndimage, special

HERE = Path(__file__).parent
SEED = 20
DIFFUSIVITY = {"Forms 7 d": 6e-12, "Forms 24 h": 11e-12, "Forms 12 h": 16e-12}
SPECIMENS = 2
SURFACE, INITIAL, DAYS = 3.0, 0.05, 90.0
PIXEL, SHAPE = 0.4, (80, 220)
PASTE_IN_CONCRETE = 0.30
EDGES = (0, 1, 3, 5, 7, 10, 13, 17, 22, 28)


def content(depth, diffusivity):
    length = 2e3 * np.sqrt(diffusivity * DAYS * 86400.0)
    return INITIAL + (SURFACE - INITIAL) * special.erfc(depth / length)


def grains(rng):
    """Ellipses of 1 to 8 mm, fewer against the form."""
    stone = np.zeros(SHAPE, dtype=bool)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]] * PIXEL
    while stone.mean() < 0.4:
        size = rng.uniform(0.5, 4.0)
        y, x = rng.uniform(0.6 * size, SHAPE[0] * PIXEL), rng.uniform(0.0, SHAPE[1] * PIXEL)
        stretch = rng.uniform(0.7, 1.4)
        stone |= ((rows - y) * stretch) ** 2 + ((columns - x) / stretch) ** 2 < size**2
    return stone


def face(rng, diffusivity):
    """Chloride [% by mass] and a second channel [counts] of one cut face."""
    depth = PIXEL * (np.arange(SHAPE[0]) + 0.5)
    local = ndimage.gaussian_filter(rng.normal(size=SHAPE), 1.2 / PIXEL, mode="wrap")
    stone = grains(rng)
    paste = content(depth, diffusivity)[:, None] * np.exp(0.08 * local / local.std())
    chloride = ndimage.gaussian_filter(np.where(stone, 0.0, paste), 0.5)
    signal = ndimage.gaussian_filter(np.where(stone, 40.0, 160.0), 0.5)
    return (
        np.round(chloride + 0.12 * rng.normal(size=SHAPE), 2),
        np.round(signal + 9.0 * rng.normal(size=SHAPE)),
    )


def main():
    rng = np.random.default_rng(SEED)
    maps = [
        "# Invented by make_data.py; no specimen was ever cast.",
        "specimen,strategy,exposure_d,initial_pct,map_file",
    ]
    ground = [
        maps[0],
        "specimen,strategy,depth_from_mm,depth_to_mm,chloride_pct,exposure_d,initial_pct",
    ]
    number = 0
    for (strategy, mean), copy in itertools.product(DIFFUSIVITY.items(), range(SPECIMENS)):
        number += 1
        name = f"F{number}"
        diffusivity = mean * np.exp(0.08 * rng.normal())
        chloride, signal = face(rng, diffusivity)
        np.savez_compressed(
            HERE / f"{name}.npz",
            chloride_pct=(100.0 * chloride).round().astype(np.int16) / np.float32(100.0),
            signal=signal.astype(np.int16),
            pixel_mm=PIXEL,
        )
        maps.append(f"{name},{strategy},{DAYS:g},{INITIAL},{name}.npz")
        if copy == 0 or strategy == "Forms 24 h":
            for top, bottom in itertools.pairwise(EDGES):
                layer = content(np.linspace(top, bottom, 60), diffusivity).mean()
                reading = PASTE_IN_CONCRETE * layer * (1.0 + 0.04 * rng.normal())
                ground.append(
                    f"{name},{strategy},{top},{bottom},{reading:.4f},{DAYS:g},"
                    f"{PASTE_IN_CONCRETE * INITIAL:.4f}"
                )
    (HERE / "maps.csv").write_text("\n".join(maps) + "\n", encoding="utf-8")
    (HERE / "ground.csv").write_text("\n".join(ground) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
