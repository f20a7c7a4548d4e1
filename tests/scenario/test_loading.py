import copy
import dataclasses
import math
import time
import tomllib
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise import assess
from stripwise.distributions.random_input import Correlation
from stripwise.errors import ScenarioError
from stripwise.scenario.describe import describe
from stripwise.scenario.loading import build, load
from stripwise.scenario.problems import key_lines

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COVER = '{ family = "normal", mean = "55 mm", sd = "8 mm" }'
SURFACE = '{ family = "lognormal", mean = 2.0, cov = 0.35 }'


def law(scenario, name):
    return scenario.input(name).distribution


def test_values_arrive_in_internal_units(wall):
    case = wall.load()
    assert case.input("exposure.temperature").unit == "K"
    assert law(case, "exposure.temperature").mean == pytest.approx(283.15, rel=1e-14)
    # 1e-12 m2/s = 31.5576 mm2/yr for a year of 365.25 d
    assert law(case, "concrete.diffusivity").parent_mean == pytest.approx(157.788, rel=1e-12)
    assert case.target.reliability_index == pytest.approx(1.2815515655446004, rel=1e-12)
    assert law(case, "strategy.Forms 12 h.strip_age").mean == 12.0
    assert case.choices.strip_age == (10.0, 120.0)
    assert case.choices.cover == (45.0, 75.0, 5.0)
    assert case.curing.reference_d == 7.0
    assert case.curing.reference_temperature == 20.0
    assert case.ageing_ends == math.inf
    assert not case.curing.layered
    assert case.warnings == ()
    assert len(case.digest) == 64


def test_input_names_are_unique_and_complete(wall):
    names = [item.name for item in wall.load().inputs]
    assert names == [
        "exposure.temperature",
        "exposure.surface_chloride",
        "exposure.initial_chloride",
        "exposure.convection_zone",
        "concrete.diffusivity",
        "concrete.ageing_exponent",
        "concrete.temperature_coefficient",
        "reinforcement.cover",
        "reinforcement.critical_chloride",
        "curing.law",
        "curing.early_slope",
        "strategy.Forms 12 h.strip_age",
        "strategy.Forms 24 h.strip_age",
    ]


def test_a_normal_is_cut_at_its_physical_bound_and_the_reader_is_told(wall):
    case = wall.load((COVER, '{ family = "normal", mean = "20 mm", sd = "12 mm" }'))
    cover = law(case, "reinforcement.cover")
    assert cover.low == 0.0
    assert cover.parent_mean == 20.0
    # truncated normal, closed form (Johnson, Kotz & Balakrishnan 1994, recalled; recomputed):
    # mean + sd phi(a) / (1 - Phi(a)), a = -20/12
    a = -20.0 / 12.0
    density = math.exp(-0.5 * a * a) / math.sqrt(2 * math.pi)
    mean = 20.0 + 12.0 * density / (0.5 * math.erfc(a / math.sqrt(2)))
    assert cover.mean == pytest.approx(mean, rel=1e-9)
    warning, other = case.warnings
    assert other.startswith("reinforcement.cover: the nominal cover of 20 mm lies outside")
    assert warning.startswith(
        "reinforcement.cover: the normal is cut at 0 mm, which changes its mean from 20 to 21.25 mm"
    )


def test_cover_by_nominal_and_bias(wall):
    new = '{ family = "normal", nominal = "60 mm", bias = "-5 mm", sd = "8 mm" }'
    assert law(wall.load((COVER, new)), "reinforcement.cover").parent_mean == 55.0


@pytest.mark.parametrize("key", ["unusual", "plausible"])
def test_an_unusual_value_can_be_meant(wall, key):
    case = wall.load((COVER, f'{{ family = "fixed", value = "400 mm", {key} = true }}'))
    assert law(case, "reinforcement.cover").mean == 400.0


