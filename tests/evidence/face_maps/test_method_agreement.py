"""Limits of agreement against their closed form."""

import numpy as np
import pytest

from stripwise.errors import EvidenceError
from stripwise.evidence.face_maps.method_agreement import compare_methods
from stripwise.evidence.profiles.profile_fit import fit_profiles

from ..made import layer_content, profiles

FINE = np.arange(0.0, 21.0)


def both(factor=1.0, noise=0.0, count=3, seed=0):
    rng = np.random.default_rng(seed)
    truth = [layer_content(8e-12 * (1 + 0.1 * k)) for k in range(count)]
    ground = fit_profiles(
        profiles([t * np.exp(noise * rng.normal(size=t.size)) for t in truth]), fit_initial=True
    )
    mapped = fit_profiles(
        profiles(
            [factor * layer_content(8e-12 * (1 + 0.1 * k), edges=FINE) for k in range(count)],
            edges=FINE,
        ),
        fit_initial=True,
    )
    return mapped, ground


def test_the_same_truth_has_no_bias():
    found = compare_methods(*both())
    assert len(found.ground) == 3 * 8
    np.testing.assert_allclose(found.mapped, found.ground, rtol=1e-8)
    assert found.difference.bias == pytest.approx(0.0, abs=1e-8)
    assert found.diffusivity.ratio == pytest.approx(1.0, abs=1e-5)


def test_a_constant_factor_is_the_bias_of_the_ratio():
    found = compare_methods(*both(factor=1.2))
    assert np.exp(found.log_ratio.bias) == pytest.approx(1.2, rel=1e-6)
    assert found.diffusivity.ratio == pytest.approx(1.0, abs=1e-4)
    assert found.surface.ratio == pytest.approx(1.2, rel=1e-3)


def test_limits_are_the_bias_and_196_sd():
    """Bland and Altman, Lancet 327, 1986 (recalled): mean -/+ 1.96 sd of the differences."""
    found = compare_methods(*both(noise=0.1))
    values = np.log(found.mapped / found.ground)
    assert found.log_ratio.sd == pytest.approx(np.std(values, ddof=1))
    assert found.log_ratio.low == pytest.approx(values.mean() - 1.96 * np.std(values, ddof=1))
    assert found.log_ratio.bias_low95 < 0.0 < found.log_ratio.bias_high95


def test_other_names_leave_nothing_to_compare():
    mapped, ground = both(count=1)
    import dataclasses

    renamed = dataclasses.replace(
        ground, profiles=dataclasses.replace(ground.profiles, specimens=("X1",))
    )
    with pytest.raises(EvidenceError, match="Are the specimens named alike"):
        compare_methods(mapped, renamed)
