"""Responses and sounds measured, from a file or an array.

Conventions
-----------
Arrays are (frames, channels) or (frames,), full scale 1; the rate is that of the file, or given with the
array. The figures are those of `roomplan measure` and `roomplan loudness`: for music production; not for
voice-alarm or building-code use: there, local codes and licensed practice decide.
"""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Literal, overload

from roomplan.acoustics.response import ResponseFigures, analyse_response
from roomplan.api.arrays import sound_array, sound_rate
from roomplan.api.faces import html_of
from roomplan.api.measured_files import chosen_bands
from roomplan.audio.info import SoundInfo, inspect_sound
from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.errors import AudioError, RoomplanError
from roomplan.frozen_classes import frozen_class
from roomplan.loudness.programme import ProgrammeLoudness, programme_loudness
from roomplan.loudness.roles import channel_roles, parse_roles
from roomplan.measuring.loudness import MeteredFile, file_loudness
from roomplan.measuring.responses import MeasuredFile, MeasuringChoice, measure_file
from roomplan.show import loudness_tables, measure_tables
from roomplan.show.tables import note

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from roomplan.api.plans import PathLike
    from roomplan.loudness.roles import ChannelRole

    Bands = Literal["octave", "third_octave"]

__all__ = ["Measured", "Metered", "measure", "measure_loudness"]

_ARRAY = "array"  # name of what has none


@dataclass(frozen=True, slots=True, repr=False)
class Measured(ResponseFigures):
    """The figures of a response: those of `ResponseFigures`, and what was measured.

    Attributes
    ----------
    channels : tuple of ChannelFigures
        Bands, mean of the mid ones, broadband and A-weighted, STI (estimate); each figure with its doubt.
    correlation : tuple of BandCorrelation
        Inter-channel correlation of two channels; empty for any other number.
    name : str
        The file's, or "array".
    warnings : tuple of str
        What looks wrong with the file.

    Examples
    --------
    >>> measured = roomplan.measure("nave.wav")
    >>> measured
    <Measured 'nave.wav': T30 0.49 s, good; 2 channels, 24000 Hz>
    >>> isinstance(measured, roomplan.Measured)
    True
    """

    name: str
    sample_rate: int
    duration_s: float
    warnings: tuple[str, ...]

    def __repr__(self) -> str:
        mid = self.channels[0].decay.mid
        time = "no T30" if mid.t30_s is None else f"T30 {mid.t30_s:.2f} s"
        count = len(self.channels)
        return (
            f"<{type(self).__name__} {self.name!r}: {time}, {mid.verdict}; "
            f"{count} channel{'s' if count != 1 else ''}, {self.sample_rate} Hz>"
        )

    def _repr_html_(self) -> str:
        numbers = tuple(range(1, len(self.channels) + 1))
        file = MeasuredFile(Path(self.name), self.sample_rate, self.duration_s, numbers, self, self.warnings)
        tables = measure_tables.response_tables(file, binaural=False)
        return html_of([*tables, *measure_tables.notes(file), note(MUSIC_ONLY)])


@frozen_class
class Metered(ProgrammeLoudness):
    """The loudness of a sound: the figures of `ProgrammeLoudness`, and what was metered.

    Attributes
    ----------
    name : str
        The file's, or "array".

    Examples
    --------
    >>> metered = roomplan.measure_loudness("stems/choir.wav")
    >>> metered
    <Metered 'choir.wav': −14.0 LUFS, true peak −6.9 dBTP; 1.0 s>
    >>> isinstance(metered, roomplan.Metered)
    True
    """

    name: str
    sample_rate: int

    def __repr__(self) -> str:
        loudness, peak = self.integrated_lufs, self.true_peak_dbtp
        words = "no loudness" if loudness is None else f"{loudness:.1f} LUFS"
        words += "" if peak is None else f", true peak {peak:.1f} dBTP"
        return (
            f"<{type(self).__name__} {self.name!r}: {words.replace('-', '−')}; "
            f"{self.frames / self.sample_rate:.1f} s>"
        )

    def _repr_html_(self) -> str:
        info = SoundInfo(Path(self.name), self.frames, len(self.roles), self.sample_rate, "", "")
        files = [MeteredFile(info, self)]
        return html_of(
            [
                loudness_tables.loudness_table(files, reference=None),
                *loudness_tables.notes(files),
                note(LEVELS),
            ]
        )