def test_contents_of_concrete_become_contents_of_binder(wall):
    masses = '\nbinder_content = "350 kg/m^3"\ndensity = "2350 kg/m^3"'
    case = wall.load(
        ('chloride_basis = "binder"', 'chloride_basis = "concrete"' + masses),
        (SURFACE, '{ family = "lognormal", mean = 0.25, sd = 0.1 }'),
        ("initial_chloride = 0.1", 'initial_chloride = "0.35 kg/m^3"'),
        ("mean = 0.6, sd", 'basis = "binder", mean = 0.6, sd'),
    )
    surface = law(case, "exposure.surface_chloride")
    # 0.25 % of 2350 kg/m3 of concrete in 350 kg/m3 of binder: mass balance
    assert_allclose([surface.mean, surface.sd], np.array([0.25, 0.1]) * 2350 / 350, rtol=1e-12)
    assert law(case, "exposure.initial_chloride").mean == pytest.approx(0.1, rel=1e-12)
    assert law(case, "reinforcement.critical_chloride").mean == 0.6
    assert case.chloride_basis == "concrete"


def test_a_mixed_up_basis_is_warned_of(wall):
    case = wall.load((SURFACE, '{ family = "lognormal", mean = 0.25, sd = 0.1 }'))
    warning, below = case.warnings
    assert warning.startswith(
        "exposure.surface_chloride: the mean is 0.25 % by mass of binder, outside the usual 0.3 to "
        '8 %; the file\'s contents were read with chloride_basis = "binder"'
    )
    assert "does not exceed the critical content's 0.6 %" in below


@pytest.mark.parametrize(
    ("specimens", "reference", "part"),
    [
        ('"water to 28 d"', "7 d", "pairs k_c = 1 after 7 d with the diffusivity of such a test"),
        ('"water to 28 d"', "28 d", ""),
        ('"cured as the face"', "7 d", ""),
        (None, "7 d", "does not say how they were cured"),
    ],
)
def test_the_reference_curing_must_be_that_of_the_specimens(wall, specimens, reference, part):
    new = "" if specimens is None else f"specimens = {specimens}"
    case = wall.load(
        ('specimens = "cured as the face"', new),
        ('reference = "7 d"', f'reference = "{reference}"'),
    )
    assert len(case.warnings) == bool(part)
    assert part in " ".join(case.warnings)


def test_a_choice_takes_the_temperature_of_the_same_follow_up_of_the_strategies(wall):
    planned = """strip_age = "24 h"
follow_up = { method = "sheet", duration = "3 d", temperature = "7 degC" }
"""
    listed = """{ method = "sheet", duration = "3 d" },
    { method = "sheet", duration = "5 d" },
    { method = "kept wet", duration = "2 d", temperature = "5 degC" }"""
    case = wall.load(('strip_age = "24 h"\n', planned), ('{ method = "none" }', listed))
    forms = case.curing.temperature
    assert forms != 7.0
    assert [item.temperature for item in case.choices.follow_up] == [7.0, forms, 5.0]
    # a strategy with cooler forms is another plan; among equally warm ones the coldest counts
    colder = planned.replace("7 degC", "3 degC")
    cool = f'concrete_temperature = "4 degC"\n{colder}'
    for other, expected in ((cool, 7.0), (colder, 3.0)):
        case = wall.load(
            ('strip_age = "24 h"\n', planned),
            ('strip_age = "12 h"\n', other.replace("24 h", "12 h")),
            ('{ method = "none" }', listed),
        )
        assert case.choices.follow_up[0].temperature == expected


def test_follow_ups_bring_their_retention(wall):
    new = """strip_age = "24 h"
follow_up = { method = "membrane", face = "horizontal", temperature = "50 degF" }
[curing.retention]
"kept wet".vertical = 0.7
"""
    follow_up = '{ method = "none" }, { method = "kept wet", duration = "2 d" }'
    case = wall.load(('strip_age = "24 h"\n', new), ('{ method = "none" }', follow_up))
    found = case.strategy("Forms 24 h").follow_up
    assert found.retention_input == "curing.retention.membrane.horizontal"
    assert found.duration_h == 72.0
    assert found.temperature == pytest.approx(10.0, abs=1e-9)
    item = case.input(found.retention_input)
    assert item.kind == "knowledge"
    assert item.source.endswith("; taken over from a vertical face, an assumption")
    sentence = (
        "curing.retention.membrane.horizontal: there is no value for a horizontal face; the one of "
        "a vertical face is taken over, an assumption. Give your own under [curing.retention]."
    )
    assert sentence in case.warnings
    assert f"  - {sentence}" in describe(case).splitlines()
    assert law(case, "curing.retention.kept wet.vertical").mean == 0.7
    assert case.choices.follow_up[1].label == "kept wet 2 d"


