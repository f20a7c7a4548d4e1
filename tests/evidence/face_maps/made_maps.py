"""Invented maps of cut faces with known truth: grains, edges, noise, a wall effect."""

import numpy as np
from scipy import ndimage, special

from stripwise.evidence.face_maps.face_map import FaceMap

SECONDS_PER_DAY = 86400.0


def made_map(
    *,
    diffusivity=8e-12,
    surface=3.0,
    initial=0.05,
    exposure=90.0,
    shape=(120, 200),
    pixel=0.25,
    grains=0.4,
    noise=0.15,
    field=0.08,
    field_length=1.5,
    beam=0.6,
    mask=False,
    specimen="P1",
    strategy="Forms 24 h",
    seed=1,
):
    """One map: `field` is the sd of ln content between places of the paste, `field_length` in mm,
    `beam` the sd of the beam in pixels, `grains` the share of aggregate away from the face."""
    rng = np.random.default_rng(seed)
    depth = pixel * (np.arange(shape[0]) + 0.5)
    position = pixel * (np.arange(shape[1]) + 0.5)
    length = 2e3 * np.sqrt(diffusivity * exposure * SECONDS_PER_DAY)
    content = initial + (surface - initial) * special.erfc(depth / length)
    smooth = ndimage.gaussian_filter(rng.normal(size=shape), field_length / pixel, mode="wrap")
    local = np.exp(field * smooth / smooth.std() - 0.5 * field**2)
    stone = _grains(rng, shape, pixel, share=grains)
    chloride = np.where(stone, 0.0, content[:, None] * local)
    signal = np.where(stone, 0.0, 1.0)
    if beam:
        chloride = ndimage.gaussian_filter(chloride, beam, mode="nearest")
        signal = ndimage.gaussian_filter(signal, beam, mode="nearest")
    chloride = chloride + noise * rng.normal(size=shape)
    signal = 100.0 + 60.0 * signal + 8.0 * rng.normal(size=shape)
    return FaceMap(
        specimen=specimen,
        strategy=strategy,
        exposure=exposure,
        depth=depth,
        position=position,
        chloride=chloride,
        basis="pct_paste",
        signal=None if mask else signal,
        paste=~stone if mask else None,
        initial=initial,
        file="made.npz",
    )


def _grains(rng, shape, pixel, *, share):
    """Ellipses of 1 to 8 mm that keep off the formed face by half their size."""
    stone = np.zeros(shape, dtype=bool)
    rows, columns = np.mgrid[: shape[0], : shape[1]] * pixel
    for _ in range(2000):
        if stone.mean() >= share:
            break
        size = rng.uniform(0.5, 4.0)
        y, x = rng.uniform(0.6 * size, shape[0] * pixel), rng.uniform(0, shape[1] * pixel)
        stretch = rng.uniform(0.7, 1.4)
        stone |= ((rows - y) * stretch) ** 2 + ((columns - x) / stretch) ** 2 < size**2
    return stone
