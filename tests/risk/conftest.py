import pytest

from stripwise.risk.probability import rare_sampling


@pytest.fixture
def few_rare_points(monkeypatch):
    """Sample rare probabilities by few points, where a test is not about them."""
    monkeypatch.setattr(rare_sampling, "POINTS", 64)
    monkeypatch.setattr(rare_sampling, "PILOT_POINTS", 64)
