"""Pictures of loudness: what is drawn where, what is written, and what of it can be relied on."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from roomplan.errors import RoomplanError
from roomplan.loudness import programme_loudness
from roomplan.loudness.gating import range_bounds
from roomplan.show import loudness_pictures, sheet
from roomplan.show.loudness_pictures import MOST_PANELS, PicturedSound, draw_loudness

if TYPE_CHECKING:
    from pathlib import Path

matplotlib = pytest.importorskip("matplotlib")
Text = pytest.importorskip("matplotlib.text").Text

RATE = 8_000


def noise(seconds: float = 12.0, gain: float = 0.1, seed: int = 1):
    """Noise that swells and falls, so that it has a range."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE)
    swell = 10.0 ** (0.6 * np.sin(np.arange(frames) / RATE))
    return (gain * swell * rng.standard_normal(frames))[:, None]


def sound(samples=None, title: str = "ice_harbour_mix.wav") -> PicturedSound:
    samples = noise() if samples is None else samples
    return PicturedSound(title, len(samples) / RATE, programme_loudness(samples, sample_rate=RATE))


def page_of(*sounds: PicturedSound) -> tuple[Any, list[str]]:
    """Return the first page and the words on it."""
    figure: Any = next(loudness_pictures._pages(sounds))
    return figure, [text.get_text() for text in figure.findobj(Text)]


@pytest.mark.parametrize(
    ("suffix", "magic"),
    [
        (".png", b"\x89PNG\r\n\x1a\n"),  # PNG specification, 5.2
        (".pdf", b"%PDF-"),  # ISO 32000-1:2008, 7.5.2
        (".SVG", b"<?xml"),
    ],
)
def test_the_suffix_says_what_the_file_is_and_the_same_sound_gives_the_same_bytes(tmp_path, suffix, magic):
    first, second = tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"
    draw_loudness([sound()], first)
    with matplotlib.rc_context({"font.size": 20.0, "axes.facecolor": "red"}):
        draw_loudness([sound()], second)
    assert first.read_bytes().startswith(magic)
    assert first.read_bytes() == second.read_bytes()
    assert sorted(tmp_path.iterdir()) == [first, second]


def test_nothing_depends_on_colour(tmp_path):
    from matplotlib.image import imread

    draw_loudness([sound(), sound(0.1 * noise())], tmp_path / "two.png")
    red, green, blue = np.moveaxis(imread(tmp_path / "two.png")[:, :, :3], 2, 0)
    assert red.min() == 0.0
    assert np.array_equal(red, green)
    assert np.array_equal(red, blue)


def test_a_panel_shows_momentary_thin_short_term_thick_and_the_whole_as_a_dashed_line():
    shown = sound()
    figure, _ = page_of(shown)
    momentary, short_term, integrated = figure.axes[0].lines
    assert momentary.get_linewidth() < short_term.get_linewidth()
    over_time = shown.loudness.over_time
    assert np.array_equal(momentary.get_xdata(), over_time.momentary_time_s)
    assert np.array_equal(short_term.get_ydata(), over_time.short_term_lufs)
    assert set(integrated.get_ydata()) == {shown.loudness.integrated_lufs}
    assert integrated.is_dashed()
    assert not short_term.is_dashed()
    assert integrated.get_xdata()[-1] == shown.duration_s


