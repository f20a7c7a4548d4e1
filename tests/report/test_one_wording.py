"""One caution, one page skeleton and one place where a number becomes text."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

import stripwise
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import KINDS
from stripwise.evidence.tables.timestamps import find_time_zone
from stripwise.report.pages.cover_survey_page import survey_report
from stripwise.report.pages.design_page import design_report
from stripwise.report.pages.drying_page import drying_report
from stripwise.report.pages.plan_tests_page import plan_report
from stripwise.report.pages.profiles_page import profiles_report
from stripwise.report.pages.run_page import run_report
from stripwise.report.pages.strip_log_page import strip_log_report
from stripwise.studies.fit.cover_survey_study import study_cover_survey
from stripwise.studies.fit.drying_study import study_drying
from stripwise.studies.fit.planned_tests import plan_tests
from stripwise.studies.fit.profiles_study import study_profiles
from stripwise.studies.fit.strip_log_study import study_strip_log
from stripwise.units.caution import CAUTION, GATES, STRENGTH_FIRST
from stripwise.units.formatting import per_unit

SOURCE = Path(stripwise.__file__).parent
ROOT = Path(__file__).parents[2]
SCENARIOS = ROOT / "scenarios"

CODE = {
    path.relative_to(SOURCE).as_posix(): path.read_text(encoding="utf-8")
    for path in sorted(SOURCE.rglob("*"))
    if path.suffix in (".py", ".j2")
}


def read(*parts):
    return read_data_file(SCENARIOS.joinpath(*parts), kinds=KINDS)


@pytest.fixture(scope="module")
def reports(six, pier):
    """A page of every command."""
    design = design_report(pier)
    zone = find_time_zone("CET")
    return {
        "run": run_report(six),
        "design": design,
        "strip-age table": design.pages["strip-ages.html"],
        "profiles": profiles_report(
            study_profiles(read("lab-wall", "profiles.csv"), maximum="off")
        ),
        "drying": drying_report(study_drying(read("site-records", "drying.csv"))),
        "strip log": strip_log_report(
            study_strip_log(read("site-records", "strip-log.csv"), zone=zone)
        ),
        "cover": survey_report(study_cover_survey(read("site-records", "cover.csv"))),
        "plan": plan_report(plan_tests(pier.scenario)),
    }


def test_the_page_of_every_command_has_caution_and_gates(reports, read_page):
    for name, report in reports.items():
        words = read_page(report).words
        assert words.count(CAUTION) == 1, name
        assert all(gate in words for gate in GATES), name
        assert words.index(CAUTION) < words.index(report.signature.rows[0][0]), name


@pytest.mark.parametrize(
    "words",
    [
        "licensed practice",
        "responsible engineer",
        "stability and frost",
        "in-place strength of the face",
    ],
)
def test_no_second_wording_of_the_caution(words):
    """A docstring may name the three, and a reminder of the run's page points to the box."""
    found = [
        name
        for name, text in CODE.items()
        if words in " ".join(_without_docstrings(name, text).split()).lower()
    ]
    assert found == ["units/caution.py"]


@cache
def parsed(text):
    """Return the tree of a source; it is read several times."""
    return ast.parse(text)


