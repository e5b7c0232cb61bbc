"""Composites of sections and rooms, measured: what the figures of decay come from.

Conventions
-----------
A composite is that of `rendering.bus_figures`.
"""

from __future__ import annotations

from functools import reduce
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan.acoustics.analysis import (
    add_energies,
    composite_energies,
    decay_of_energies,
    level_time_of_energies,
    octave_filters,
)
from roomplan.acoustics.bands import OCTAVE_CENTRES_HZ
from roomplan.acoustics.energy_forms import Paths, forms_of
from roomplan.acoustics.figures import MID_OCTAVES_HZ
from roomplan.rendering.composite_parts import dry_heights, outline_of_room, outline_of_section, sends_to
from roomplan.rendering.kept_decays import MeasuredDecay
from roomplan.rendering.kept_energies import KeptEnergies
from roomplan.rendering.kept_forms import KeptForms
from roomplan.rooms.late_likeness import NO_SOUND, LatePowers
from roomplan.session.response_matrices import section_response

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from roomplan.acoustics.analysis import DecayFigures, SoundEnergies
    from roomplan.acoustics.energy_forms import EnergyForms
    from roomplan.files.cache import Cache
    from roomplan.rendering.composite_parts import CompositeOutline
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
    section: SectionSource,
    matrices: Matrices,
    cache: Cache | None,
    *,
    digest: str,
    sample_rate: int,
    frames: int,
    title: str,
    most_bytes: float,
) -> SoundEnergies:
    """Energies of the composite of a section with a send in use, counted as `frames` long.

    Parameters
    ----------
    cache : Cache or None
        Where they, or their forms, are looked for and kept.
    digest : str
        Of the composite at its levels; `title` says to a person what it is.
    most_bytes : float
        Of forms: a composite of larger ones is measured at its levels.
    """
    outline = outline_of_section(section, matrices, frames=frames)
    dry = None if section.dry_gain is None else dry_heights(section)
    if outline.forms_bytes <= most_bytes:
        gains = np.array([send.response_gain for send in section.sends if not send.muted])
        forms = _kept_or_measured_forms(cache, outline, matrices, sample_rate=sample_rate, title=title)
        return forms.at(gains, dry)

    def measure() -> SoundEnergies:
        composite = section_composite(section, matrices)
        assert composite is not None  # noqa: S101 - a send is in use
        return composite_energies(composite[0], dry=dry, sample_rate=sample_rate, frames=frames)

    return kept_or_measured(cache, digest, measure, title=title)


def energies_of_room(
    session: Session,
    matrices: Matrices,
    room: str,
    position: str | None,
    cache: Cache | None,
    *,
    digest: str,
    sample_rate: int,
    title: str,
    most_bytes: float,
) -> SoundEnergies:
    """Energies of a room that a section sends to; no figure of a room depends on its level.

    Parameters
    ----------
    cache, digest, title, most_bytes
        As for `energies_of_section`.
    """
    outline, powers = outline_of_room(session, matrices, room, position)
    if outline.forms_bytes <= most_bytes:
        weights = np.array(powers) / max(*powers, 1e-300)
        forms = _kept_or_measured_forms(cache, outline, matrices, sample_rate=sample_rate, title=title)
        return forms.at(np.sqrt(weights), None)

    def measure() -> SoundEnergies:
        composite = room_composite(session, matrices, room, position)
        assert composite is not None  # noqa: S101 - a send goes there
        wet, powers = composite
        weights = powers / powers.max(initial=1e-300)
        return composite_energies(wet, dry=None, sample_rate=sample_rate, weights=weights)

    return kept_or_measured(cache, digest, measure, title=title)


def _kept_or_measured_forms(
    cache: Cache | None, outline: CompositeOutline, matrices: Matrices, *, sample_rate: int, title: str
) -> EnergyForms:
    """Forms of a composite, which answer at all levels, from the cache or measured and kept there."""
    kept, filters = KeptForms(cache), octave_filters(OCTAVE_CENTRES_HZ)
    digest, rate = outline.digest(matrices, sample_rate=sample_rate), float(sample_rate)

    def paths(samples: NDArray[Any]) -> Paths:
        if samples.shape != (len(outline.paths), outline.frames):
            raise ValueError(samples.shape)
        return Paths(
            samples=samples,
            gains=np.array([path.gain for path in outline.paths]),
            sources=tuple(path.source for path in outline.paths),
            channels=tuple(path.channel for path in outline.paths),
            alike=outline.alike,
        )

    forms = kept.get(digest, with_samples=paths, sample_rate=rate, filters=filters)
    if forms is None:
        forms = forms_of(paths(_samples(outline, matrices)), sample_rate=rate, filters=filters)
        kept.put(digest, forms, title=title)
    return forms


def _samples(outline: CompositeOutline, matrices: Matrices) -> NDArray[Any]:
    """Samples of all paths, planar; float32 where that holds them exactly."""
    samples = np.zeros((len(outline.paths), outline.frames))
    for row, path in zip(samples, outline.paths, strict=True):
        *_place, cell = section_response(path.section, matrices[path.section.name, path.send])[path.place]
        row[: len(cell)] = cell
    rounded = samples.astype(np.float32)
    return rounded if np.array_equal(rounded, samples) else samples


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


def figures_of_mixture(
    parts: Iterable[tuple[SoundEnergies, float]], late: Iterable[tuple[LatePowers, float]], *, with_dry: bool
) -> MeasuredDecay:
    """Figures of composites with weights of their powers; the tail only with a dry impulse in it.

    Parameters
    ----------
    late : iterable
        Late powers of those that have them, with weights: they add as far as sections are independent, be it
        in one room.
    """
    sound = add_energies(list(parts))
    has_dry = with_dry and sound.has_dry
    decay = decay_of_energies(sound, with_dry=has_dry)
    together = reduce(LatePowers.and_also, (powers.at_power(weight) for powers, weight in late), NO_SOUND)
    alike = together.correlation
    if not has_dry:
        return MeasuredDecay(decay, None, "dry is off" if with_dry else "the bus holds no dry sound", alike)
    return MeasuredDecay(decay, *level_time_of_energies(sound, with_dry=True), alike)
