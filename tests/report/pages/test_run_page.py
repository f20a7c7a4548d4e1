import re

import pytest

from stripwise.report.components import Figure
from stripwise.report.figures import curves_figure, sheet
from stripwise.report.pages.run_page import run_report
from stripwise.report.render import inline_svg, render
from stripwise.units.caution import CAUTION, GATES_LEAD


def page_of(assessment):
    """Write the page with its figures."""
    report = run_report(assessment)
    return render(report, {name: sheet.svg(figure) for name, figure in report.figures.items()})


@pytest.fixture(scope="module")
def html(six):
    return page_of(six)


@pytest.fixture(scope="module")
def plain(html, example):
    return example.outline(html)


@pytest.mark.parametrize(
    "sentence",
    [
        # cautions
        CAUTION,
        GATES_LEAD,
        "In-place strength of the face",
        # limits
        "Sound, uncracked concrete: no cracks, joints, honeycombing, and no thermal shock",
        "Curing effects beyond the published ones are assumptions",
        "The curves compare strategies better than they predict years",
        "Values marked “recalled”",
        # method
        "DuraCrete project, report R9 (from memory, verify)",
        "Below 1 d nothing is published: the law is extrapolated",
        "this project\N{RIGHT SINGLE QUOTATION MARK}s own combination",
        "fib Bulletin 34 (2006), Annex B2 (recalled)",
        "“Corrosion” here means depassivation",
        # answer
        "Two of the strategies meet the target of 10 % in 75 yr; the rest do not.",
        "limit state: depassivation; reference period: 75 yr from first exposure; target: index "
        "1.28, probability 10 %",
        "2.1 mm more cover (uncertainty range 1.1 to 3.4 mm) is as reliable as 24 h more in the forms",
        "with the forms kept 2.5 d, 1.9 mm of cover can be taken off",
        "Prepared by",
        "Checked by",
        "ab" * 32,
        "No. 6: this strategy keeps the limit up to 120 yr, the horizon.",
    ],
)
def test_the_page_says(plain, sentence):
    assert sentence in plain.words


def test_cautions_come_before_the_first_number_of_a_strategy(plain):
    assert plain.words.index("Before any form is stripped") < plain.words.index(
        "The strategies side by side"
    )
    assert plain.words.count("In-place strength of the face") == 2  # and again below the tables


def test_target_and_period_stand_once_in_full_and_beside_every_index(plain):
    assert plain.words.count("reference period: 75 yr") <= 2  # the letter and the method
    for words in ("Index (target 1.", "Probability at 75 yr", "depassivation within 75 yr"):
        assert words in plain.words


def test_the_page_is_self_contained(html, example):
    page = example.outline(html)
    assert "script" not in page.tags
    assert not [k for k, _ in page.attributes if k.startswith("on")]
    links = [v for k, v in page.attributes if k.endswith(("href", "src")) and v]
    assert all(link.startswith("#") for link in links)
    assert not re.findall(r"url\((?!#)", html)
    assert "@import" not in html


def test_identifiers_are_unique_and_every_reference_is_met(html, example):
    page = example.outline(html)
    assert len(page.ids) == len(set(page.ids))
    wanted = set(re.findall(r'href="#([^"]+)"', html)) | set(re.findall(r"url\(#([^)]+)\)", html))
    assert wanted <= set(page.ids)


def test_hostile_names_stay_text(example):
    title = "<b>T</b> & $x$ {{ 7 * 7 }}"
    page = example.outline(page_of(example.make_assessment(example.hostile(), title=title)))
    assert "script" not in page.tags
    assert "b" not in page.tags
    assert title in page.words
    assert "<script>alert('1')</script>" in page.words
    assert "$x^2$ and $\\frac{1}{2}$" in page.words
    assert "W" * 80 in page.words


def test_inlining_changes_attributes_and_not_text(example):
    drawing = curves_figure.draw_run_figures(example.make_assessment(example.hostile()))["curves"]
    inlined = str(inline_svg(sheet.svg(drawing), Figure("curves", drawing)))
    assert "url(#p1) ]]&gt; --&gt;" in inlined
    assert "<style" not in inlined
    assert 'id="curves-axes_1"' in inlined


def test_a_failed_check_cannot_be_missed(example, read_page):
    page = read_page(run_report(example.make_assessment(agrees=False)))
    alarm = page.words.index("Do not use these numbers")
    assert alarm < page.words.index("Before any form is stripped")
    assert "THEY DISAGREE" in page.words
    assert "40.6 standard errors" in page.words


def test_no_alarm_when_the_check_agrees(plain):
    assert "Do not use these numbers" not in plain.words


def test_us_units(example):
    page = example.outline(page_of(example.make_assessment(units="US")))
    assert "2.36 in" in page.words  # 60 mm
    assert "59 °F" in page.words  # 15 degC
    assert "°C" not in page.words.replace("degrees Celsius", "")
    cells = page.words[page.words.index("Inputs and their sources") :]
    assert re.search(r"convection zone beta 0\.35 0\.22 .*? in ", cells)


def test_layered_face_is_compared_with_the_whole_cover(example, plain, read_page):
    page = read_page(run_report(example.make_assessment(layered=True)))
    assert "put on a thin skin it understates the harm" in page.words
    assert "Penalty on the whole cover" in page.words
    assert "Penalty on the whole cover" not in plain.words


def test_without_choices_and_knowledge(example, read_page):
    page = read_page(run_report(example.make_assessment(choices=False, knowledge=False)))
    assert "No input of this scenario is epistemic" in page.words
    assert "Cover and strip age together" not in page.words
    assert "Trading cover against form time" not in page.words


@pytest.mark.parametrize("count", [2, 12])
def test_few_and_many_strategies(example, read_page, count):
    assessment = example.make_assessment(example.many(count), lift=4.0)
    page = read_page(run_report(assessment))
    assert "more than 120 yr" in page.words
    assert all(s.name in page.words for s in assessment.scenario.strategies)


def test_variants_of_the_model_are_described(six, example, read_page):
    curing = example.replace(six.scenario.curing, maturity="nurse-saul")
    strategies = (
        example.replace(six.scenario.strategies[0], penalty_input="p"),
        *six.scenario.strategies[1:],
    )
    scenario = example.replace(
        six.scenario,
        ageing_convention="instantaneous",
        ageing_ends=30.0,
        curing=curing,
        chloride_basis="concrete",
        monthly_temperature=(5.0,) * 12,
        strategies=strategies,
    )
    words = read_page(run_report(example.with_changes(six, scenario=scenario))).words
    assert "exposure begins at a concrete age" in words
    assert "Ageing stops 30 yr after first exposure" in words
    assert "the Nurse-Saul function" in words
    assert "by mass of concrete" in words
    assert "mean of the factors of the twelve months" in words
    assert "gives the penalty of strategies No. 1 itself" in words


def test_rendering_is_reproducible(six, html):
    assert page_of(six) == html
