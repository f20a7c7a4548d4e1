import io

import numpy as np
import pandas as pd
import pytest

import stripwise
from stripwise.scenario.toml_text import parse_toml

BASE = """
title = "Faces"

[target]
service_life = "50 yr"
probability = 0.10

[exposure]
temperature = "10 degC"
chloride_basis = "binder"
surface_chloride = { family = "lognormal", mean = 2.0, cov = 0.35 }
initial_chloride = 0.1
convection_zone = "0 mm"

[concrete]
diffusivity = { family = "normal", mean = "5.0e-12 m^2/s", cov = 0.2 }
specimens = "cured as the face"
ageing_exponent = { family = "beta", mean = 0.45, sd = 0.04, low = 0, high = 1 }

[reinforcement]
cover = { family = "normal", nominal = "55 mm", bias = "-1 mm", sd = "8 mm" }
critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }

[curing]
reference = "7 d"
concrete_temperature = "15 degC"

[[strategy]]
name = "Forms 24 h"
strip_age = "24 h"

[[strategy]]
name = "Forms 12 h"
strip_age = { family = "triangular", low = "10 h", high = "14 h" }

[[concrete_type]]
name = "slag"
diffusivity = { family = "normal", mean = "3.0e-12 m^2/s", cov = 0.2 }
ageing_exponent = { family = "beta", mean = 0.50, sd = 0.05, low = 0, high = 1 }

[[exposure_type]]
name = "mild"
surface_chloride = { family = "lognormal", mean = 1.5, cov = 0.35 }

[sampling]
points = 256
repeats = 8
horizon = "100 yr"
"""


@pytest.fixture(scope="session")
def case():
    return stripwise.case(parse_toml(BASE))


@pytest.fixture(scope="session")
def faces():
    """Make 60 faces of every kind of curing, in three groups."""
    rng = np.random.default_rng(3)
    lines = [
        "element,strategy,strip_age_h,follow_up,follow_up_d,nominal_cover_mm,age_yr,area_m2,group,concrete_type,note"
    ]
    for k in range(60):
        cover, age = rng.uniform(45, 75), rng.uniform(0, 40)
        cured = [
            "Forms 12 h,,,",
            f",{rng.uniform(10, 100):.2f},,",
            f",{rng.uniform(10, 40):.2f},sheet,{3 + k % 2}",
        ][k % 3]
        kind = ["", "slag"][k % 2]
        lines.append(f"F{k},{cured},{cover:.2f},{age:.2f},{10 + k},{'ab'[k % 2]},{kind},-{k}")
    return pd.read_csv(io.StringIO("\n".join(lines)), dtype=str, keep_default_na=False)
