"""Pictures of responses: their form, their promises about files, and what is written in them."""

from __future__ import annotations

import dataclasses
import math
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from roomplan.acoustics.bands import ALL_OCTAVE_CENTRES_HZ
from roomplan.acoustics.curves import DecayCurve, FittedLine
from roomplan.acoustics.doubt import Doubt
from roomplan.acoustics.figures import FIGURES, BandFigures, DecayFigures, no_band, summarise
from roomplan.cautions import MUSIC_ONLY
from roomplan.errors import RoomplanError
from roomplan.show import figure_files, pictures, sheet
from roomplan.show.pictures import MOST_CHANNELS, PicturedChannel, draw_responses

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

matplotlib = pytest.importorskip("matplotlib")
Text = pytest.importorskip("matplotlib.text").Text

# IEC 61260-1:2014, Annex E (nominal mid-band frequencies), thirds from 20 Hz to 16 kHz
THIRDS_HZ = tuple(
    float(mantissa * scale)
    for scale in (1, 10, 100, 1000, 10000)
    for mantissa in (1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8)
    if 20.0 <= mantissa * scale <= 16000.0
)
FLOORS_DB = {125.0: 42.0, 8000.0: 38.0, 10000.0: 35.0, 16000.0: 31.0}  # too little for T30, 45 dB
BENT_HZ = 63.0
UNUSABLE_HZ = {31.5, 20.0}
SIGMA = 0.06  # of T, in the test material


def time_at(centre_hz: float, factor: float = 1.0) -> float:
    """3 s at 63 Hz, 0.8 s at 8 kHz, a straight line over log frequency."""
    return factor * max(0.5, 3.0 - 2.2 * math.log(centre_hz / 63.0) / math.log(8000.0 / 63.0))


def label_of(centre_hz: float) -> str:
    return f"{centre_hz / 1000.0:g} kHz" if centre_hz >= 1000.0 else f"{centre_hz:g} Hz"


def line(time_s: float, upper_db: float, lower_db: float) -> FittedLine:
    return FittedLine(-upper_db * time_s / 60.0, upper_db, -lower_db * time_s / 60.0, lower_db)


def curve_at(centre_hz: float, factor: float = 1.0, floor_db: float = 58.0) -> DecayCurve:
    """Return the straight decay of one band over a floor; dots scatter by a fixed pattern."""
    time_s = time_at(centre_hz, factor)
    dots = np.linspace(0.0, 4.0, 160)
    scatter = 1.5 * np.sin(37.0 * np.arange(dots.size) ** 1.3 + centre_hz)
    power = 10.0 ** (-6.0 * dots / time_s) + 10.0 ** (-floor_db / 10.0)
    if centre_hz in UNUSABLE_HZ:
        nothing = np.zeros(0)
        return DecayCurve(
            label_of(centre_hz), centre_hz, nothing, nothing, dots, scatter - 4.0, None, None, True
        )
    truncation = floor_db * time_s / 60.0
    times = np.linspace(0.0, truncation, 300)
    fits = {"edt_s": line(0.9 * time_s, 0.0, -10.0), "t10_s": line(time_s, -5.0, -15.0)}
    if floor_db >= 35.0:
        fits["t20_s"] = line(time_s, -5.0, -25.0)
    if floor_db >= 45.0:
        fits["t30_s"] = line(time_s, -5.0, -35.0)
    return DecayCurve(
        label=label_of(centre_hz),
        centre_hz=centre_hz,
        times_s=times,
        level_db=-60.0 * times / time_s,
        sound_times_s=dots,
        sound_db=10.0 * np.log10(power) + scatter,
        truncation_s=truncation,
        truncation_db=-floor_db,
        ends_in_noise=True,
        fits=fits,
    )


