"""Coverage of intervals from chloride maps, and the cost of a large one.

    python tests/benchmark/face_maps.py [--repeats 200] [--large]

Maps are invented, so that the truth is known. Nothing is asserted; 92 to 97 % is wanted.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

import numpy as np

__all__: list[str] = []

sys.path.insert(0, str(Path(__file__).parents[1] / "evidence" / "face_maps"))

from made_maps import made_map

CONCRETES = {
    "even paste, counting noise": {"field": 0.0, "noise": 0.2},
    "paste differs by 8 % over 1 mm": {"field": 0.08, "field_length": 0.5},
    "paste differs by 8 % over 3 mm": {"field": 0.08, "field_length": 1.5},
    "paste differs by 15 % over 3 mm": {"field": 0.15, "field_length": 1.5},
    "as before, split by the second channel": {"field": 0.15, "field_length": 1.5, "mask": False},
}
TRUE_D, TRUE_CS, TRUE_PENALTY, BETWEEN = 8e-12, 3.0, 1.8, 0.08
SPECIMENS = 3
WIDE = (80, 300)


def fit_maps(faces):
    """Return the fits of some maps, and their intervals."""
    from stripwise.evidence.face_maps.paste_mask import paste_mask
    from stripwise.evidence.face_maps.paste_profile import (
        paste_profile,
        profiles_of_paste,
        with_strip_errors,
    )
    from stripwise.evidence.profiles.profile_fit import fit_profiles

    layers = [paste_profile(face, paste_mask(face, aggregate="low")) for face in faces]
    fits = fit_profiles(profiles_of_paste(faces, layers))
    return with_strip_errors(fits, layers, rng=np.random.default_rng(0))


def row(name: str, inside: np.ndarray) -> None:
    """Print one row of the table: the share of intervals that hold the truth, and its error."""
    share = float(np.mean(inside))
    error = np.sqrt(max(share * (1.0 - share), 1e-3) / len(inside))
    print(f"| {name} | {100 * share:.1f} ± {100 * error:.1f} % | {len(inside)} |", flush=True)


def specimens(repeats: int) -> None:
    """D and Cs of single maps."""
    for name, options in CONCRETES.items():
        faces = [
            made_map(seed=seed, specimen=f"P{seed}", shape=WIDE, **{"mask": True, **options})
            for seed in range(repeats)
        ]
        _, errors = fit_maps(faces)
        row(f"D, {name}", (errors.diffusivity_low < TRUE_D) & (errors.diffusivity_high > TRUE_D))
        row(f"Cs, {name}", (errors.surface_low < TRUE_CS) & (errors.surface_high > TRUE_CS))


def penalties(repeats: int) -> None:
    """The penalty of one strategy against another, three specimens each."""
    from stripwise.evidence.profiles.penalty_factors import profile_penalty_factors

    inside = []
    for repeat in range(repeats):
        rng = np.random.default_rng(1_000 + repeat)
        faces = [
            made_map(
                diffusivity=TRUE_D * factor * np.exp(BETWEEN * rng.normal()),
                strategy=name,
                specimen=f"{name} {k}",
                shape=WIDE,
                mask=True,
                seed=int(rng.integers(2**31)),
            )
            for name, factor in (("Forms 7 d", 1.0), ("Forms 24 h", TRUE_PENALTY))
            for k in range(SPECIMENS)
        ]
        found = profile_penalty_factors(fit_maps(faces)[0], "Forms 7 d")
        inside.append(found.low95[1] < TRUE_PENALTY < found.high95[1])
    row("penalty, three specimens each", np.array(inside))


def large() -> None:
    """CPU time and memory of a map of 2,000 by 1,000 pixels, from arrays to intervals."""
    face = made_map(shape=(1000, 2000), pixel=0.03, grains=0.3, seed=5)
    before, start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    fit_maps([face])
    seconds = time.process_time() - start
    more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1e3
    print(f"\n2,000 x 1,000 pixels: {seconds:.1f} s of CPU, {more:.0f} MB above making the map")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=200)
    parser.add_argument("--large", action="store_true", help="time a map of 2 million pixels too")
    options = parser.parse_args()
    print("| 95 % interval | holds the truth | of |")
    print("|---|---|---|")
    specimens(options.repeats)
    penalties(options.repeats // 2)
    if options.large:
        large()


if __name__ == "__main__":
    main()
