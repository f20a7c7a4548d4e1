"""Mutated scenarios and data files: understood or refused in words, never a traceback or a NaN.

`--fuzz-scenarios 20000 --fuzz-files 5000` reads that many; the suite reads a few. A number stands
for the same mutant always, and STRIPWISE_FUZZ_START=6000 begins at that one, so that counts add up
over several runs.
"""

import importlib.util
import math
import os
import random
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from stripwise.errors import EvidenceError, InputError, ScenarioError, StripwiseError
from stripwise.evidence.cover_survey import analyse_survey
from stripwise.evidence.drying_rates import analyse_drying
from stripwise.evidence.profiles.profile_fit import fit_profiles
from stripwise.evidence.strip_ages import analyse_strip_log
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import KINDS
from stripwise.evidence.tables.migration_rows import build_migration_tests
from stripwise.evidence.tables.profile_rows import build_profiles
from stripwise.evidence.tables.timestamps import find_time_zone
from stripwise.risk.probability.curves import probability_curves
from stripwise.scenario.loading import load
from stripwise.studies.from_scenario import build_wall

HERE = Path(__file__).parent
SEED = 20261130
START = int(os.environ.get("STRIPWISE_FUZZ_START", "0"))
SCENARIOS_A_TEST, FILES_A_TEST = 15, 10

SPEC = importlib.util.spec_from_file_location("record_of_commands", HERE / "record.py")
record = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(record)

WHERE = re.compile(
    r"""[\w.-]+\.toml:\ (
        is\ not\ valid\ TOML:\ .+                              # with a line
        |[\w."'\[\]\ ,\-]+?(\ =\ .+?)?:\ .+                    # a key, and a value
    )""",
    re.VERBOSE | re.DOTALL,
)

MIGRATION = """specimen,strategy,penetration_mm,voltage_V,thickness_mm,temperature_degC,duration_h,age_d
M1,Forms 7 d,18.2,30,50,22,24,28
M2,Forms 7 d,17.2,30,50,22,24,28
M3,Forms 12 h,30.2,30,50,22,24,28
M4,Forms 12 h,33.4,30,50,22,24,28
"""


def pytest_generate_tests(metafunc):
    for name, size in (("scenarios", SCENARIOS_A_TEST), ("files", FILES_A_TEST)):
        if f"{name}_from" in metafunc.fixturenames:
            count = metafunc.config.getoption(f"--fuzz-{name}")
            metafunc.parametrize(f"{name}_from", range(START, START + count, size))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("fuzz") / "scenarios"
    shutil.copytree(HERE.parent / "scenarios", place)
    (place / "migration.csv").write_text(MIGRATION, encoding="utf-8")
    return place


def check_curves(case):
    """Compute two strategies on few points; a numerical front takes too long to be mutated."""
    wall = build_wall(case)
    if wall.numerical:
        return
    breaks = case.service.history.breakpoints if case.service.history else ()
    ages = np.linspace(0.5, case.sampling.horizon, 40)
    curves = probability_curves(
        wall.with_plans(wall.plans[:2]),
        horizon=case.sampling.horizon,
        kinks=(case.target.service_life, case.ageing_ends, *breaks),
        points=64,
        repeats=8,
        seed=1,
        workers=1,
        band=False,
    )
    probability = special.ndtr(-curves.mean.at(ages))
    assert np.isfinite(probability).all()
    assert ((probability >= 0.0) & (probability <= 1.0)).all()
    assert (np.diff(probability, axis=-1) >= -1e-9).all()


@pytest.mark.usefixtures("few_samples")
def test_mutated_scenarios(folder, scenarios_from):
    understood = 0
    for number in range(scenarios_from, scenarios_from + SCENARIOS_A_TEST):
        rng = random.Random(f"{SEED} {number}")
        name = rng.choice(record.SCENARIOS)
        lines = (folder / name).read_text("utf-8").splitlines()
        for _ in range(rng.randint(1, 2)):
            lines = record.mutate(lines, rng)
        path = (folder / name).with_name("mutant.toml")
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        try:
            case = load(path)
        except ScenarioError as error:
            for problem in error.problems:
                assert WHERE.fullmatch(problem), (number, problem)
            continue
        finally:
            path.unlink()
        understood += 1
        for item in case.inputs:
            law = item.distribution
            assert math.isfinite(law.mean), (number, item)
            assert math.isfinite(law.sd), (number, item)
        if understood <= 4:  # a share of them, so that a test takes seconds
            try:
                check_curves(case)
            except StripwiseError:
                raise
            except Exception as error:
                raise AssertionError(f"mutant {number} of {name}") from error


