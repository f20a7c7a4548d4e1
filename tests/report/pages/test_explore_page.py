"""The page to try pairs on: its file, and in a browser that it computes what the program does.

What a reader meets is taken from the accessibility tree, as assistive technology takes it.
"""

import json
import math
import re
import shutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.report.pages.explore_page import explore_page
from stripwise.report.render import render
from stripwise.studies.decision import NO, TOO_CLOSE, YES
from stripwise.studies.design import explore_tables as tables_module
from stripwise.studies.design.chosen_pair import read_choice
from stripwise.studies.design.explore_reading import (
    Goal,
    PairPlace,
    earliest_hours,
    expected_cost,
    least_cover,
    read_answer,
)
from stripwise.studies.design.explore_tables import explore_tables
from stripwise.studies.design.setting import Setting
from stripwise.units.caution import DURABILITY_ONLY
from stripwise.units.formatting import confidence, interval, percent, price, years

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")


@pytest.fixture(scope="module")
def case(pier_case):
    choices = replace(pier_case.choices, follow_up=pier_case.choices.follow_up[:2])
    sampling = replace(pier_case.sampling, points=256, repeats=8)
    return replace(pier_case, choices=choices, sampling=sampling)


@pytest.fixture(scope="module")
def strict_case(case):
    return replace(case, target=replace(case.target, confidence=0.8))


def make(case):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tables_module, "OUTER_POINTS", 8)
        tables = explore_tables(Setting.from_scenario(case, workers=2))
    return tables, write(case, tables)


def write(case, tables):
    result = SimpleNamespace(scenario=case, explore=tables, run={"versions": {}})
    return render(explore_page(result), {})


@pytest.fixture(scope="module")
def made(case):
    return make(case)


@pytest.fixture(scope="module")
def strict(strict_case):
    return make(strict_case)


def test_the_file_is_small_whole_and_offline(made):
    _, page = made
    assert len(page.encode()) < 1_000_000
    assert not re.search(r'(?:src|href)="(?!#)', page)
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1)
    assert policy.startswith("default-src 'none'")
    assert "script-src 'sha256-" in policy
    assert DURABILITY_ONLY in page
    data = json.loads(re.search(r'id="data">(.*?)</script>', page, re.DOTALL).group(1))
    assert [len(data["mean"]["values"]), data["mean"]["channels"]] == [2, 2]


def test_a_name_cannot_end_the_data(case, made):
    hostile = replace(case, path=case.path.with_name("a<script><b>.toml"))
    page = write(hostile, made[0])
    assert "<script><b>" not in page


@pytest.fixture(scope="module")
def browser():
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    if CHROMIUM is None or DRIVER is None:
        pytest.skip("chromium and chromedriver are not both installed")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    options.add_argument("--window-size=1100,1000")
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def opened(browser, made, tmp_path_factory):
    return open_page(browser, made[1], tmp_path_factory)


def open_page(browser, page, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "explore.html"
    path.write_text(page, encoding="utf-8")
    browser.get(path.as_uri())
    assert browser.get_log("browser") == []
    return browser


def accessible(browser):
    """List (role, name, properties) of what is not ignored in the accessibility tree."""
    found = []
    for node in browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]:
        if node.get("ignored"):
            continue
        properties = {p["name"]: p["value"].get("value") for p in node.get("properties", [])}
        properties["value"] = node.get("value", {}).get("value")
        found.append((node["role"]["value"], node.get("name", {}).get("value", ""), properties))
    return found


def enter(browser, **values):
    """Type into controls as a hand would: the value, then an input event."""
    for name, value in values.items():
        browser.execute_script(
            "const e = document.getElementById(arguments[0]); e.value = arguments[1];"
            "e.dispatchEvent(new Event('input', {bubbles: true}));",
            name,
            str(value),
        )


