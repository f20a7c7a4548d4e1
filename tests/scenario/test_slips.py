"""Slips of the pen: what was meant, what was typed, and that it does not pass without a word."""

import pytest

from stripwise.errors import ScenarioError
from stripwise.scenario.engine import key_fields
from stripwise.scenario.fields import Quantity, Random
from stripwise.scenario.loading import load
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.studies.site_record import read_record
from stripwise.studies.stripped import stripped_early

COVER = '{ family = "normal", mean = "55 mm", sd = "8 mm" }'
SURFACE = '{ family = "lognormal", mean = 2.0, cov = 0.35 }'
DIFFUSIVITY = '{ family = "normal", mean = "5.0e-12 m^2/s", cov = 0.2 }'
AGEING = '{ family = "beta", mean = 0.30, sd = 0.12, low = 0, high = 1 }'
CRITICAL = '{ family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }'
ZONE = 'convection_zone = "0 mm"'
FORMS = 'strip_age = "24 h"'
AT_15 = 'concrete_temperature = "15 degC"'
MONTHS = ["1", "2", "5", "9", "14", "17", "19", "18", "15", "10", "5", "2"]
PRICES = """
[cost]
forms = "0.30 EUR/m^2/h"
cover = "0.45 EUR/m^2/mm"
repair = "380 EUR/m^2"
real_rate = "2.5 %"
"""


def months(place, text):
    listed = [f'"{x} degC"' for x in MONTHS]
    listed[place] = f'"{text}"'
    return f"monthly_temperature = [{', '.join(listed)}]\nchl"


def beta(mean, sd, low, high):
    return f'{{ family = "beta", mean = "{mean}", sd = "{sd}", low = "{low}", high = "{high}" }}'