DATA_FILES = (
    "lab-wall/profiles.csv",
    "site-records/cover.csv",
    "site-records/drying.csv",
    "site-records/strip-log.csv",
    "migration.csv",
)
CELLS = ("", "-", "0", "-1", "1e400", "nan", "inf", "x", "0,5", "1.234,5", "9.1", "57", "=1", "<1")


def mutate_table(lines, rng):
    """Change one cell, column or row of a table as a slip would."""
    lines = list(lines)
    head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    sign = ";" if ";" in lines[head] else ","
    at = rng.randrange(head, len(lines))
    cells = lines[at].split(sign)
    place = rng.randrange(len(cells))
    kind = rng.randrange(7)
    if kind == 0:
        del lines[at]
        return lines
    if kind == 1:
        lines.insert(at, lines[at])
        return lines
    if kind == 2:
        cells[place] = rng.choice(CELLS)
    elif kind == 3:
        try:
            cells[place] = f"{float(cells[place]) * rng.choice((-1, 0, 0.1, 10, 0.001, 1000)):g}"
        except ValueError:
            cells[place] = cells[place][::-1]
    elif kind == 4:
        other = rng.randrange(len(cells))
        cells[place], cells[other] = cells[other], cells[place]
    elif kind == 5:
        del cells[place]
    else:  # two columns swapped throughout, or the names of two
        other, rows = rng.randrange(len(cells)), rng.choice((range(head, head + 1), None))
        for i in rows or range(head + 1, len(lines)):
            row = lines[i].split(sign)
            if max(place, other) < len(row):
                row[place], row[other] = row[other], row[place]
                lines[i] = sign.join(row)
        return lines
    lines[at] = sign.join(cells)
    return lines


def analyse(path):
    """Read a file as its columns say, and return every number that comes out."""
    data = read_data_file(path, kinds=KINDS)
    match data.kind.name:
        case "profiles":
            return [fit_profiles(build_profiles(data)).diffusivity]
        case "migration":
            tests = build_migration_tests(data)
            return [tests.coefficient, tests.log_variance]
        case "strip-log":
            log = analyse_strip_log(data, zone=find_time_zone("CET"))
            return [log.pours["equivalent_arrhenius_h"], log.pours["clock_h"]]
        case "cover-survey":
            survey = analyse_survey(data, rng=np.random.default_rng(1))
            return [[survey.mean.value, survey.sd.value, survey.effective_sample_size]]
        case _:
            rows = analyse_drying(data, rng=np.random.default_rng(1)).specimens
            return [rows.loc[rows["notes"] == "", ["rate_pct_d", "loss_pct"]]]


@pytest.mark.usefixtures("few_samples")
def test_mutated_data_files(folder, files_from):
    for number in range(files_from, files_from + FILES_A_TEST):
        rng = random.Random(f"{SEED} file {number}")
        name = rng.choice(DATA_FILES)
        lines = (folder / name).read_text("utf-8").splitlines()
        for _ in range(rng.randint(1, 2)):
            lines = mutate_table(lines, rng)
        path = (folder / name).with_name("mutant.csv")
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        found, told = [], ["mutant.csv"]
        try:
            found = analyse(path)
        except EvidenceError as error:
            told = list(error.problems)
        except InputError as error:
            told = [f"mutant.csv: {error.where}"] if error.where else [""]
        finally:
            path.unlink()
        assert "mutant.csv" in told[0], (number, name, told)
        for numbers in found:
            assert np.isfinite(np.asarray(numbers, dtype=float)).all(), (number, name)