def band_at(centre_hz: float, factor: float = 1.0, floor_db: float = 58.0) -> BandFigures:
    if centre_hz in UNUSABLE_HZ:
        return no_band(centre_hz, "nothing decays here: the hum is as loud as the room")
    time_s = time_at(centre_hz, factor)
    has = f"this decay has {floor_db:.0f} dB"
    needed = {"edt_s": 25.0, "t10_s": 25.0, "t20_s": 35.0, "t30_s": 45.0}  # ISO 3382-1:2009, 5.3.3
    reasons = {
        key: f"{key[:-2].upper()} needs {least:.0f} dB, {has}"
        for key, least in needed.items()
        if floor_db < least
    }
    times = {key: None if key in reasons else time_s for key in needed}
    if times["edt_s"] is not None:
        times["edt_s"] = 0.9 * time_s
    bent = "the decay is bent: T30 and T20 differ by +14 %" if centre_hz == BENT_HZ else None
    if bent is not None:
        reasons["verdict"] = bent
    doubt = dict.fromkeys(FIGURES, Doubt(None, floor_db, "good")) | {
        key: Doubt(None, floor_db, "unusable", reasons[key])
        if key in reasons
        else Doubt(SIGMA * time_s, floor_db, "doubtful" if bent else "good", bent)
        for key in needed
    }
    return BandFigures(
        centre_hz=centre_hz,
        edt_s=times["edt_s"],
        t10_s=times["t10_s"],
        t20_s=times["t20_s"],
        t30_s=times["t30_s"],
        c80_db=1.0,
        d50=0.5,
        centre_time_s=0.1,
        decay_range_db=floor_db,
        verdict="doubtful" if reasons else "good",
        reasons=reasons,
        doubt=doubt,
    )


def channel_of(
    title: str = "left", centres: Sequence[float] = ALL_OCTAVE_CENTRES_HZ, factor: float = 1.0
) -> PicturedChannel:
    floors = [FLOORS_DB.get(float(centre), 58.0) for centre in centres]
    pairs = list(zip(map(float, centres), floors, strict=True))
    curves = [curve_at(centre, factor, floor) for centre, floor in pairs]
    bands = tuple(band_at(centre, factor, floor) for centre, floor in pairs)
    return PicturedChannel(title, curves, summarise(bands))


def silent(title: str = "channel 1", reason: str = "the channel is silent") -> PicturedChannel:
    bands = tuple(no_band(float(centre), reason) for centre in ALL_OCTAVE_CENTRES_HZ)
    return PicturedChannel(
        title, [], DecayFigures(bands, no_band(None, reason), "unusable", {"verdict": reason})
    )


def stereo(centres: Sequence[float] = ALL_OCTAVE_CENTRES_HZ) -> list[PicturedChannel]:
    return [channel_of("left", centres), channel_of("right", centres, 0.9)]


def files_in(folder: Path) -> list[Path]:
    return [path for path in folder.iterdir() if path.is_file()]


def page_of(*channels: PicturedChannel) -> tuple[Any, list[str]]:
    """Return the page and the words on it."""
    figure: Any = pictures._page("larkmere_hall.wav", channels)
    return figure, [text.get_text() for text in figure.findobj(Text)]


@pytest.mark.parametrize(
    ("suffix", "magic"),
    [
        (".png", b"\x89PNG\r\n\x1a\n"),  # PNG specification, 5.2
        (".pdf", b"%PDF-"),  # ISO 32000-1:2008, 7.5.2
        (".svg", b"<?xml"),
        (".PNG", b"\x89PNG\r\n\x1a\n"),
    ],
)
def test_the_suffix_says_what_the_file_is(tmp_path: Path, suffix: str, magic: bytes):
    target = tmp_path / f"hall{suffix}"
    draw_responses([("larkmere_hall.wav", [channel_of()])], target)
    assert target.read_bytes().startswith(magic)
    assert files_in(tmp_path) == [target]


@pytest.mark.parametrize("suffix", [".svg", ".pdf", ".png"])
def test_the_same_figures_give_the_same_bytes_whatever_the_user_has_set(tmp_path: Path, suffix: str):
    first, second = tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"
    draw_responses([("larkmere_hall.wav", [channel_of()])], first)
    with matplotlib.rc_context({"font.size": 20.0, "axes.facecolor": "red", "svg.fonttype": "path"}):
        draw_responses([("larkmere_hall.wav", [channel_of()])], second)
    assert first.read_bytes() == second.read_bytes()
    for clock in (b"dc:date", b"CreationDate", b"Creation Time"):
        assert clock not in first.read_bytes()


def test_no_setting_of_the_users_is_changed_and_no_window_machinery_is_started(tmp_path: Path):
    before = dict(matplotlib.rcParams)
    started = "matplotlib.pyplot" in sys.modules
    draw_responses([("larkmere_hall.wav", [channel_of()])], tmp_path / "hall.png")
    assert dict(matplotlib.rcParams) == before
    assert ("matplotlib.pyplot" in sys.modules) == started


