"""What a next inspection is expected to tell, where the posterior of its data has a closed form."""

import numpy as np
import pytest
from inspected import wall
from numpy.testing import assert_allclose

import stripwise
from stripwise.errors import InputError
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.update.epistemic_scores import EpistemicDraws, EpistemicScores
from stripwise.studies.update.next_inspection import next_inspections
from stripwise.studies.update.point_likelihood import PointProbability

COVER_ALONE = {
    "exposure.surface_chloride.between_walls": None,
    "concrete.diffusivity.between_walls": None,
    "concrete.ageing_exponent": 0.45,
    "reference_strategy": "Forms 72 h",
}


@pytest.fixture(scope="module")
def planned():
    """A wall of which the mean cover alone is unknown, and what is told of the next inspection."""
    case = wall(**COVER_ALONE)
    computed = build_wall(case)
    scores = EpistemicScores.from_wall(computed)
    draws = scores.prior(8192, np.random.default_rng(1))
    table = next_inspections(case, computed, draws, age=10.0, workers=1)
    return case, computed, table.set_index("design")


def test_a_cover_survey_against_the_conjugate_normal(planned):
    case, computed, table = planned
    # mean cover N(50, 5), 40 readings of sd 8 along the wall and 2 of the meter
    variance = (8.0**2 + 2.0**2) / 40.0
    left = np.sqrt(25.0 * variance / (25.0 + variance))
    face = PointProbability.of_face(computed, "Forms 72 h", seed=case.sampling.seed)

    def probability(offset):
        others = {
            i.name: np.zeros(offset.size) for i in computed.inputs if i.epistemic_share == 1.0
        }
        inputs = {**others, "reinforcement.cover.mean_sd": offset}
        return face.at(EpistemicDraws(inputs, {}, {}, offset.size), 50.0)

    middle = np.sqrt(25.0 - left**2) * np.random.default_rng(2).standard_normal(2000)
    width = probability(middle - 1.96 * left) - probability(middle + 1.96 * left)
    row = table.loc["cover survey"]
    assert_allclose(row["range_expected"], width.mean(), rtol=0.06)
    prior = np.quantile(
        probability(5.0 * np.random.default_rng(3).standard_normal(4000)), [0.025, 0.975]
    )
    assert_allclose(row["range_now"], np.ptp(prior), rtol=0.06)
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    after = sum(w * probability(middle + left * x) for x, w in zip(nodes, weights, strict=True))
    after /= weights.sum()
    now = probability(5.0 * np.random.default_rng(4).standard_normal(4000)).mean()
    turned = np.mean((after > 0.1) != (now > 0.1))
    assert_allclose(row["chance_of_another_verdict"], turned, atol=0.04)


def test_cores_tell_nothing_of_a_cover(planned):
    table = planned[2]
    for count in (3, 6, 12):
        assert table.loc[f"{count} cores", "narrowing"] < 0.03
    assert table.loc["cover survey", "narrowing"] > 0.6


def test_more_cores_tell_more():
    case = wall(**{"reinforcement.cover.mean_sd": None})
    computed = build_wall(case)
    draws = EpistemicScores.from_wall(computed).prior(4096, np.random.default_rng(1))
    table = next_inspections(case, computed, draws, age=10.0, workers=1).set_index("design")
    narrowing = [table.loc[f"{count} cores", "narrowing"] for count in (3, 6, 12)]
    assert narrowing == sorted(narrowing)
    assert narrowing[0] > 0.3
    assert table.loc["cover survey", "narrowing"] < 0.03


def test_a_year_beyond_the_horizon_is_refused():
    with pytest.raises(InputError, match="within the horizon"):
        stripwise.update(wall(), "scenarios/inspections/cover.csv", next_at=200.0)
