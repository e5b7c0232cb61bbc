"""The decay of several bangs together: their energies averaged, band by band.

Conventions
-----------
Waves of bangs are never averaged: no two are alike. Energies are, each bang weighing the same.

Sources
-------
ISO 3382-1:2009 allows the ensemble average of decays of several impulses at one place (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.analysis import rate_too_low
from roomplan.acoustics.band_decay import decay_of_band, figures_of_band
from roomplan.acoustics.energies import add_energies, channel_energies
from roomplan.acoustics.figures import no_band, nothing_measured, summarise
from roomplan.acoustics.filters import octaves

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.figures import DecayFigures

__all__ = ["averaged_figures"]


def averaged_figures(responses: Sequence[NDArray[np.float64]], *, rate: int) -> tuple[DecayFigures, ...]:
    """Figures of the averaged energies of responses from one place, a channel at a time.

    Parameters
    ----------
    responses : sequence of ndarray, shape (frames, channels)
        At least one; all of one number of channels.

    Returns
    -------
    tuple of DecayFigures
        One for each channel. The scatter by chance is that of one response: at one place the pattern of the
        reflections is the same in all of them.
    """
    frames = min(len(each) for each in responses)
    return tuple(
        _channel([each[:frames, channel] for each in responses], rate)
        for channel in range(responses[0].shape[1])
    )


def _channel(columns: Sequence[NDArray[np.float64]], rate: int) -> DecayFigures:
    wanted = octaves()
    onsets = [_first_loud(column) for column in columns]
    length = min(len(column) - onset for column, onset in zip(columns, onsets, strict=True))
    sounds = [
        channel_energies(column[onset : onset + length], sample_rate=float(rate), filters=wanted)
        for column, onset in zip(columns, onsets, strict=True)
    ]
    usable = [sound for sound in sounds if sound.problem is None]
    if not usable:
        return nothing_measured(wanted, sounds[0].problem or "")
    mean = add_energies([(sound, 1.0 / float(sound.broadband.sum())) for sound in usable])
    bands = tuple(
        figures_of_band(decay_of_band(mean, look), with_dry=False)
        if look in mean.bands
        else no_band(look.centre_hz, rate_too_low(look), label=look.label)
        for look in wanted
    )
    return summarise(bands)


def _first_loud(column: NDArray[np.float64]) -> int:
    """First frame within 20 dB of the peak, as ISO 3382-1 has it; 0 for silence."""
    magnitude = np.abs(column)
    return int(np.argmax(magnitude >= 0.1 * magnitude.max(initial=0.0))) if column.size else 0