@pytest.mark.parametrize("seconds", [3.0, 7.5, 40.0])
@pytest.mark.parametrize("start", [1.0, 0.02, 1e-4])  # above all gates, under the relative one, under both
def test_the_shade_is_as_high_as_the_loudness_range_and_lies_among_the_short_term_levels(seconds, start):
    samples = noise(seconds)
    samples[: 2 * len(samples) // 5] *= start
    shown = sound(samples)
    bounds = range_bounds(shown.loudness.over_time)
    assert bounds is not None
    assert bounds[1] - bounds[0] == pytest.approx(shown.loudness.loudness_range_lu, abs=1e-9)
    for bound in bounds:
        assert np.isclose(shown.loudness.over_time.short_term_lufs[::50], bound).any()
    figure, _ = page_of(shown)
    (shade,) = figure.axes[0].collections
    heights = shade.get_paths()[0].vertices[:, 1]
    assert (heights.min(), heights.max()) == pytest.approx(bounds)


def test_what_is_under_the_absolute_gate_does_not_lower_the_relative_one_of_the_shade():
    steps = np.repeat([1.0, 10.0 ** (-24.0 / 20.0), 1e-5], [6 * RATE, 6 * RATE, 28 * RATE])
    shown = sound(0.1 * np.random.default_rng(1).standard_normal(steps.size)[:, None] * steps[:, None])
    low, high = range_bounds(shown.loudness.over_time) or (0.0, 0.0)
    assert high - low == pytest.approx(shown.loudness.loudness_range_lu, abs=1e-9)
    assert high - low < 20.0  # the step of 24 dB is under the relative gate


def test_thinning_a_long_sound_loses_neither_its_maximum_nor_its_minimum_nor_its_order():
    rng = np.random.default_rng(4)
    levels = rng.uniform(-60.0, -10.0, 100_000)
    times = np.arange(levels.size) / 50.0
    kept_times, kept = loudness_pictures._thinned(times, levels, -100.0)
    assert kept.size <= 2 * loudness_pictures._MOST_POINTS
    assert (kept.max(), kept.min()) == (levels.max(), levels.min())
    assert (np.diff(kept_times) > 0).all()
    assert np.isin(kept, levels).all()
    few = loudness_pictures._thinned(times[:2000], levels[:2000], -100.0)
    assert np.array_equal(few[1], levels[:2000])


def test_silence_between_sounds_leaves_the_panel_at_its_foot(tmp_path, recwarn):
    samples = noise()
    samples[4 * RATE : 9 * RATE] = 0.0
    figure, _ = page_of(sound(samples))
    floor = figure.axes[0].get_ylim()[0]
    for line in figure.axes[0].lines[:2]:
        assert np.isfinite(line.get_ydata()).all()
        assert line.get_ydata().min() < floor
    draw_loudness([sound(samples)], tmp_path / "gap.png")
    assert not list(recwarn)


def test_panels_share_one_time_axis_and_one_scale_and_only_the_last_names_the_time():
    figure, words = page_of(sound(), sound(0.05 * noise(30.0), "quiet.wav"), sound(noise(5.0), "short.wav"))
    assert len({axes.get_xlim() for axes in figure.axes}) == 1
    assert len({axes.get_ylim() for axes in figure.axes}) == 1
    assert figure.axes[0].get_xlim() == (0.0, 30.0)
    assert words.count("time, s") == 1
    low, high = figure.axes[0].get_ylim()
    for axes in figure.axes:
        momentary = axes.lines[0].get_ydata()
        assert low < momentary.max() < high


def test_long_sounds_are_shown_in_minutes():
    figure, words = page_of(sound(noise(150.0)))
    assert "time, min:s" in words
    ticks = [label.get_text() for label in figure.axes[0].get_xticklabels()]
    assert ticks[:3] == ["0:00", "0:15", "0:30"]
    # 30 h, as a wide file may last: ticks still do not crowd
    assert len(_ticks(108_000.0)) <= 13


def _ticks(end_s: float):
    from matplotlib.figure import Figure

    axes = Figure().add_subplot()
    sheet.time_axis(axes, end_s)
    return axes.get_xticks()


def test_figures_stand_over_the_panel_and_those_that_cannot_be_said_are_left_out():
    whole, short = sound(), sound(noise(1.0), "one_shot.wav")
    _, words = page_of(whole, short)
    integrated = f"{whole.loudness.integrated_lufs:.1f}".replace("-", "−")
    assert any(text.startswith(f"integrated {integrated} LUFS · LRA ") for text in words)
    (line,) = [text for text in words if text.startswith("integrated ") and "LRA" not in text]
    assert "momentary maximum" in line
    assert "short-term" not in line
    assert "–" not in line


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        (np.zeros((RATE, 1)), "digital silence"),
        (noise(0.1), "momentary loudness needs 400 ms"),
        (np.where(np.arange(RATE)[:, None] == 5, np.nan, noise(1.0)), "not a finite number at frame 5"),
    ],
)
def test_a_sound_without_loudness_has_a_panel_that_says_why(samples, reason):
    for beside in ([], [sound()]):
        figure, words = page_of(sound(samples, "odd.wav"), *beside)
        assert any(f"nothing to draw: {reason}" in text for text in words)
        assert not figure.axes[0].lines


