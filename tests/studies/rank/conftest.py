import pytest

from stripwise.scenario.loading import load

WALL = """
title = "Small wall"
reference_strategy = "Forms 24 h"
[target]
service_life = "50 yr"
probability = 0.1
[exposure]
temperature = "10 degC"
chloride_basis = "binder"
surface_chloride = { family = "lognormal", mean = 1.5, cov = 0.3 }
[concrete]
diffusivity = { family = "normal", mean = "3e-12 m^2/s", cov = 0.2 }
specimens = "cured as the face"
ageing_exponent = { family = "beta", mean = 0.4, sd = 0.08, low = 0, high = 1, kind = "knowledge" }
[reinforcement]
cover = { family = "normal", mean = "55 mm", sd = "8 mm" }
critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }
[curing]
reference = "7 d"
concrete_temperature = "20 degC"
affected_depth = "whole cover"
[[strategy]]
name = "Forms 12 h"
strip_age = "12 h"
[[strategy]]
name = "Forms 24 h"
strip_age = "24 h"
[sampling]
points = 64
repeats = 8
horizon = "60 yr"
"""


@pytest.fixture(scope="session")
def wall_text():
    return WALL


@pytest.fixture
def write(tmp_path):
    def make(*changes, extra=""):
        text = WALL
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "small wall.toml"
        path.write_text(text + extra)
        return path

    return make


@pytest.fixture
def case(write):
    return lambda *changes, extra="": load(write(*changes, extra=extra))