@pytest.mark.parametrize(
    ("method", "face", "own"),
    [
        ("sheet", "vertical", ""),
        ("sheet", "horizontal", "[curing.retention]\nsheet.horizontal = 0.1\n"),
        ("wet covering", "horizontal", ""),
    ],
)
def test_only_a_borrowed_retention_is_told(wall, method, face, own):
    follow_up = f'follow_up = {{ method = "{method}", face = "{face}", duration = "3 d" }}\n'
    case = wall.load(('strip_age = "24 h"\n', f'strip_age = "24 h"\n{follow_up}{own}'))
    assert not any("taken over" in text for text in (*case.warnings, describe(case)))


def test_shared_penalties_are_one_variate(wall):
    penalty = '\npenalty = { family = "lognormal", mean = 2, cov = 0.2, dependence = "shared" }'
    case = wall.load(
        ('strip_age = "12 h"', 'strip_age = "12 h"' + penalty),
        ('strip_age = "24 h"', 'strip_age = "24 h"' + penalty),
    )
    names = [f"strategy.Forms {hours} h.penalty" for hours in (12, 24)]
    assert case.correlations == (Correlation(*names, 1.0),)
    assert case.strategy("Forms 12 h").penalty_input == names[0]


def test_with_one_strategy_it_is_the_reference(wall):
    case = wall.load(
        ('reference_strategy = "Forms 24 h"', ""),
        ('[[strategy]]\nname = "Forms 12 h"\nstrip_age = "12 h"\n\n', ""),
    )
    assert case.reference_strategy == "Forms 24 h"


def test_a_temperature_has_absolute_bounds_and_an_sd_that_is_a_difference(wall):
    new = (
        '{ family = "normal", mean = "50 degF", sd = "9 degF", low = "32 degF", high = "68 degF" }'
    )
    case = wall.load(('temperature = "10 degC"\nchl', f"temperature = {new}\nchl"))
    found = law(case, "exposure.temperature")
    assert_allclose(
        [found.parent_mean, found.parent_sd, found.low, found.high],
        [283.15, 5.0, 273.15, 293.15],
        rtol=1e-12,
    )


def test_a_byte_order_mark_is_no_problem(wall):
    path = wall.write()
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load(path).title == "Test wall"


def test_the_starter_loads_without_a_warning(tmp_path):
    path = tmp_path / "starter.toml"
    path.write_bytes(resources.files("stripwise.scenario").joinpath("starter.toml").read_bytes())
    assert load(path).warnings == ()


@pytest.mark.usefixtures("few_samples")
def test_the_inch_twin_is_the_metric_scenario():
    metric, inch = load(SCENARIOS / "quay-wall.toml"), load(SCENARIOS / "quay-wall-inch.toml")
    assert [i.name for i in metric.inputs] == [i.name for i in inch.inputs]
    for one, other in zip(metric.inputs, inch.inputs, strict=True):
        a, b = one.distribution, other.distribution
        assert a.family == b.family
        # conversions round in the last digits of a double: 1e-12 relative
        assert_allclose(
            [b.mean, b.sd, b.low, b.high], [a.mean, a.sd, a.low, a.high], rtol=1e-12, atol=1e-12
        )
    for one, other in zip(metric.strategies, inch.strategies, strict=True):
        assert other.temperature == pytest.approx(one.temperature, abs=1e-10)
        assert other.follow_up.temperature == pytest.approx(one.follow_up.temperature, abs=1e-10)
    assert_allclose(inch.choices.cover, metric.choices.cover, rtol=1e-12)
    assert inch.correlations == metric.correlations
    assert inch.target == metric.target
    answers = []
    for case in (metric, inch):
        small = dataclasses.replace(case.sampling, points=64, repeats=8)
        answers.append(assess(dataclasses.replace(case, sampling=small), only="curves").strategies)
    numbers = answers[0].select_dtypes("number").columns
    assert_allclose(answers[1][numbers], answers[0][numbers], rtol=1e-9, atol=1e-12)
    assert answers[1]["meets_target"].tolist() == answers[0]["meets_target"].tolist()
    assert (metric.units, inch.units) == ("SI", "US")


