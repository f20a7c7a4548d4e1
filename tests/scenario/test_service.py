"""Options of the physics in the file: what is read, and every bad value with its message."""

import hashlib
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from stripwise.scenario.describe import describe
from stripwise.scenario.loading import load

SURFACE = 'surface_chloride = { family = "lognormal", mean = 2.0, cov = 0.35 }'
TEMPERATURE = 'temperature = "10 degC"'
DEPTH = 'affected_depth = "whole cover"'
MONTHS = (
    'monthly_temperature = ["-2 degC", "0 degC", "4 degC", "9 degC", "14 degC", "17 degC", '
    '"19 degC", "18 degC", "14 degC", "9 degC", "4 degC", "0 degC"]'
)
CARBONATION = """
[carbonation]
relative_humidity = "75 %"
inverse_resistance = "6.8e-11 m^2/s/(kg/m^3)"
"""
CRACKING = """
[cracking]
bar_diameter = "16 mm"
tensile_strength = "400 psi"
published_rate = "cyclic"
steel = "B500B, EN 10080"
"""
EXTENT = """
[extent]
width = "12 m"
height = "10 ft"
correlation_length = "2 m"
"""


def history(text):
    return (SURFACE, f"{SURFACE}\nsurface_history = {text}")


def test_without_options_nothing_is_switched_on(wall):
    service = wall.load().service
    assert not service.changes_front
    assert service.cracking is None
    assert service.extent is None


def test_every_option_is_read(wall):
    case = wall.load(
        (TEMPERATURE, MONTHS + '\nfirst_exposure = "April"'),
        history('{ shape = "linear", duration = "15 yr" }'),
        ("[exposure]", '[exposure]\nmechanisms = ["chloride", "carbonation"]'),
        end=CARBONATION
        + CRACKING
        + EXTENT
        + '[model]\nfront_factor = { family = "lognormal", mean = 1, cov = 0.1 }\n',
    )
    service = case.service
    assert service.changes_front
    assert service.history.shape == "linear"
    assert case.input("exposure.surface_history.duration").distribution.mean == 15.0
    assert service.first_month == 3
    # 1e-11 m2/s is 315.576 mm2/yr
    resistance = case.input("carbonation.inverse_resistance").distribution.mean
    assert_allclose(resistance, 6.8 * 315.576)
    assert "recalled" in case.input("carbonation.co2").source
    assert_allclose(case.input("cracking.tensile_strength").distribution.mean, 2.7579, rtol=1e-4)
    assert case.input("cracking.wet_share").distribution.mean == 0.75
    assert case.input("model.front_factor").kind == "knowledge"
    assert_allclose(service.extent.height, 3.048)
    assert service.extent.shares == (0.05, 0.1, 0.2)
    text = describe(case)
    assert "Mechanisms: chloride and carbonation." in text
    assert "First exposure: April; the seasons are integrated." in text
    assert "Steel: B500B, EN 10080." in text
    assert "Extent: face of 12 m by 3.048 m" in text


def test_a_rise_goes_with_a_penalty_on_a_skin(wall):
    case = wall.load(
        history('{ shape = "linear", duration = "9 yr" }'), (DEPTH, 'affected_depth = "20 mm"')
    )
    assert case.curing.layered
    assert case.service.history.shape == "linear"


def test_a_table_and_a_wall_beside_a_road(wall):
    case = wall.load(
        (SURFACE, 'de_icing = { distance = "1 m", height = "0 m", cov = 0.5 }'),
        (
            'chloride_basis = "binder"',
            'chloride_basis = "binder"\nbinder_content = "350 kg/m^3"\n'
            'density = "2350 kg/m^3"\nsurface_history = { shape = "table", '
            'table = [["0 yr", 0.2], ["10 yr", 1], ["30 yr", 0.5]] }',
        ),
    )
    assert case.service.history.falls
    # 0.2296 % of concrete at 1 m (Gehlen 2000, recalled) over 350 / 2350 of binder
    mean = case.input("exposure.surface_chloride").distribution.mean
    assert_allclose(mean, 0.2296 * 2350.0 / 350.0, rtol=3e-4)


