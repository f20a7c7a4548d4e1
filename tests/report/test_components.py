"""Every component of a page on a small report: what is escaped, where it stands, what is always there."""

import numpy as np
import pandas as pd
import pytest
from markupsafe import Markup
from matplotlib.figure import Figure as Drawing

from stripwise.report.components import (
    GATES_BLOCK,
    Alarm,
    Bullets,
    Cell,
    Column,
    Figure,
    GroupRow,
    Paragraph,
    Report,
    Section,
    Signature,
    Table,
    data_report,
    matrix,
    numeric,
    sentence_case,
)
from stripwise.report.figures import sheet
from stripwise.report.render import math, render
from stripwise.report.write import report_files
from stripwise.units.caution import CAUTION, GATES, GATES_LEAD
from stripwise.units.formatting import percent
from stripwise.units.source_files import SourceFile

HOSTILE = "<script>alert('1')</script> & \"more\""
SVG = '<svg xmlns="http://www.w3.org/2000/svg"><g id="a"/></svg>'


def small(*blocks, **more):
    given = {
        "title": "Title",
        "about": "About.",
        "findings": ("Found.",),
        "sections": (Section("Heading", tuple(blocks)),),
        "signature": Signature("Scenario wall.toml, SHA-256 abc."),
    }
    return Report(**given | more)


@pytest.fixture
def shown(example):
    return lambda *blocks, **more: example.outline(render(small(*blocks, **more), {"f": SVG}))


def strategies(**more):
    rows = [{"name": "Forms 12 h", "p": 0.206}, {"name": "Forms 24 h", "p": 0.0968}]
    return Table(
        "Two strategies",
        (Column("Strategy", "name"), numeric("Probability", "p", percent)),
        rows,
        **more,
    )


@pytest.mark.parametrize(
    "report",
    [
        small(Paragraph(HOSTILE)),
        small(Paragraph(HOSTILE, "note")),
        small(Bullets(("one", HOSTILE))),
        small(Table(HOSTILE, (Column("a", 0),), [("b",)])),
        small(Table("", (Column(HOSTILE, 0),), [("b",)])),
        small(Table("", (Column("a", 0),), [(HOSTILE,)])),
        small(Table("", (Column("a", write=lambda r: Cell("b", HOSTILE)),), [1])),
        small(Table("", (Column("a"),), [GroupRow(HOSTILE)])),
        small(Figure("f", Drawing(), HOSTILE)),
        small(title=HOSTILE),
        small(about=HOSTILE),
        small(findings=(HOSTILE,)),
        small(warnings=(HOSTILE,)),
        small(alarm=Alarm(HOSTILE, "text")),
        small(alarm=Alarm("label", HOSTILE)),
        small(caution_label=HOSTILE),
        small(sections=(Section(HOSTILE),)),
        small(signature=Signature(HOSTILE)),
    ],
)
def test_every_component_escapes_its_text(example, report):
    page = example.outline(render(report, {"f": SVG}))
    assert HOSTILE in page.words.replace("\xa0", " ")
    assert "script" not in page.tags


def test_tags_of_a_markup_stay_and_what_is_put_into_it_is_escaped(shown):
    page = shown(Paragraph(Markup("k<sub>c</sub> of {}").format(HOSTILE)))
    assert page.tags.count("sub") == 1
    assert "script" not in page.tags
    assert HOSTILE in page.words


def test_a_number_is_tied_to_its_unit_in_text_and_markup(example):
    html = render(small(Paragraph("75 yr"), Paragraph(Markup("<b>75 yr</b>"))), {})
    assert html.count("75\xa0yr") == 2
    assert "<b>75\xa0yr</b>" in html


def test_a_table_has_its_head_and_its_rows_and_numbers_stand_right(example):
    html = render(small(strategies()), {})
    page = example.outline(html)
    assert "Two strategies Strategy Probability Forms 12 h 20.6 % Forms 24 h 9.7 %" in (
        page.words.replace("\xa0", " ")
    )
    assert '<th class="n">Probability</th>' in html
    assert '<th scope="row">Forms 12\xa0h</th><td class="n">20.6\xa0%</td>' in html
    assert html.count("<tr>") == 3 + 2  # head, two rows, two lines to sign


def test_the_first_column_that_is_no_number_names_the_row(example):
    table = Table(
        "", (numeric("No.", 0, str), Column("Name", 1), Column("More", 2)), [(1, "a", "b")]
    )
    html = render(small(table), {})
    assert '<td class="n">1</td><th scope="row">a</th><td>b</td>' in html


def test_bold_rows_group_rows_and_second_lines(example):
    table = Table(
        "",
        (
            Column("Name", "name"),
            numeric("Life", write=lambda r: Cell("33 yr", r["range"], "yes"), kind="tight"),
        ),
        [
            GroupRow("First group"),
            {"name": "a", "range": "12 to 40 yr"},
            {"name": "b", "range": "33 yr"},
        ],
        bold=lambda row: row["name"] == "b",
    )
    html = render(small(table), {})
    assert 'scope="rowgroup" colspan="2"><strong>First group</strong>' in html
    assert html.count('<tr class="reference">') == 1
    assert (
        '<td class="n tight yes">33\xa0yr <span class="small">12\xa0to\xa040\xa0yr</span>' in html
    )
    assert (
        '<tr class="reference"><th scope="row">b</th><td class="n tight yes">33\xa0yr</td>' in html
    )


