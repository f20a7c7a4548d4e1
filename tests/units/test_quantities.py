import itertools
import math

import pint
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stripwise.errors import InputError
from stripwise.scenario.sections.carbonation_table import RESISTANCE
from stripwise.units import quantities
from stripwise.units.quantities import (
    COEFFICIENT,
    CONTENT,
    DIFFUSIVITY,
    LENGTH,
    NUMBER,
    TEMPERATURE,
    TIME,
    convert,
    parse,
    split,
)

KINDS = {
    "mm": LENGTH,
    "hour": TIME,
    "mm ** 2 / year": DIFFUSIVITY,
    "K": TEMPERATURE,
    "kg / m ** 3": CONTENT,
}


# The inch, the pound and the yard are exact by the international yard and pound agreement of 1959
# (recalled); the Julian year has 365.25 d of 86400 s by definition.
@pytest.mark.parametrize(
    ("text", "kind", "to", "value"),
    [
        ("2 in", LENGTH, "mm", 50.8),
        ("50mm", LENGTH, "mm", 50.0),
        ("1 ft", LENGTH, "mm", 304.8),
        ("5 cm", LENGTH, "mm", 50.0),
        ("7 d", TIME, "hour", 168.0),
        ("1 yr", TIME, "day", 365.25),
        ("90 min", TIME, "hour", 1.5),
        ("1e-12 m^2/s", DIFFUSIVITY, "mm ** 2 / year", 31.5576),
        ("1e-12 m²/s", DIFFUSIVITY, "mm ** 2 / year", 31.5576),
        ("1e-8 cm2 / s", DIFFUSIVITY, "mm ** 2 / year", 31.5576),
        ("1 in^2/yr", DIFFUSIVITY, "mm ** 2 / year", 645.16),
        ("50 degF", TEMPERATURE, "degC", 10.0),
        ("9 °C", TEMPERATURE, "K", 282.15),
        ("-40 degF", TEMPERATURE, "degC", -40.0),
        ("9000 degR", COEFFICIENT, "K", 5000.0),
        ("1 lb/yd^3", CONTENT, "kg / m ** 3", 0.45359237 / 0.9144**3),
        ("+.5", NUMBER, "", 0.5),
        (3, NUMBER, "", 3.0),
    ],
)
def test_a_text_converts_to_the_internal_unit(text, kind, to, value):
    assert parse(text, kind, to=to) == pytest.approx(value, rel=1e-12, abs=1e-12)


def test_a_temperature_difference_has_no_offset():
    assert parse("9 degF", TEMPERATURE, to="K", difference=True) == pytest.approx(5.0, rel=1e-12)
    assert parse("5 degC", TEMPERATURE, to="K", difference=True) == 5.0


@pytest.mark.parametrize(
    ("raw", "kind", "message"),
    [
        ("9**9**9 mm", LENGTH, "is not a number followed by a unit"),
        ("2*3 mm", LENGTH, "is not a number followed by a unit"),
        ("__import__('os')", LENGTH, "is not a number followed by a unit"),
        ("nan mm", LENGTH, "is not a number followed by a unit"),
        ("1,5 mm", LENGTH, "is not a number followed by a unit; write decimals with a point"),
        ("", LENGTH, "is not a number followed by a unit"),
        ("1" * 200 + " mm", LENGTH, "is not a number followed by a unit"),
        ("1e999 mm", LENGTH, "must be a finite number"),
        (math.inf, NUMBER, "must be a finite number"),
        (10**400, NUMBER, "must be a finite number"),
        (50, LENGTH, 'needs the unit of a length, such as "50 mm"'),
        (
            "50 M",
            LENGTH,
            "'M' is no unit of a length; use mm, cm, m, in, ft; the nearest spelling is 'm'",
        ),
        (
            "9 degc",
            TEMPERATURE,
            "'degc' is no unit of a temperature; use degC, degF, K; the nearest spelling is 'degC'",
        ),
        ("5 mm", NUMBER, "must be a plain number without a unit, such as 0.3"),
        (True, NUMBER, "must be a number or a text of a number and a unit"),
    ],
)
def test_a_bad_quantity_says_what_is_allowed(raw, kind, message):
    with pytest.raises(InputError) as caught:
        parse(raw, kind, to="mm")
    assert caught.value.problem == message


@given(
    number=st.floats(min_value=-1e6, max_value=1e6).filter(lambda x: x == 0 or abs(x) > 1e-6),
    where=st.sampled_from(sorted(KINDS)),
    data=st.data(),
)
def test_every_unit_goes_there_and_back(number, where, data):
    kind = KINDS[where]
    spelling = data.draw(st.sampled_from(sorted(kind.units)))
    inside = parse(f"{number!r} {spelling}", kind, to=where)
    back = convert(inside, where, to=kind.units[spelling])
    # a temperature loses digits to its offset: 460 K at most
    assert back == pytest.approx(number, rel=1e-9, abs=1e-9 if kind is TEMPERATURE else 1e-15)


@given(st.text(max_size=120))
@example("1e5mm")
@example("5 \u202emm")
def test_any_text_is_a_quantity_or_an_input_error(text):
    try:
        value = parse(text, LENGTH, to="mm")
    except InputError as error:
        value, message = math.nan, str(error)
    if math.isnan(value):
        assert message.isprintable()
    else:
        number, unit = split(text)
        assert unit in LENGTH.units
        assert math.isfinite(value)
        assert (value > 0) == (number > 0)


@pytest.mark.parametrize(
    "kind",
    [LENGTH, TIME, DIFFUSIVITY, CONTENT, COEFFICIENT, TEMPERATURE, NUMBER, RESISTANCE.quantity],
    ids=lambda kind: kind.words,
)
def test_every_unit_converts_as_pint_does(kind):
    # Oracle: pint, which knows the definitions of the units on its own.
    registry = pint.UnitRegistry()
    for unit, to in itertools.product(sorted(set(kind.units.values())), repeat=2):
        for difference in (False, True):
            names = [quantities.DIFFERENCES.get(x, x) if difference else x for x in (unit, to)]
            other = registry.Quantity(7.3, names[0]).to(names[1]).magnitude
            ours = quantities.convert(7.3, unit, to=to, difference=difference)
            assert ours == pytest.approx(other, rel=1e-13, abs=1e-12)
            column = quantities.convert_column([7.3], unit, to=to, difference=difference)
            assert column == pytest.approx([ours], rel=1e-15)
