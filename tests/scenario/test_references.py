import math
import os

import numpy as np
import pytest

from stripwise.errors import ScenarioError
from stripwise.scenario.describe import as_record, describe
from stripwise.scenario.loading import load

COVER = 'cover = { family = "normal", mean = "55 mm", sd = "8 mm" }'
FROM_COVER = 'cover = { from = "cover.toml" }'
INPUT = '[input]\nfamily = "normal"\nmean = "52 mm"\nsd = "6 mm"\nsource = "survey"\n'

FIT = """
[penalties]
reference = "Forms 7 d"
kind = "knowledge"
source = "invented profiles"
correlation = [[1.0, 0.6], [0.6, 1.0]]

[[penalties.strategy]]
name = "Forms 12 h"
mean = 2.0
sd = 0.3
specimens = 4

[[penalties.strategy]]
name = "A day"
mean = 1.6
sd = 0.2
specimens = 4
"""
TWELVE = 'strip_age = "12 h"\n'
DAY = 'strip_age = "24 h"\n'
FROM = 'penalty = { from = "penalties.toml" }\n'
AS_DAY = 'penalty = { from = "penalties.toml", as = "A day" }\n'
BOTH = ((TWELVE, TWELVE + FROM), (DAY, DAY + AS_DAY))


@pytest.fixture
def fit_file(tmp_path):
    path = tmp_path / "penalties.toml"
    path.write_text(FIT, encoding="utf-8")
    return path


def test_an_input_from_a_file_is_the_same_as_in_the_scenario(wall, tmp_path):
    (tmp_path / "cover.toml").write_text(INPUT, encoding="utf-8")
    there = wall.load((COVER, FROM_COVER)).input("reinforcement.cover")
    here = wall.load(
        (COVER, 'cover = { family = "normal", mean = "52 mm", sd = "6 mm", source = "survey" }')
    ).input("reinforcement.cover")
    assert there == here


