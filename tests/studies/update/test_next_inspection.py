"""What a next inspection is expected to tell, where the posterior of its data has a closed form."""

import dataclasses

import numpy as np
import pytest
from inspected import wall
from numpy.testing import assert_allclose
from scipy import stats

import stripwise
from stripwise.errors import InputError
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.update.epistemic_scores import EpistemicDraws, EpistemicScores
from stripwise.studies.update.next_inspection import FOLDS, _cross_fitted, next_inspections
from stripwise.studies.update.point_likelihood import PointProbability
from stripwise.studies.update.update_sentences import update_sentences
from stripwise.studies.update.worth_of_inspection import worth_of_deciding

COVER_ALONE = {
    "exposure.surface_chloride.between_walls": None,
    "concrete.diffusivity.between_walls": None,
    "concrete.ageing_exponent": 0.45,
    "reference_strategy": "Forms 72 h",
}
MONEY = {
    "cost": {
        "forms": "0 EUR/m^2/h",
        "cover": "0 EUR/m^2/mm",
        "repair": "900 EUR/m^2",
        "real_rate": "2 %",
    },
    "intervention": [
        {"name": "Impregnation", "price": "5.5 EUR/m^2", "year": "0 yr", "effect": 0.3},
        {"name": "Overlay", "price": "22 EUR/m^2", "year": "5 yr", "effect": 0.9},
    ],
}
AGE, RATE, HORIZON = 10.0, 0.02, 50.0


@pytest.fixture(scope="module")
def planned():
    """A wall of which the mean cover alone is unknown, and what is told of the next inspection."""
    case = wall(**COVER_ALONE, **MONEY)
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


@pytest.mark.parametrize("mean", [-1.5, -0.4, 0.7])
def test_what_deciding_later_is_worth_is_the_unit_normal_loss(mean):
    """Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961 (recalled): s L(|mean| / s)."""
    rng = np.random.default_rng(6)
    n, error = 40_000, 0.8
    truth = rng.standard_normal(n)
    read = truth + error * rng.standard_normal(n)
    saved = (mean + 2.0 * truth)[:, None]
    expected = _cross_fitted(read[None], saved[:, 0])[:, None]
    worth = worth_of_deciding(saved, expected, np.arange(n) % FOLDS)
    s = 2.0 / np.sqrt(1.0 + error**2)
    u = abs(mean) / s
    exact = s * (stats.norm.pdf(u) - u * stats.norm.sf(u))
    assert_allclose(worth.mean, exact, rtol=0.05)
    assert worth.low < exact < worth.high


def test_the_worth_of_a_cover_survey_against_quadrature(planned):
    case, computed, table = planned
    face = PointProbability.of_face(computed, "Forms 72 h", seed=case.sampling.seed)
    offsets = np.linspace(-25.0, 25.0, 201)
    others = {i.name: np.zeros(offsets.size) for i in computed.inputs if i.epistemic_share == 1.0}
    draws = EpistemicDraws({**others, "reinforcement.cover.mean_sd": offsets}, {}, {}, offsets.size)
    years = np.arange(AGE, HORIZON + 1.0)
    p = np.array([face.at(draws, year) for year in years])
    paid = 900.0 * np.diff(p, axis=0) * (1.0 + RATE) ** -(years[1:] - AGE)[:, None]
    by_offset = np.array(
        [
            np.zeros(offsets.size),
            0.3 * paid.sum(axis=0) - 5.5,
            0.9 * paid[5:].sum(axis=0) - 22.0 * (1.0 + RATE) ** -5.0,
        ]
    )
    # mean cover N(50, 5), 40 readings of sd 8 along the wall and 2 of the meter
    variance = (8.0**2 + 2.0**2) / 40.0
    left = 25.0 * variance / (25.0 + variance)
    middle = np.sqrt(25.0 - left) * np.linspace(-4.5, 4.5, 181)
    mass = stats.norm.pdf(np.linspace(-4.5, 4.5, 181))
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    after = (
        np.array(
            [
                np.interp(middle[:, None] + np.sqrt(left) * nodes, offsets, saved) @ weights
                for saved in by_offset
            ]
        )
        / weights.sum()
    )
    mean = after @ mass / mass.sum()
    exact = float(after.max(axis=0) @ mass / mass.sum() - mean.max())
    assert exact > 1.0  # it is worth something
    row = table.loc["cover survey"]
    assert row["best_now"] == ["nothing", "Impregnation", "Overlay"][int(np.argmax(mean))]
    assert_allclose(row["worth_per_m2"], exact, rtol=0.15)
    assert row["worth_low95"] <= exact <= row["worth_high95"]
    # what tells nothing of the cover is worth nothing
    assert table.loc["3 cores", "worth_per_m2"] < 0.1 * exact


@pytest.mark.usefixtures("no_figures")
def test_money_stands_on_the_terminal_and_the_page(small_sizes, tmp_path):
    case = wall(**MONEY)
    with small_sizes():
        result = stripwise.update(case, "scenarios/inspections/cover.csv", next_at=20.0)
        bare = stripwise.update(wall(), "scenarios/inspections/cover.csv", next_at=20.0)
    table = result.next_inspections
    assert (table["worth_per_m2"] >= 0.0).all()
    assert (table["currency"] == "EUR").all()
    assert "worth_per_m2" not in bare.next_inspections
    (told,) = [text for text in update_sentences(result) if "by what is known now" in text.lower()]
    assert "year 20" in told
    for low, end in (
        (1.0, "no intervention saves money in year 20."),
        (0.0, "no intervention saves money in year 20, and no inspection is sure to be worth"),
    ):
        none = table.assign(best_now="nothing", worth_per_m2=2.0, worth_low95=low, worth_high95=3.0)
        said = " ".join(update_sentences(dataclasses.replace(result, next_inspections=none)))
        assert end in said
        assert "nothing" not in said
    result.write(tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "The price of the inspection, its samples and their repair come off" in page
    assert "worth [EUR/m²]" in page
