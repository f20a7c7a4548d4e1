import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stripwise.units.names import name_problem, printable, slug


@pytest.mark.parametrize(
    "name",
    [
        "<script>alert(1)</script>",
        'with "quotes"',
        "a/../b",
        "Schalung 12 h, dann Folie",
        "👷‍♀️",
        "x" * 80,
    ],
)
def test_legitimate_names_pass(name):
    assert name_problem(name) == ""


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("a\x1b[31mb", "holds the control character U+001B; use printable text"),
        ("a\nb", "holds the control character U+000A; use printable text"),
        ("a\u202eb", "holds the control character U+202E; use printable text"),
        ("=1+1", "must not start with '=': a spreadsheet would read it as a formula"),
        ("@x", "must not start with '@': a spreadsheet would read it as a formula"),
        (" -x", "must not start with '-': a spreadsheet would read it as a formula"),
        ("x" * 81, "has 81 characters; at most 80 are allowed"),
        ("  ", "must not be blank"),
    ],
)
def test_refused_names_say_why(name, message):
    assert name_problem(name) == message


@given(st.text(max_size=300))
def test_a_slug_is_a_plain_file_name(name):
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", slug(name))
    assert len(slug(name)) <= 100


def test_slugs_of_names_without_letters_differ():
    assert slug("👷") != slug("🧱")
    assert slug("a/../b") == "a-b"


@given(st.one_of(st.text(), st.integers(), st.floats(), st.booleans(), st.lists(st.none())))
def test_a_found_value_is_safe_to_print(value):
    text = printable(value)
    assert text.isprintable()
    assert len(text) <= 60