def test_any_random_input_can_stand_in_a_file(wall, tmp_path):
    files = {
        "strip.toml": '[input]\nfamily = "lognormal"\nmean = "14 h"\ncov = 0.2\n',
        "kept.toml": '[input]\nfamily = "beta"\nmean = 0.5\nsd = 0.1\nlow = 0\nhigh = 1\n',
        "depth.toml": '[input]\nvalue = "30 mm"\n',
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    follow = 'follow_up = { method = "wet covering", duration = "3 d" }\n'
    end = '\n[curing.retention."wet covering"]\nvertical = { from = "kept.toml" }\n'
    case = wall.load(
        ('strip_age = "12 h"\n', 'strip_age = { from = "strip.toml" }\n' + follow),
        ('affected_depth = "whole cover"', 'affected_depth = { from = "depth.toml" }'),
        end=end,
    )
    assert case.input("strategy.Forms 12 h.strip_age").distribution.mean == pytest.approx(14.0)
    kept = case.input("curing.retention.wet covering.vertical")
    assert kept.distribution.mean == pytest.approx(0.5)
    assert case.input("curing.affected_depth").distribution.mean == 30.0
    assert sorted(name for name, _ in case.data_files) == sorted(files)


def test_source_beside_from_goes_before_the_file(wall, tmp_path):
    (tmp_path / "cover.toml").write_text(INPUT, encoding="utf-8")
    case = wall.load((COVER, 'cover = { from = "cover.toml", source = "spring survey" }'))
    assert case.input("reinforcement.cover").source == "spring survey"


def test_every_file_is_on_record_with_its_hash(wall, tmp_path):
    (tmp_path / "cover.toml").write_text(INPUT, encoding="utf-8")
    record = as_record(wall.load((COVER, FROM_COVER)))
    assert [item["file"] for item in record["data_files"]] == ["cover.toml"]
    assert len(record["data_files"][0]["sha256"]) == 64


def test_penalties_come_as_lognormals_with_their_correlation(wall, fit_file):
    case = wall.load(*BOTH)
    twelve = case.input("strategy.Forms 12 h.penalty")
    day = case.input("strategy.Forms 24 h.penalty")
    assert (twelve.distribution.family, twelve.kind, twelve.source) == (
        "lognormal",
        "knowledge",
        "invented profiles",
    )
    assert (twelve.distribution.mean, day.distribution.sd) == pytest.approx((2.0, 0.2))
    (pair,) = case.correlations
    assert {pair.first, pair.second} == {twelve.name, day.name}
    assert pair.rank == pytest.approx(6 / math.pi * math.asin(0.3))


def test_the_sampler_draws_them_with_the_correlation_of_the_file(wall, fit_file):
    from stripwise.distributions.sampling import InputSampler
    from stripwise.studies.from_scenario import build_wall

    scene = build_wall(wall.load(*BOTH))
    sampler = InputSampler.from_inputs(scene.inputs, scene.correlations)
    z = np.random.default_rng(3).standard_normal((sampler.dimensions, 100_000))
    values = sampler.values(z)
    logs = np.log([values[f"strategy.Forms {h} h.penalty"] for h in (12, 24)])
    # standard error of a correlation of 0.6 from 1e5 pairs: 0.002
    assert np.corrcoef(logs)[0, 1] == pytest.approx(0.6, abs=0.008)


def test_one_entry_twice_is_one_penalty(wall, fit_file):
    same = 'penalty = { from = "penalties.toml", as = "Forms 12 h" }\n'
    case = wall.load((TWELVE, TWELVE + FROM), (DAY, DAY + same))
    assert case.correlations[0].rank == 1.0


def test_the_reference_of_the_fit_has_no_penalty(wall, fit_file):
    reference = 'penalty = { from = "penalties.toml", as = "Forms 7 d" }\n'
    law = wall.load((DAY, DAY + reference)).input("strategy.Forms 24 h.penalty").distribution
    assert law.is_fixed
    assert law.mean == 1.0


def test_check_names_both_references_where_law_and_fit_are_mixed(wall, fit_file):
    text = describe(wall.load((TWELVE, TWELVE + FROM)))
    assert 'penalty from "penalties.toml"' in text
    assert "The law's penalty is 1 after 7 d of curing, the fit's for \"Forms 7 d\"" in text
    assert 'strategies by the law ("Forms 24 h")' in text
    assert "The law's penalty" not in describe(wall.load(*BOTH))


def test_check_says_where_the_law_answers_instead_of_the_fit(wall, fit_file):
    assert "[choices] uses the curing law" in describe(wall.load(*BOTH))


def test_the_model_factor_multiplies_penalties_out_of_a_fit_alone(wall, fit_file):
    from stripwise.studies.from_scenario import build_wall

    depth = 'affected_depth = "whole cover"\n'
    factor = 'model_factor = { family = "lognormal", mean = 1.2, cov = 0.2 }\n'
    case = wall.load((depth, depth + factor), (TWELVE, TWELVE + FROM))
    assert case.input("curing.model_factor").kind == "knowledge"
    scene = build_wall(case)
    values = {item.name: item.distribution.mean for item in scene.inputs}
    logs = scene.log_penalties(values)
    assert logs[0] == pytest.approx(math.log(2.0 * 1.2))
    plain = build_wall(wall.load((TWELVE, TWELVE + FROM))).log_penalties(values)
    assert logs[1] == plain[1]
    assert "times curing.model_factor" in describe(case)


def test_the_fit_reaches_the_curves(wall, fit_file):
    from stripwise.studies.run import assess

    result = assess(wall.load(*BOTH), only="curves", workers=1)
    means = result.strategies.set_index("strategy")["penalty_mean"]
    assert means["Forms 12 h"] == pytest.approx(2.0, rel=0.01)
    assert means["Forms 24 h"] == pytest.approx(1.6, rel=0.01)
    assert result.strategies["know_high"].notna().all()


def bad(wall, *changes, end=""):
    problems = wall.problems(*changes, end=end)
    assert len(problems) == 1, problems
    return problems[0]


def test_a_missing_file(wall):
    assert bad(wall, (COVER, FROM_COVER)) == (
        'wall.toml: reinforcement.cover.from = "cover.toml": there is no such file beside the '
        "scenario; check the path (line 22)"
    )


def test_a_problem_inside_the_file_names_key_and_file(wall, tmp_path):
    (tmp_path / "cover.toml").write_text(INPUT.replace('"6 mm"', '"-6 mm"'), encoding="utf-8")
    assert bad(wall, (COVER, FROM_COVER)) == (
        'wall.toml: reinforcement.cover.sd = "-6 mm": must be above 0 (in "cover.toml") (line 22)'
    )


def test_an_unknown_key_inside_the_file(wall, tmp_path):
    (tmp_path / "cover.toml").write_text(INPUT + "mode = 3\n", encoding="utf-8")
    text = bad(wall, (COVER, FROM_COVER))
    assert text.startswith("wall.toml: reinforcement.cover.mode = 3: unknown key")
    assert '(in "cover.toml")' in text


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        ("x = 1\n", 'must hold one table [input] and nothing else; it has "x"'),
        ("", 'must hold one table [input] and nothing else; it has "nothing"'),
        (INPUT + "[other]\n", "must hold one table [input] and nothing else"),
        ('[input]\nfrom = "b.toml"\n', "names a further file; give the input itself"),
        (FIT, "holds penalty factors, which only the penalty of a strategy can take"),
        ("[input\n", "is not valid TOML"),
        (b"\xff\xfe\x00", "is not UTF-8 text"),
        (b"#" * 1_000_001, "is larger than 1 MB"),
    ],
)
def test_wrong_content(wall, tmp_path, content, rule):
    data = content if isinstance(content, bytes) else content.encode()
    (tmp_path / "cover.toml").write_bytes(data)
    text = bad(wall, (COVER, FROM_COVER))
    assert text.startswith(f'wall.toml: reinforcement.cover.from = "cover.toml": {rule}')


