"""How a seat's response decays over frequency: its spectrogram, and the reverberation time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.rooms.field import expected_t30_at
from roomplan.rooms.spec import BAND_CENTRES_HZ
from roomplan.show.room_canvas import PANEL_LEFT, PANEL_WIDTH, SMALL, Drawing, bare_panel, heading
from roomplan.show.sheet import MARGIN, octaves_from_1_khz, time_axis
from roomplan.show.tables import figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from roomplan.rooms.portrait import RoomPortrait

    Array = NDArray[np.float64]

__all__ = ["draw_spectrogram", "draw_times"]

_BOTTOM = 0.86  # of both panels
_SPECTROGRAM_HEIGHT = 3.55
_TIMES = (0.90, 5.45, 1.38)  # left edge, width, height
_LOWEST_HZ, _HIGHEST_HZ = 45.0, 20_000.0
_TICKS_HZ = (*BAND_CENTRES_HZ, 16_000)
_ROWS = 240  # of the spectrogram: more than its panel has points
_FAINTEST_DB = -100.0  # white; the loudest is black
_GREYS = 5  # of the key: 20 dB each
_KEY_STEP = 0.76
_SIXTHS = 1000.0 * 10.0 ** (np.arange(-27, 27) / 20.0)  # 45 Hz to 20 kHz
_ROOM_OVER = 1.30  # of the highest time: its figure is above it


def draw_spectrogram(drawing: Drawing, portrait: RoomPortrait) -> None:
    """Level over time and frequency: what falls alike at all frequencies ends in an upright edge."""
    axes = bare_panel(drawing, PANEL_LEFT, _BOTTOM, (PANEL_WIDTH, _SPECTROGRAM_HEIGHT))
    head = _BOTTOM + _SPECTROGRAM_HEIGHT + 0.16
    heading(drawing, PANEL_LEFT - 0.5, head, "Spectrogram of this response", "dB per Hz, re the loudest")
    found = portrait.spectrogram
    low, high = octaves_from_1_khz(_LOWEST_HZ), octaves_from_1_khz(_HIGHEST_HZ)
    rows = np.linspace(low, high, _ROWS)
    bands = np.log2(found.centres_hz / 1000.0)
    level = np.stack([np.interp(rows, bands, column) for column in found.level_db.T], axis=1)
    end_s = found.step_s * level.shape[1]
    axes.imshow(
        level,
        cmap="gray_r",
        vmin=_FAINTEST_DB,
        vmax=0.0,
        extent=(0.0, end_s, low, high),
        origin="lower",
        aspect="auto",
        interpolation="bilinear",
        gid="spectrogram",
    )
    audible = np.flatnonzero(np.max(level, axis=0) > _FAINTEST_DB)
    time_axis(axes, found.step_s * float(audible[-1] + 1))
    axes.set_ylim(low, high)
    axes.set_yticks(*_octave_ticks())
    axes.set_ylabel("Hz")
    _key_of_greys(drawing, _BOTTOM - 0.62)


def _octave_ticks() -> tuple[list[float], list[str]]:
    places = [octaves_from_1_khz(centre) for centre in _TICKS_HZ]
    return places, [f"{centre // 1000} k" if centre >= 1000 else str(centre) for centre in _TICKS_HZ]


def _key_of_greys(drawing: Drawing, y: float) -> None:
    """Which level has which grey."""
    for number in range(_GREYS + 1):
        share = number / _GREYS
        x = PANEL_LEFT - 0.46 + number * _KEY_STEP
        drawing.axes.fill_between(
            [x, x + 0.2], y - 0.02, y + 0.09, facecolor=f"{share:.2f}", edgecolor="0.6", linewidth=0.6
        )
        words = f"{_FAINTEST_DB * share + 0.0:.0f} dB".replace("-", "−")
        drawing.words(x + 0.26, y, words, fontsize=SMALL)


def draw_times(drawing: Drawing, portrait: RoomPortrait) -> None:
    """Reverberation time over frequency: the room's own, and as the response of this seat measures."""
    spec = portrait.spec
    left, width, height = _TIMES
    axes = bare_panel(drawing, left, _BOTTOM, (width, height))
    made = "of the materials" if spec.absorption is not None else "asked for"
    heading(
        drawing,
        MARGIN,
        _BOTTOM + height + 0.16,
        "Reverberation time, s",
        f"line: {made}; T30 of this response: rings in octaves, dots in sixth-octaves",
    )
    own = expected_t30_at(spec, _SIXTHS)
    octaves = [spec.reverberation_time_s[centre] for centre in BAND_CENTRES_HZ]
    rings = [portrait.measured.t30_s[centre] for centre in BAND_CENTRES_HZ]
    dots = portrait.spectrogram.t30_s
    known = ~np.isnan(dots)
    highest = max([*own.tolist(), *octaves, *(time for time in rings if time is not None), *dots[known]])
    low, high = octaves_from_1_khz(_LOWEST_HZ), octaves_from_1_khz(_HIGHEST_HZ)
    axes.set_xlim(low, high)
    axes.set_ylim(0.0, _ROOM_OVER * highest)
    axes.set_xticks(*_octave_ticks())
    axes.set_xlabel("Hz")
    axes.set_ylabel("s")
    axes.plot(np.log2(_SIXTHS / 1000.0), own, color="black", linewidth=1.1, zorder=2, gid="the room's own")
    sixths = np.log2(portrait.spectrogram.centres_hz[known] / 1000.0)
    _marks(axes, sixths, dots[known], 2.6, "0.45", "sixth-octaves")
    places = np.array([octaves_from_1_khz(centre) for centre in BAND_CENTRES_HZ])
    heard = np.array([time is not None for time in rings])
    _marks(axes, places[heard], np.array([t for t in rings if t is not None]), 5.0, "white", "measured")
    for place, time, ring in zip(places.tolist(), octaves, rings, strict=True):
        near = np.abs(sixths - place) < 0.3
        over = max([time, ring or 0.0, *dots[known][near]])
        x = left + width * (place - low) / (high - low)
        y = _BOTTOM + height * over / (_ROOM_OVER * highest)
        drawing.words(x, y + 0.09, figure(time), ha="center", fontsize=SMALL)


def _marks(axes: Axes, across: Array, up: Array, size: float, face: str, name: str) -> None:
    axes.plot(
        across,
        up,
        linestyle="none",
        marker="o",
        markersize=size,
        markerfacecolor=face,
        markeredgecolor="black" if face == "white" else face,
        markeredgewidth=0.9,
        zorder=4 if face == "white" else 3,
        gid=name,
    )
