"""What a demanded confidence reads from the tables of faces."""

import numpy as np
import pytest
from scipy import stats

from stripwise.risk.probability import face_tables


@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95])
def test_a_demanded_share_of_evenly_spread_points_is_not_read_too_high(confidence):
    """64 points at the middles of equal shares of a normal stand for it: its own quantile is known.

    numpy's default position is higher by .01 to .05 in the index, to the unsafe side.
    """
    middles = (np.arange(64) + 0.5) / 64
    index = stats.norm.ppf(middles).astype(np.float32)[np.newaxis, np.newaxis]
    found = float(face_tables._demanded(index, confidence)[0, 0])
    assert found == pytest.approx(stats.norm.ppf(1.0 - confidence), abs=5e-3)