def test_a_folder_is_no_file(wall, tmp_path):
    (tmp_path / "cover.toml").mkdir()
    assert "is no regular file" in bad(wall, (COVER, FROM_COVER))


@pytest.mark.parametrize("name", ["../cover.toml", "{absolute}"])
def test_no_way_out_of_the_folder_unless_allowed(wall, tmp_path, name, tmp_path_factory):
    outside = tmp_path.parent / "cover.toml"
    outside.write_text(INPUT, encoding="utf-8")
    change = (COVER, f'cover = {{ from = "{name.format(absolute=outside)}" }}')
    assert "leads out of the scenario's folder" in bad(wall, change)
    assert load(wall.write(change), allow_outside=True).input("reinforcement.cover")


def test_no_way_out_by_a_link(wall, tmp_path):
    outside = tmp_path.parent / "elsewhere.toml"
    outside.write_text(INPUT, encoding="utf-8")
    os.symlink(outside, tmp_path / "cover.toml")
    assert "leads out of the scenario's folder" in bad(wall, (COVER, FROM_COVER))


def test_a_key_beside_from(wall, tmp_path):
    (tmp_path / "cover.toml").write_text(INPUT, encoding="utf-8")
    change = (COVER, 'cover = { from = "cover.toml", sd = "4 mm" }')
    assert bad(wall, change) == (
        'wall.toml: reinforcement.cover.sd = "4 mm": cannot stand beside from, whose file gives '
        "the input; allowed are kind, source (line 22)"
    )


def test_from_where_no_input_stands_is_an_unknown_key(wall):
    problems = wall.problems(("probability = 0.10", 'from = "x.toml"'))
    assert any('target.from = "x.toml": unknown key' in text for text in problems)


