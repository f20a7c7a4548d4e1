"""Whole tables as printed, so that a slip in one cell of the library shows."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stripwise.distributions.distribution import distribution
from stripwise.published import published_value

ZONES = ("submerged", "tidal", "splash", "atmospheric")


# DuraCrete R17, General Guidelines, BE95-1347, 2000: k_e, n and A by zone. Recalled.
@pytest.mark.parametrize(
    ("table", "row", "printed"),
    [
        ("environment_factor", "portland", (1.32, 0.92, 0.27, 0.68)),
        ("environment_factor", "slag", (3.88, 2.70, 0.78, 1.98)),
        ("ageing_exponent", "portland", (0.30, 0.37, 0.37, 0.65)),
        ("ageing_exponent", "fly_ash", (0.69, 0.93, 0.93, 0.66)),
        ("ageing_exponent", "slag", (0.71, 0.60, 0.60, 0.85)),
        ("ageing_exponent", "silica_fume", (0.62, 0.39, 0.39, 0.79)),
        ("surface_chloride", "portland", (10.3, 7.76, 7.76, 2.57)),
        ("surface_chloride", "fly_ash", (10.8, 7.45, 7.45, 4.42)),
        ("surface_chloride", "slag", (5.06, 6.77, 6.77, 3.05)),
        ("surface_chloride", "silica_fume", (12.5, 8.96, 8.96, 3.23)),
    ],
)
def test_zones_of_duracrete(table, row, printed):
    entry = published_value(f"duracrete.{table}.{row}")
    assert dict(entry.numbers) == dict(zip(ZONES, printed, strict=True))
    assert entry.mark == "recalled"


# DuraCrete R17, 2000: critical content of Portland cement by water-binder ratio (recalled), and
# partial factors by cost of repair (recalled, less sure).
@pytest.mark.parametrize(
    ("key", "printed"),
    [
        ("critical_content.submerged", {"0.5": 1.6, "0.4": 2.1, "0.3": 2.3}),
        ("critical_content.tidal_and_splash", {"0.5": 0.5, "0.4": 0.8, "0.3": 0.9}),
        ("partial_factor.cover_margin", {"costly": 20, "normal": 14, "cheap": 8}),
        ("partial_factor.surface_chloride", {"costly": 1.7, "normal": 1.4, "cheap": 1.2}),
        ("partial_factor.critical_content", {"costly": 1.2, "normal": 1.06, "cheap": 1.03}),
        ("partial_factor.resistance", {"costly": 3.25, "normal": 2.35, "cheap": 1.5}),
        ("curing_factor.characteristic", {"1 d": 2.08, "3 d": 1.5, "7 d": 1.0, "28 d": 0.79}),
    ],
)
def test_other_tables_of_duracrete(key, printed):
    assert dict(published_value(f"duracrete.{key}").numbers) == printed


# HERON 57(3), van der Wegen, Polder and van Breugel, 2012: largest D_RCM [1e-12 m2/s] for 100 yr by
# mean cover of 35 to 60 mm. Recalled, less sure; the margin of 20 mm is read.
@pytest.mark.parametrize(
    ("column", "printed"),
    [
        ("cem_i_xd", (3, 5.5, 8.5, 12, 17, 22)),
        ("cem_i_xs", (1.5, 2, 3.5, 5, 7, 9)),
        ("slag_xd", (2, 4, 6, 8.5, 12, 15)),
        ("slag_xs", (1, 1.5, 2.5, 3.5, 5, 6.5)),
        ("fly_ash_xd", (6.5, 12, 18, 26, 36, 47)),
        ("fly_ash_xs", (5.5, 10, 15, 22, 30, 39)),
    ],
)
def test_columns_of_the_dutch_guideline(column, printed):
    found = published_value(f"heron57.migration_limit.{column}").numbers
    covers = ("35", "40", "45", "50", "55", "60")
    assert dict(found) == dict(zip(covers, printed, strict=True))


# fib Bulletin 34, 2006, Annex B1: the normal variables of the carbonation model. Recalled.
@pytest.mark.parametrize(
    ("key", "mean", "sd"),
    [
        ("curing_exponent", -0.567, 0.024),
        ("test_factor", 1.25, 0.35),
        ("test_error", 315.5, 48.0),
        ("co2", 8.2e-4, 1e-4),
        ("weather_exponent", 0.446, 0.163),
    ],
)
def test_variables_of_the_carbonation_model(key, mean, sd):
    entry = published_value(f"fib34.carbonation.{key}")
    assert entry.family == "normal"
    assert dict(entry.numbers) == {"mean": mean, "sd": sd}
    # t_c over 7 d, humidity over 65 %, weather from 28 d on, printed 0.0767 yr
    assert published_value("fib34.carbonation.reference_curing").number == 7
    assert published_value("fib34.carbonation.humidity").numbers["reference"] == 65
    assert_allclose(
        published_value("fib34.carbonation.weather_age").number / 365.25, 0.0767, atol=5e-5
    )


def test_ranges_of_corrosion():
    # RILEM TC 154-EMC, 2004 (recalled): negligible, low, moderate and high at 0.1, 0.5, 1 uA/cm2.
    classes = published_value("rilem.corrosion_class").numbers
    assert tuple(classes.values()) == (0.1, 0.5, 1.0)
    # Alonso et al., Mater. Struct. 31, 1998 (read): first crack at 15 to 50 um.
    assert dict(published_value("alonso1998.first_crack").numbers) == {"low": 15, "high": 50}


def test_surface_chloride_under_de_icing_salt_and_at_a_coast():
    # Stewart and Rosowsky, Structural Safety 20, 1998 (recalled): lognormal, mean 3.5 kg/m3, CoV
    # 0.5. Vu and Stewart, Structural Safety 22, 2000 (recalled, less sure): 2.95 kg/m3 on average.
    entry = published_value("stewart1998.de_icing")
    law = distribution(entry.family, **entry.numbers)
    log_sd = np.sqrt(np.log(1.25))
    exact = stats.lognorm(log_sd, scale=3.5 * np.exp(-0.5 * log_sd**2))
    x = np.array([1.0, 2.95, 3.5, 8.0])
    assert_allclose(law.cdf(x), exact.cdf(x), rtol=1e-9)
    coast = published_value("vu2000.coast")
    assert (coast.number, coast.unit) == (2.95, "kg/m3 of concrete")


def test_correlation_length_over_a_face():
    # Stewart and Mullard, Engineering Structures 29, 2007 (recalled, less sure): 1 to 3.5 m.
    found = dict(published_value("stewart2007.correlation_length").numbers)
    assert found == {"low": 1.0, "common": 2.0, "high": 3.5}


# Critical contents by mass of concrete: black bar 0.6 to 1.2 kg/m3 (read); galvanised 1.52 and
# low-carbon chromium 3.76 kg/m3 on average (recalled, less sure); 2304 stainless above 12.5 kg/m3
# (FHWA-HRT-09-044, 2009, read).
@pytest.mark.parametrize("content", [0.6, 1.2, 1.52, 3.76, 12.5])
def test_published_thresholds_by_volume_become_shares_of_the_binder(wall, content):
    binder = 350.0
    law = 'critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }'
    case = wall.load(
        (law, f'critical_chloride = {{ value = "{content} kg/m^3", unusual = true }}'),
        (
            'chloride_basis = "binder"',
            f'chloride_basis = "binder"\nbinder_content = "{binder} kg/m^3"',
        ),
    )
    found = case.input("reinforcement.critical_chloride").distribution.mean
    assert_allclose(found, 100.0 * content / binder, rtol=1e-12)
