"""Pictures of plans side by side: what is drawn where, what is said, and the promises about files."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.errors import RoomplanError
from roomplan.show import compare_pictures, sheet
from roomplan.show.compare_pictures import MOST_BUSES, MOST_PLANS, PlanCurve, draw_comparison

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

matplotlib = pytest.importorskip("matplotlib")
Text = pytest.importorskip("matplotlib.text").Text

BUSES = ("mix", "wet", "section:choir", "section:strings", "room:larkmere_hall")
NAMES = ("intimate", "spacious", "orrin_nave_wide", "far", "tallowyard", "a name that is rather too long")


def curve_of(
    number: int, *, label: str | None = None, frames: int = 2000, differences: Mapping | None = None
) -> PlanCurve:
    """Return a plan that is `number` LU louder than the first."""
    times = np.linspace(3.0, 3.0 + 0.02 * frames, frames, endpoint=False, dtype=np.float64)
    levels = -25.0 + number + 3.0 * np.sin(times / 5.0)
    levels[-100:] = -np.inf
    if differences is None:
        differences = {bus: 0.5 * number * (-1) ** row for row, bus in enumerate(BUSES)}
    return PlanCurve(label or NAMES[number], times, levels, -23.5 + number, differences)


def plans(count: int) -> list[PlanCurve]:
    return [curve_of(number) for number in range(count)]


def page_of(curves: Sequence[PlanCurve]) -> tuple[Any, Any, Any]:
    page = compare_pictures._page("mix", curves)
    return page, page.axes[0], page.axes[1]


def words_on(page) -> list[str]:
    return [text.get_text() for text in page.findobj(Text) if text.get_text()]


def markers_of(axes) -> list:
    return [line for line in axes.lines if line.get_marker() not in {"None", None, ""}]


@pytest.mark.parametrize(
    ("suffix", "magic"),
    [
        (".png", b"\x89PNG\r\n\x1a\n"),  # PNG specification, 5.2
        (".pdf", b"%PDF-"),  # ISO 32000-1:2008, 7.5.2
        (".svg", b"<?xml"),
    ],
)
def test_the_same_figures_give_the_same_bytes_whatever_the_user_has_set(
    tmp_path: Path, suffix: str, magic: bytes
):
    first, second = tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"
    draw_comparison("mix", plans(3), first)
    with matplotlib.rc_context({"font.size": 20.0, "axes.facecolor": "red", "svg.fonttype": "path"}):
        draw_comparison("mix", plans(3), second)
    assert first.read_bytes() == second.read_bytes()
    assert first.read_bytes().startswith(magic)
    assert sorted(tmp_path.iterdir()) == [first, second]


def test_every_plan_has_its_curve_its_own_look_and_its_loudness_beside_it():
    page, upper, _ = page_of(plans(MOST_PLANS))
    drawn = [line for line in upper.lines if line.get_transform() == upper.transData]
    assert len(drawn) == MOST_PLANS
    for line, plan in zip(drawn, plans(MOST_PLANS), strict=True):
        np.testing.assert_array_equal(line.get_xdata(), plan.time_s)
        np.testing.assert_array_equal(line.get_ydata()[:-100], plan.short_term_lufs[:-100])
        # what ends in silence leaves the panel
        assert line.get_ydata()[-1] < upper.get_ylim()[0]
    looks = {(line.get_color(), line.get_linewidth(), str(line._unscaled_dash_pattern)) for line in drawn}
    assert len(looks) == MOST_PLANS
    for figure, name in (("−23.5", "intimate"), ("−22.5", "spacious"), ("−20.5", "far")):
        assert f"{figure}  {name}" in words_on(page)


def test_a_tick_stands_at_the_integrated_loudness_of_its_plan():
    _, upper, _ = page_of(plans(3))
    low, high = upper.get_ylim()
    beside = [line for line in upper.lines if line.get_transform() == upper.transAxes]
    ticks = [line for line in beside if min(line.get_xdata()) == 1.0]
    levels = [low + (high - low) * line.get_ydata()[0] for line in ticks]
    assert levels == pytest.approx([-23.5, -22.5, -21.5])


def test_each_difference_stands_in_its_row_and_the_first_plan_is_the_zero_line():
    _, _, lower = page_of(plans(3))
    assert [label.get_text() for label in lower.get_yticklabels()] == list(BUSES)
    found = sorted(
        (line.get_marker(), round(line.get_ydata()[0]), line.get_xdata()[0]) for line in markers_of(lower)
    )
    expected = sorted(
        (marker, row, 0.5 * number * (-1) ** row)
        for number, marker in ((1, "o"), (2, "s"))
        for row in range(len(BUSES))
    )
    assert found == expected
    low, high = lower.get_xlim()
    assert low < -1.0 < 1.0 < high  # the band has both its ends
    assert lower.get_ylim()[0] > lower.get_ylim()[1]  # the first bus on top


def test_a_difference_that_is_not_known_is_reported_and_no_dot_stands_for_it():
    missing = {"mix": 0.4, "wet": None}
    curves = [curve_of(0, differences={"mix": 0.0, "wet": 0.0, "dry": 0.0})]
    curves += [curve_of(1, differences=missing), curve_of(2, differences={"mix": 0.1, "dry": None})]
    page, _, lower = page_of(curves)
    assert len(markers_of(lower)) == 2
    words = words_on(page)
    assert words.count("no figure: any plan") == 2  # wet and dry: None, or the bus is not there
    page, _, _ = page_of([curves[0], curves[1]])
    assert words_on(page).count("no figure: spacious") == 2


def test_a_difference_off_the_scale_stands_at_its_edge_with_its_figure():
    curves = [curve_of(0), curve_of(1, differences={"mix": -43.2, "wet": 0.3, "dry": 28.1})]
    page, _, lower = page_of(curves)
    at = sorted(line.get_xdata()[0] for line in markers_of(lower))
    assert at == [-20.0, 0.3, 20.0]
    assert {"−43.2", "+28.1"} <= set(words_on(page))
    low, high = lower.get_xlim()
    assert low < -20.0
    assert high > 20.0


def test_of_too_many_buses_those_that_differ_most_are_drawn_in_their_order():
    buses = [f"section:{n}" for n in range(MOST_BUSES + 5)]
    second = {bus: (0.01 if n % 13 == 5 else 1.0) for n, bus in enumerate(buses)}  # five differ little
    assert sum(value < 1.0 for value in second.values()) == 5
    curves = [curve_of(0, differences=dict.fromkeys(buses, 0.0)), curve_of(1, differences=second)]
    page, _, lower = page_of(curves)
    names = [label.get_text() for label in lower.get_yticklabels()]
    assert names == [bus for bus in buses if second[bus] == 1.0]
    assert any(words.startswith("not drawn: 5 of the buses") for words in words_on(page))


@pytest.mark.parametrize("count", [2, 3, MOST_PLANS])
def test_no_words_cover_other_words_and_none_leave_the_page(count: int, monkeypatch: pytest.MonkeyPatch):
    from matplotlib import style
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    boxes = []
    draw = Text.draw

    def note(text, renderer):
        if text.get_visible() and text.get_text().strip():
            boxes.append((text.get_text(), text.get_window_extent(renderer)))
        draw(text, renderer)

    monkeypatch.setattr(Text, "draw", note)
    curves = plans(count)
    curves[1] = curve_of(0, label="as loud as the first", differences={"mix": None, "wet": -50.0})
    with style.context(["default", sheet.STYLE]):
        page = compare_pictures._page("mix: " + " · ".join(NAMES), curves)
        FigureCanvasAgg(page).draw()
    assert len(boxes) > 20
    for number, (words, box) in enumerate(boxes):
        assert page.bbox.x0 <= box.x0, words
        assert box.x1 <= page.bbox.x1, words
        assert page.bbox.y0 <= box.y0, words
        assert box.y1 <= page.bbox.y1, words
        for others, other in boxes[number + 1 :]:
            wide = min(box.x1, other.x1) - max(box.x0, other.x0)
            high = min(box.y1, other.y1) - max(box.y0, other.y0)
            # boxes reach over their ink by the room for accents and tails
            assert wide <= 1.0 or high <= 0.4 * min(box.height, other.height), (words, others)


@given(wanted=st.lists(st.floats(0.0, 3.0), min_size=1, max_size=6))
def test_names_keep_their_order_and_distance_and_stay_beside_the_panel(wanted: list[float]):
    places = compare_pictures._spread(wanted, 0.17, 3.0)
    order = sorted(range(len(wanted)), key=lambda index: places[index])
    assert [wanted[index] for index in order] == sorted(wanted)
    assert min(places) >= 0.0
    assert max(places) <= 3.0 + 1e-9
    assert all(b - a >= 0.17 - 1e-9 for a, b in zip(sorted(places), sorted(places)[1:], strict=False))
    if all(abs(a - b) >= 0.17 for n, a in enumerate(wanted) for b in wanted[:n]):
        assert places == pytest.approx(wanted)  # none moves without need


def test_of_equally_loud_plans_the_first_is_named_first():
    places = compare_pictures._spread([1.0, 1.0, 1.0], 0.17, 3.0)
    assert places == sorted(places, reverse=True)


def test_silence_and_sounds_too_short_leave_a_page_that_says_so(recwarn: pytest.WarningsRecorder):
    nothing = np.zeros(0)
    silent = PlanCurve("a", np.arange(3.0), np.full(3, -np.inf), None, {"mix": None})
    page, _, _ = page_of([silent, PlanCurve("b", nothing, nothing, None, {})])
    words = words_on(page)
    assert "nothing to draw: silent, or shorter than 3 s" in words
    assert "–  a" in words
    assert "no figure: b" in words
    assert not list(recwarn)


def test_a_title_is_never_read_as_a_formula_and_may_hold_anything(tmp_path: Path):
    curves = [curve_of(0, label="$a^2$\n"), curve_of(1, label="$b$", differences={"$mix$": 1.0})]
    draw_comparison("$x^2$ <&>\x07\udcff", curves, tmp_path / "odd.svg")
    text = (tmp_path / "odd.svg").read_text(encoding="utf-8")
    for words in ("$x^2$ &lt;&amp;&gt;  ", "−23.5  $a^2$ ", "$b$", "$mix$"):
        assert f">{words.strip()}" in text, words


def test_nothing_depends_on_colour(tmp_path: Path):
    from matplotlib.image import imread

    draw_comparison("mix", plans(MOST_PLANS), tmp_path / "mix.png")
    red, green, blue = np.moveaxis(imread(tmp_path / "mix.png")[:, :, :3], 2, 0)
    assert red.min() == 0.0
    assert np.array_equal(red, green)
    assert np.array_equal(red, blue)


def test_a_long_sound_is_thinned_and_its_time_is_in_minutes():
    _, upper, _ = page_of([curve_of(0, frames=200_000), curve_of(1, frames=200_000)])
    drawn = [line for line in upper.lines if line.get_transform() == upper.transData]
    assert all(1000 < line.get_xdata().size <= 2001 for line in drawn)
    assert upper.get_xlabel() == "time, min:s"
    assert "10:00" in [label.get_text() for label in upper.get_xticklabels()]


def test_one_plan_too_many_plans_and_another_suffix_are_refused(tmp_path: Path):
    with pytest.raises(RoomplanError, match="a comparison needs at least two plans"):
        draw_comparison("mix", plans(1), tmp_path / "mix.png")
    with pytest.raises(RoomplanError, match="at most 6 plans, not 7"):
        draw_comparison("mix", [*plans(6), curve_of(0)], tmp_path / "mix.png")
    with pytest.raises(RoomplanError, match=r"cannot be of the kind \.gif"):
        draw_comparison("mix", plans(2), tmp_path / "mix.gif")
    assert not list(tmp_path.iterdir())


def test_importing_the_module_does_not_load_the_drawing_library():
    code = "import sys, roomplan.show.compare_pictures; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