def test_the_svg_holds_titles_bands_units_and_the_caution_as_text(tmp_path: Path):
    target = tmp_path / "hall.svg"
    draw_responses([("larkmere_hall.wav", stereo())], target)
    text = target.read_text(encoding="utf-8")
    for words in (
        "larkmere_hall.wav",
        "left",
        "right",
        *(label_of(centre) for centre in ALL_OCTAVE_CENTRES_HZ),
        "16k",
        "T30 3.00 s ?",
        "T20 0.80 s",
        "−30 dB",
        "time to fall by 60 dB, s",
        "time from the onset, s",
        "frequency, Hz",
        MUSIC_ONLY,
    ):
        assert f">{words}</text>" in text, words


def test_a_title_is_never_read_as_a_formula_and_may_hold_anything_a_file_name_can(tmp_path: Path):
    target = tmp_path / "odd.svg"
    draw_responses([("$x^2$ <&>\x07\udcff.wav", [channel_of("a\nb")])], target)
    assert r">$x^2$ &lt;&amp;&gt;\x07\udcff.wav</text>" in target.read_text(encoding="utf-8")


def test_nothing_depends_on_colour(tmp_path: Path):
    from matplotlib.image import imread

    target = tmp_path / "hall.png"
    draw_responses([("larkmere_hall.wav", [channel_of()])], target)
    red, green, blue = np.moveaxis(imread(target)[:, :, :3], 2, 0)
    assert red.min() == 0.0
    assert np.array_equal(red, green)
    assert np.array_equal(red, blue)


@pytest.mark.parametrize(
    ("centres", "count"),
    [(ALL_OCTAVE_CENTRES_HZ, 1), (ALL_OCTAVE_CENTRES_HZ, 4), (THIRDS_HZ, 4), ((1000.0,), 2)],
)
def test_no_words_cover_other_words_and_none_leave_the_page(
    centres: Sequence[float], count: int, monkeypatch: pytest.MonkeyPatch
):
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
        channels = [channel_of(f"channel {number}", centres, 1.0 - 0.28 * number) for number in range(count)]
        figure, _ = page_of(*channels)
        FigureCanvasAgg(figure).draw()
    assert len(boxes) > 30
    page = figure.bbox
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


def test_a_missing_time_is_a_gap_and_said_so_below():
    figure, words = page_of(channel_of())
    assert words.count("none") == 1  # 31.5 Hz
    assert words.count("no decay") == 2  # beside its row, and in the map
    assert any(text.startswith("no T30 at 125, 8k, 16k Hz: T30 needs 45 dB") for text in words)
    assert any(text.startswith("no decay time at 31.5 Hz: nothing decays here") for text in words)
    joined = figure.axes[1].lines[-1].get_ydata()
    missing = [centre for centre, value in zip(ALL_OCTAVE_CENTRES_HZ, joined, strict=True) if np.isnan(value)]
    assert missing == [31.5, 125, 8000, 16000]


def test_a_doubtful_time_carries_a_question_mark_and_a_good_one_none():
    _, words = page_of(channel_of())
    assert words.count("?") == 2  # T30 and EDT at 63 Hz
    assert [text for text in words if text.endswith(" ?")] == ["T30 3.00 s ?"]
    assert any(text.startswith("doubtful T30 at 63 Hz: the decay is bent") for text in words)
    _, words = page_of(channel_of(centres=(500.0, 1000.0)))
    assert not any("?" in text for text in words)


def test_a_time_that_is_not_shown_does_not_stretch_the_axis():
    band = dataclasses.replace(band_at(1000.0), t10_s=50.0)  # T30 is there
    figure, _ = page_of(PicturedChannel("left", [curve_at(1000.0)], summarise((band,))))
    assert figure.axes[1].get_ylim()[1] < 2.0 * time_at(1000.0)


def test_the_bars_are_as_long_as_the_uncertainty():
    figure, _ = page_of(channel_of(centres=(1000.0,)))
    bars = [c.get_segments()[0] for c in figure.axes[1].collections]
    time_s = time_at(1000.0)
    lengths = [bar[1][1] - bar[0][1] for bar in bars]
    assert lengths == pytest.approx([2.0 * SIGMA * time_s] * 2)  # T30 and EDT


def test_contours_stand_where_a_straight_decay_has_fallen():
    curve = curve_at(500.0)
    for level in (-10.0, -20.0, -30.0):
        assert pictures._fall_time(curve, level) == pytest.approx(-level * time_at(500.0) / 60.0)