def test_a_surface_content_below_the_critical_one_is_told(wall):
    case = wall.load((SURFACE, "0.5"))
    (told,) = (text for text in case.warnings if "never depassivates a mean wall" in text)
    assert told.startswith("exposure.surface_chloride: its mean of 0.5 % by mass of binder")
    assert not [text for text in wall.load().warnings if "never depassivates" in text]


def test_a_table_gives_the_scenario_of_its_file(wall):
    path = wall.write()
    raw = tomllib.loads(path.read_text("utf-8"))
    kept = copy.deepcopy(raw)
    from_file, from_table = load(path), build(raw, path=path)
    assert dataclasses.replace(from_table, digest="") == dataclasses.replace(from_file, digest="")
    assert from_table.raw == from_file.raw == kept == raw
    assert "raw" not in repr(from_file)


def test_a_table_gives_the_errors_of_its_file(wall):
    problems = wall.problems(("mean = 2.0", "mean = nan"), ("points = 256", "points = 7"))
    raw = tomllib.loads(wall.path.read_text("utf-8"))
    with pytest.raises(ScenarioError) as caught:
        build(raw, path=wall.path, lines=key_lines(wall.path.read_text("utf-8")))
    assert list(caught.value.problems) == problems
    with pytest.raises(ScenarioError) as caught:
        build(raw)
    # without lines in the order in which they were found
    assert list(caught.value.problems) == [
        "scenario.toml: sampling.points = 7: must be a power of two between 64 and 4194304, such "
        "as 16384",
        "scenario.toml: exposure.surface_chloride.mean = nan: must be a finite number",
    ]


def test_a_table_with_one_key_replaced_is_the_file_with_it_replaced(wall):
    raw = tomllib.loads(wall.write().read_text("utf-8"))
    raw["reinforcement"]["cover"]["mean"] = "2 in"
    case = build(raw)
    assert case.input("reinforcement.cover").distribution.parent_mean == pytest.approx(50.8)
    assert case == dataclasses.replace(
        wall.load(("55 mm", "2 in")), path=case.path, digest=case.digest
    )


def test_the_digest_of_a_table_changes_with_any_value(wall):
    raw = tomllib.loads(wall.write().read_text("utf-8"))
    before = build(raw).digest
    assert build(copy.deepcopy(raw)).digest == before
    raw["sampling"]["seed"] = 2
    assert build(raw).digest != before


@pytest.mark.parametrize("raw", [{1: "x"}, {"target": {2: 3}}, {"strategy": [{None: "x"}]}])
def test_a_table_whose_keys_are_no_text_is_refused(raw):
    with pytest.raises(ScenarioError, match="a key must be a text"):
        build(raw)


@pytest.mark.parametrize("part", ["a", '"a"', "'a'", r'"\""', "a "])
@pytest.mark.parametrize("shape", ["{} = 1", "[{}]", "x = {{ {} = 1 }}"])
def test_a_key_that_takes_minutes_to_parse_is_refused_at_once(wall, part, shape):
    path = wall.write(end="\n" + shape.format(".".join([part] * 150_000)) + "\n")
    started = time.process_time()
    with pytest.raises(ScenarioError, match="is nested too deeply to be a scenario"):
        load(path)
    assert time.process_time() - started < 2.0  # the parser alone took 100 s for such a file
