"""Composites of sections and rooms, measured: what the figures of decay come from.

Conventions
-----------
A composite is that of `rendering.bus_figures`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.analysis import (
    add_energies,
    composite_energies,
    decay_of_energies,
    level_time_of_energies,
)
from roomplan.acoustics.figures import MID_OCTAVES_HZ
from roomplan.rendering.composite_parts import dry_heights, sends_to
from roomplan.rendering.kept_decays import MeasuredDecay
from roomplan.rendering.kept_energies import KeptEnergies
from roomplan.session.response_matrices import section_response

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from roomplan.acoustics.analysis import DecayFigures, SoundEnergies
    from roomplan.files.cache import Cache
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = [
    "energies_of_room",
    "energies_of_section",
    "figures_of_mixture",
    "kept_or_measured",
    "mid_decay_of_section",
    "room_composite",
    "section_composite",
]


def section_composite(
    section: SectionSource, matrices: Matrices
) -> tuple[NDArray[np.float64], NDArray[np.float64] | None] | None:
    """Composite response of a section at the gains against its own signal.

    Returns
    -------
    wet : ndarray, shape (frames, signal channels × 2)
        Input by input, left and right output; time 0 is the dry sound.
    dry : ndarray, shape (signal channels × 2,), or None
        Heights of the dry impulse, None when the dry path is off.
    """
    heard = [(index, send) for index, send in enumerate(section.sends) if not send.muted]
    if not heard:
        return None
    taps = max(matrices[section.name, index].taps for index, _send in heard)
    wet = np.zeros((taps, section.signal_channels * 2), order="F")
    for index, send in heard:
        for source, output, gain, cell in section_response(section, matrices[section.name, index]):
            wet[: len(cell), source * 2 + output] += send.response_gain * gain * cell
    if section.dry_gain is None:
        return wet, None
    return wet, dry_heights(section)


def room_composite(
    session: Session, matrices: Matrices, room: str, position: str | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Responses of a room's sends in use, (frames, channels), and the power of each channel.

    Sends that share a response share its channels: their powers add.
    """
    channels: dict[int, tuple[NDArray[np.float64], float]] = {}
    for section, index, level in sends_to(session, room, position):
        for _source, _output, gain, cell in section_response(section, matrices[section.name, index]):
            power = (level * gain) ** 2
            channels[id(cell)] = (cell, channels.get(id(cell), (cell, 0.0))[1] + power)
    if not channels:
        return None
    wet = np.zeros((max(len(cell) for cell, _power in channels.values()), len(channels)), order="F")
    for column, (cell, _power) in enumerate(channels.values()):
        wet[: len(cell), column] = cell
    return wet, np.array([power for _cell, power in channels.values()])


def energies_of_section(
    section: SectionSource, matrices: Matrices, *, sample_rate: int, frames: int
) -> SoundEnergies:
    """Energies of the composite of a section with a send in use, counted as `frames` long."""
    composite = section_composite(section, matrices)
    assert composite is not None  # noqa: S101 - it has an identity
    wet, dry = composite
    return composite_energies(wet, dry=dry, sample_rate=sample_rate, frames=frames)


def energies_of_room(
    session: Session, matrices: Matrices, room: str, position: str | None, *, sample_rate: int
) -> SoundEnergies:
    """Energies of a room that a section sends to; no figure of a room depends on its level."""
    composite = room_composite(session, matrices, room, position)
    assert composite is not None  # noqa: S101 - it has an identity
    wet, powers = composite
    weights = powers / powers.max(initial=1e-300)
    return composite_energies(wet, dry=None, sample_rate=sample_rate, weights=weights)


def mid_decay_of_section(section: SectionSource, matrices: Matrices, *, sample_rate: int) -> DecayFigures:
    """Decay and clarity of the composite of a section with a send in use, in the mid octaves alone."""
    composite = section_composite(section, matrices)
    assert composite is not None  # noqa: S101 - a send is in use
    wet, dry = composite
    sound = composite_energies(wet, dry=dry, sample_rate=sample_rate, centres_hz=MID_OCTAVES_HZ)
    return decay_of_energies(sound, centres_hz=MID_OCTAVES_HZ, with_dry=sound.has_dry)


def kept_or_measured(
    cache: Cache | None, digest: str, measure: Callable[[], SoundEnergies], *, title: str
) -> SoundEnergies:
    """Energies of a composite by its digest, from the cache or measured and kept there."""
    kept = KeptEnergies(cache)
    found = kept.get(digest)
    if found is None:
        found = measure()
        kept.put(digest, found, title=title)
    return found


def figures_of_mixture(parts: Iterable[tuple[SoundEnergies, float]], *, with_dry: bool) -> MeasuredDecay:
    """Figures of composites with weights of their powers; the tail only with a dry impulse in it."""
    sound = add_energies(list(parts))
    has_dry = with_dry and sound.has_dry
    decay = decay_of_energies(sound, with_dry=has_dry)
    if not has_dry:
        return MeasuredDecay(decay, None, "dry is off" if with_dry else "the bus holds no dry sound")
    return MeasuredDecay(decay, *level_time_of_energies(sound, with_dry=True))