def test_carbonation_alone_needs_no_chloride():
    path = Path(__file__).parent / "carbonation.toml"
    case = load(path)
    assert not case.service.chloride
    names = [item.name for item in case.inputs]
    assert not any(name.startswith(("concrete.", "exposure.", "curing.")) for name in names)
    assert "Ageing" not in describe(case)


SERIES = "date,temperature_degC\n" + "".join(
    f"2024-{month:02d}-{day:02d},{10 + month + 4 * (day % 2)}\n"
    for month in range(1, 13)
    for day in (10, 11)
)


def test_a_series_keeps_the_weight_of_warm_hours(wall):
    (wall.path.parent / "site.csv").write_text(SERIES, encoding="utf-8")
    case = wall.load((TEMPERATURE, 'temperature_series = "site.csv"'))
    digest = hashlib.sha256(SERIES.encode()).hexdigest()
    assert dict(case.data_files) == {"site.csv": digest}
    january = case.monthly_temperature[0]
    # readings 15 and 11 degC: the constant temperature of equal mean factor lies above 13
    assert 13.0 < january < 13.3


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (SERIES.replace("date", "day"), "lacks the column date"),
        (SERIES.replace("2024-03-10", "spring"), "line 6 of it is no date"),
        (
            SERIES.replace(",13\n", ",130\n").replace(",17\n", ",170\n"),
            "must be between -60 and 70",
        ),
        ("\n".join(SERIES.splitlines()[:5]) + "\n", "has no reading in March, April"),
    ],
)
def test_bad_series(wall, text, message):
    (wall.path.parent / "site.csv").write_text(text, encoding="utf-8")
    (problem,) = wall.problems((TEMPERATURE, 'temperature_series = "site.csv"'))
    assert message in problem


def test_a_series_must_lie_beside_the_scenario(wall):
    (problem,) = wall.problems((TEMPERATURE, 'temperature_series = "../site.csv"'))
    assert "lies outside the scenario's folder; --allow-outside lets it" in problem
    (problem,) = wall.problems((TEMPERATURE, 'temperature_series = "no.csv"'))
    assert "there is no such file beside the scenario" in problem


BOTH = ("[exposure]", '[exposure]\nmechanisms = ["chloride", "carbonation"]')