@cache
def _without_docstrings(name, text):
    if not name.endswith(".py"):
        return text
    nodes = list(ast.walk(parsed(text)))
    docstrings = {
        id(node.value)
        for node in nodes
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    return " ".join(
        node.value
        for node in nodes
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in docstrings
    )


def test_the_readme_has_the_caution():
    assert CAUTION in (ROOT / "README.md").read_text(encoding="utf-8")
    assert STRENGTH_FIRST in CODE["units/caution.py"]


def test_there_is_one_page_skeleton_and_one_environment():
    templates = SOURCE / "report" / "templates"
    assert sorted(path.name for path in templates.iterdir() if path.is_file()) == [
        "explore.css",  # the page to try pairs on, which has a script too
        "explore.html.j2",
        "explore.js",
        "face_list.html",  # the one page with a script: a list to sort, no report
        "page.css",
        "page.html.j2",
        "prose.toml",
    ]
    assert [name for name, text in CODE.items() if "jinja2.Environment(" in text] == [
        "report/render.py"
    ]


def test_millimetres_in_an_inch_stand_once():
    assigned = [name for name, text in CODE.items() if re.search(r"^MM_PER_INCH\b", text, re.M)]
    assert assigned == ["units/drawing_steps.py"]
    divided = [
        name
        for name, text in CODE.items()
        if re.search(r"(?m)^(?!\s*>>>).*[*/] ?25\.4\b|^\w+ = 25\.4\b", text)
    ]
    assert divided == ["units/drawing_steps.py"]


ALLOWED = {
    "studies/hand_calculation.py": None,  # formulas keep the digits that a hand calculation needs
    "studies/service_results.py": {"g", ".2f"},  # likewise, and a column name
    "report/pages/service_section.py": {"g"},  # a column name
    "studies/design/site_table.py": {"g"},  # name of a published value
    "studies/fit/fitted_inputs.py": {".6g"},  # input files
    "report/files.py": {".6g"},
    "report/pages/explore_page.py": {
        "g",
        ".4g",
        ".6g",
        ".10g",
    },  # fields of a form, words of --choose
    "studies/rank/factorial.py": {"g"},  # name of an option
    "studies/rank/convergence.py": None,  # an error, put together before it is raised
}

SPELT_AS_TYPED = ("InputError", "EvidenceError", "NumericalError", "problems.add")
"""An error quotes a value as the file or the option spells it."""


def number_formats(text):
    """List the format specifications of numbers outside errors, by line."""
    nodes = list(ast.walk(parsed(text)))
    errors = {
        line
        for node in nodes
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith(SPELT_AS_TYPED)
        for line in range(node.lineno, (node.end_lineno or node.lineno) + 1)
    }
    found = []
    for node in nodes:
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            spec = ast.unparse(node.format_spec)[2:-1]
            if re.search(r"[.,+]|[gfe%]$", spec) and node.lineno not in errors:
                found.append((node.lineno, spec))
    return found


def test_no_number_becomes_text_elsewhere():
    found = {}
    for name, text in CODE.items():
        if not name.startswith(("studies/", "report/", "cli/")) or not name.endswith(".py"):
            continue
        allowed = ALLOWED.get(name, set())
        if allowed is None:
            continue
        specs = [(line, s) for line, s in number_formats(text) if s not in allowed]
        if specs:
            found[name] = specs
    assert found == {}


def test_a_number_format_is_seen_by_that_search():
    assert number_formats('f"{x:.2f} mm"') == [(1, ".2f")]
    assert number_formats('f"{x:,}"') == [(1, ",")]
    assert number_formats('f"{x:>8} {y!r}"') == []
    assert number_formats('raise InputError("age", f"{x:g} yr")') == []


BANNED = (
    "less sure",
    "target reached in",
    "knowledge inputs",
    "of the spread",
    "reaches the target",
    "no follow-up",
    "each follow-up",
    "without follow-up",
    "follow-up curing",
    "not what is known",
    "knowledge averaged",
)
"""Phrases that have another word here, or that only their writer would understand."""


def spoken_strings():
    """Return what report, studies and commands say, by file: strings but docstrings, and prose."""
    prose = (SOURCE / "report" / "templates" / "prose.toml").read_text(encoding="utf-8")
    rooms = ("report/", "studies/", "cli/")
    return {
        "prose": prose,
        **{
            name: _without_docstrings(name, text)
            for name, text in CODE.items()
            if name.startswith(rooms) and name.endswith(".py")
        },
    }


def test_no_banned_phrase_is_said(reports, read_page):
    texts = spoken_strings() | {
        f"page of {name}": read_page(report).words for name, report in reports.items()
    }
    found = [
        (name, phrase)
        for name, text in texts.items()
        for phrase in BANNED
        if phrase in " ".join(text.split()).lower()
    ]
    assert found == []


def test_a_page_in_us_units_says_no_metric_one(inch, read_page):
    report = design_report(inch)
    for page in (report, report.pages["strip-ages.html"]):
        words = read_page(page).words
        for quoted in ("10 \N{DEGREE SIGN}C (50", "10 degC"):  # clauses of codes, as printed
            words = words.replace(quoted, "")
        assert not re.search(r"[0-9] (mm|m\u00b2|m2|\N{DEGREE SIGN}C|degC|kg/m3)\b", words)


def test_prices_come_back_per_area_that_was_typed():
    # 1 ft = 0.3048 m exactly
    assert per_unit(1.0 / 0.3048**2, "USD/m2/h", area="ft2") == "1 USD/ft\u00b2/h"
    assert per_unit(1.0 / 0.3048**2 / 25.4, "USD/m2/mm", area="ft2", depth="in") == (
        "1 USD/ft\u00b2/in"
    )