def test_a_sound_of_less_than_3_s_has_a_momentary_line_and_no_range():
    figure, _ = page_of(sound(noise(1.0)))
    momentary, short_term, integrated = figure.axes[0].lines
    assert momentary.get_xdata().size > 0
    assert short_term.get_xdata().size == 0
    assert integrated.get_xdata().size == 2
    assert not figure.axes[0].collections


def test_a_sound_under_the_gate_has_lines_and_no_integrated_loudness():
    figure, _ = page_of(sound(1e-6 * noise()))
    momentary, _short_term = figure.axes[0].lines
    assert momentary.get_ydata().max() < -70.0
    low, high = figure.axes[0].get_ylim()
    assert low < momentary.get_ydata().max() < high


@pytest.mark.parametrize("count", [1, 2, 3, MOST_PANELS])
def test_no_words_cover_other_words_and_none_leave_the_page(count, monkeypatch):
    from matplotlib import style
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    boxes = []
    draw = Text.draw

    def note(text, renderer):
        if text.get_visible() and text.get_text().strip():
            boxes.append((text.get_text(), text.get_window_extent(renderer)))
        draw(text, renderer)

    monkeypatch.setattr(Text, "draw", note)
    with style.context(["default", sheet.STYLE]):
        figure, _ = page_of(*[sound(noise(8.0), f"{'long_' * 40}{number}.wav") for number in range(count)])
        FigureCanvasAgg(figure).draw()
    assert len(boxes) > 10
    page = figure.bbox
    for text in figure.texts:
        for axes in figure.axes:
            assert not text.get_window_extent().overlaps(axes.get_window_extent()), text.get_text()
    for number, (words, box) in enumerate(boxes):
        assert page.x0 <= box.x0, words
        assert box.x1 <= page.x1, words
        assert page.y0 <= box.y0, words
        assert box.y1 <= page.y1, words
        for others, other in boxes[number + 1 :]:
            wide = min(box.x1, other.x1) - max(box.x0, other.x0)
            high = min(box.y1, other.y1) - max(box.y0, other.y0)
            # boxes reach over their ink by the room for accents and tails
            assert wide <= 1.0 or high <= 0.4 * min(box.height, other.height), (words, others)


def test_more_than_eight_sounds_are_pages_of_a_pdf_and_nothing_else(tmp_path: Path):
    many = [sound(noise(1.0), f"{number}.wav") for number in range(MOST_PANELS + 1)]
    for suffix in (".png", ".svg"):
        with pytest.raises(RoomplanError, match=r"at most 8 sounds, not 9 — choose fewer, or name a \.pdf"):
            draw_loudness(many, tmp_path / f"many{suffix}")
    assert not list(tmp_path.iterdir())
    draw_loudness(many, tmp_path / "many.pdf")
    assert b"/Count 2" in (tmp_path / "many.pdf").read_bytes()
    draw_loudness(many[:-1], tmp_path / "many.png")


def test_a_title_is_never_read_as_a_formula_and_may_hold_anything_a_file_name_can(tmp_path: Path):
    draw_loudness([sound(title="$x^2$ <&>\x07\udcff.wav")], tmp_path / "odd.svg")
    assert r">$x^2$ &lt;&amp;&gt;\x07\udcff.wav</text>" in (tmp_path / "odd.svg").read_text(encoding="utf-8")


def test_an_unknown_suffix_no_sound_and_a_missing_folder_are_one_line(tmp_path: Path):
    for target, sounds, words in (
        ("a.jpg", [sound()], r"\.png, \.svg or \.pdf"),
        ("a.png", [], "no sound to draw"),
        ("nowhere/a.png", [sound()], "there is no folder"),
    ):
        with pytest.raises(RoomplanError, match=words) as refusal:
            draw_loudness(sounds, tmp_path / target)
        assert "\n" not in str(refusal.value)


def test_importing_the_module_does_not_load_the_drawing_library():
    code = "import sys, roomplan.show.loudness_pictures; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
