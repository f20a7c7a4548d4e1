"""Maxima inside by data of a known truth: how often one is found where there is none, and where
there is one."""

from dataclasses import replace

import numpy as np
import pytest

from stripwise.evidence.profiles import inner_maximum
from stripwise.evidence.profiles.profile_fit import fit_profiles

COUNT = 300


def readings(mu, share, *, seed=1, count=COUNT):
    noise = np.random.default_rng(seed).standard_normal((count, len(mu)))
    return np.maximum(mu * (1.0 + share * noise), 0.0)


def with_rise(made, rise):
    """A profile counted from 5 mm, its first layers of one content."""
    inner = made.layer_content(8e-12, edges=made.EDGES[3:] - made.EDGES[3])
    return np.concatenate(([inner[:2].mean() / (1.0 + rise)] * 3, inner))


@pytest.mark.parametrize(("share", "rise"), [(0.03, 0.10), (0.10, 0.50)])
def test_false_and_missed_maxima(made, monkeypatch, share, rise):
    with monkeypatch.context() as patch:
        patch.setattr(inner_maximum, "SIMULATED", 20)  # the rise told is not read here
        falling = fit_profiles(made.profiles(readings(made.layer_content(8e-12), share)))
    # at most 1 % is the aim; 300 specimens have a standard error of 0.6 %
    assert (falling.origin_depth > 0).mean() <= 0.01
    rising = fit_profiles(made.profiles(readings(with_rise(made, rise), share)))
    # at least 95 % is the aim, standard error 1.3 %
    assert (rising.origin_depth > 0).mean() >= 0.95 - 2 * 0.013
    assert rising.smallest_rise <= 1.25 * rise  # told is not more than the aim by much


@pytest.mark.parametrize(("share", "seed"), [(0.03, 0), (0.1, 1)])
def test_the_rise_told_is_found(made, monkeypatch, share, seed):
    """Small files whose scatter is estimated low (both seeds), judged by many of the true scatter."""
    small = readings(made.layer_content(8e-12), share, seed=seed, count=6)
    told = fit_profiles(made.profiles(small)).smallest_rise
    monkeypatch.setattr(inner_maximum, "SIMULATED", 20)
    many = fit_profiles(made.profiles(readings(with_rise(made, told), share, seed=9, count=200)))
    # 95 % is told, standard error of 200 specimens 1.5 %
    assert (many.origin_depth > 0).mean() >= 0.95 - 2 * 0.015


@pytest.mark.usefixtures("few_simulated")
def test_one_high_reading_is_no_maximum(made):
    content = readings(made.layer_content(8e-12), 0.03, count=200)
    content[::20, 3] *= 1.4
    assert not fit_profiles(made.profiles(content)).origin_depth.any()


def test_off_and_a_given_depth(made):
    data = made.profiles(readings(with_rise(made, 0.5), 0.03, count=4))
    assert not fit_profiles(data, maximum="off").origin_depth.any()
    given = fit_profiles(data, maximum=5.0)
    assert (given.origin_depth == 5.0).all()
    assert (given.layers_used == 5).all()
    assert given.notes[0] == "depths counted from 5 mm, as asked for"
    assert abs(np.log(given.diffusivity / 8e-12)).max() < 0.15
    shallow = replace(data, content=data.content[:, ::-1].copy())
    assert np.isnan(fit_profiles(data, maximum="off").smallest_rise)
    with pytest.raises(Exception, match="no diffusivity fits"):
        fit_profiles(shallow)
