"""The folder scenarios/lab-wall: data, fit, run and verdict, against the truth of its script."""

import dataclasses
import importlib.util
import tomllib
from pathlib import Path

import numpy as np
import pytest

from stripwise.evidence.profiles.chloride_profiles import Profiles
from stripwise.evidence.profiles.penalty_factors import profile_penalty_factors
from stripwise.evidence.profiles.profile_fit import fit_profiles
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import KINDS
from stripwise.scenario.loading import load
from stripwise.studies.fit.profiles_study import study_profiles

FOLDER = Path(__file__).parents[2] / "scenarios" / "lab-wall"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_data", FOLDER / "make_data.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def study(script):
    data_file = read_data_file(FOLDER / "profiles.csv", kinds=KINDS)
    return study_profiles(data_file, reference=script.REFERENCE)


def test_the_data_are_what_the_script_makes(script):
    assert (FOLDER / "profiles.csv").read_text("utf-8") == script.csv_text()


@pytest.mark.parametrize("name", ["penalties.toml", "diffusivity.toml"])
def test_the_inputs_are_what_the_fit_writes(study, name):
    ours, theirs = (
        tomllib.loads(text)
        for text in (study.scenario_files[name], (FOLDER / name).read_text("utf-8"))
    )

    def numbers(value):
        if isinstance(value, dict):
            return [x for key in value for x in numbers(value[key])]
        if isinstance(value, list):
            return [x for item in value for x in numbers(item)]
        if isinstance(value, str) and value.endswith("m^2/s"):
            return [float(value.split()[0])]
        return [value]

    # other releases of the libraries may round the last digits differently
    assert numbers(ours) == [
        pytest.approx(x, rel=1e-4, abs=0) if isinstance(x, float) else x for x in numbers(theirs)
    ]


def test_the_intervals_cover_the_truth(script):
    """200 repeats of the whole path from readings to intervals: 90 to 99 % cover the truth."""
    repeats, rng = 200, np.random.default_rng(7)
    made = [script.simulate(rng) for _ in range(repeats)]
    strategies = np.concatenate([one[0] for one in made]).tolist()
    content = np.concatenate([one[1] for one in made])
    size = len(made[0][0])
    count = len(strategies)
    found = fit_profiles(
        Profiles(
            specimens=tuple(str(n) for n in range(count)),
            strategies=tuple(strategies),
            upper=np.tile(script.EDGES_MM[:-1], (count, 1)),
            lower=np.tile(script.EDGES_MM[1:], (count, 1)),
            content=content,
            present=np.ones(content.shape, dtype=bool),
            exposure=np.full(count, script.EXPOSURE_D),
            initial=np.concatenate([one[2] for one in made]),
        )
    )
    hits: dict[str, int] = dict.fromkeys(script.PENALTY, 0)
    for repeat in range(repeats):
        part = slice(repeat * size, (repeat + 1) * size)
        one = dataclasses.replace(
            found,
            profiles=dataclasses.replace(
                found.profiles, strategies=found.profiles.strategies[part]
            ),
            diffusivity=found.diffusivity[part],
            log_variance=found.log_variance[part],
            surface=found.surface[part],
            surface_se=found.surface_se[part],
        )
        result = profile_penalty_factors(one, script.REFERENCE)
        for name, low, high in zip(result.strategies, result.low95, result.high95, strict=True):
            hits[name] += bool(low <= script.PENALTY[name] <= high)
    hits.pop(script.REFERENCE)
    assert all(0.90 * repeats <= count <= 0.99 * repeats for count in hits.values()), hits


def test_from_the_fit_to_a_verdict(script):
    from stripwise.studies.run import assess

    case = load(FOLDER / "lab-wall.toml")
    case = dataclasses.replace(case, sampling=dataclasses.replace(case.sampling, points=256))
    result = assess(case, workers=1)
    assert "invented" in case.title
    assert result.verdict
    rows = result.strategies.set_index("strategy")
    # the model factor of mean 1 leaves the mean penalties where the fit puts them
    for name, factor in script.PENALTY.items():
        assert rows.loc[name, "penalty_mean"] == pytest.approx(factor, rel=0.15)
    assert rows["probability_at_target"].is_monotonic_decreasing
    # what the example shows: one meets, three fail
    assert rows["meets_target"].to_dict() == {
        "Forms 12 h": "no",
        "Forms 24 h": "no",
        "Forms 24 h, then sheet 6 d": "no",
        "Forms 7 d": "yes",
    }
