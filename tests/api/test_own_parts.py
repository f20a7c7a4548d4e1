"""A curing law, families and draws of the caller's own, used as a caller from outside would."""

import pickle
import tomllib

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

import stripwise
from stripwise.errors import InputError, ScenarioError

NOMINAL = "reinforcement.cover.nominal"
COVER = "reinforcement.cover"


def wool_law(hours, score):
    """Return ln of a penalty that falls with a power of the curing, an invented law."""
    return -np.clip(0.35 + 0.08 * score, 0.0, None) * np.log(np.minimum(hours, 672.0))


@pytest.fixture(scope="module")
def garage():
    case = stripwise.load("scenarios/garage-wall.toml")
    return case.replace({"sampling.points": 256, "sampling.repeats": 8})


def sixty(case):
    return stripwise.sweep(case, {NOMINAL: ["60 mm"]}).set_index("strategy")["probability"]


def test_a_law_of_ones_own_is_that_penalty_given(garage):
    own = garage.replace({"curing.law": wool_law})
    # at the score 0 the penalty is (hours / 168)^-0.35; given as a fixed factor it must say the same
    certain = own.replace({"curing.law": lambda hours, _score: wool_law(hours, 0.0 * hours)})
    k = float(stripwise.samples(certain, "Forms 24 h", n=64)["penalty"].iloc[0])
    given = garage.replace({"strategy.Forms 24 h.penalty": k})
    rows = [
        stripwise.sweep(c, {NOMINAL: ["60 mm"]}).set_index("strategy").loc["Forms 24 h"]
        for c in (certain, given)
    ]
    # other columns are sampled, so that they agree within both intervals
    half = sum(row["high95"] - row["low95"] for row in rows)
    assert abs(rows[0]["probability"] - rows[1]["probability"]) < half < 0.02
    # the law's own scatter is one normal score, shared by all strategies
    drawn = stripwise.samples(own, "Forms 24 h", n=1024)
    effective = np.exp(np.log(k) / -0.35) * 168.0
    expected = np.exp(
        wool_law(effective, drawn["curing.law"]) - wool_law(168.0, drawn["curing.law"])
    )
    assert_allclose(drawn["penalty"], expected, rtol=1e-9, atol=0)
    assert [i.name for i in own.inputs if i.name.startswith("curing.") and "ret" not in i.name] == [
        "curing.law"
    ]


def test_a_law_goes_along_with_changes_and_pickles(garage):
    own = garage.replace({"curing.law": wool_law})
    moved = own.replace({NOMINAL: "55 mm"})
    assert "wool_law" in moved.curing.row.citation
    assert_allclose(sixty(pickle.loads(pickle.dumps(own))), sixty(own), rtol=0, atol=0)
    with pytest.raises(InputError, match=r"curing.law: is a function, which a file cannot hold"):
        stripwise.as_toml(own)


@pytest.mark.parametrize(
    ("law", "text"),
    [
        (lambda h, _s: np.log(h), "a penalty must not fall with less curing"),
        (lambda _h, _s: 0.0, "returns the shape"),
        (lambda h, _s: h * np.nan, "is not finite from 1 h to 1 yr"),
        (lambda h, s: h @ s, "fails on arrays"),
    ],
)
def test_a_law_that_cannot_be_is_refused(garage, law, text):
    with pytest.raises(InputError, match=text):
        garage.replace({"curing.law": law})


def test_a_dense_sample_of_a_family_is_that_family(garage):
    """Quantiles of the very normal and lognormal, by scipy, give the curves of both."""
    p = (np.arange(20_000) + 0.5) / 20_000
    changes = {
        COVER: stripwise.empirical(stats.norm(60.0, 8.0).ppf(p), unit="mm", kind="scatter"),
        "concrete.diffusivity": stripwise.empirical(
            stats.norm(4e-12, 0.8e-12).ppf(p), unit="m^2/s"
        ),
    }
    named = {
        COVER: {"family": "normal", "mean": "60 mm", "sd": "8 mm"},
        "concrete.diffusivity": {"family": "normal", "mean": "4e-12 m^2/s", "cov": 0.2},
    }
    own, known = garage.replace(changes), garage.replace(named)
    assert_allclose(sixty(own), sixty(known), rtol=0, atol=3e-4)
    again = stripwise.case(tomllib.loads(stripwise.as_toml(own)))
    assert_allclose(sixty(again), sixty(own), rtol=1e-9, atol=0)
    # a nominal cover moves the values as it moves a normal
    deeper = [stripwise.sweep(c, {NOMINAL: ["65 mm"]})["probability"] for c in (own, known)]
    assert_allclose(*deeper, rtol=0, atol=3e-4)


def test_an_empirical_table_is_a_step_ladder(garage):
    table = stripwise.empirical([40.0, 60.0, 70.0], unit="mm", probabilities=[0.0, 0.5, 1.0])
    law = garage.replace({COVER: {**table, "unusual": True}}).input(COVER).distribution
    # by hand: halves of uniforms on 40 to 60 and 60 to 70
    assert_allclose(law.mean, 0.5 * 50.0 + 0.5 * 65.0, rtol=1e-12, atol=0)
    second = 0.5 * (20**2 / 12 + 50.0**2) + 0.5 * (10**2 / 12 + 65.0**2)
    assert_allclose(law.sd, np.sqrt(second - 57.5**2), rtol=1e-12, atol=0)
    assert_allclose(law.cdf([39.0, 50.0, 60.0, 65.0, 71.0]), [0, 0.25, 0.5, 0.75, 1], atol=1e-12)
    assert_allclose(law.from_normal([0.0, -40.0, 40.0]), [60.0, 40.0, 70.0], rtol=1e-12, atol=0)


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ({"family": "empirical"}, 'family = "empirical" needs a list of values'),
        ({"family": "empirical", "values": ["60 mm"]}, "holds 1 values; 2 to 10,000"),
        ({"family": "empirical", "values": ["60 mm", "60 mm"]}, "are all the same; give a fixed"),
        ({"family": "empirical", "values": ["60 mm", "7 d"]}, r"cover.values\[2\] = \"7 d\""),
        (
            {"family": "empirical", "values": ["5 cm", "60 mm"], "probabilities": [0, 0.5]},
            "probabilities: must rise from 0 to 1",
        ),
        (
            {"family": "empirical", "values": ["60 mm", "5 cm"], "probabilities": [0, 1]},
            "must not fall where probabilities stand",
        ),
        (
            {"family": "empirical", "values": ["5 cm", "60 mm"], "sd": "8 mm"},
            "is not used beside values",
        ),
        (
            {"family": "normal", "mean": "60 mm", "sd": "8 mm", "values": ["5 cm"]},
            'belongs to family = "empirical", not to a normal',
        ),
    ],
)
def test_bad_values_get_one_clear_line(garage, table, text):
    with pytest.raises(ScenarioError, match=text):
        garage.replace({COVER: table})


def test_a_sample_that_is_none_is_refused():
    for values in ([1.0], [1.0, np.nan], []):
        with pytest.raises(InputError, match="at least two finite numbers"):
            stripwise.empirical(values)
    assert len(stripwise.empirical(pd.Series(np.arange(5000.0)))["values"]) == 1001