def shown(browser, column="now"):
    """Return value and text of each line of a column."""
    script = (
        "return Object.fromEntries([...document.querySelectorAll(`data[id^='${arguments[0]}-']`)]"
        ".map(e => [e.id.split('-')[1], [e.value, e.textContent]]));"
    )
    return browser.execute_script(script, column)


def same(text):
    return text.replace("\N{NO-BREAK SPACE}", " ")


SETTINGS = (
    {},
    {"cover": 6, "hours": 30, "temperature": 3, "followUp": 1},
    {"cover": 8, "hours": 62, "temperature": 25},
    {"cover": 0, "hours": 0, "temperature": 0, "life": 20, "allowed": 30},
    {"cover": 3, "hours": 40, "followUp": 1, "life": 110, "allowed": 2.5},
    {"cover": 7, "hours": 5, "temperature": 12, "life": 43, "allowed": 0.3, "price-repair": 1234.5},
)


@pytest.mark.parametrize("settings", SETTINGS)
def test_the_script_computes_what_the_program_does(browser, made, opened, case, settings):
    tables, _ = made
    browser.refresh()
    enter(browser, **settings)
    start = browser.execute_script("return data.start")
    at = {key: settings.get(key, value) for key, value in start.items()}
    pair = PairPlace(
        at["cover"], float(tables.hours[at["hours"]]), at["temperature"], at["followUp"]
    )
    goal = Goal(settings.get("life", 75.0), settings.get("allowed", 10.0) / 100.0)
    expected, found = read_answer(tables, pair, goal), shown(browser)
    assert found["meets"][0] == expected.meets
    assert_allclose(float(found["probability"][0]), expected.probability, rtol=1e-9)
    assert same(found["probability"][1]) == percent(expected.probability)
    ends = [float(x) for x in found["range"][0].split()]
    assert_allclose(ends, [expected.low, expected.high], rtol=1e-9)
    low, high = percent(expected.low), percent(expected.high)
    assert same(found["range"][1]) in (
        interval(expected.low, expected.high, percent),
        f"{low} to {high}",
    )
    assert_allclose(float(found["confidence"][0]), expected.confidence, rtol=1e-9, atol=1e-12)
    assert same(found["confidence"][1]) == confidence(expected.confidence)
    assert_allclose(float(found["life"][0].replace("Infinity", "inf")), expected.life, rtol=1e-9)
    if expected.life > tables.mean.ages[0]:
        assert same(found["life"][1]) == years(expected.life, horizon=case.sampling.horizon)
    hours, cover = earliest_hours(tables, pair, goal), least_cover(tables, pair, goal)
    assert float(found["earliest"][0].replace("Infinity", "inf")) == hours
    assert float(found["least"][0].replace("Infinity", "inf")) == cover
    after = case.choices.follow_up[pair.follow_up]
    cost = replace(case.cost, repair=settings.get("price-repair", case.cost.repair))
    first, whole = expected_cost(
        tables, pair, cost, method=after.method, duration_h=after.duration_h
    )
    assert_allclose(
        [float(found["first"][0]), float(found["expected"][0])], [first, whole], rtol=1e-9
    )
    assert [found["first"][1], found["expected"][1]] == [price(first), price(whole)]
    words = {YES: "Meets the target", NO: "Fails the target", TOO_CLOSE: "Too close: run it"}
    text = browser.find_element("id", "verdict").text
    assert text.startswith(words[expected.meets])
    spoken = [name for role, name, _ in accessible(browser) if role == "StaticText"]
    assert text in [same(name) for name in spoken] + spoken


def test_the_line_is_what_choose_reads(browser, opened, case):
    browser.refresh()
    enter(browser, cover=4, hours=20, temperature=2, followUp=1)
    line = browser.find_element("id", "line").get_attribute("value")
    assert line.startswith("stripwise design pier-wall-cost.toml --choose ")
    choice = read_choice(line.split('"')[1], Setting.from_scenario(case, workers=1))
    assert (choice.cover, choice.hours, choice.temperature) == (65.0, 30.0, 7.0)
    assert choice.follow_up == case.choices.follow_up[1]