# what was meant: the text of the sound file, the text with the slip, a part of what is said
SLIPS = {
    "concrete 68 degF": (AT_15, AT_15.replace("15", "68"), "usual value is -5 degC to 50 degC"),
    "concrete 55 degF": (AT_15, AT_15.replace("15", "55"), "usual value is -5 degC to 50 degC"),
    "concrete 45 degF": (AT_15, AT_15.replace("15", "45"), "Concrete above 40 degC"),
    "concrete 15 degC, as 2 degC": (AT_15, AT_15.replace("15", "2"), "Concrete below 5 degC"),
    "exposure 10 degC": ('"10 degC"', '"-10 degC"', "usual mean is -5 degC to 35 degC"),
    "exposure 50 degF": ('"10 degC"', '"50 degC"', "usual mean is -5 degC to 35 degC"),
    "exposure sd 1.5 K": (
        '"10 degC"',
        '{ family = "normal", mean = "10 degC", sd = "15 degC" }',
        "usual sd is 0.05 K to 12 K",
    ),
    "January in degF": ('temperature = "10 degC"\nchl', months(0, "35 degC"), "January is"),
    "July 46 degF": ('temperature = "10 degC"\nchl', months(6, "46 degC"), "usual value is -30"),
    "April 9 degC": ('temperature = "10 degC"\nchl', months(3, "9 degF"), "April is"),
    "diffusivity at 28 d": ("specimens", 'diffusivity_age = "28 h"\nspecimens', "3 d to 10 yr"),
    "exposed at 28 d": ("specimens", 'exposure_age = "28 h"\nspecimens', "3 d to 3 yr"),
    "strip age 24 h": (FORMS, 'strip_age = "24 d"', "names 24 h as the strip age"),
    "strip age 12 h": ('"12 h"\n\n', '"12 d"\n\n', "names 12 h as the strip age"),
    "strip age 24 h, as 2.4": (FORMS, 'strip_age = "2.4 h"', "usual mean is 4 h to 28 d"),
    "a name's 3 d of sheet": (
        'name = "Forms 24 h"\n' + FORMS,
        'name = "Forms 24 h, then sheet 3 d"\n'
        + FORMS
        + '\nfollow_up = { method = "sheet", duration = "3 h" }',
        "usual value is 12 h to 28 d",
    ),
    "a name's 7 d of sheet": (
        'name = "Forms 24 h"\n' + FORMS,
        'name = "Forms 24 h, then sheet 7 d"\n'
        + FORMS
        + '\nfollow_up = { method = "sheet", duration = "1 d" }',
        "names 7 d of curing after stripping, but there is sheet 1 d",
    ),
    "a follow-up left out": (
        'name = "Forms 24 h"',
        'name = "Forms 24 h, then sheet 7 d"',
        "names 7 d of curing after stripping, but there is no curing after stripping",
    ),
    "reliability index 1.3": (
        "probability = 0.10",
        "reliability_index = -1.3",
        "usual value is 0 to 5.2",
    ),
    "probability .10": ("probability = 0.10", "probability = 0.90", "usual value is 1e-7 to 0.5"),
    "probability 10 %": ("probability = 0.10", "probability = 10", "above 0 and below 1"),
    "service life 50 yr": ('"50 yr"', '"5 yr"', "usual value is 10 yr to 200 yr"),
    "horizon 100 yr": ('horizon = "100 yr"', 'horizon = "400 yr"', "10 yr to 300 yr"),
    "cover sd 8 mm": ('sd = "8 mm"', 'sd = "0.8 mm"', "usual sd is 1.5 mm to 40 mm"),
    "cover sd 8 mm, in cm": ('sd = "8 mm"', 'sd = "8 cm"', "usual sd is 1.5 mm to 40 mm"),
    "cover cov .15": ('sd = "8 mm"', "cov = 0.015", "usual sd is 1.5 mm to 40 mm"),
    "cover 55 mm": ('"55 mm"', '"5.5 mm"', "usual mean is 10 mm to 300 mm"),
    "cover 55 mm, in cm": ('"55 mm"', '"55 cm"', "usual mean is 10 mm to 300 mm"),
    "cover up to 150 mm": (COVER, beta("55 mm", "8 mm", "0 mm", "15 m"), "usual bound is 0 mm"),
    "reference curing 7 d": ('"7 d"', '"7 week"', "usual value is 2 d to 28 d"),
    "reference curing 28 d": ('"7 d"', '"280 d"', "usual value is 2 d to 28 d"),
    "affected depth 30 mm": ('"whole cover"', '"30 cm"', "usual mean is 5 mm to 150 mm"),
    "zone up to 50 mm": (
        ZONE,
        f"convection_zone = {beta('8.9 mm', '5.6 mm', '0 mm', '50 m')}",
        "usual bound is 0 mm to 150 mm",
    ),
    "zone of 9 mm": (ZONE, 'convection_zone = "9 cm"', "usual mean is 0 mm to 60 mm"),
    "critical content up to 2": ("high = 2.0", "high = 2000", "usual bound is 0 % to 20 %"),
    "critical content .6": (CRITICAL, "60", "usual mean is 0.05 to 10 %"),
    "surface content 2": (SURFACE, SURFACE.replace("2.0", "200"), "usual mean is 0.02 to 15 %"),
    "surface cov .35": (SURFACE, SURFACE.replace("0.35", "3.5"), "usual share is 0.01 to 1.5"),
    "initial content .1": ("initial_chloride = 0.1", "initial_chloride = 10", "usual mean is 0"),
    "diffusivity 5e-12": (DIFFUSIVITY, DIFFUSIVITY.replace("e-12", "e-10"), "0.05e-12 to 100e-12"),
    "diffusivity cov .2": (DIFFUSIVITY, DIFFUSIVITY.replace("0.2", "0.002"), "usual share is 0.01"),
    "ageing exponent .3": (AGEING, AGEING.replace("0.30", "3"), "must lie between low = 0"),
    "ageing sd .12": (AGEING, AGEING.replace("0.12", "0.0012"), "usual sd is 0.002 to 0.35"),
    "ageing ends at 30 yr": ("specimens", 'ageing_ends = "3 yr"\nspecimens', "5 yr to 200 yr"),
    "test factor .9": ("specimens", "test_factor = 9\nspecimens", "usual value is 0.5 to 2"),
    "choices from 45 mm": ('low = "45 mm"', 'low = "4.5 mm"', "usual value is 5 mm to 200 mm"),
    "choices up to 5 d": ('high = "5 d"', 'high = "50 d"', "usual value is 4 h to 28 d"),
    "seed of a step 5 mm": ('step = "5 mm"', 'step = "5 cm"', "width of the range"),
}
SLIPS |= {
    "cover 60 mm, as 6 in": ('"55 mm"', '"6 in"', "lies outside those on the table, 45 to 75 mm"),
    "cover 55 mm, as 85": ('"55 mm"', '"85 mm"', "lies outside those on the table, 45 to 75 mm"),
    "bias 5 mm": (
        'mean = "55 mm"',
        'nominal = "55 mm", bias = "5 cm"',
        "differs by 50 mm from the nominal",
    ),
    "bias -5 mm": (
        'mean = "55 mm"',
        'nominal = "55 mm", bias = "-20 mm"',
        "differs by -20 mm from the nominal",
    ),
    "diffusivity 5e-12, in mm2/yr": (
        '"5.0e-12 m^2/s"',
        '"15.8 mm^2/yr"',
        "0.5e-12 m2/s lies below what is published",
    ),
    "diffusivity 5e-12, as -13": ("5.0e-12", "5.0e-13", "0.5e-12 m2/s lies below what is publ"),
    "ageing exponent .3, as .8": ("mean = 0.30", "mean = 0.80", "more than most concretes reach"),
    "test factor .85": ("specimens", "test_factor = 0.4\nspecimens", "usual value is 0.5 to 2"),
    "affected depth 30 mm, as 3": ('"whole cover"', '"3 mm"', "usual mean is 5 mm to 150 mm"),
    "reference curing 7 d, as 1": ('"7 d"', '"1 d"', "usual value is 2 d to 28 d"),
    "zone of 9 mm, as .9": (ZONE, 'convection_zone = "0.9 mm"', "is thin for a convection zone"),
    "probability .05": (
        "probability = 0.10",
        "probability = 0.5",
        "a probability of 0.5 is allowed",
    ),
    "reliability index 1.3, as .13": (
        "probability = 0.10",
        "reliability_index = 0.13",
        "a probability of 0.45 is allowed",
    ),
    "service life 50 yr, as 15": ('"50 yr"', '"15 yr"', "temporary or replaceable part"),
    "penalty 1.2": (FORMS, FORMS + "\npenalty = 0.2", "denser than concrete cured for 7 d"),
    "front factor 1": (
        "[curing]",
        '[model]\nfront_factor = { family = "lognormal", mean = 0.7, cov = 0.1 }\n\n[curing]',
        "makes every front shallower",
    ),
    "follow-up at 50 degF": (
        FORMS,
        FORMS + '\nfollow_up = { method = "sheet", duration = "3 d", temperature = "50 degC" }',
        "Concrete above 40 degC while it is cured",
    ),
    "another concrete's diffusivity": (
        "[choices]",
        '[choices]\nconcrete = [ { name = "other mix", diffusivity = "2e-13 m^2/s" } ]',
        'choices.concrete "other mix": concrete.diffusivity: 0.2e-12 m2/s lies below',
    ),
}
SLIPS["activation 5000 K"] = (
    AT_15,
    f'{AT_15}\nactivation_temperature = "500 K"',
    "must be between 1000 K and 15000 K",
)

