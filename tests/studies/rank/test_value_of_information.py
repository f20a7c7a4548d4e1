"""Worth of measurements against closed forms of a linear Gaussian margin.

Margin m = c - x, all else fixed: cover c of mean mu + b and sd sigma, b normal with sd tau in
doubt, the front x moved by the convection zone, normal with sd s in doubt. Given b and the zone,
P = Phi((x - mu - b + zone) / sigma), and second moments of Phi of a normal are bivariate normal
probabilities (Owen, A table of normal integrals, 1980, 10,010.8 and 20,010.3; recalled).
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET
from stripwise.risk.probability.integral import front_depths
from stripwise.risk.probability.nominal_covers import SamplingOptions
from stripwise.studies.rank import value_of_information
from stripwise.studies.rank.choice_rule import ChoiceRule
from stripwise.studies.rank.value_of_information import SURVEY_READINGS, value_of_information_table

MU, SIGMA, TAU, ZONE = 60.0, 7.0, 4.0, 3.0
ZONE_NAME = "exposure.convection_zone"


@pytest.fixture(scope="module")
def linear(walls):
    laws = {name: fixed(law.mean) for name, (law, _) in walls.DEFAULTS.items()}
    laws["concrete.diffusivity"] = fixed(5.0 * walls.UNIT)
    laws[COVER] = distribution("normal", mean=MU, sd=SIGMA)
    laws[ZONE_NAME] = distribution("normal", mean=9.0, sd=ZONE)
    wall = walls.wall(changes=laws, knowledge=(ZONE_NAME,))
    wall = wall.with_plans(tuple(p for p in wall.plans if not p.follow_up_h))
    doubt = Input(
        MEAN_COVER_OFFSET, "", distribution("normal", mean=0.0, sd=TAU), "mm", "cover", "knowledge"
    )
    wall = replace(wall, inputs=(*wall.inputs, doubt))
    means = {item.name: item.distribution.mean for item in wall.inputs}
    fronts = np.array([float(x) for x in front_depths(wall, wall.sample_block(means), 50.0)])
    return wall, fronts


def spread(h, share):
    """Var(Phi) of what is known to a share of the variance of the whole margin."""
    both = stats.multivariate_normal.cdf(
        [h, h], mean=[0.0, 0.0], cov=[[1.0, share], [share, 1.0]], abseps=1e-9, releps=1e-9
    )
    return both - special.ndtr(h) ** 2


def table(wall, allowed, *, seed=1, confidence=0.0, points=1024):
    sample = SamplingOptions(points, 16, seed, workers=1)
    rule = ChoiceRule.from_wall(
        wall, age=50.0, allowed=allowed, confidence=confidence, sample=sample, most=2 * points
    )
    rows = value_of_information_table(wall, strategy="24 h", rule=rule, repeats=8, seed=seed)
    return rows.set_index("measurement")


SURVEY = f"cover survey, {SURVEY_READINGS} independent readings"


def test_shares_of_the_doubt(linear):
    wall, fronts = linear
    rows = table(wall, 0.1)
    whole = SIGMA**2 + TAU**2 + ZONE**2
    h = (fronts[1] - MU) / np.sqrt(whole)
    everything = spread(h, (TAU**2 + ZONE**2) / whole)
    # conjugate normal: n readings leave the variance 1 / (1 / tau^2 + n / sigma^2)
    left = 1.0 / (1.0 / TAU**2 + SURVEY_READINGS / SIGMA**2)
    for name, known in ((MEAN_COVER_OFFSET, TAU**2), (ZONE_NAME, ZONE**2), (SURVEY, TAU**2 - left)):
        exact = spread(h, known / whole) / everything
        assert_allclose(rows.loc[name, "variance_share"], exact, rtol=0, atol=0.02)
        assert rows.loc[name, "status"] == "ok"
    assert rows.loc[SURVEY, "variance_share"] < rows.loc[MEAN_COVER_OFFSET, "variance_share"]
    assert COVER not in rows.index


def test_the_interval_of_a_share_holds_the_exact_one(linear, monkeypatch):
    monkeypatch.setattr(value_of_information, "OUTER_POINTS", 64)
    monkeypatch.setattr(value_of_information, "INNER_POINTS", 128)
    # what is measured is sampled too: an interval of the rest alone held 4 % of the exact shares
    wall, fronts = linear
    whole = SIGMA**2 + TAU**2 + ZONE**2
    h = (fronts[1] - MU) / np.sqrt(whole)
    everything = spread(h, (TAU**2 + ZONE**2) / whole)
    held = []
    for seed in range(12):
        rows = table(wall, 0.1, seed=seed, points=64)
        for name, known in ((MEAN_COVER_OFFSET, TAU**2), (ZONE_NAME, ZONE**2)):
            exact = spread(h, known / whole) / everything
            held.append(rows.loc[name, "low95"] <= exact <= rows.loc[name, "high95"])
    # of 24 at 95 %, fewer than 18 come once in ten thousand times, were they independent
    assert np.sum(held) >= 18


def test_chance_of_another_choice(linear):
    wall, fronts = linear
    whole = np.sqrt(SIGMA**2 + TAU**2 + ZONE**2)
    now = special.ndtr((fronts - MU) / whole)
    assert now[0] > now[1] > now[2]
    allowed = float(0.5 * (now[0] + now[1]))
    rows = table(wall, allowed)
    assert rows.loc[MEAN_COVER_OFFSET, "choice_now"] == "24 h"
    left = 1.0 / (1.0 / TAU**2 + SURVEY_READINGS / SIGMA**2)
    for name, known in ((MEAN_COVER_OFFSET, TAU**2), (SURVEY, TAU**2 - left)):
        # P_i <= allowed where what is shown is at least b_i; 12 h comes first, none is not 72 h
        rest = np.sqrt(whole**2 - known)
        b = (fronts - MU) - rest * special.ndtri(allowed)
        exact = special.ndtr(-b[0] / np.sqrt(known)) + special.ndtr(b[1] / np.sqrt(known))
        chance = rows.loc[name, "chance_of_another_choice"]
        assert_allclose(chance, exact, rtol=0, atol=0.01)
        assert 0.1 < chance < 0.99


def test_a_demanded_confidence_is_part_of_the_choice(linear):
    wall, fronts = linear
    demanded = 0.9
    at = float(special.ndtri(demanded))
    # P rises with the front, so its quantile is P at the quantile of what is epistemic
    now = special.ndtr((fronts - MU + at * np.sqrt(TAU**2 + ZONE**2)) / SIGMA)
    allowed = float(0.5 * (now[0] + now[1]))
    rows = table(wall, allowed, confidence=demanded)
    name = MEAN_COVER_OFFSET
    # by P alone, the 12 h would do
    assert special.ndtr((fronts[0] - MU) / np.sqrt(SIGMA**2 + TAU**2 + ZONE**2)) < allowed
    assert table(wall, allowed).loc[name, "choice_now"] == "12 h"
    assert rows.loc[name, "choice_now"] == "24 h"
    b = (fronts - MU) + at * ZONE - SIGMA * special.ndtri(allowed)
    exact = special.ndtr(-b[0] / TAU) + special.ndtr(b[1] / TAU)
    assert_allclose(rows.loc[name, "chance_of_another_choice"], exact, rtol=0, atol=0.05)


def test_a_strategy_too_close_to_call_is_not_chosen(linear):
    wall, fronts = linear
    whole = np.sqrt(SIGMA**2 + TAU**2 + ZONE**2)
    at_limit = float(special.ndtr((fronts[1] - MU) / whole))
    rows = table(wall, at_limit)
    assert rows.loc[MEAN_COVER_OFFSET, "choice_now"] == "72 h"


def test_what_does_not_matter_changes_no_choice(linear):
    # with the target at the very probability of the choice, sampling error alone would flip it
    wall, fronts = linear
    other = Input(
        "curing.none", "", distribution("normal", mean=0.0, sd=1.0), "", "steel", "knowledge"
    )
    wall = replace(wall, inputs=(*wall.inputs, other))
    whole = np.sqrt(SIGMA**2 + TAU**2 + ZONE**2)
    rows = table(wall, float(special.ndtr((fronts[1] - MU) / whole)))
    assert rows.loc[other.name, "chance_of_another_choice"] == 0.0
    assert_allclose(rows.loc[other.name, "variance_share"], 0.0, rtol=0, atol=1e-6)


def test_without_doubt_the_row_says_how_to_state_it(walls):
    rows = table(walls.wall(knowledge=("concrete.ageing_exponent",)), 0.1)
    assert "states it as mean_sd" in rows.loc[COVER, "status"]
    assert SURVEY not in rows.index
