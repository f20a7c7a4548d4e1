import numpy as np
import pytest

from stripwise.report.pages.cover_answers import (
    cover_table,
    earliest_table,
    required_cover,
    usual_strip_ages,
)
from stripwise.studies.results import ReliabilityMap


def linear_map():
    """Index = 0.1 (cover - 50) + ln(hours / 12): the crossing is known by hand."""
    cover, hours = np.array([40.0, 50.0, 60.0, 70.0]), np.geomspace(12.0, 48.0, 5)
    index = 0.1 * (cover[None] - 50.0) + np.log(hours / 12.0)[:, None]
    return ReliabilityMap(cover, hours, ("none",), index[None])


def test_required_cover_of_a_linear_index():
    grid = linear_map()
    expected = 50.0 + 10.0 * (1.3 - np.log(grid.strip_age / 12.0))
    np.testing.assert_allclose(required_cover(grid, 1.3)[0], expected, rtol=1e-12)


def test_required_cover_at_the_ends_of_the_map():
    need = required_cover(linear_map(), 3.0)
    assert np.isnan(need[0, 0])
    assert required_cover(linear_map(), -5.0)[0, 0] == 40.0


def test_tables_of_cover_and_strip_age(six, example):
    target = example.replace(six.scenario.target, reliability_index=1.3)
    scenario = example.replace(six.scenario, target=target)
    changed = example.with_changes(six, scenario=scenario, reliability_map=linear_map())
    table = cover_table(changed)
    assert table.heads == ("12 h", "16 h", "20 h", "24 h", "36 h", "2 d")
    # At 12 h exactly 63 mm, at 24 h 63 - 10 ln 2 = 56.07, rounded up.
    assert table.rows[0][1][0] == "63 mm"
    assert table.rows[0][1][3] == "57 mm"
    earliest = earliest_table(changed)
    # 60 mm: ln(h/12) = 0.3, 16.2 h; 50 mm: 44.03 h; 70 mm: met at the first strip age.
    assert earliest.rows[0][1] == ("over 2 d", "44.5 h", "16.5 h", "12 h")


def test_no_map_no_tables(example):
    assessment = example.make_assessment(choices=False)
    assert cover_table(assessment) is None
    assert earliest_table(assessment) is None


def test_round_strip_ages():
    assert usual_strip_ages(13.0, 15.0) == [13.0, 15.0]
    ages = usual_strip_ages(4.0, 672.0)
    assert len(ages) == 7
    assert ages[0] == 4.0
    assert ages[-1] == 672.0
    assert ages == pytest.approx(sorted(ages))