SLIPS_OF_PRICES = {
    "cover 0.45": ("0.45 EUR/m^2/mm", "450 EUR/m^2/mm", "1.2 times the price of a repair"),
    "forms 0.30": ("0.30 EUR/m^2/h", "30 EUR/m^2/h", "0.079 times the price of a repair"),
    "repair 380": ("380 EUR", "3.8 EUR", "usual price of a repair is 10 to 10000 EUR/m^2"),
    "rate 2.5 %": ('"2.5 %"', '"25 %"', "usual value is -2 % to 12 %"),
    "rate .025": ('"2.5 %"', "2.5", "must be between -10 % and 50 %"),
    "cover in yen": ("EUR", "JPY", ""),
    "share .4": (
        "real_rate",
        'repair_parts = [ { after = "8 yr", share = 0.6 }, { after = "20 yr", share = 0.04 } ]\n'
        "real_rate",
        "their shares add to 0.64",
    ),
    "horizon 100 yr": ("real_rate", 'horizon = "10 yr"\nreal_rate', "nothing is paid after 10 yr"),
}
SLIPS_OF_PRICES |= {
    "cover 4.5 a cm": ("0.45 EUR/m^2/mm", "4.5 EUR/m^2/mm", "4500 EUR for a m3 of cover"),
    "cover 0.45 a mm": ("0.45 EUR/m^2/mm", "0.45 EUR/m^2/cm", "45 EUR for a m3 of cover"),
    "forms 7.2 a day": ("0.30 EUR/m^2/h", "7.2 EUR/m^2/h", "comes to 173 EUR/m²/d"),
    "forms 0.30 an hour": ("0.30 EUR/m^2/h", "0.30 EUR/m^2/d", "comes to 0.3 EUR/m²/d"),
    "hire 2.4 a day": (
        '"0.30 EUR/m^2/h"',
        '{ hire = "2.4 EUR/m^2/h", crew = "0.05 EUR/m^2/h" }',
        "cost.forms.hire: this comes to 57.6 EUR/m²/d",
    ),
    "hire 0.10 an hour": (
        '"0.30 EUR/m^2/h"',
        '{ hire = "0.10 EUR/m^2/d", crew = "0.05 EUR/m^2/h" }',
        "cost.forms.hire: this comes to 0.1 EUR/m²/d",
    ),
    "sheet 0.50 a day": (
        "real_rate",
        'follow_up = { sheet = "0.50 EUR/m^2/h" }\nreal_rate',
        "cost.follow_up.sheet: this comes to 12 EUR/m²/d",
    ),
    "rate 2.5 %, as -1.5": ('"2.5 %"', '"-1.5 %"', "the real rate comes to -1.5 % a year"),
    "nominal rate and inflation": (
        'real_rate = "2.5 %"',
        'nominal_rate = "2 %"\ninflation = "4.5 %"',
        "inflation and nominal_rate are not exchanged",
    ),
}

