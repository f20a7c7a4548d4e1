"""Numbers under each other have the same decimals."""

import numpy as np
import pytest

from stripwise.report.even_decimals import even, even_numbers
from stripwise.units.formatting import DASH, MINUS


@pytest.mark.parametrize(
    ("values", "texts"),
    [
        ([5.93, 12.0, 16.34], ["5.9", "12.0", "16.3"]),
        ([2.0, 1.466, 2.51], ["2.00", "1.47", "2.51"]),
        ([0.01, 0.123], ["0.010", "0.123"]),
        ([30.0, 25.0], ["30", "25"]),
        ([99.96, 100.2], ["100", "100"]),
        ([-0.8, 0.04], [f"{MINUS}0.800", "0.040"]),
        ([1.0, np.nan, 2.5], ["1.00", DASH, "2.50"]),
    ],
)
def test_a_column_has_one_number_of_decimals(values, texts):
    write = even(values)
    assert [write(x) for x in values] == texts


def test_values_of_very_different_size_are_written_each_by_itself():
    values = [0.0123, 4.5, 1234.0]
    assert [even(values)(x) for x in values] == ["0.0123", "4.5", "1234"]


def test_no_digit_is_invented_beyond_one():
    """The largest gets at most one digit more than it would have alone."""
    rng = np.random.default_rng(1)
    for _ in range(300):
        values = np.exp(rng.normal(0, 2, 5))
        text = even(values)(float(values.max()))
        assert len(text.replace(".", "").lstrip("0")) <= 4
        for x in values:
            assert float(even(values)(float(x))) == pytest.approx(x, rel=0.051)


def test_an_error_never_reads_as_none():
    write = even([16.34, 12.0])
    assert [write(x) for x in (0.04, 0.06, 0.0)] == ["0.04", "0.1", "0.0"]


def test_a_column_of_rows():
    rows = [{"depth": 12.0}, {"depth": 9.25}]
    column = even_numbers("Depth [mm]", "depth", rows)
    assert [column.cell(row).text for row in rows] == ["12.0", "9.2"]
    assert column.right
