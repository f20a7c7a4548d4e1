"""The first screen: what to do, one picture, the caution; then the letter and a list of contents."""

from dataclasses import replace

import matplotlib.figure
import pytest

from stripwise.report.components import Figure, Paragraph, Report, Section, Signature
from stripwise.report.figures import sheet
from stripwise.report.figures.answer_figure import plot_answer
from stripwise.report.render import render
from stripwise.units.caution import CAUTION
from stripwise.units.formatting import DASH, confidence


def page(**more):
    sections = tuple(Section(f"Part {k}", (Paragraph("text"),)) for k in range(1, 7))
    return Report(
        title="A wall",
        about="About it.",
        findings=("The letter.",),
        sections=sections,
        signature=Signature(),
        **more,
    )


def test_the_answer_stands_before_caution_letter_and_contents():
    text = render(page(answer=("Do this.", "Not <that>.")), {})
    places = [
        text.index(part)
        for part in (
            "Do this.",
            "Not &lt;that&gt;.",
            CAUTION[:40],
            "About it.",
            "The letter.",
            "Contents",
            "Part 1</h2>",
        )
    ]
    assert places == sorted(places)
    for k in range(1, 7):
        assert f'href="#s{k}"' in text
        assert f'id="s{k}"' in text


def test_a_page_without_an_answer_leads_with_its_findings():
    text = render(page(), {})
    assert text.index("About it.") < text.index("The letter.") < text.index(CAUTION[:40])
    assert 'class="answer"' not in text


def test_the_picture_has_a_full_dot_for_what_meets_the_limit(six):
    with sheet.style_context():
        ax = plot_answer(six)
    rows = six.strategies.to_dict("records")
    assert [
        t.get_text().replace("\n", " ").replace("\N{NO-BREAK SPACE}", " ")
        for t in ax.get_yticklabels()
    ] == [row["strategy"] for row in rows]
    dots = {
        line.get_gid(): line for line in ax.get_lines() if str(line.get_gid()).startswith("dot-")
    }
    for k, row in enumerate(rows):
        dot = dots[f"dot-{len(rows) - 1 - k}"]
        assert dot.get_xdata()[0] == pytest.approx(100.0 * row["probability_at_target"])
        assert (dot.get_markerfacecolor() == "white") == (row["meets_target"] != "yes")
    mark = next(line for line in ax.get_lines() if line.get_gid() == "mark")
    assert mark.get_xdata()[0] == pytest.approx(100.0 * six.scenario.target.probability)


@pytest.mark.parametrize(
    ("answer", "start"),
    [("no", "No strategy meets the "), ("yes", "All 6 strategies meet the ")],
)
def test_the_picture_counts_in_its_title(six, answer, start):
    same = replace(six, strategies=six.strategies.assign(meets_target=answer))
    with sheet.style_context():
        assert sheet.parent_figure(plot_answer(same)).get_label().startswith(start)


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.684, "70 %"),
        (0.725, "70 %"),
        (0.99, "over 95 %"),
        (0.0, "under 5 %"),
        (float("nan"), DASH),
    ],
)
def test_confidence_is_written_to_five_percent(share, text):
    assert confidence(share) == text


def test_the_picture_is_a_figure_of_the_report():
    report = page(answer=("Do this.",), picture=Figure("answer", matplotlib.figure.Figure()))
    assert list(report.figures) == ["answer"]
