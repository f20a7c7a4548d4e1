"""Layers and a coating in the file: what is read, and every bad value with its message."""

import pytest
from numpy.testing import assert_allclose

from stripwise.scenario.describe import describe

LAYERS = """
[[layer]]
thickness = { family = "normal", mean = "10 mm", sd = "2 mm" }
diffusivity_factor = 0.7

[[layer]]
thickness = "0.5 in"
penalty_share = { family = "uniform", low = 0.3, high = 0.7 }
"""
COATING = """
[coating]
credit = true
thickness = "0.3 mm"
diffusivity = "1e-15 m^2/s"
life = { family = "weibull", mean = "15 yr", sd = "5 yr" }
"""
TEMPERATURE = 'temperature = "10 degC"'
MONTHS = (
    'monthly_temperature = ["-2 degC", "0 degC", "4 degC", "9 degC", "14 degC", "17 degC", '
    '"19 degC", "18 degC", "14 degC", "9 degC", "4 degC", "0 degC"]\nfirst_exposure = "April"'
)
SURFACE = 'surface_chloride = { family = "lognormal", mean = 2.0, cov = 0.35 }'
RISE = (SURFACE, SURFACE + '\nsurface_history = { shape = "linear", duration = "9 yr" }')
EXTENT = '\n[extent]\nwidth = "12 m"\nheight = "3 m"\ncorrelation_length = "2 m"\n'


def test_without_them_the_front_is_a_closed_form(wall):
    service = wall.load().service
    assert not service.numerical
    assert not service.changes_front


def test_layers_and_coating_are_read(wall):
    case = wall.load(end=LAYERS + COATING)
    service = case.service
    assert service.numerical
    first, second = service.layers
    assert (first.thickness, first.factor) == ("layer[1].thickness", "layer[1].diffusivity_factor")
    assert (first.penalty_share, second.factor) == ("", "")
    assert second.penalty_share == "layer[2].penalty_share"
    assert_allclose(case.input("layer[2].thickness").distribution.mean, 12.7)
    assert case.input("layer[2].thickness").label == "layer 2: thickness"
    # what is hardly known is knowledge unless the file says otherwise
    assert case.input("coating.life").kind == "knowledge"
    assert case.input("layer[1].diffusivity_factor").kind == "knowledge"
    assert case.input("layer[1].thickness").kind == "scatter"
    assert_allclose(case.input("coating.diffusivity").distribution.mean, 0.0315576)
    text = describe(case)
    assert "Layers from the surface: 2; a numerical solution." in text
    assert "Coating: credit is taken until its life ends" in text


def test_a_resistance_is_thickness_over_diffusivity(wall):
    end = '\n[coating]\ncredit = true\nresistance = "3e11 s/m"\nlife = "15 yr"\n'
    case = wall.load(end=end)
    # 0.3 mm of 1e-15 m2/s
    assert_allclose(case.input("coating.resistance").distribution.mean, 0.3 / 0.0315576, rtol=1e-9)


def test_no_credit_unless_asked_for(wall):
    case = wall.load(end=COATING.replace("credit = true\n", ""))
    assert not case.service.numerical
    assert case.service.uncredited_coating
    assert not any(item.name.startswith("coating") for item in case.inputs)
    assert "Coating: no credit is taken (coating.credit)." in describe(case)


def test_the_sample_is_kept_manageable(wall):
    case = wall.load(("points = 256", "points = 16384"), end=LAYERS)
    assert case.sampling.points == 1024
    assert any("1024 points a repeat are used instead of 16384" in w for w in case.warnings)
    assert wall.load(("points = 256", "points = 16384")).sampling.points == 16384


