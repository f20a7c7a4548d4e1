import importlib.util
import sys
from pathlib import Path

import pytest

SPEC = importlib.util.spec_from_file_location("inspected", Path(__file__).parent / "inspected.py")
sys.modules["inspected"] = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(sys.modules["inspected"])

UNSEEN = {
    "studies.update.prior_predictive": {"SIMULATED": 50, "DRAWS": 64},
    "studies.update.update_study": {"WITHOUT_POINTS": 2**10},
    "studies.update.posterior_of_sets": {"CHECKED": 128},
    "studies.update.predicted_profiles": {"DEPTHS": 11, "DRAWS": 64},
    "risk.probability.rare_sampling": {"POINTS": 64, "PILOT_POINTS": 64},
}
"""Sizes of what an update does beside its posterior and answers."""


@pytest.fixture
def little_beside(monkeypatch):
    """Keep what an update does beside its posterior and answers small."""
    for module, sizes in UNSEEN.items():
        for name, size in sizes.items():
            monkeypatch.setattr(f"stripwise.{module}.{name}", size)
