"""The picture of a room: what is drawn where, to scale, and that no word covers another."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from roomplan.acoustics.bands import exact_mid_band
from roomplan.errors import Place, RoomplanError
from roomplan.plan.model import Seat
from roomplan.rooms.geometry import source_position
from roomplan.rooms.panels import corners
from roomplan.rooms.portrait import portrait_of
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.rooms.spec import BAND_CENTRES_HZ, MicrophoneSetup, RoomSpecification, Stage
from roomplan.show import room_drawings, room_panels, room_views, sheet
from roomplan.show.room_canvas import Box, Drawing
from roomplan.show.room_drawings import draw_room

if TYPE_CHECKING:
    from roomplan.rooms.portrait import RoomPortrait

matplotlib = pytest.importorskip("matplotlib")
Text = pytest.importorskip("matplotlib.text").Text

HERE = Place(Path("test"))
BUNDLED = tuple(bundled_rooms())
WITH_PANELS = ("larkmere_hall", "wrenfold_chamber")


def pair(
    name: str, x: float, apart: float, z: float, pattern: str = "omni", aim: float = 0.0, tilt: float = 0.0
) -> MicrophoneSetup:
    return MicrophoneSetup(name, ((x, -apart / 2, z), (x, apart / 2, z)), pattern, (-aim, aim), (tilt, tilt))


def room(
    dimensions: tuple[float, float, float], time: float, seat: Seat, stage: Stage, *setups: MicrophoneSetup
) -> RoomSpecification:
    given, problems = load_room_specification(BUNDLED[0])
    assert given is not None, problems
    return replace(
        given,
        name="made_up",
        title="Made-up room",
        dimensions_m=dimensions,
        reverberation_time_s=dict.fromkeys(BAND_CENTRES_HZ, time),
        absorption=None,
        temperature_c=20.0,
        reference_seat=seat,
        stage=stage,
        source_height_m=1.5,
        microphones={setup.name: setup for setup in setups},
    )


CENTRE = MicrophoneSetup(
    "main", ((20, -0.6, 2), (20, 0.6, 2), (19, 0, 2)), "omni", (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
)
MADE = {
    "nave": room(
        (62, 16, 20), 3.0, Seat(12, 0, HERE), Stage(3, 14, 12),
        pair("main", 20, 0.8, 3.5, "wide_cardioid", 30), pair("rear", 45, 6, 5),
    ),
    "small": room(
        (6, 5, 3), 0.35, Seat(1.8, 0, HERE), Stage(1, 3.2, 4),
        pair("main", 4, 0.2, 1.7, "cardioid", 55), pair("rear", 5.5, 0.6, 2.2),
        pair("ceiling_pair", 3.9, 0.2, 2.8, "figure_eight", 45, -30),
    ),
    "corridor": room((60, 3, 3), 1.2, Seat(8, 0, HERE), Stage(2, 14, 2), CENTRE),
    "shaft": room(
        (8, 8, 40), 4.0, Seat(3, -30, HERE), Stage(0.5, 3, 6), pair("main", 5, 1.2, 2, "cardioid", 30, 20)
    ),
    "wide": room((14, 60, 9), 2.2, Seat(6, -10, HERE), Stage(1, 6, 20), pair("main", 9, 1.2, 3)),
}  # fmt: skip


@pytest.fixture(scope="module")
def portraits():
    kept: dict[str, RoomPortrait] = {}

    def of(name: str) -> RoomPortrait:
        if name not in kept:
            spec = MADE.get(name) or load_room_specification(name)[0]
            assert spec is not None
            kept[name] = portrait_of(spec, spec.reference_seat, "main")
        return kept[name]

    return of


def page_of(portrait: RoomPortrait) -> tuple[Any, list[str]]:
    """Return the page and the words on it."""
    from matplotlib import style

    with style.context(["default", sheet.STYLE]):
        page: Any = room_drawings._page(portrait)
    return page, [text.get_text() for text in page.findobj(Text) if text.get_text()]


@pytest.fixture(scope="module")
def pages(portraits):
    """Return the page of a room and its words, drawn once."""
    kept: dict[str, tuple[Any, list[str]]] = {}

    def of(name: str) -> tuple[Any, list[str]]:
        if name not in kept:
            kept[name] = page_of(portraits(name))
        return kept[name]

    return of


def named(page: Any, gid: str) -> list[Any]:
    return page.findobj(lambda artist: artist.get_gid() == gid)


class View:
    """One of the two views: its walls on the page, and points of the page in metres."""

    def __init__(self, page: Any, gid: str, base: float) -> None:
        (walls,) = named(page, gid)
        self.left, self.right = min(walls.get_xdata()), max(walls.get_xdata())
        self.bottom, self.top = min(walls.get_ydata()), max(walls.get_ydata())
        self.base = base

    def metres(self, artist: Any, spec: RoomSpecification) -> np.ndarray:
        scale = (self.right - self.left) / spec.dimensions_m[0]
        x = (np.asarray(artist.get_xdata()) - self.left) / scale
        up = (np.asarray(artist.get_ydata()) - self.bottom) / scale + self.base
        return np.stack([x, up], axis=1)


def plan_of(page: Any, spec: RoomSpecification) -> View:
    return View(page, "walls from above", -spec.dimensions_m[1] / 2.0)


# --- plan and side view


@pytest.mark.parametrize("name", [*MADE, *BUNDLED])
def test_plan_and_side_view_have_the_room_s_proportions_and_one_scale(portraits, pages, name):
    spec = portraits(name).spec
    page, words = pages(name)
    plan, side = plan_of(page, spec), View(page, "walls from the side", 0.0)
    length, width, height = spec.dimensions_m
    scale = (plan.right - plan.left) / length
    assert plan.top - plan.bottom == pytest.approx(width * scale)
    assert side.right - side.left == pytest.approx(length * scale)
    assert side.top - side.bottom == pytest.approx(height * scale)
    for size in (length, width, height):
        assert f"{size:g} m" in words


@pytest.mark.parametrize("name", ["nave", "small", "corridor", BUNDLED[0]])
def test_microphones_and_seat_stand_where_the_file_puts_them(portraits, pages, name):
    spec, seat = portraits(name).spec, portraits(name).seat
    page, words = pages(name)
    for view, axis in ((plan_of(page, spec), 1), (View(page, "walls from the side", 0.0), 2)):
        half = 0 if axis == 1 else 1
        for setup in spec.microphones.values():
            dots = named(page, f"microphone of {setup.name}")
            count = len(setup.positions_m)
            assert len(dots) == 2 * count
            for dot, point in zip(dots[half * count :][:count], setup.positions_m, strict=True):
                assert view.metres(dot, spec)[0] == pytest.approx([point[0], point[axis]])
            assert setup.name in words
            assert any(text.startswith(f"{setup.name}, ") for text in words)
        source = source_position(spec, seat)
        assert view.metres(named(page, "seat")[half], spec)[0] == pytest.approx([source[0], source[axis]])
    assert words.count("reference seat") == 2


@pytest.mark.parametrize("name", WITH_PANELS)
def test_panels_have_their_names_beside_them_in_both_views(portraits, pages, name):
    spec = portraits(name).spec
    page, _words = pages(name)
    for panel in spec.panels:
        views = [plan_of(page, spec), View(page, "walls from the side", 0.0)]
        for words, view in zip(named(page, f"name of panel {panel.name}"), views, strict=True):
            assert words.get_text() == panel.name.replace("_", " ")
            axis = 1 if view is views[0] else 2
            around = (corners(panel)[:, [0, axis]] - (0.0, view.base)) * (view.right - view.left)
            around = around / spec.dimensions_m[0] + (view.left, view.bottom)
            x, y = words.get_position()
            beside = np.array([0.5, 0.2])  # inches
            low, high = around.min(axis=0) - beside, around.max(axis=0) + beside
            assert low[0] < x < high[0]
            assert low[1] < y < high[1]


def test_a_microphone_s_tick_points_where_it_looks_and_an_omnidirectional_one_has_none(pages):
    page, _ = pages("nave")
    left, right = named(page, "direction of main")[:2]
    for tick, side in ((left, -1.0), (right, 1.0)):
        (x0, x1), (y0, y1) = tick.get_xdata(), tick.get_ydata()
        # 30° to its side of the direction to the stage, which is to the left on the page
        assert math.atan2(side * (y1 - y0), -(x1 - x0)) == pytest.approx(math.radians(30.0))
    assert not named(page, "direction of rear")
    page, _ = pages("small")
    tick = named(page, "direction of ceiling_pair")[-1]
    assert tick.get_ydata()[1] < tick.get_ydata()[0]  # it is tilted down in the side view


@pytest.mark.parametrize("name", ["nave", "small", "wide", "shaft"])
def test_sound_from_a_ring_takes_as_long_as_the_ring_says(portraits, pages, name):
    spec = portraits(name).spec
    page, words = pages(name)
    view = plan_of(page, spec)
    middle = np.mean(spec.microphones["main"].positions_m, axis=0)
    rings = page.findobj(lambda artist: str(artist.get_gid()).startswith("ring "))
    assert len(rings) >= 2
    for ring in rings:
        told = float(ring.get_gid().split()[1])
        x, y = view.metres(ring, spec).T
        ways = np.sqrt((x - middle[0]) ** 2 + (y - middle[1]) ** 2 + (spec.source_height_m - middle[2]) ** 2)
        assert 1000.0 * ways / 343.2 == pytest.approx(told, abs=1e-6)  # 20 °C: ISO 9613-1, A.1
        inside = ring.clipbox.transformed(page.axes[0].transData.inverted())
        assert inside.extents == pytest.approx([view.left, view.bottom, view.right, view.top])
        assert ring.is_dashed()
    assert any(text.endswith(" ms") for text in words)


def test_rings_stand_20_ms_apart_and_closer_in_a_room_that_is_too_small_for_them(portraits):
    def times(name: str) -> list[float]:
        spec = portraits(name).spec
        return [time for time, _radius in room_views._ring_radii(spec, math.hypot(*spec.dimensions_m[:2]))]

    assert times("nave")[:3] == [20.0, 40.0, 60.0]
    assert len(times("small")) >= 2
    assert max(times("small")) < 25.0


def test_the_stage_zone_is_drawn_where_the_file_gives_one(portraits, pages):
    spec = portraits("nave").spec
    page, words = pages("nave")
    (zone,) = named(page, "stage")
    corners = plan_of(page, spec).metres(zone, spec)
    assert corners.min(axis=0) == pytest.approx([3.0, -6.0])
    assert corners.max(axis=0) == pytest.approx([14.0, 6.0])
    assert "stage" in words
    bare = replace(portraits("nave"), spec=replace(spec, stage=None))
    page, words = page_of(bare)
    assert not named(page, "stage")
    assert "stage" not in words


# --- reflections and decay


def test_every_image_source_is_a_stem_at_its_time_as_high_as_its_level(portraits, pages):
    portrait = portraits("nave")
    page, _ = pages("nave")
    panel = page.axes[1]
    low = panel.get_ylim()[0]
    for order in (1, 2, 3):
        (stems,) = named(page, f"order {order}")
        tops = {(round(s[:, 0][0], 6), round(s[:, 1].max(), 6)) for s in stems.get_segments()}
        expected = {
            (round(1000.0 * r.after_direct_s, 6), round(r.level_db, 6))
            for r in portrait.reflections
            if min(r.order, 3) == order and r.level_db > low
        }
        assert expected
        assert tops == expected
    inks = {tuple(named(page, f"order {order}")[0].get_colors()[0]) for order in (1, 2, 3)}
    assert len(inks) == 3


def test_first_walls_the_direct_sound_and_the_mixing_time_have_their_names_over_the_panel(portraits, pages):
    portrait = portraits("nave")
    page, words = pages("nave")
    (line,) = named(page, "mixing time")
    assert set(line.get_xdata()) == {1000.0 * portrait.mixing_time_s}
    assert {"direct", "floor", "mixing time"} <= set(words)
    assert words.count("left wall") == words.count("right wall") == 2  # at the plan, and over the panel


def test_the_grey_is_the_energy_still_to_come_in_the_response(portraits):
    portrait = portraits("nave")
    assert portrait.to_come is not None
    page, _ = page_of(portrait)
    (grey,) = named(page, "energy to come")
    heights = grey.get_paths()[0].vertices
    assert heights[:, 1].max() == pytest.approx(portrait.to_come.level_db[0])
    assert heights[:, 0].max() == pytest.approx(1000.0 * portrait.to_come.times_s[-1])


def test_a_room_whose_microphones_do_not_hear_the_direct_sound_has_a_picture_without_the_grey(portraits):
    page, _ = page_of(replace(portraits("nave"), to_come=None))
    assert not named(page, "energy to come")
    assert named(page, "order 1")


def test_reverberation_times_are_a_line_through_their_figures_and_octaves_measured_are_rings(
    portraits, pages
):
    portrait = portraits(BUNDLED[0])
    page, words = pages(BUNDLED[0])
    (line,), (rings,) = named(page, "the room's own"), named(page, "measured")
    octaves = [math.log2(centre / 1000.0) for centre in BAND_CENTRES_HZ]
    mids = [math.log2(exact_mid_band(centre) / 1000.0) for centre in BAND_CENTRES_HZ]
    drawn = np.interp(mids, line.get_xdata(), line.get_ydata())
    given = [portrait.spec.reverberation_time_s[c] for c in BAND_CENTRES_HZ]
    assert drawn == pytest.approx(given, rel=0.003)
    assert list(rings.get_xdata()) == octaves
    assert list(rings.get_ydata()) == [portrait.measured.t30_s[c] for c in BAND_CENTRES_HZ]
    for centre in BAND_CENTRES_HZ:
        assert f"{portrait.spec.reverberation_time_s[centre]:.2f}" in words


def test_sixth_octaves_are_dots_at_the_times_the_response_measures_and_slope_up_to_16_khz(portraits, pages):
    portrait = portraits(BUNDLED[0])
    page, _ = pages(BUNDLED[0])
    (dots,), (line,) = named(page, "sixth-octaves"), named(page, "the room's own")
    found = portrait.spectrogram
    known = np.isfinite(found.t30_s)
    np.testing.assert_array_equal(dots.get_xdata(), np.log2(found.centres_hz[known] / 1000.0))
    np.testing.assert_array_equal(dots.get_ydata(), found.t30_s[known])
    assert dots.get_xdata()[-1] > 4.0
    steps = np.diff(np.log(line.get_ydata()))
    assert np.max(np.abs(steps)) < math.log(1.2)


def test_the_spectrogram_has_each_level_at_its_time_and_frequency(portraits, pages):
    portrait = portraits("nave")
    page, words = pages("nave")
    (image,) = named(page, "spectrogram")
    found = portrait.spectrogram
    left, right, low, high = image.get_extent()
    drawn = np.asarray(image.get_array())
    assert (left, right) == (0.0, pytest.approx(found.step_s * found.level_db.shape[1]))
    for band in (10, 25, 40):
        row = round((math.log2(found.centres_hz[band] / 1000.0) - low) / (high - low) * (len(drawn) - 1))
        assert np.mean(np.abs(drawn[row] - found.level_db[band])) < 1.5  # a row is never far from a band
    assert image.get_clim() == (-100.0, 0.0)
    assert {"0 dB", "−100 dB", "16 k"} <= set(words)


def test_an_octave_that_could_not_be_measured_has_no_ring(portraits):
    portrait = portraits("small")
    measured = replace(portrait.measured, t30_s={**portrait.measured.t30_s, 63: None})
    page, _ = page_of(replace(portrait, measured=measured))
    (rings,) = named(page, "measured")
    assert len(rings.get_xdata()) == len(BAND_CENTRES_HZ) - 1
    assert min(rings.get_xdata()) == math.log2(125 / 1000)


def test_the_head_says_what_the_room_suits_and_its_figures(portraits):
    portrait = portraits(BUNDLED[0])
    spec = portrait.spec
    _, words = page_of(portrait)
    assert spec.title in words
    assert spec.character in words
    (facts,) = [text for text in words if "mixing time" in text and "RT" in text]
    for figure in (
        f"RT {spec.mid_reverberation_time_s:.2f} s",
        f"C80 {portrait.measured.c80_mid_db:+.1f} dB".replace("-", "−"),
        f"mixing time {1000.0 * portrait.mixing_time_s:.0f} ms",
    ):
        assert figure in facts


# --- the page


@pytest.mark.parametrize("name", [*MADE, *BUNDLED])
def test_no_words_cover_other_words_microphones_or_walls_and_none_leave_the_page(pages, name, monkeypatch):
    from matplotlib import style
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    boxes = []
    draw = Text.draw

    def note(text, renderer):
        if text.get_visible() and text.get_text().strip():
            box = Text.get_window_extent(text, renderer)
            boxes.append((text.get_text(), box))
        draw(text, renderer)

    monkeypatch.setattr(Text, "draw", note)
    page, _ = pages(name)
    with style.context(["default", sheet.STYLE]):
        FigureCanvasAgg(page).draw()
    assert len(boxes) > 30
    marks = page.findobj(lambda a: str(a.get_gid()).startswith(("microphone of", "seat")))
    spots = [page.axes[0].transData.transform((m.get_xdata()[0], m.get_ydata()[0])) for m in marks]
    for number, (words, box) in enumerate(boxes):
        assert page.bbox.x0 <= box.x0, words
        assert box.x1 <= page.bbox.x1, words
        assert page.bbox.y0 <= box.y0, words
        assert box.y1 <= page.bbox.y1, words
        for x, y in spots:
            assert not (box.x0 < x < box.x1 and box.y0 < y < box.y1), words
        for others, other in boxes[number + 1 :]:
            wide = min(box.x1, other.x1) - max(box.x0, other.x0)
            high = min(box.y1, other.y1) - max(box.y0, other.y0)
            # boxes reach over their ink by the room for accents and tails
            assert wide <= 1.0 or high <= 0.3 * min(box.height, other.height), (words, others)


@pytest.mark.parametrize("name", [*MADE, *BUNDLED])
def test_every_set_up_and_the_seat_find_a_place_for_their_names(portraits, pages, name):
    page, _ = pages(name)
    for what in (*portraits(name).spec.microphones, "reference seat"):
        assert named(page, f"name of {what}"), what


def test_names_that_would_meet_are_kept_apart_and_one_without_a_place_is_left_out():
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    page = sheet.new_sheet(4.0, 4.0)
    axes = page.figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, 4.0)
    axes.set_ylim(0.0, 4.0)
    drawing = Drawing(page, axes, FigureCanvasAgg(page.figure).get_renderer())
    everywhere = Box(0.0, 0.0, 4.0, 4.0)
    first = drawing.place("rear", [(2.0, 2.0), (1.0, 1.0)], everywhere)
    second = drawing.place("main", [(2.0, 2.0), (1.0, 1.0)], everywhere)
    third = drawing.place("other", [(2.0, 2.0), (1.0, 1.0)], everywhere)
    assert first is not None
    assert second is not None
    assert (first.get_position(), second.get_position(), third) == ((2.0, 2.0), (1.0, 1.0), None)
    assert len(axes.texts) == 2


def test_upright_names_are_spread_no_more_than_they_must_and_never_past_the_end():
    assert room_panels._spread([1.0, 1.01, 2.0], 0.1, 9.0) == pytest.approx([1.0, 1.1, 2.0])
    assert room_panels._spread([1.0, 1.95, 2.0], 0.1, 2.0) == pytest.approx([1.0, 1.9, 2.0])


@pytest.mark.parametrize(
    ("suffix", "magic"),
    [
        (".png", b"\x89PNG\r\n\x1a\n"),  # PNG specification, 5.2
        (".pdf", b"%PDF-"),  # ISO 32000-1:2008, 7.5.2
        (".SVG", b"<?xml"),
    ],
)
def test_the_suffix_says_what_the_file_is_and_the_same_room_gives_the_same_bytes(
    portraits, tmp_path, suffix, magic
):
    first, second = tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"
    draw_room(portraits("small"), first)
    with matplotlib.rc_context({"font.size": 20.0, "axes.facecolor": "red"}):
        draw_room(portraits("small"), second)
    assert first.read_bytes().startswith(magic)
    assert first.read_bytes() == second.read_bytes()
    assert sorted(tmp_path.iterdir()) == [first, second]


def test_nothing_depends_on_colour(portraits, tmp_path):
    from matplotlib.image import imread

    draw_room(portraits("nave"), tmp_path / "nave.png")
    red, green, blue = np.moveaxis(imread(tmp_path / "nave.png")[:, :, :3], 2, 0)
    assert red.min() == 0.0
    assert np.array_equal(red, green)
    assert np.array_equal(red, blue)


def test_a_title_is_never_read_as_a_formula_and_may_hold_anything(portraits, tmp_path):
    portrait = portraits("small")
    odd = replace(portrait, spec=replace(portrait.spec, title="$x^2$ <&>\x07", character="long " * 90))
    draw_room(odd, tmp_path / "odd.svg")
    assert r">$x^2$ &lt;&amp;&gt;\x07</text>" in (tmp_path / "odd.svg").read_text(encoding="utf-8")


def test_an_unknown_suffix_and_a_missing_folder_are_one_line(portraits, tmp_path):
    for target, words in (("a.jpg", r"\.png, \.svg or \.pdf"), ("nowhere/a.png", "there is no folder")):
        with pytest.raises(RoomplanError, match=words) as refusal:
            draw_room(portraits("small"), tmp_path / target)
        assert "\n" not in str(refusal.value)


def test_importing_the_module_does_not_load_the_drawing_library():
    code = "import sys, roomplan.show.room_drawings; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