def test_the_normal_distribution_is_that_of_scipy(browser, opened):
    x = np.concatenate([np.linspace(-8.0, 8.0, 81), [-20.0, 2.9999999, 3.0]])
    found = browser.execute_script("return arguments[0].map(normalCdf)", x.tolist())
    assert_allclose(found, special.ndtr(x), rtol=1e-12)
    p = np.array([1e-12, 1e-5, 0.025, 0.1, 0.5, 0.9, 0.975])
    found = browser.execute_script("return arguments[0].map(normalQuantile)", p.tolist())
    assert_allclose(found, special.ndtri(p), rtol=1e-12, atol=1e-15)


def test_controls_have_names_and_values_for_assistive_technology(browser, opened):
    from selenium.webdriver.common.keys import Keys

    browser.refresh()
    tree = accessible(browser)
    sliders = {name: p for role, name, p in tree if role == "slider"}
    assert set(sliders) == {"Nominal cover", "Time in the forms", "Concrete until stripping"}
    assert sliders["Nominal cover"]["valuetext"] == "60 mm"
    numbers = {name for role, name, _ in tree if role == "spinbutton"}
    assert {"Service life, yr", "Allowed probability, %", "A repair"} <= numbers
    assert any(role == "combobox" and name == "Curing after stripping" for role, name, _ in tree)
    pictures = [name for role, name, _ in tree if role == "image"]
    assert any("60 mm, 24 h" in name and "85 mm: from" in name for name in pictures)
    assert {"Gates"} <= {name for role, name, _ in tree if role == "complementary"}
    status = browser.find_element("id", "verdict")
    assert (status.get_attribute("role"), status.get_attribute("aria-live")) == ("status", "polite")
    before = status.text
    browser.find_element("id", "cover").send_keys(Keys.ARROW_RIGHT)
    assert browser.find_element("id", "cover-text").text == "65 mm"
    assert status.text != before
    enter(browser, life=5000)
    assert browser.find_element("id", "life").get_attribute("aria-invalid") == "true"


def test_pins_stay_while_the_pair_moves_and_follow_the_target(browser, opened):
    browser.refresh()
    browser.find_element("id", "pinA").click()
    pinned = shown(browser, "A")
    enter(browser, cover=7)
    assert shown(browser, "A") == pinned
    assert shown(browser) != pinned
    enter(browser, life=30)
    assert float(shown(browser, "A")["probability"][0]) < float(pinned["probability"][0])
    assert not math.isnan(float(shown(browser, "A")["probability"][0]))
    browser.find_element("id", "loadA").click()
    assert shown(browser)["pair"] == pinned["pair"]


def test_the_gates_stay_in_view(browser, opened):
    browser.refresh()
    browser.execute_script("window.scrollTo(0, 0)")
    box = browser.execute_script(
        "const r = document.querySelector('.gates-bar').getBoundingClientRect();"
        "return [r.top, r.bottom, window.innerHeight]"
    )
    assert 0 <= box[0] < box[1] <= box[2] + 1


def test_a_demanded_confidence_is_heeded(browser, strict, tmp_path_factory):
    tables, page = strict
    open_page(browser, page, tmp_path_factory)
    goal = Goal(75.0, 0.1, 0.8)
    answers = set()
    for cover in range(0, len(tables.covers), 2):
        enter(browser, cover=cover, hours=38)
        warmth = browser.execute_script("return data.start.temperature")
        pair = PairPlace(cover, float(tables.hours[38]), warmth, 0)
        expected, found = read_answer(tables, pair, goal), shown(browser)
        assert found["meets"][0] == expected.meets
        assert_allclose(
            float(found["life"][0].replace("Infinity", "inf")), expected.life, rtol=1e-9
        )
        answers.add(expected.meets)
    assert {YES, NO} <= answers
