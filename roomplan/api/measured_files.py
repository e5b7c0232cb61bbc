"""Response files measured, one or thousands, and what each differs from another one."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.acoustics.differences import differences, same_room
from roomplan.acoustics.figures import MID_OCTAVES_HZ, MID_THIRDS_HZ
from roomplan.acoustics.filters import octaves, thirds
from roomplan.acoustics.speech import NORMAL_SPEECH_DB, SPEECH_BANDS_HZ, SpeechSpectrum
from roomplan.errors import RoomplanError
from roomplan.files.folders import find_sounds
from roomplan.measuring.noise_levels import read_band_levels
from roomplan.measuring.responses import (
    MeasuredFile,
    MeasuringChoice,
    all_cores,
    curves_of_file,
    measure_file,
    measure_files,
)
from roomplan.report.measurements import Against, numbered_channels

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from roomplan.acoustics.filters import BandPass
    from roomplan.measuring.attempts import Unmeasured
    from roomplan.rendering.progress import Progress

__all__ = [
    "MeasuredFiles",
    "Unmatched",
    "chosen_bands",
    "draw_measured",
    "measure_responses",
    "measuring_choice",
    "summary_centre",
]


@dataclass(frozen=True, slots=True)
class Unmatched:
    """Channels of a file, from 1, that the response it is compared with does not have."""

    file: Path
    channels: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MeasuredFiles:
    """What was measured.

    Attributes
    ----------
    measured, failed : sequence
        Each in the order of the files.
    compared : mapping
        File and number of a channel, from 1 → its differences; empty where nothing is compared.
    """

    measured: Sequence[MeasuredFile]
    failed: Sequence[Unmeasured]
    compared: Mapping[tuple[Path, int], Against]
    unmatched: Sequence[Unmatched]


def chosen_bands(fraction: int, centres_hz: Sequence[float] = ()) -> tuple[BandPass, ...]:
    """Octaves (`fraction` 1) or thirds (3), all or those of some centres; a RoomplanError for others."""
    filters = octaves() if fraction == 1 else thirds()
    known = {one.centre_hz: one for one in filters}
    for centre in centres_hz:
        if centre not in known:
            names = ", ".join(f"{name:g}" for name in known)
            raise RoomplanError(f"{centre:g} Hz is none of the bands {names}")
    return tuple(known[centre] for centre in sorted(set(centres_hz))) or filters


def measuring_choice(
    filters: tuple[BandPass, ...], *, channel: int | None, noise: Path | None, force: bool
) -> MeasuringChoice:
    """Say what to measure; see `MeasuringChoice`.

    Parameters
    ----------
    noise : Path or None
        File of the noise for the STI, as `read_band_levels` takes it.

    Raises
    ------
    RoomplanError
        The noise cannot be read.
    """
    spectrum = None
    if noise is not None:
        noise_db, speech_db = read_band_levels(noise, centres_hz=SPEECH_BANDS_HZ)
        spectrum = SpeechSpectrum(speech_db=speech_db or NORMAL_SPEECH_DB, noise_db=noise_db)
    return MeasuringChoice(filters=filters, channel=channel, spectrum=spectrum, force=force)


def summary_centre(choice: MeasuringChoice, fraction: int) -> float | None:
    """Band a summary shows: None (the mean of the mid bands) where all those are chosen, else the lowest."""
    centres = [one.centre_hz for one in choice.filters]
    return None if {*(MID_OCTAVES_HZ if fraction == 1 else MID_THIRDS_HZ)} <= {*centres} else centres[0]


def measure_responses(
    paths: Sequence[Path], choice: MeasuringChoice, *, against: Path | None = None, progress: Progress
) -> MeasuredFiles:
    """Measure response files and folders of them, on all cores where they are many.

    Parameters
    ----------
    against : Path, optional
        Response that each is compared with, channel by channel of the same number, or with its only one.

    Raises
    ------
    RoomplanError
        There is no such file or folder, or `against` cannot be measured. Other files that cannot be are
        `failed`.
    """
    files = find_sounds(paths)
    # first of all: a reference that cannot be read is said before thousands of files are measured
    reference = measure_file(against, choice) if against is not None else None
    measured: list[MeasuredFile] = []
    failed: list[Unmeasured] = []
    with all_cores(len(files)) or contextlib.nullcontext() as executor:
        progress("measuring", 0, len(files))
        for done, result in enumerate(measure_files(files, choice, executor=executor), start=1):
            if isinstance(result, MeasuredFile):
                measured.append(result)
            else:
                failed.append(result)
            progress("measuring", done, len(files))
    compared, unmatched = ({}, []) if reference is None else _compare(reference, measured)
    return MeasuredFiles(measured, failed, compared, unmatched)


def _compare(
    reference: MeasuredFile, measured: Sequence[MeasuredFile]
) -> tuple[dict[tuple[Path, int], Against], list[Unmatched]]:
    theirs = dict(numbered_channels(reference))
    compared: dict[tuple[Path, int], Against] = {}
    unmatched: list[Unmatched] = []
    for file in measured:
        missing: list[int] = []
        for number, channel in numbered_channels(file):
            if number not in theirs and len(theirs) > 1:
                missing.append(number)
                continue
            match = theirs.get(number) or next(iter(theirs.values()))
            compared[file.path, number] = Against(
                reference.path, differences(channel.decay, match.decay), same_room(channel.decay, match.decay)
            )
        if missing:
            unmatched.append(Unmatched(file.path, tuple(missing)))
    return compared, unmatched


def draw_measured(
    measured: Sequence[MeasuredFile], choice: MeasuringChoice, target: Path, *, progress: Progress
) -> None:
    """Draw decay curves, times and a decay map of every file.

    Raises
    ------
    RoomplanError
        The picture cannot be written, or a file cannot be read again.
    """
    from roomplan.show.pictures import PicturedChannel, draw_responses  # which loads what draws

    pages = []
    for done, file in enumerate(measured):
        progress("drawing", done, len(measured))
        channels = [
            PicturedChannel(f"channel {number}", curves, channel.decay)
            for (number, channel), curves in zip(
                numbered_channels(file), curves_of_file(file.path, choice), strict=True
            )
        ]
        pages.append((file.path.name, channels))
    draw_responses(pages, target)
    progress("drawing", len(measured), len(measured))
