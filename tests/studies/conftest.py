"""A wall whose answers are closed: nothing is random but a normal cover."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy import special

from stripwise.distributions.distribution import distribution, fixed
from stripwise.risk.model.wall import COVER, Plan
from stripwise.risk.probability.integral import front_depths
from stripwise.scenario.model import Scenario
from stripwise.studies.from_scenario import build_wall

SD = 8.0


@dataclass(frozen=True)
class ClosedCase:
    """A scenario with a front of one depth x, so that P = Phi((x - mean cover) / sd)."""

    scenario: Scenario
    sd: float = SD

    def front(self, hours: float, age: float = 75.0, *, like: Plan | None = None) -> float:
        """Depth of the front [mm] of the concrete stripped at an age [h]."""
        wall = build_wall(self.scenario)
        values = {item.name: item.distribution.mean for item in wall.inputs}
        plan = replace(like or wall.plans[0], strip_age=hours, penalty="")
        one = wall.with_plans((plan,))
        return float(np.ravel(front_depths(one, one.sample_block(values), age)[0])[0])

    def probability(self, cover: float, hours: float, age: float = 75.0) -> float:
        """Probability of depassivation at a mean cover [mm]."""
        return float(special.ndtr((self.front(hours, age) - cover) / self.sd))


@pytest.fixture(scope="session")
def closed(quick_case):
    """The pier wall with two strategies, everything but the cover at its mean."""
    inputs = tuple(
        replace(
            item,
            distribution=distribution("normal", mean=60.0, sd=SD)
            if item.name == COVER
            else fixed(item.distribution.mean),
        )
        for item in quick_case.inputs
    )
    return ClosedCase(replace(quick_case, inputs=inputs))