def test_no_contour_runs_into_the_noise():
    floors = {500.0: 32.0, 1000.0: 25.0, 2000.0: 32.0}
    curves = [curve_at(centre, floor_db=floor) for centre, floor in floors.items()]
    bands = tuple(band_at(centre, floor_db=floor) for centre, floor in floors.items())
    figure, _ = page_of(PicturedChannel("left", curves, summarise(bands)))
    end, *contours = figure.axes[2].lines
    for contour in contours:
        known = np.isfinite(contour.get_ydata())
        assert known.any()
        assert np.all(contour.get_ydata()[known] <= end.get_ydata()[known])
    middle = np.abs(contours[2].get_xdata()) < 0.25  # around 1 kHz
    assert np.isnan(contours[2].get_ydata()[middle]).all()  # -30 dB is never reached there
    assert np.isfinite(contours[1].get_ydata()[middle]).all()  # -20 dB is


@pytest.mark.parametrize("ends_in_noise", [True, False])
def test_the_end_of_a_record_is_not_drawn_as_noise(ends_in_noise: bool):
    curve = dataclasses.replace(curve_at(1000.0), ends_in_noise=ends_in_noise)
    figure, _ = page_of(PicturedChannel("left", [curve], summarise((band_at(1000.0),))))
    marks = [drawn.get_marker() for drawn in figure.axes[0].lines]
    assert ("v" in marks) == ends_in_noise
    assert ("|" in marks) != ends_in_noise


def test_a_page_without_any_decay_says_why(tmp_path: Path):
    target = tmp_path / "silence.svg"
    draw_responses([("silence.wav", [silent(reason="the channel is silent")])], target)
    assert target.read_text(encoding="utf-8").count("the channel is silent") >= 3
    only_noise = PicturedChannel(
        "left",
        [curve_at(31.5)],
        DecayFigures((band_at(31.5),), band_at(31.5), "unusable", {"verdict": "hum"}),
    )
    draw_responses([("hum.wav", [only_noise, silent()])], target)
    assert "hum" in target.read_text(encoding="utf-8")


def test_curves_over_the_whole_range_get_a_row_and_no_place_on_the_frequency_axis():
    everything = dataclasses.replace(curve_at(1000.0), label="broadband", centre_hz=None)
    channel = channel_of(centres=(500.0, 1000.0))
    figure, words = page_of(PicturedChannel("left", [everything, *channel.curves], channel.figures))
    assert "broadband" in words
    assert words.count(f"T30 {time_at(1000.0):.2f} s") == 1  # the band's: nobody gave one for the whole range
    assert figure.axes[1].lines[-1].get_xdata().size == 2


def test_a_response_that_is_over_at_once_still_has_axes(recwarn: pytest.WarningsRecorder):
    click = dataclasses.replace(
        curve_at(1000.0), times_s=np.zeros(2), level_db=np.array([0.0, -40.0]), truncation_s=0.0, fits={}
    )
    figure, _ = page_of(PicturedChannel("left", [click], summarise((band_at(1000.0),))))
    assert figure.axes[0].get_xlim()[1] > 0.0
    assert figure.axes[2].get_ylim()[1] > 0.0
    assert not list(recwarn)


def test_a_decay_is_followed_for_65_db_and_its_end_is_not_marked_beyond():
    figure, _ = page_of(
        PicturedChannel("left", [curve_at(1000.0, floor_db=90.0)], summarise((band_at(1000.0),)))
    )
    lowest = min(np.min(drawn.get_ydata(), initial=0.0) for drawn in figure.axes[0].lines)
    assert -65.0 <= lowest < -64.0
    assert "v" not in [drawn.get_marker() for drawn in figure.axes[0].lines]


def test_a_missing_figure_is_explained_by_what_the_least_of_them_needs():
    bands = tuple(band_at(1000.0, floor_db=floor) for floor in (10.0, 30.0, 40.0))
    notes = [pictures._note_lines(DecayFigures((band,), band, "doubtful"), 6.0)[0] for band in bands]
    assert notes[0] == "no decay time at 1k Hz: T10 needs 25 dB, this decay has 10 dB"
    assert notes[1].startswith("no T30 at 1k Hz: T30 needs 45 dB, this decay has 30 dB")
    assert notes[2].startswith("no T30 at 1k Hz: T30 needs 45 dB, this decay has 40 dB")


def test_the_line_of_a_row_is_the_one_its_figure_comes_from():
    band = band_at(1000.0, floor_db=42.0)  # no T30, whatever lines the curve brings along
    figure, words = page_of(PicturedChannel("left", [curve_at(1000.0)], summarise((band,))))
    assert f"T20 {time_at(1000.0):.2f} s" in words
    (dashed,) = [drawn for drawn in figure.axes[0].lines if drawn.is_dashed()]
    assert list(dashed.get_ydata()) == [-5.0, -25.0]


