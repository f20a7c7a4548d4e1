import pytest

import stripwise


@pytest.fixture(scope="session")
def closed_design(closed):
    """The design of the wall whose answers are formulas."""
    return stripwise.design(closed.scenario)
