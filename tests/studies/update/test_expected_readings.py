"""What the model expects to be read, kind by kind, against formulas and quadrature of the tests."""

import datetime

import numpy as np
import pandas as pd
import pytest
from inspected import layer_contents, problem, sets_of, wall
from numpy.testing import assert_allclose
from scipy import special, stats

import stripwise
from stripwise.errors import EvidenceError
from stripwise.evidence.inspections.inspection_kinds import INSPECTIONS
from stripwise.evidence.inspections.inspection_rows import read_set
from stripwise.evidence.tables.data_file import read_data_frame
from stripwise.ingress.front import layered_relative_content
from stripwise.risk.probability.cracking import cracking_curves
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.update.epistemic_scores import EpistemicScores
from stripwise.studies.update.expected_readings import CoreModel
from stripwise.studies.update.point_likelihood import PointProbability
from stripwise.studies.update.posterior_of_sets import find_posterior

EDGES = np.array([0.0, 6.0, 14.0, 25.0, 40.0])
AGE = 8.0
WARMTH = np.exp(4800.0 * (1.0 / 293.0 - 1.0 / 293.15))
YEAR = 365.25 * 86_400.0
DIFFUSIVITY = 3e-12 * 1e6 * YEAR  # mm2/yr

VALUES = {
    "exposure.surface_chloride": 2.4,
    "exposure.initial_chloride": 0.1,
    "exposure.convection_zone": 9.0,
    "concrete.diffusivity": DIFFUSIVITY,
    "concrete.ageing_exponent": 0.4,
    "concrete.temperature_coefficient": 4800.0,
    "exposure.temperature": 293.15,
}


def model(case, strategy="Forms 24 h"):
    face = build_wall(case)
    face = face.with_plans(tuple(plan for plan in face.plans if plan.name == strategy))
    return CoreModel(face, AGE, EDGES[:-1], EDGES[1:])


def values_of(core, **changes):
    """Values by name as arrays (1, 1), the penalty under the name that the plan has for it."""
    (plan,) = core.wall.plans
    values = {**VALUES, plan.penalty: 1.5, plan.strip_age: 24.0, **changes}
    return {name: np.full((1, 1), float(value)) for name, value in values.items()}


def quadrature(share):
    """Average a share of depth over the layers by many nodes."""
    nodes, weights = np.polynomial.legendre.leggauss(400)
    upper, lower = EDGES[:-1, None], EDGES[1:, None]
    depth = 0.5 * (upper + lower) + 0.5 * (lower - upper) * nodes
    return (share(depth) * weights).sum(axis=1) / 2.0


def tau(age=AGE, exponent=0.4, penalty=1.5):
    return WARMTH * penalty * DIFFUSIVITY * (28.0 / (365.25 * age)) ** exponent * age


def test_layers_in_and_below_the_convection_zone():
    core = model(wall())
    expected = layer_contents(
        2.4, 3e-12, 0.4, initial=0.1, penalty=1.5, age=AGE, edges=EDGES, zone=9.0
    )
    # the tests' ten nodes see a kink at the zone
    assert_allclose(core.expected(values_of(core))[:, 0, 0], expected, atol=0.01)
    exact = 0.1 + 2.3 * quadrature(
        lambda x: special.erfc(np.maximum(x - 9.0, 0.0) / (2.0 * np.sqrt(tau())))
    )
    assert_allclose(core.expected(values_of(core))[:, 0, 0], exact, atol=2e-4)


def test_a_front_factor_stretches_the_depth_below_the_zone():
    factor = {"family": "lognormal", "mean": 1.0, "cov": 0.1}
    core = model(wall(**{"model.front_factor": factor}))
    found = core.expected(values_of(core, **{"model.front_factor": 1.3}))[:, 0, 0]
    length = 2.0 * np.sqrt(tau()) * 1.3
    exact = 0.1 + 2.3 * quadrature(lambda x: special.erfc(np.maximum(x - 9.0, 0.0) / length))
    assert_allclose(found, exact, atol=2e-4)


def test_layers_over_a_skin():
    core = model(wall(**{"curing.affected_depth": "20 mm"}))
    found = core.expected(values_of(core, **{"curing.affected_depth": 20.0}))[:, 0, 0]

    def share(x):
        depth = np.maximum(x - 9.0, 0.0)
        return layered_relative_content(depth, tau(penalty=1.0), penalty=1.5, skin=11.0)

    assert_allclose(found, 0.1 + 2.3 * quadrature(share), atol=5e-4)