# changes, end of the file, parts of the one message
BAD = {
    "eleven months": (
        [(TEMPERATURE, MONTHS.replace(', "0 degC"]', "]"))],
        "",
        "exposure.monthly_temperature: has 11 values; must have 12, from January on",
    ),
    "ramp of zero years": (
        [history('{ shape = "linear", duration = "0 yr" }')],
        "",
        'exposure.surface_history.duration = "0 yr": must be above 0 yr',
    ),
    "unknown shape": (
        [history('{ shape = "linaer", duration = "5 yr" }')],
        "",
        'exposure.surface_history.shape = "linaer": must be one of "constant", "linear", '
        '"square root", "table"; the nearest spelling is "linear"',
    ),
    "no duration": (
        [history('{ shape = "square root" }')],
        "",
        "exposure.surface_history.duration: is missing; how long the surface content rises, such "
        'as "15 yr"',
    ),
    "table that does not rise in age": (
        [history('{ shape = "table", table = [["0 yr", 0.2], ["5 yr", 1], ["5 yr", 0.4]] }')],
        "",
        "exposure.surface_history.table: the ages must rise from row to row",
    ),
    "table that starts late": (
        [history('{ shape = "table", table = [["1 yr", 0.2], ["5 yr", 1]] }')],
        "",
        'exposure.surface_history.table[1] = "1 yr": the first age must be 0 yr',
    ),
    "fall over a skin": (
        [
            history('{ shape = "table", table = [["0 yr", 0.2], ["5 yr", 1], ["9 yr", 0.5]] }'),
            (DEPTH, 'affected_depth = "20 mm"'),
        ],
        "",
        "exposure.surface_history.table: falls again, which cannot be combined with a penalty on a "
        "skin",
    ),
    "skin thicker than the cover": (
        [(DEPTH, 'affected_depth = "150 mm"')],
        "",
        "curing.affected_depth: is on average 150 mm, thicker than the mean cover of",
    ),
    "season without months": (
        [(TEMPERATURE, TEMPERATURE + '\nfirst_exposure = "April"')],
        "",
        'exposure.first_exposure = "April": needs monthly_temperature or temperature_series',
    ),
    "month misspelt": (
        [(TEMPERATURE, MONTHS + '\nfirst_exposure = "Aprll"')],
        "",
        'the nearest spelling is "April"',
    ),
    "humidity below 40 %": (
        [BOTH],
        CARBONATION.replace("75 %", "30 %"),
        'carbonation.relative_humidity = "30 %": must be between 40 and 100 % RH',
    ),
    "humidity above 100 %": (
        [BOTH],
        CARBONATION.replace("75 %", "101 %"),
        'carbonation.relative_humidity = "101 %": must be between 40 and 100 % RH',
    ),
    "inputs of carbonation missing": (
        [BOTH],
        CARBONATION.replace('inverse_resistance = "6.8e-11 m^2/s/(kg/m^3)"', ""),
        "carbonation.inverse_resistance: is missing; such as",
    ),
    "carbonation section missing": (
        [BOTH],
        "",
        "carbonation: is missing; exposure.mechanisms names carbonation",
    ),
    "carbonation not named": (
        [],
        CARBONATION,
        "carbonation: is given, but exposure.mechanisms does not name it",
    ),
    "correlation length of zero": (
        [],
        EXTENT.replace("2 m", "0 m"),
        'extent.correlation_length = "0 m": must be between 0.05 m and 1000 m',
    ),
    "a share that stands there twice": (
        [],
        EXTENT + "shares = [0.1, 0.2, 0.1]\n",
        "extent.shares[3] = 0.1: stands there twice",
    ),
    "two rates": (
        [],
        CRACKING + 'corrosion_rate = "30 um/yr"\n',
        "cracking.published_rate: is given beside corrosion_rate; give one of them",
    ),
    "no rate": (
        [],
        CRACKING.replace('published_rate = "cyclic"', "wet_share = 0.5"),
        'cracking.corrosion_rate: is missing; a value such as "30 um/yr"',
    ),
    "two surface contents": (
        [(SURFACE, SURFACE + '\nde_icing = { distance = "1 m", height = "0 m", cov = 0.5 }')],
        "",
        "exposure.de_icing: is given beside surface_chloride; give exactly one of them",
    ),
    "road without a binder content": (
        [(SURFACE, 'de_icing = { distance = "1 m", height = "0 m", cov = 0.5 }')],
        "",
        "exposure.binder_content and exposure.density are needed to convert",
    ),
    "factor of zero": (
        [],
        "[model]\nfront_factor = 0\n",
        "model.front_factor = 0: must be above 0",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_values(wall, case):
    changes, end, message = BAD[case]
    problems = wall.problems(*changes, end=end)
    assert [p for p in problems if message in p], problems
    assert len(problems) == 1, problems


def test_chloride_inputs_without_chloride_are_refused(wall):
    problems = wall.problems(
        ("[exposure]", '[exposure]\nmechanisms = ["carbonation"]'), end=CARBONATION
    )
    text = "\n".join(problems)
    assert "exposure.surface_chloride: belongs to chloride, which exposure.mechanisms does" in text
    assert "concrete.diffusivity: belongs to chloride" in text
    assert "reinforcement.critical_chloride: belongs to chloride" in text


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (b"date,temperature_degC\n2024-01-01," + b"1" * 131_073 + b"\n", "is no table: field"),
        (b"\xff\xfe\xff", "is not UTF-8 text"),
    ],
)
def test_a_series_that_is_no_table_is_told(wall, tmp_path, data, rule):
    (tmp_path / "site.csv").write_bytes(data)
    (problem,) = wall.problems((TEMPERATURE, 'temperature_series = "site.csv"'))
    assert rule in problem


@pytest.mark.parametrize("name", ["loop", "loop/site.csv", "no\\u0000thing"])
def test_a_path_of_a_series_that_leads_nowhere_is_told(wall, tmp_path, name):
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    (problem,) = wall.problems((TEMPERATURE, f'temperature_series = "{name}"'))
    assert "temperature_series" in problem
