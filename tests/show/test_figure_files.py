"""What all pictures share: a panel that says why it is empty."""

from __future__ import annotations

import pytest
from matplotlib import style
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from roomplan.show.figure_files import STYLE, say_why

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