def test_levels_that_are_not_finite_are_left_out():
    broken = curve_at(1000.0)
    broken = dataclasses.replace(
        broken,
        level_db=np.where(broken.times_s > 0.5, -np.inf, broken.level_db),
        sound_db=np.where(broken.sound_times_s > 0.5, -np.inf, broken.sound_db),
    )
    figure, _ = page_of(PicturedChannel("left", [broken], summarise((band_at(1000.0),))))
    for drawn in figure.axes[0].lines:
        assert np.isfinite(drawn.get_ydata()).all()


@pytest.mark.parametrize("name", ["hall.jpg", "hall", "hall.svgz", ".pdf"])
def test_an_unknown_suffix_is_refused_and_the_three_are_named(tmp_path: Path, name: str):
    with pytest.raises(RoomplanError, match=r"\.png, \.svg or \.pdf") as refusal:
        draw_responses([("hall.wav", [silent()])], tmp_path / name)
    assert "\n" not in str(refusal.value)
    assert not files_in(tmp_path)


def test_too_many_channels_are_refused_and_a_choice_is_asked_for(tmp_path: Path):
    channels = [silent()] * (MOST_CHANNELS + 1)
    with pytest.raises(
        RoomplanError, match="at most 4 channels, this response has 5 — choose fewer channels"
    ):
        draw_responses([("hall.wav", channels)], tmp_path / "hall.png")
    with pytest.raises(RoomplanError, match="no channel"):
        draw_responses([("hall.wav", [])], tmp_path / "hall.png")


def test_several_responses_go_into_a_pdf_a_page_each_and_nowhere_else(tmp_path: Path):
    few = channel_of(centres=(500.0, 1000.0))
    pages = [("one.wav", [few]), ("two.wav", [few, few]), ("three.wav", [silent()])]
    for suffix in (".png", ".svg"):
        with pytest.raises(RoomplanError) as refusal:
            draw_responses(pages, tmp_path / f"all{suffix}")
        assert str(refusal.value) == (
            "a picture shows one response — choose one file, or name a .pdf for a page each"
        )
    draw_responses(pages, tmp_path / "all.pdf")
    assert b"/Count 3" in (tmp_path / "all.pdf").read_bytes()
    with pytest.raises(RoomplanError, match="no response"):
        draw_responses([], tmp_path / "none.pdf")


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
@pytest.mark.parametrize("failure", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failed_run_leaves_the_earlier_picture_whole_and_nothing_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str, failure: BaseException
):
    target = tmp_path / f"hall{suffix}"
    target.write_bytes(b"earlier")

    def fail(figures, path, _kind):
        path.write_bytes(b"half")
        list(figures)
        raise failure

    monkeypatch.setattr(figure_files, "_write", fail)
    expected = RoomplanError if isinstance(failure, OSError) else KeyboardInterrupt
    with pytest.raises(expected) as refusal:
        draw_responses([("hall.wav", [silent()])], target)
    if expected is RoomplanError:
        assert str(refusal.value) == (
            f"{target}: could not be written (No space left on device) — "
            "allow writing there or choose another place"
        )
    assert target.read_bytes() == b"earlier"
    assert files_in(tmp_path) == [target]


def test_a_missing_folder_and_a_folder_in_the_way_are_reported_in_one_line(tmp_path: Path):
    with pytest.raises(RoomplanError, match="there is no folder") as refusal:
        draw_responses([("hall.wav", [silent()])], tmp_path / "nowhere" / "hall.png")
    assert "\n" not in str(refusal.value)
    (tmp_path / "hall.png").mkdir()
    with pytest.raises(RoomplanError, match="is a folder, not a picture"):
        draw_responses([("hall.wav", [silent()])], tmp_path / "hall.png")


def test_a_link_still_leads_to_the_picture(tmp_path: Path):
    real, link = tmp_path / "real.svg", tmp_path / "link.svg"
    real.write_bytes(b"earlier")
    link.symlink_to(real)
    draw_responses([("hall.wav", [channel_of()])], link)
    assert link.is_symlink()
    assert real.read_bytes().startswith(b"<?xml")


def test_without_the_drawing_library_one_line_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(RoomplanError, match="pictures need matplotlib"):
        draw_responses([("hall.wav", [silent()])], tmp_path / "hall.png")


def test_importing_the_module_does_not_load_the_drawing_library():
    code = "import sys, roomplan.show.pictures; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