COATING = """
[coating]
credit = true
thickness = "0.3 mm"
diffusivity = "1e-14 m^2/s"
life = "15 yr"
"""
SLIPS_OF_COATINGS = {
    "film 0.3 mm": ('"0.3 mm"', '"3 mm"', "3 mm is the thickness of a mortar"),
    "mortar 3 mm": (
        'thickness = "0.3 mm"\ndiffusivity = "1e-14',
        'thickness = "0.3 mm"\ndiffusivity = "2e-13',
        "0.3 mm is the thickness of a film",
    ),
    "film 0.3 mm, tight": (
        'thickness = "0.3 mm"\ndiffusivity = "1e-14',
        'thickness = "3 mm"\ndiffusivity = "2e-15',
        "a resistance of 47.5 yr/mm",
    ),
    "diffusivity 1e-14": ("1e-14", "1e-16", "a resistance of 95.1 yr/mm"),
}


def said(wall, *changes, end=""):
    """Return what is said of a file: its problems, or the warnings of the scenario."""
    try:
        return "\n".join(load(wall.write(*changes, end=end)).warnings)
    except ScenarioError as error:
        return str(error)


@pytest.mark.parametrize("meant", SLIPS)
def test_a_slip_is_refused_or_warned_of(wall, meant):
    old, new, words = SLIPS[meant]
    assert words not in said(wall)
    assert words in said(wall, (old, new))


@pytest.mark.parametrize("meant", SLIPS_OF_PRICES)
def test_a_slip_in_a_price_is_refused(wall, meant):
    old, new, words = SLIPS_OF_PRICES[meant]
    text = said(wall, end=PRICES.replace(old, new))
    assert ("cost." in text or "cost: " in text) == bool(words)
    assert words in text


@pytest.mark.parametrize("meant", SLIPS_OF_COATINGS)
def test_a_slip_in_a_coating_is_warned_of(wall, meant):
    old, new, words = SLIPS_OF_COATINGS[meant]
    assert old in COATING
    whole = ('affected_depth = "whole cover"', "")
    assert "coating.thickness" not in said(wall, whole, end=COATING)
    assert "coating: a resistance" not in said(wall, whole, end=COATING)
    assert words in said(wall, whole, end=COATING.replace(old, new))


def test_a_mortar_as_coating_and_prices_in_other_units_pass(wall):
    mortar = COATING.replace("0.3 mm", "3 mm").replace("1e-14", "5e-13")
    assert "the thickness of" not in said(wall, end=mortar)
    prices = PRICES.replace("0.30 EUR/m^2/h", "0.67 EUR/ft^2/d")
    assert "cost." not in said(wall, end=prices.replace("0.45 EUR/m^2/mm", "1.06 EUR/ft^2/in"))


def test_there_are_enough_slips():
    assert len(SLIPS) + len(SLIPS_OF_PRICES) + len(SLIPS_OF_COATINGS) >= 80


# real work at the edge of what is usual
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('name = "Forms 24 h"\n' + FORMS, 'name = "Forms 28 d"\nstrip_age = "28 d"'),
        (AGEING, "0"),
        (AGEING, "1"),
        ("probability = 0.10", "probability = 0.5"),
        ("probability = 0.10", "reliability_index = 0"),
        ('"10 degC"', '"30 degC"'),
        ('sd = "8 mm"', 'sd = "15 mm"'),
        (COVER, beta("55 mm", "8 mm", "0 mm", "275 mm")),
    ],
)
def test_real_work_passes(wall, old, new):
    reference = ('reference_strategy = "Forms 24 h"', "")
    assert wall.load(reference, (old, new)).strategies


