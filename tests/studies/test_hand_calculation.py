"""The hand check: its formulas, read as arithmetic, give the numbers that stand beside them."""

import math
import re

import numpy as np
import pytest

from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.risk.model.wall import Plan
from stripwise.studies.hand_calculation import hand_check

SHEET = "curing.retention.sheet.vertical"

AGEING_LAWS = {
    "apparent": AgeingLaw(),
    "apparent, ageing ends": AgeingLaw(ageing_ends=20.0),
    "instantaneous": AgeingLaw(convention="instantaneous"),
    "instantaneous, ageing ends": AgeingLaw(convention="instantaneous", ageing_ends=20.0),
}
PLANS = {
    "bare": Plan("16 h", 16.0, 0.62),
    "sheet": Plan("16 h, sheet", 16.0, 0.62, 72.0, 0.8, SHEET),
    "floor": Plan("6 h", 6.0, 0.3986),
}


def worked(formula):
    """Work a printed formula out as a reader with a pocket calculator would."""
    text = re.sub(r"\bx\b", "*", formula).replace("^", "**").replace("[", "(").replace("]", ")")
    text = re.sub(r"(?<=\d) (h|m2/s)\b", "", text)
    return eval(text, {"__builtins__": {}}, {"sqrt": math.sqrt, "exp": math.exp, "max": max})


@pytest.mark.parametrize("ageing_law", AGEING_LAWS)
@pytest.mark.parametrize("plan", PLANS)
def test_every_formula_gives_its_number(walls, ageing_law, plan):
    wall = walls.wall(ageing_law=AGEING_LAWS[ageing_law], plans=tuple(PLANS.values()))
    steps = {s.symbol: s for s in hand_check(wall, PLANS[plan], age=50.0, penalty=1.9)}
    for symbol in ("t_c", "k_e", "f_a", "tau", "rho", "x_c", "c - x_c"):
        # The printed numbers carry three to five digits, depths two decimals.
        assert worked(steps[symbol].formula) == pytest.approx(
            steps[symbol].value, rel=4e-3, abs=0.006
        ), symbol


def test_the_last_step_is_the_age_at_which_the_front_reaches_the_bars(walls):
    wall = walls.wall()
    plan = wall.plans[0]
    start = {s.symbol: s.value for s in hand_check(wall, plan, age=50.0, penalty=1.9)}["t_i"]
    at = {s.symbol: s.value for s in hand_check(wall, plan, age=start, penalty=1.9)}
    assert at["c - x_c"] == pytest.approx(0.0, abs=1e-9)
    assert np.isfinite(start)


def test_the_initiation_age_can_be_worked_out_where_one_power_of_time_holds(walls):
    plan = PLANS["bare"]
    steps = {s.symbol: s for s in hand_check(walls.wall(), plan, age=50.0, penalty=1.9)}
    assert worked(steps["t_i"].formula) == pytest.approx(steps["t_i"].value, rel=4e-3)
    late = walls.wall(ageing_law=AGEING_LAWS["apparent, ageing ends"])
    solved = {s.symbol: s for s in hand_check(late, plan, age=50.0, penalty=1.9)}
    assert solved["t_i"].formula == "x_c(t_i) = c"