def test_a_table_of_many_rows_may_break_over_pages():
    few, many = (render(small(Table("", (Column("a", 0),), [("b",)] * n)), {}) for n in (12, 13))
    assert '<table class="short">' in few
    assert '<table class="short">' not in many


def test_a_matrix_has_a_head_per_column_and_a_name_per_row():
    table = matrix("By age", "Follow-up", ["12 h", "24 h"], [("none", ["60 mm", Cell("55 mm")])])
    assert table.texts() == [("Follow-up", "12 h", "24 h"), ("none", "60 mm", "55 mm")]
    assert [column.right for column in table.columns] == [False, True, True]


def test_heads_for_a_terminal_break_where_they_say():
    table = Table("", (Column("name", 0), numeric("life\nat 10 %", 1, str)), [("a", 3)])
    assert table.texts() == [("name", "life"), ("", "at 10 %"), ("a", "3")]


def test_a_figure_has_its_caption_and_its_message_as_text_alternative():
    drawing = sheet.draw(
        lambda: _headline("Stripping at 12 h costs a third of the life", note="A note.")
    )
    html = render(small(Figure("f", drawing, "Data: curves.csv.")), {"f": SVG})
    assert 'aria-label="Stripping at 12 h costs a third of the life"' in html
    assert "<figcaption>Data: curves.csv.</figcaption>" in html
    assert 'id="f-a"' in html


def _headline(title, *, note):
    ax = sheet.new_axes(height=20.0, left=5.0, right=5.0, bottom=5.0, title=title, note=note)
    sheet.headline(ax, title, note=note)
    return ax


def test_a_figure_without_a_headline_is_named():
    assert Figure("map", Drawing()).alternative_text == "Figure: map"


def test_caution_and_gates_stand_on_every_page_before_every_section(shown):
    for page in (shown(), shown(sections=()), shown(findings=(), compact=True)):
        assert page.words.count(CAUTION) == 1
        assert page.words.count(GATES_LEAD) == 1
        assert all(page.words.count(gate) == 1 for gate in GATES)
    page = shown(Paragraph("first"))
    assert page.words.index(CAUTION) < page.words.index("Heading")


def test_gates_may_stand_again_beside_strip_ages(shown):
    page = shown(GATES_BLOCK)
    assert page.words.count(CAUTION) == 1
    assert all(page.words.count(gate) == 2 for gate in GATES)


def test_an_alarm_comes_before_the_caution_and_warnings_after_it(shown):
    words = shown(alarm=Alarm("Stop", "Wrong."), warnings=("Watch out.",)).words
    order = [words.index(text) for text in ("Stop", "Found.", CAUTION, "Watch out.", "Heading")]
    assert order == sorted(order)
    assert "Read before using the numbers" not in shown().words


def test_sections_have_their_level_and_are_kept_together():
    parts = (Section("Whole"), Section("Part", (Paragraph("x"),), level=3, keep=True), Section(""))
    html = render(small(sections=parts), {})
    assert "<h2>Whole</h2>" in html
    assert '<div id="s2" class="keep">\n<h3>Part</h3>' in html
    assert "<h2></h2>" not in html


def test_the_signature_names_what_was_signed(shown):
    words = shown().words
    assert words.endswith(
        "Prepared and checked Prepared by Date Checked by Date Scenario wall.toml, SHA-256 abc."
    )
    own = shown(signature=Signature(heading="", rows=(("Approved by", "Valid for"),))).words
    assert own.endswith("Approved by Valid for")


def test_formulas():
    assert math("x_c(t) = t_ex^{1-a} < k_e,CO2, b_e, 1_F") == (
        "x<sub>c</sub>(t) = t<sub>ex</sub><sup>1-a</sup> &lt; k<sub>e,CO2</sub>, b<sub>e</sub>, "
        "1<sub>F</sub>"
    )


def test_a_text_begins_with_a_capital():
    assert sentence_case("limit state: x") == "Limit state: x"
    assert sentence_case("") == ""


class Source:
    """What a report names of the file that was read."""

    digest = "ab" * 32

    def __init__(self, path):
        self.path = path
        self.sources = (SourceFile(path.name, self.digest),)


def test_a_report_of_data_lists_its_files_and_says_what_it_is(example, tmp_path):
    table = pd.DataFrame({"a": [np.inf, 0.1 + 0.2]})
    drawing = Figure("f", sheet.draw(lambda: _headline("T", note="")))
    report = data_report(
        Source(tmp_path / "data.csv"),
        title="Data",
        about="About.",
        findings=("Found.",),
        sections=(Section("Own", (drawing,)),),
        assumptions=("It is assumed.",),
        method=("It was fitted.",),
        record={"kind": "own"},
        tables={"a.csv": table, "none.csv": None},
        texts={"a.toml": "[input]\n"},
    )
    files = report_files(report)
    assert list(files) == ["a.csv", "a.toml", "figures/f.svg", "report.html"]
    assert files["a.csv"] == b"a\ninf\n0.30000000000000004\n"
    assert files["a.toml"] == b"[input]\n"
    page = example.outline(files["report.html"].decode())
    listed = page.words.split("Files beside this page: ")[1]
    assert listed == f"{', '.join([*files, 'run.json'])}."
    for text in ("It is assumed.", "It was fitted.", f"data.csv, SHA-256 {Source.digest}", CAUTION):
        assert text in page.words
    assert report.record["kind"] == "own"
    assert report.record["data"] == {"file": "data.csv", "sha256": Source.digest}
    assert report.record["findings"] == ["Found."]