@overload
def measure(response: PathLike, *, bands: Bands = ...) -> Measured: ...
@overload
def measure(response: ArrayLike, *, sample_rate: int, bands: Bands = ...) -> Measured: ...
def measure(
    response: ArrayLike | PathLike, *, sample_rate: int | None = None, bands: Bands = "octave"
) -> Measured:
    """Measure an impulse response: decay, clarity, STI (estimate), and how far each figure can be trusted.

    Parameters
    ----------
    response : str, path or array_like of shape (frames,) or (frames, channels)
    sample_rate : int
        Of an array, in hertz; a file says it itself.
    bands : "octave" or "third_octave"

    Raises
    ------
    AudioError
        A file that cannot be a response: missing, unreadable, silent, longer than 60 s, a sweep, noise or
        music.
    RoomplanError
        An array that is no sound, or has no rate.

    Notes
    -----
    Silence, NaN or too few frames in an array give figures of None with a reason. Not done: a constant offset
    is taken off a file, with a warning, but not off an array. Many files at once, on all cores or machines:
    `roomplan.measuring.responses.measure_files`.

    Examples
    --------
    >>> mid = roomplan.measure("nave.wav").channels[0].decay.mid
    >>> round(mid.t30_s, 1), mid.verdict
    (0.5, 'good')

    From an array: noise under a decay of 0.8 s.

    >>> rate = 24_000
    >>> time = np.arange(2 * rate) / rate
    >>> response = np.random.default_rng(1).standard_normal(time.size) * 10.0 ** (-3.0 * time / 0.8)
    >>> measured = roomplan.measure(response, sample_rate=rate)
    >>> round(measured.channels[0].decay.mid.t30_s, 1)
    0.8
    """
    if bands == "third":  # its name before third_octave; understood for one version
        what = 'bands="third" is now "third_octave"; the next version accepts only the new name'
        warnings.warn(what, DeprecationWarning, stacklevel=2)
        bands = "third_octave"
    if bands not in {"octave", "third_octave"}:
        raise RoomplanError(f"bands of {bands!r}", remedy='ask for "octave" or "third_octave"')
    filters = chosen_bands(1 if bands == "octave" else 3)
    if isinstance(response, str | os.PathLike):
        path = Path(response)
        _no_rate_for_a_file(path, sample_rate)
        file = measure_file(path, MeasuringChoice(filters=filters))
        return _measured(file.figures, path.name, file.sample_rate, file.duration_s, file.warnings)
    rate, samples = sound_rate(sample_rate), sound_array(response, "the response")
    found = analyse_response(samples, sample_rate=rate, filters=filters)
    return _measured(found, _ARRAY, rate, len(samples) / rate, ())


def _measured(
    found: ResponseFigures, name: str, sample_rate: int, duration_s: float, warnings: tuple[str, ...]
) -> Measured:
    return Measured(found.channels, found.correlation, name, sample_rate, duration_s, warnings)


@overload
def measure_loudness(sound: PathLike, *, roles: str | None = ...) -> Metered: ...
@overload
def measure_loudness(sound: ArrayLike, *, sample_rate: int, roles: str | None = ...) -> Metered: ...
def measure_loudness(
    sound: ArrayLike | PathLike, *, sample_rate: int | None = None, roles: str | None = None
) -> Metered:
    """Measure the loudness of any sound: integrated, the loudest 400 ms and 3 s, range, and peaks.

    Parameters
    ----------
    sound : str, path or array_like of shape (frames,) or (frames, channels)
    sample_rate : int
        Of an array, in hertz; a file says it itself.
    roles : str, optional
        What the channels are, such as "L,R,C,LFE,Ls,Rs"; needed for more than two.

    Raises
    ------
    AudioError
        A file that cannot be read, or has more than two channels and no roles.
    RoomplanError
        An array that is no sound, or has no rate; roles that do not fit.

    Notes
    -----
    A figure that cannot be given, such as the loudness of silence, is None with its reason in `reasons`.

    Examples
    --------
    A sine of 997 Hz at full scale in one channel reads −3.01 LUFS (ITU-R BS.1770):

    >>> tone = np.sin(2.0 * np.pi * 997.0 * np.arange(96_000) / 48_000)
    >>> round(roomplan.measure_loudness(tone, sample_rate=48_000).integrated_lufs, 2)
    -3.01
    >>> roomplan.measure_loudness(0.0 * tone, sample_rate=48_000).reasons["integrated_lufs"]
    'digital silence'
    """
    named = None if roles is None else parse_roles(roles)
    if isinstance(sound, str | os.PathLike):
        path = Path(sound)
        _no_rate_for_a_file(path, sample_rate)
        info, found = file_loudness(path, roles=_roles_of(inspect_sound(path), named))
        return _metered(found, path.name, info.sample_rate)
    rate, samples = sound_rate(sample_rate), sound_array(sound, "the sound")
    return _metered(programme_loudness(samples, sample_rate=rate, roles=named), _ARRAY, rate)


def _roles_of(info: SoundInfo, roles: tuple[ChannelRole, ...] | None) -> tuple[ChannelRole, ...]:
    try:
        return channel_roles(info.channels, roles)
    except RoomplanError as error:
        (problem,) = error.problems
        raise AudioError(info.path, problem.what, remedy=problem.remedy) from error


def _metered(found: ProgrammeLoudness, name: str, sample_rate: int) -> Metered:
    figures = {entry.name: getattr(found, entry.name) for entry in fields(found)}
    return Metered(**figures, name=name, sample_rate=sample_rate)


def _no_rate_for_a_file(path: Path, sample_rate: int | None) -> None:
    if sample_rate is not None:
        raise RoomplanError(
            f"{path}: a file says its own sample rate", remedy="leave sample_rate away, or hand in an array"
        )