def test_a_cold_winter_passes(wall):
    winter = [-25, -21, -13, 0, 8, 15, 18, 15, 8, 0, -12, -21]
    listed = ", ".join(f'"{x} degC"' for x in winter)
    case = wall.load(('temperature = "10 degC"\nchl', f"monthly_temperature = [{listed}]\nchl"))
    assert case.monthly_temperature == tuple(winter)


def test_a_constant_can_be_meant(wall):
    meant = 'concrete_temperature = { value = "68 degC", unusual = true }'
    assert wall.load((AT_15, meant)).curing.temperature == pytest.approx(68.0)
    (problem,) = wall.problems((AT_15, meant.replace("true", "false")))
    assert problem == (
        'wall.toml: curing.concrete_temperature.value = "68 degC": the usual value is -5 degC to '
        '50 degC; check the unit, or write { value = "68 degC", unusual = true } if it is meant '
        "(line 27)"
    )
    (problem,) = wall.problems((AT_15, meant.replace("68", "200")))
    assert "must be between -10 degC and 80 degC" in problem
    (problem,) = wall.problems((AT_15, meant.replace("unusual", "usual")))
    assert "must be a value, or a table such as { value = ..., unusual = true }" in problem


def test_only_the_command_line_is_meant_by_its_option(wall):
    case = wall.load()
    words = {"plan": None, "face": None, "follow_up_at": None}
    with pytest.raises(ScenarioError, match="or add --unusual if it is meant"):
        read_record(case, after="14 h", at="68 degC", **words)
    assert read_record(case, after="14 h", at="68 degC", unusual=True, **words).temperature == 68.0
    with pytest.raises(ScenarioError, match="must be between -10 degC and 80 degC"):
        read_record(case, after="14 h", at="98 degC", unusual=True, **words)


@pytest.mark.usefixtures("few_samples", "no_more_follow_ups")
def test_a_strip_after_days_in_place_of_hours_is_doubted(wall):
    case = wall.load(("points = 256", "points = 64"))
    said_of = {
        after: stripped_early(case, after=after, at="15 degC").notes for after in ("14 h", "14 d")
    }
    words = "14 d is later than the 24 h of the plan: this is no early strip."
    assert any(note.startswith(words) for note in said_of["14 d"])
    assert not any("is later than" in note for note in said_of["14 h"])


def test_values_are_quoted_as_written(wall):
    (problem,) = wall.problems(('affected_depth = "whole cover"', 'affected_depth = "5.6 in"'))
    assert "is on average 5.6 in, thicker than the mean cover of 55 mm" in problem


def test_only_what_is_used_is_required(wall):
    case = wall.load(
        ('title = "Test wall"', ""),
        ('reference_strategy = "Forms 24 h"', ""),
        ('affected_depth = "whole cover"', ""),
    )
    assert (case.title, case.reference_strategy) == ("wall", "Forms 12 h")
    assert not case.curing.layered
    text = wall.path.read_text("utf-8").split("[choices]")
    text = text[0] + "[sampling]" + text[1].split("[sampling]")[1]
    own = FORMS + '\nconcrete_temperature = "12 degC"'
    text = text.replace(AT_15, "").replace(FORMS, own)
    wall.path.write_text(text)
    with pytest.raises(ScenarioError, match=r"curing\.concrete_temperature: is missing"):
        load(wall.path)
    wall.path.write_text(text.replace('strip_age = "12 h"', 'strip_age = "12 h"\npenalty = 2.0'))
    case = load(wall.path)
    assert case.curing.temperature == 12.0
    assert any("No concrete temperature is given for" in x for x in case.warnings)


def every_declaration(model=ScenarioTable):
    for field in key_fields(model):
        if field.declared is not None:
            yield field.key, field.declared
        if field.holds_tables:
            yield from every_declaration(field.model)


def test_every_number_has_a_usual_range():
    declared = list(every_declaration())
    assert len(declared) > 100
    for key, rule in declared:
        if isinstance(rule, Quantity):
            assert rule.usual or rule.bounds, key
            if rule.usual and rule.bounds:
                low, high = rule.usual_ends
                assert rule.limits.hold([low, high]).all(), key
        if isinstance(rule, Random):
            assert rule.usual_sd or rule.usual_cov, key
            low, high = rule.usual_bounds
            assert low <= rule.usual[0] < rule.usual[1] <= high, key
