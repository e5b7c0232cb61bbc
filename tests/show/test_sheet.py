"""What all pictures share: places in inches, scales, keys, and a panel that says why it is empty."""

from __future__ import annotations

import pytest
from matplotlib import style
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from roomplan.show.sheet import STYLE, lower_end, marker_sample, new_sheet, say_why

REASON = (
    "the decay ends in noise 12 dB under its start, and no time can be told from less than 25 dB; record it "
    "again with more level, or where it is quieter"
)


@pytest.mark.parametrize("width", [2.4, 3.3, 5.7, 7.6])  # the narrowest panel is 3.3 inches wide
def test_the_reason_is_as_wide_as_its_panel_and_no_wider(width):
    with style.context(["default", STYLE]):
        page = Figure(figsize=(10.0, 3.0), dpi=120)
        canvas = FigureCanvasAgg(page)
        axes = page.add_axes((0.1, 0.1, width / 10.0, 0.8))
        say_why(axes, REASON)
        canvas.draw()
        (words,) = axes.texts
        taken = words.get_window_extent().width / page.dpi
    assert " ".join(words.get_text().split()) == f"nothing to draw: {REASON}"
    assert 0.6 * min(width, 7.6) < taken < width


def test_a_panel_and_words_are_as_many_inches_from_the_left_and_from_the_top_as_asked_for():
    sheet = new_sheet(8.0, 5.0)
    box = sheet.panel(1.0, 0.5, 4.0, 3.0).get_window_extent()
    words = sheet.words(2.0, 0.75, "choir")
    dots = sheet.figure.dpi
    assert [box.x0, box.y0, box.width, box.height] == pytest.approx([dots, 1.5 * dots, 4 * dots, 3 * dots])
    assert words.get_transform().transform(words.get_position()) == pytest.approx([2.0 * dots, 4.25 * dots])


def test_a_key_is_at_its_place_in_one_line_and_its_words_are_never_a_formula():
    sheet = new_sheet(8.0, 5.0)
    entries = [(marker_sample("o", "black", 5.0), name) for name in ("$x$", "choir", "brass")]
    sheet.key(entries, "lower left", (1.0, 2.0))
    FigureCanvasAgg(sheet.figure).draw()
    (key,) = sheet.figure.legends
    box = key.get_window_extent()
    words = [text.get_window_extent() for text in key.get_texts()]
    assert [box.x0, box.y0] == pytest.approx([1.0 * sheet.figure.dpi, 3.0 * sheet.figure.dpi], abs=1.0)
    assert words[0].x1 < words[1].x0 < words[1].x1 < words[2].x0
    assert [text.get_text() for text in key.get_texts()] == ["$x$", "choir", "brass"]
    assert not any(text.get_parse_math() for text in key.get_texts())


@pytest.mark.parametrize(("asked", "given"), [(-5.0, -20.0), (-30.0, -30.0), (-90.0, -50.0)])
def test_a_scale_spans_at_least_the_least_and_at_most_the_most(asked, given):
    assert lower_end(asked, 0.0, least=20.0, most=50.0) == given
