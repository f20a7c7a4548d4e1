"""Cold and early strips: no floor hides the harm, and no curing at all is refused or counted."""

import numpy as np
import pytest

import stripwise

HOURS_24 = 'strip_age = "24 h"'
LATE = (('name = "Forms 24 h"', 'name = "Late"'), ('reference_strategy = "Forms 24 h"', ""))
AT_15 = 'concrete_temperature = "15 degC"'


def probability(wall, hours, degrees):
    case = wall.load(
        *LATE,
        (HOURS_24, f'strip_age = {{ value = "{hours} h", unusual = true }}'),
        (AT_15, f'concrete_temperature = "{degrees} degC"'),
    )
    table = stripwise.assess(case, only="curves").strategies.set_index("strategy")
    row = table.loc["Late"]
    return row["penalty_mean"], row["probability_at_target"]


@pytest.mark.usefixtures("few_samples")
def test_harm_rises_strictly_as_strips_get_earlier_and_colder(wall):
    """At 5 degC ten hours by the clock are under four equivalent hours: each hour must count."""
    earlier = np.array([probability(wall, hours, 5) for hours in (12, 10, 8, 6, 5)])
    assert (np.diff(earlier, axis=0) > 0.0).all()
    colder = np.array([probability(wall, 10, degrees) for degrees in (12, 8, 5, 2)])
    assert (np.diff(colder, axis=0) > 0.0).all()


def test_under_four_hours_by_the_clock_must_be_insisted_on(wall):
    problems = wall.problems((HOURS_24, 'strip_age = "3 h"'))
    assert 'strip_age = "3 h": the usual mean is 4 h to 28 d' in problems[0]
    wall.load(*LATE, (HOURS_24, 'strip_age = { value = "3 h", unusual = true }'))


@pytest.mark.parametrize(
    ("hours", "degrees", "function"), [("5", "-9", "arrhenius"), ("6", "-9.8", "nurse-saul")]
)
def test_less_than_an_equivalent_hour_is_refused(wall, hours, degrees, function):
    problems = wall.problems(
        (HOURS_24, f'strip_age = "{hours} h"'),
        (AT_15, f'concrete_temperature = {{ value = "{degrees} degC", unusual = true }}'),
    )
    text = next(p for p in problems if "strategy[2].strip_age" in p)
    assert "equivalent hours" in text
    assert "counts as not cured at all" in text


def test_samples_without_curing_count_as_depassivated(wall):
    """A random strip age that reaches below one equivalent hour: its share is certain and told."""
    law = '{ family = "uniform", mean = "5 h", sd = "2.6 h", unusual = true }'
    case = wall.load(
        *LATE, (HOURS_24, f"strip_age = {law}"), ("probability = 0.10", "probability = 0.5")
    )
    result = stripwise.assess(case, only="curves")
    share = result.special_cases.set_index("case")["share"]
    told = float(share[next(name for name in share.index if "equivalent hour" in name)])
    # uniform on 5 +- 2.6 sqrt(3) h; one equivalent hour at 15 degC is 1 h / factor
    low = 5.0 - 2.6 * 3.0**0.5
    factor = result.strategies.set_index("strategy").loc["Late", "effective_curing_h"] / 5.0
    assert told == pytest.approx((1.0 / factor - low) / (2.0 * 2.6 * 3.0**0.5), abs=0.01)
    young = result.curves[result.curves["strategy"] == "Late"].set_index("age_yr")
    assert young.loc[1.0, "probability"] >= told - 1e-3
    assert np.isfinite(result.strategies["penalty_mean"]).all()
