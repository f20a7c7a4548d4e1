"""The margin format against DuraCrete R17 and against the Dutch guideline in HERON 57(3), 2012.

HERON 57(3), van der Wegen, Polder and van Breugel, 2012, gives the largest D_RCM for 100 yr by
binder, exposure and mean cover, with a margin of 20 mm (read in the abstract). Surface content
1.5 % for XD and XS1 and 3.0 % for XS2 and XS3, critical content 0.6 %, initial content 0.1 % and
the table itself are recalled, less sure. Its ageing exponents and its other factors are not known
here, so each column leaves one constant open, which the tests put into the factor k_t.

A printed number stands for all that rounds to it: steps of 0.5 below 10 and of 1 from there on. So
a column allows a small range of constants, and what is predicted from it is a range too. "Is
reproduced" means that both ranges meet; no tolerance is added.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.distributions.distribution import fixed
from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.published import constant, published_value
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.cover_margin import largest_diffusivity, required_nominal_cover

UNIT = 31.5576
"""mm2/yr per 1e-12 m2/s."""

WEEK = Plan("7 d", 168.0, 1.0)
BINDERS = ("cem_i", "slag", "fly_ash")
COLUMNS = tuple(f"{binder}_{exposure}" for binder in BINDERS for exposure in ("xd", "xs"))
SURFACE = {"xd": 1.5, "xs": 3.0}
EXPONENT = 0.5
"""Any: with one constant open, the exponent cancels within a column and between equal ones."""


def format_wall(walls, *, surface, exponent=EXPONENT, **changes):
    fixed_values = {
        "exposure.temperature": 293.0,
        "exposure.surface_chloride": surface,
        "exposure.initial_chloride": 0.1,
        "exposure.convection_zone": 0.0,
        "reinforcement.critical_chloride": 0.6,
        "concrete.diffusivity": UNIT,
        "concrete.ageing_exponent": exponent,
        **changes,
    }
    return walls.wall(changes={name: fixed(number) for name, number in fixed_values.items()})


def printed(column):
    cells = published_value(f"heron57.migration_limit.{column}").numbers
    numbers = np.array(list(cells.values()))
    return [float(cover) for cover in cells], numbers, np.where(numbers < 10.0, 0.5, 1.0)


def limits(wall, covers):
    margin = constant("heron57.cover_margin")
    return (
        np.array(
            [largest_diffusivity(wall, WEEK, cover=c, life=100.0, margin=margin) for c in covers]
        )
        / UNIT
    )


def factors(wall, column):
    """Range of k_t with which a wall gives every cell of a column as printed."""
    covers, numbers, step = printed(column)
    plain = limits(wall, covers)  # with k_t = 1; the limit goes as 1 / k_t
    return np.max(plain / (numbers + 0.5 * step)), np.min(plain / (numbers - 0.5 * step))


def meet(one, other):
    return max(one[0], other[0]) <= min(one[1], other[1])


def rows(wall, column):
    """Covers at which a wall gives the printed number."""
    covers, numbers, step = printed(column)
    found = limits(wall, covers)
    return [
        c for c, x, n, s in zip(covers, found, numbers, step, strict=True) if abs(x - n) <= s / 2
    ]


@pytest.mark.parametrize("column", COLUMNS)
def test_one_constant_gives_all_six_rows_of_a_column(walls, column):
    wall = format_wall(walls, surface=SURFACE[column[-2:]])
    low, high = factors(wall, column)
    assert low < high
    wall = replace(wall, test_factor=0.5 * (low + high))
    assert rows(wall, column) == [35.0, 40.0, 45.0, 50.0, 55.0, 60.0]


@pytest.mark.parametrize("exposure", ["xd", "xs"])
def test_slag_follows_from_portland_cement_by_its_exponent(walls, exposure):
    """An ageing exponent lower by 0.05 turns the constants of CEM I into those of slag, XD and XS.

    The difference of 0.05 is found here and not read. Reproduced are all six rows of both slag
    columns, as far as the range of the constant of CEM I reaches.
    """
    surface = SURFACE[exposure]
    portland = factors(format_wall(walls, surface=surface), f"cem_i_{exposure}")
    slag = format_wall(walls, surface=surface, exponent=EXPONENT - 0.05)
    assert meet(portland, factors(slag, f"slag_{exposure}"))


@pytest.mark.parametrize(("binder", "exponent"), [("cem_i", 0.60), ("slag", 0.55)])
def test_two_columns_need_an_exponent_alone(walls, binder, exponent):
    """With all factors 1, exponents of 0.60 and 0.55 give every row of CEM I and slag in XD.

    The exponents are found here and not read. The same for fly ash lies between 0.7035 and 0.7054,
    so that a round 0.70 misses: its limits are 2.5 % too low and round down in half of the rows.
    """
    assert len(rows(format_wall(walls, surface=1.5, exponent=exponent), f"{binder}_xd")) == 6


def test_fly_ash_in_xd_misses_a_round_exponent(walls):
    """See the test above: 0.70 gives three of six rows, 0.7045 gives all."""
    assert len(rows(format_wall(walls, surface=1.5, exponent=0.7045), "fly_ash_xd")) == 6
    assert rows(format_wall(walls, surface=1.5, exponent=0.70), "fly_ash_xd") == [35.0, 45.0, 50.0]


@pytest.mark.parametrize(
    ("binder", "covers", "ratio"),
    [
        ("cem_i", [35.0], (2.3945, 2.5000)),
        ("slag", [35.0, 40.0, 45.0], (2.2530, 2.4800)),
        ("fly_ash", [], (1.1772, 1.2227)),
    ],
)
def test_the_surface_content_alone_does_not_turn_xd_into_xs(walls, binder, covers, ratio):
    """From XD to XS the surface content alone does not explain the table, for any binder.

    Doubling it from 1.5 to 3.0 % divides every limit by z2^2 / z1^2 = 2.196. The printed columns
    ask for 2.39 to 2.50 (CEM I), 2.25 to 2.48 (slag) and 1.18 to 1.22 (fly ash). So the prediction
    is 10 % too high for CEM I and 3 % or more for slag, which gives the rows in `covers` by the
    width of their rounding only, and almost half of what is printed for fly ash, which gives none.
    Nor is it one environment factor of XS, or another surface content: either would divide all
    three binders alike. So the guideline must give fly ash another ageing exponent or a factor of
    its own in XS, which could not be read.
    """
    mild, harsh = (format_wall(walls, surface=SURFACE[e]) for e in ("xd", "xs"))
    found = factors(mild, f"{binder}_xd")
    assert not meet(found, factors(harsh, f"{binder}_xs"))
    harsh = replace(harsh, test_factor=0.5 * sum(found))
    assert rows(harsh, f"{binder}_xs") == covers
    gain = limits(mild, [50.0]) / limits(format_wall(walls, surface=3.0), [50.0])
    assert_allclose(gain, 2.196, rtol=0, atol=5e-4)
    needed = factors(format_wall(walls, surface=1.5), f"{binder}_xs")
    asked = (needed[0] / found[1], needed[1] / found[0])
    assert_allclose(asked, ratio, rtol=0, atol=1e-4)


# DuraCrete R17, 2000, deterministic: Portland D0 1e-11 m2/s, tidal, Cs 7.76 * 0.45 = 3.492, 50 yr,
# depth of 0.65 %. Recalled tables, depths recomputed from the equation with the printed rounding
# 0.0767 yr of 28 d; margins of R17 by cost of repair, recalled, less sure.
@pytest.mark.parametrize(
    ("hours", "depth"), [(24.0, 97.97), (72.0, 83.20), (168.0, 67.93), (672.0, 60.38)]
)
@pytest.mark.parametrize("repair", ["costly", "normal", "cheap"])
def test_covers_of_duracrete(walls, hours, depth, repair):
    wall = format_wall(
        walls,
        surface=constant("duracrete.surface_chloride.portland.tidal") * 0.45,
        exponent=constant("duracrete.ageing_exponent.portland.tidal"),
        **{
            "exposure.initial_chloride": 0.0,
            "reinforcement.critical_chloride": 0.65,
            "concrete.diffusivity": 10.0 * UNIT,
        },
    )
    factor = constant("duracrete.environment_factor.portland.tidal")
    wall = replace(wall, test_factor=factor, ageing_law=AgeingLaw(reference_age=0.0767))
    margin = constant(f"duracrete.partial_factor.cover_margin.{repair}")
    cover = required_nominal_cover(wall, Plan("forms", hours, 1.0), life=50.0, margin=margin)
    assert_allclose(cover, depth + margin, rtol=0, atol=0.005)
