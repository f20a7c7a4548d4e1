"""Published curing factors, put into profiles and found again by the fit."""

import numpy as np
import pytest
from scipy import special

from stripwise.evidence.profiles.chloride_profiles import Profiles
from stripwise.evidence.profiles.penalty_factors import profile_penalty_factors
from stripwise.evidence.profiles.profile_fit import fit_profiles
from stripwise.published import constant

DAYS = (1, 3, 7, 28)
EDGES = np.array([0, 1, 3, 5, 7, 10, 13, 16, 20, 26, 34], dtype=float)

# DuraCrete R17 (2000), characteristic curing factors for chloride at 1, 3, 7 and 28 d (recalled)
R17 = {1: 2.08, 3: 1.50, 7: 1.00, 28: 0.79}


def fitted(factors, *, error, seed):
    """Three specimens of each curing, content averaged over 400 points of every layer."""
    rng = np.random.default_rng(seed)
    names = np.repeat([f"{day} d" for day in factors], 3)
    diffusivity = 5.0e-12 * np.repeat(list(factors.values()), 3) * 1e6 * 86400  # mm2/d
    depth = EDGES[:-1, None] + np.diff(EDGES)[:, None] * (np.arange(400) + 0.5) / 400
    share = special.erfc(depth / (2 * np.sqrt(diffusivity * 90)[:, None, None])).mean(axis=-1)
    content = (0.02 + 0.6 * share) * (1 + error * rng.standard_normal(share.shape))
    count = len(names)
    return profile_penalty_factors(
        fit_profiles(
            Profiles(
                specimens=tuple(str(n) for n in range(count)),
                strategies=tuple(names.tolist()),
                upper=np.tile(EDGES[:-1], (count, 1)),
                lower=np.tile(EDGES[1:], (count, 1)),
                content=content,
                present=np.ones(content.shape, dtype=bool),
                exposure=np.full(count, 90.0),
                initial=np.full(count, 0.02),
            )
        ),
        "7 d",
    )


def test_the_factors_of_the_guideline_come_back_from_exact_profiles():
    found = fitted(R17, error=0.0, seed=0)
    # the midpoint rule with 400 points is exact to about 1e-6
    np.testing.assert_allclose(np.exp(found.log_ratios.log_mean), list(R17.values()), rtol=1e-5)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_and_from_profiles_with_errors_within_their_intervals(seed):
    found = fitted(R17, error=0.02, seed=seed)
    log_sd = np.sqrt(np.diag(found.log_ratios.covariance))
    distance = np.abs(found.log_ratios.log_mean - np.log(list(R17.values())))
    assert (distance <= 3.5 * log_sd + 1e-12).all()
    assert log_sd.max() < 0.1


def test_the_means_of_the_distributions_come_back_too():
    # DuraCrete R9 (2000): means 2.4, 1.5, 1, 0.8 (recalled); read from the library of values
    means = {
        1: constant("duracrete.curing_factor.1d.mean"),
        3: constant("duracrete.curing_factor.3d.mean"),
        7: 1.0,
        28: constant("duracrete.curing_factor.28d.mean"),
    }
    assert list(means.values()) == [2.4, 1.5, 1.0, 0.8]
    found = fitted(means, error=0.0, seed=0)
    np.testing.assert_allclose(np.exp(found.log_ratios.log_mean), list(means.values()), rtol=1e-5)