def test_from_that_is_no_text(wall):
    text = wall.problems((COVER, "cover = { from = 3 }"))[0]
    assert text.startswith(
        "wall.toml: reinforcement.cover.from = 3: must be a text in quotation marks"
    )


def test_an_unknown_strategy_gets_the_nearest_spelling(wall, fit_file):
    assert bad(wall, (DAY, DAY + FROM)) == (
        'wall.toml: strategy[2].penalty.from = "Forms 24 h": "penalties.toml" has no strategy of '
        'this name; must be one of "Forms 7 d", "Forms 12 h", "A day"; the nearest spelling is '
        '"Forms 12 h"; write as = "..." where it goes by another name (line 37)'
    )


def test_an_unknown_entry(wall, fit_file):
    text = bad(wall, (DAY, DAY + AS_DAY.replace("A day", "A dai")))
    assert text.startswith('wall.toml: strategy[2].penalty.as = "A dai": must be one of')
    assert 'the nearest spelling is "A day"' in text


def test_as_needs_from(wall):
    text = wall.problems((DAY, DAY + 'penalty = { as = "x", value = 2 }\n'))[0]
    assert "strategy[2].penalty.as: belongs to from; give the file too" in text


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ('reference = "Forms 7 d"', "", "penalties.reference: is missing or no text"),
        ('kind = "knowledge"', 'kind = "x"', 'penalties.kind: must be "scatter" or "knowledge"'),
        ("mean = 2.0", "mean = -2", "penalties.strategy[1].mean: is -2; must be a number above 0"),
        ("sd = 0.3", "", "penalties.strategy[1].sd: is missing; must be a number of at least 0"),
        ("sd = 0.3", "sd = nan", "penalties.strategy[1].sd: is nan"),
        ("[[1.0, 0.6], [0.6, 1.0]]", "[[1.0]]", "penalties.correlation: must have 2 rows of 2"),
        ("[0.6, 1.0]", "[0.5, 1.0]", "penalties.correlation: must be symmetric"),
        ("0.6", "1.0", "penalties.correlation: must be symmetric, 1 on the diagonal, between"),
        ('name = "A day"', 'name = "Forms 7 d"', "penalties.strategy: every strategy stands once"),
        ("specimens = 4\n\n", "n = 4\n\n", "penalties.strategy[1]: must hold name, mean and sd"),
        ('kind = "knowledge"', "extra = 1", "penalties.extra: unknown key; allowed here"),
    ],
)
def test_a_damaged_file_of_penalties(wall, fit_file, old, new, rule):
    assert old in FIT
    fit_file.write_text(FIT.replace(old, new), encoding="utf-8")
    text = bad(wall, (TWELVE, TWELVE + FROM))
    assert text.startswith(f'wall.toml: strategy[1].penalty.from = "penalties.toml": {rule}')


def test_fitted_penalties_are_of_one_kind(wall, fit_file):
    other = AS_DAY.replace('"A day"', '"A day", kind = "scatter"')
    text = bad(wall, (TWELVE, TWELVE + FROM), (DAY, DAY + other))
    assert "strategy[2].penalty.kind" in text
    assert "penalties of one fit are all scatter or all knowledge" in text


def test_a_fit_brings_all_its_correlations(wall, fit_file):
    end = '\n[[correlation]]\nbetween = ["strategy.Forms 12 h.penalty", "curing.law"]\nrank = 0.2\n'
    assert "comes out of a fit with all its correlations" in bad(wall, *BOTH, end=end)


def test_a_model_factor_without_a_fit(wall):
    depth = 'affected_depth = "whole cover"\n'
    assert "curing.model_factor" in bad(wall, (depth, depth + "model_factor = 1.2\n"))


def test_several_problems_are_told_together(wall, fit_file):
    with pytest.raises(ScenarioError) as caught:
        wall.load((COVER, FROM_COVER), (DAY, DAY + FROM))
    assert len(caught.value.problems) == 2