def test_layers_under_a_surface_content_that_rises():
    # Crank, The Mathematics of Diffusion, 2nd ed., 1975, section 3.3 (recalled): 4 i2erfc(u)
    history = {"shape": "linear", "duration": "20 yr"}
    core = model(wall(**{"exposure.surface_history": history, "concrete.ageing_exponent": 0.0}))
    duration = core.wall.conditions.duration
    values = values_of(core, **{duration: 20.0, "concrete.ageing_exponent": 0.0})
    length = 2.0 * np.sqrt(tau(exponent=0.0))

    def share(x):
        u = np.maximum(x - 9.0, 0.0) / length
        twice = (1.0 + 2.0 * u * u) * special.erfc(u) - 2.0 * u * np.exp(-u * u) / np.sqrt(np.pi)
        return AGE / 20.0 * twice

    assert_allclose(core.expected(values)[:, 0, 0], 0.1 + 2.3 * quadrature(share), atol=2e-3)


def test_a_colour_front_is_the_depth_of_its_content():
    case = wall(**{"concrete.diffusivity": "3e-12 m^2/s"})
    table = pd.DataFrame(
        {
            "specimen": "D1",
            "strategy": "Forms 24 h",
            "colour_depth_mm": [17.0, 19.0],
            "colour_content_pct_binder": 0.5,
            "error_mm": 2.0,
            "exposure_yr": AGE,
        }
    )
    _, scores, likelihoods = problem(case, table, points=256)
    between = np.array([-0.5, 0.4, 1.3])
    z = np.zeros((scores.dimensions, 3))
    z[0] = between
    draws = scores.draws(z)
    exponent = draws.inputs["concrete.ageing_exponent"][0]
    w = np.linspace(-8.0, 8.0, 8001)
    s = np.sqrt(np.log1p(0.4**2))
    score = np.sqrt(0.5) * (between[:, None] + w)
    surface = 2.0 * np.exp(s * score - 0.5 * s * s)
    ratio = np.minimum(0.4 / np.maximum(surface - 0.1, 1e-9), 1.0)
    depth = 2.0 * special.erfcinv(ratio) * np.sqrt(tau(exponent=exponent))
    logs = sum(stats.norm.logpdf(read, depth, 2.0) for read in (17.0, 19.0))
    exact = special.logsumexp(logs + stats.norm.logpdf(w), axis=1) + np.log(w[1] - w[0])
    assert_allclose(likelihoods(draws)[0], exact, atol=0.05)


def test_migration_tests_are_the_conjugate_normal():
    table = pd.DataFrame(
        {
            "specimen": ["M1", "M2", "M3"],
            "strategy": "Forms 24 h",
            "penetration_mm": [12.0, 13.5, 11.5],
            "voltage_V": 30.0,
            "thickness_mm": 50.0,
            "temperature_degC": 22.0,
            "duration_h": 24.0,
            "age_d": 28.0,
            "error_share": 0.1,
        }
    )
    case = wall()
    (own,) = sets_of(case, table)
    computed, scores, likelihoods = problem(case, table)
    found = find_posterior(computed, scores, likelihoods, seed=1)
    s = np.sqrt(np.log1p(0.3**2))
    # ln D = ln 3e-12 - s2/2 + s (B + W) / sqrt 2 + ln 1.5 at 28 d, the reference age
    centre = np.log(3e-12) - 0.5 * s * s + np.log(1.5)
    variance = (0.5 * s * s + 0.1**2) / 3.0
    slope = s / np.sqrt(2.0)
    gap = np.log(own.tests.coefficient).mean() - centre
    mean = slope * gap / (slope**2 + variance)
    score = found.all_draws.scores["concrete.diffusivity"]
    assert_allclose(found.points.weights() @ score, mean, atol=2e-3)
    old = table.assign(age_d=400.0)
    with pytest.raises(EvidenceError, match="at most 90 d"):
        sets_of(case, old)


