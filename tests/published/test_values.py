"""The library of cited constants: complete entries, exact look-up, useful errors."""

from pathlib import Path

import pytest
from numpy.testing import assert_allclose
from scipy import stats

import stripwise
from stripwise.distributions.distribution import FAMILIES, distribution
from stripwise.errors import InputError
from stripwise.ingress import transformed_time
from stripwise.published import MARKS, constant, keys, published_value

MOMENTS = {"mean", "sd", "low", "high"}


def test_every_entry_says_where_it_comes_from_and_how_far_to_trust_it():
    assert len(keys()) > 50
    for key in keys():
        entry = published_value(key)
        source = entry.source
        assert entry.mark in MARKS, key
        assert len(source) > 10, key
        assert entry.numbers, key
        # A document is named with its year, except for standards that are revised in place.
        dated = any(year in source for year in ("19", "20"))
        assert entry.mark == "assumed" or dated or "C1074" in source or "RILEM" in source, key
        assert (entry.mark == "assumed") == ("no source" in source), key


@pytest.mark.parametrize("key", [key for key in keys() if published_value(key).family])
def test_every_published_distribution_can_be_built(key):
    entry = published_value(key)
    assert entry.family in FAMILIES
    assert set(entry.numbers) <= MOMENTS
    law = distribution(entry.family, **entry.numbers)
    assert law.mean == entry.numbers["mean"]
    assert law.sd == entry.numbers.get("sd", 0.0)


# fib Bulletin 34, Annex B2, 2006, migration coefficients by water-cement ratio. Recalled; the
# Spanish code EHE-08, Annex 9, prints the same.
@pytest.mark.parametrize(
    ("binder", "printed"),
    [
        ("cem_i", {"0.40": 8.9, "0.45": 10.0, "0.50": 15.8, "0.55": 19.7, "0.60": 25.0}),
        ("fly_ash", {"0.40": 5.6, "0.45": 6.9, "0.50": 9.0, "0.55": 10.9, "0.60": 14.9}),
        ("silica_fume", {"0.35": 4.4, "0.40": 4.8, "0.55": 5.3}),
        ("cem_iii_b", {"0.40": 1.4, "0.45": 1.9, "0.50": 2.8, "0.55": 3.0, "0.60": 3.4}),
    ],
)
def test_migration_coefficients_of_fib(binder, printed):
    entry = published_value(f"fib34.chloride.d_rcm.{binder}")
    assert dict(entry.numbers) == printed
    assert entry.unit == "1e-12 m2/s"
    assert list(entry.numbers.values()) == sorted(entry.numbers.values())


# Shapes p and q of the beta distributions of fib Bulletin 34, Annex B2. Recomputed from mean and
# sd by hand: m = (mean - low)/(high - low), v = (sd/(high - low))^2, p = m (m (1 - m)/v - 1).
@pytest.mark.parametrize(
    ("key", "p", "q"),
    [
        ("critical_content", 5.3086, 18.5802),
        ("convection_zone", 1.8982, 8.7660),
        ("ageing_exponent.cem_i", 4.0750, 9.5083),
        ("ageing_exponent.fly_ash", 5.8, 3.8667),
        ("ageing_exponent.cem_iii_b", 2.3344, 2.8531),
    ],
)
def test_beta_shapes_of_fib(key, p, q):
    entry = published_value(f"fib34.chloride.{key}")
    law = distribution(entry.family, **entry.numbers)
    low, high = entry.numbers["low"], entry.numbers["high"]
    printed = stats.beta(p, q, loc=low, scale=high - low)
    assert_allclose([law.mean, law.sd], [printed.mean(), printed.std()], rtol=5e-5)
    points = [low + share * (high - low) for share in (0.05, 0.2, 0.4, 0.7)]
    assert_allclose(law.cdf(points), printed.cdf(points), rtol=0, atol=1e-5)


def test_the_retention_of_follow_ups_is_an_assumption():
    for key in keys():
        if key.startswith("curing."):
            assert published_value(key).mark == "assumed"
    film, wet = {"mean": 0.06, "sd": 0.04}, {"mean": 0.80, "sd": 0.15}
    share = {"low": 0.0, "high": 1.0}
    for key, numbers in {
        "sheet.vertical": film | share,
        "membrane.vertical": film | share,
        "wet_covering.vertical": {"mean": 0.0},  # it drains: common practice, no source
        "wet_covering.horizontal": wet | share,
        "kept_wet": wet | share,
    }.items():
        assert dict(published_value(f"curing.retention.{key}").numbers) == numbers
    assert constant("curing.membrane_duration") == 3.0


def test_an_unknown_key_gets_the_nearest_spelling():
    with pytest.raises(InputError) as caught:
        published_value("fib34.chloride.critcal_content")
    assert str(caught.value) == (
        "fib34.chloride.critcal_content: no published key 'fib34.chloride.critcal_content'; "
        "the nearest is 'fib34.chloride.critical_content'"
    )
    with pytest.raises(InputError, match=r"nearest is 'maturity\.datum_temperature'"):
        constant("maturity.datum_temprature")


def test_an_unknown_number_of_an_entry_gets_the_nearest_spelling():
    with pytest.raises(InputError) as caught:
        constant("fib34.chloride.d_rcm.cem_i.0.42")
    assert str(caught.value).startswith("fib34.chloride.d_rcm.cem_i: no published number '0.42'")
    assert "'0.40'" in str(caught.value) or "'0.45'" in str(caught.value)


def test_a_row_is_not_one_number():
    with pytest.raises(InputError) as caught:
        constant("fib34.cover_sd.ordinary")
    assert str(caught.value) == (
        "fib34.cover_sd.ordinary: holds several numbers; ask for one of low, high"
    )


def test_an_entry_cannot_be_changed():
    with pytest.raises(TypeError):
        published_value("fib34.chloride.critical_content").numbers["mean"] = 0.7


def test_a_doubtful_memory_says_so_in_the_citation():
    assert published_value("duracrete.curing_factor.1d").citation.endswith("(from memory, verify)")
    assert published_value("fib34.chloride.reference_temperature").citation.endswith("(recalled)")


def test_the_doubt_reaches_the_inputs_of_a_scenario():
    case = stripwise.load(Path(__file__).parents[2] / "scenarios" / "garage-wall.toml")
    assert "DuraCrete R9" in case.input("curing.law").source
    assert "(from memory, verify)" in case.input("curing.law").source


def test_the_clock_takes_its_references_from_the_library():
    assert (
        published_value("fib34.chloride.reference_temperature").number
        == transformed_time.REFERENCE_TEMPERATURE
    )
    days = published_value("fib34.chloride.reference_age").number
    assert transformed_time.AgeingLaw().reference_age == days / transformed_time.DAYS_PER_YEAR