# changes, end of the file, the one message
BAD = {
    "layers thicker than the cover": (
        [],
        LAYERS.replace("0.5 in", "50 mm"),
        "layer: the layers are together 60 mm thick on average: must be below the mean cover of "
        "55 mm",
    ),
    "a negative layer": (
        [],
        LAYERS.replace("0.5 in", "-3 mm"),
        'layer[2].thickness = "-3 mm": must be above 0 mm',
    ),
    "a layer without a thickness": (
        [],
        "\n[[layer]]\ndiffusivity_factor = 2\n",
        'layer[1].thickness: is missing; such as "10 mm", or a distribution',
    ),
    "a layer that differs in nothing": (
        [],
        '\n[[layer]]\nthickness = "10 mm"\n',
        "layer[1]: differs in nothing: give diffusivity_factor or penalty_share",
    ),
    "a factor of zero": (
        [],
        LAYERS.replace("diffusivity_factor = 0.7", "diffusivity_factor = 0"),
        "layer[1].diffusivity_factor = 0: must be above 0",
    ),
    "a share beyond one": (
        [],
        LAYERS.replace('{ family = "uniform", low = 0.3, high = 0.7 }', "1.2"),
        "layer[2].penalty_share = 1.2: must be between 0 and 1",
    ),
    "too many layers": (
        [],
        '\n[[layer]]\nthickness = "5 mm"\npenalty_share = 0\n' * 7,
        "layer: there are 7; at most 6 are allowed",
    ),
    "a key misspelt": (
        [],
        LAYERS.replace("penalty_share", "penalty_shares"),
        "unknown key; allowed here: thickness, diffusivity_factor, penalty_share; the nearest "
        "spelling is 'penalty_share'",
    ),
    "a life beyond the horizon": (
        [],
        COATING.replace(
            '{ family = "weibull", mean = "15 yr", sd = "5 yr" }',
            '{ value = "100 yr", unusual = true }',
        ),
        "coating.life: has a mean of 100 yr: must be below the horizon, 100 yr",
    ),
    "a negative life": (
        [],
        COATING.replace('{ family = "weibull", mean = "15 yr", sd = "5 yr" }', '"-5 yr"'),
        'coating.life = "-5 yr": must be at least 0 yr',
    ),
    "no life": (
        [],
        COATING.replace('life = { family = "weibull", mean = "15 yr", sd = "5 yr" }\n', ""),
        'coating.life: is missing; when it ends, such as "15 yr", or a distribution',
    ),
    "a bad coating of which no credit is taken": (
        [],
        COATING.replace("credit = true\n", "").replace("0.3 mm", "-0.3 mm"),
        'coating.thickness = "-0.3 mm": must be above 0 mm',
    ),
    "thickness without diffusivity": (
        [],
        COATING.replace('diffusivity = "1e-15 m^2/s"\n', ""),
        "coating.diffusivity: is missing; thickness and diffusivity belong together",
    ),
    "neither": (
        [],
        '\n[coating]\nlife = "15 yr"\n',
        'coating.resistance: is missing; such as "1.5 yr/mm"; or give thickness and diffusivity',
    ),
    "both": (
        [],
        COATING + 'resistance = "1 yr/mm"\n',
        "coating.thickness: is given beside resistance; give one or the other",
    ),
    "a unit of another quantity": (
        [],
        COATING.replace('thickness = "0.3 mm"', 'resistance = "0.3 mm"').replace(
            'diffusivity = "1e-15 m^2/s"\n', ""
        ),
        'coating.resistance = "0.3 mm": ',
    ),
    "with a rise of the surface chloride": (
        [RISE],
        LAYERS,
        "exposure.surface_history: cannot be combined with a layer",
    ),
    "coating with integrated seasons": (
        [(TEMPERATURE, MONTHS)],
        COATING,
        "exposure.first_exposure: cannot be combined with a coating with credit = true",
    ),
    "with an extent": ([], LAYERS + EXTENT, "extent: cannot be combined with a layer"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_values(wall, case):
    changes, end, message = BAD[case]
    problems = wall.problems(*changes, end=end)
    assert [p for p in problems if message in p], problems
    assert len(problems) == 1, problems


def test_they_belong_to_chloride(wall):
    carbonation = (
        '\n[carbonation]\nrelative_humidity = "75 %"\n'
        'inverse_resistance = "6.8e-11 m^2/s/(kg/m^3)"\n'
    )
    only = ("[exposure]", '[exposure]\nmechanisms = ["carbonation"]')
    text = "\n".join(wall.problems(only, end=carbonation + LAYERS + COATING))
    assert "layer: belongs to chloride, which exposure.mechanisms does not name" in text
    assert "coating: belongs to chloride" in text