def test_depths_of_carbonation_on_a_shipped_wall():
    case = stripwise.load("scenarios/retaining-wall.toml")
    reference = case.reference_strategy
    table = pd.DataFrame(
        {
            "specimen": "K1",
            "strategy": reference,
            "carbonation_depth_mm": [9.0],
            "error_mm": 1.5,
            "exposure_yr": 20.0,
        }
    )
    _, scores, likelihoods = problem(case, table)
    (specimen,) = likelihoods.likelihoods[0].specimens
    draws = scores.draws(np.zeros((scores.dimensions, 1)))
    w = np.zeros((specimen.scatter.dimensions, 1, 1))
    values = {k: float(np.ravel(v)[0]) for k, v in specimen.scatter.values(draws, w).items()}
    (plan,) = specimen.model.wall.plans
    days = float(plan.effective_days(values))
    # fib Bulletin 34, 2006, Annex B1 (recalled): the formula written out again
    c = {k.removeprefix("carbonation."): v for k, v in values.items()}
    humidity = ((1.0 - (c["relative_humidity"] / 100.0) ** 5) / (1.0 - 0.65**5)) ** 2.5
    curing = (days / 7.0) ** c["curing_exponent"]
    resistance = c["test_factor"] * c["inverse_resistance"] + c["test_error"]
    wet = (c["rain_share"] * c["wet_share"]) ** c["weather_exponent"] / 2.0
    depth = np.sqrt(2.0 * humidity * curing * resistance * c["co2"] * 20.0)
    depth *= (28.0 / 365.25 / 20.0) ** wet * values["model.front_factor"]
    assert_allclose(specimen.expected(draws, w)[0, 0, 0], depth, rtol=1e-6)


def test_points_average_to_the_curves():
    corrosion = {"bar_diameter": "16 mm", "tensile_strength": "2.8 MPa", "published_rate": "cyclic"}
    case = wall(cracking=corrosion)
    computed = build_wall(case)
    computed = computed.with_plans(computed.plans[:1])
    scores = EpistemicScores.from_wall(computed)
    draws = scores.prior(512, np.random.default_rng(1))
    curves = cracking_curves(computed, [50.0], repeats=4, seed=1, points=1024, workers=1)
    known = {"crack": curves.repeats.mean()}
    table = stripwise.assess(wall(), only="curves").curves
    at = (table["strategy"] == "Forms 24 h") & (table["age_yr"] == 50.0)
    known["depassivation"] = float(table["probability"][at].iloc[0])
    for event, expected in known.items():
        face = PointProbability.of_face(computed, "Forms 24 h", seed=1, event=event)
        assert_allclose(face.at(draws, 50.0).mean(), expected, rtol=0.05)


COVER = {"cover_mm": [44.0, 47.0], "error_mm": 2.0, "effective_points": 2}


def opened(**more):
    table = pd.DataFrame(
        {
            "strategy": "Forms 24 h",
            "depassivated": ["yes", "no", "no", "no"],
            "exposure_yr": 30.0,
            "effective_points": 4,
        }
    )
    return table.assign(**more)


def test_steel_laid_open_counts_as_the_event():
    case = wall()
    computed, scores, likelihoods = problem(case, opened())
    draws = scores.draws(np.random.default_rng(3).standard_normal((scores.dimensions, 200)))
    p = PointProbability.of_face(computed, "Forms 24 h", seed=case.sampling.seed).at(draws, 30.0)
    assert_allclose(likelihoods(draws)[0], np.log(p) + 3.0 * np.log1p(-p), rtol=1e-9)


def test_dates_count_from_first_exposure():
    table = opened(date="2051-05-20").drop(columns="exposure_yr")

    def read(first):
        data_file = read_data_frame(table, kinds=INSPECTIONS)
        return read_set(data_file, first_exposure=first)

    found = read(datetime.date(2021, 5, 20))
    assert_allclose(found.counts[0].age, 30.0, atol=0.01)
    with pytest.raises(EvidenceError, match="must lie after first exposure on 2060-01-01"):
        read(datetime.date(2060, 1, 1))
    with pytest.raises(EvidenceError, match="needs --first-exposure"):
        read(None)
    both = opened(date="2051-05-20")
    with pytest.raises(EvidenceError, match="has both exposure_yr and date"):
        read_set(read_data_frame(both, kinds=INSPECTIONS))


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (opened(depassivated="perhaps"), "must be yes or no"),
        (opened(effective_points=[1, 2, 2, 2]), "must be one number"),
        (
            opened(crack="no", detection=0.9, false_alarm=0.0).drop(columns="depassivated"),
            "where the scenario has no [cracking]",
        ),
    ],
)
def test_points_that_cannot_be_used(table, words):
    with pytest.raises(EvidenceError) as caught:
        stripwise.update(wall(), table)
    assert words in str(caught.value)
