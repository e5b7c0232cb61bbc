"""The decay of a sound in one band: what its times, its energies, its picture and its speech index rest on.

Conventions
-----------
Frames are those of the band's envelope. Time 0 is frame 0 of the sound; the decay starts at its onset.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bumps import Bump, carried_over, find_bumps, without_bumps
from roomplan.acoustics.decay import SPANS_DB, decay_range, decay_times, schroeder_curve
from roomplan.acoustics.energy import energy_figures
from roomplan.acoustics.figures import FIGURES, band_figures, mark
from roomplan.acoustics.leakage import curve_figures, leak_reason, leaked_figures
from roomplan.acoustics.noise import find_truncation
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.energies import BandEnergies, SoundEnergies
    from roomplan.acoustics.energy import EnergyFigures
    from roomplan.acoustics.figures import BandFigures
    from roomplan.acoustics.filters import Filter
    from roomplan.acoustics.noise import Truncation

__all__ = [
    "BandDecay",
    "bumps_of_band",
    "decay_of_band",
    "energies_of_band",
    "figures_moved_by",
    "figures_of_band",
]

# half a just-noticeable difference (ISO 3382-1:2009, Table A.1; C50, T as C80, EDT), or twice the scatter
_MOVED_SHARE = 0.025
_MOVED = {"c50_db": 0.5, "c80_db": 0.5, "d50": 0.025, "centre_time_s": 0.005}
_MOVED_SCATTERS = 2.0
# the project's own limits; `tests/acoustics/test_doubt_rates.py` has how often they err
_LESS_FOR_A_CLEAR_ONE = 0.3
_SHORT_LINES = ("edt_s", "t10_s")
_LEAST_EXCESS_DB = 0.5
_LEVELLED_ALONE = 4
_FILTER_END = 3.0  # the filter looks ahead: within 3 / B of the record's end it sees less and less


@frozen_class
class BandDecay:
    """One band of a sound, its end found.

    Attributes
    ----------
    start : int
        Envelope frame of the onset.
    decay : ndarray, shape (frames,)
        Energy per frame from the onset to where the filter still sees all of the sound.
    truncation : Truncation
        Of `decay`.
    curve : ndarray, shape (crosspoint,)
        Backward-integrated `decay`.
    total : float
        Energy of 0 dB: the curve's start and what the filter rings ahead of it.
    lead_s : float
        Time by which the filtered sound is ahead.
    leak : tuple of mapping, or None
        `curve_figures` of the whole and of what lies inside the band, where much comes from outside.
    """

    look: Filter
    band: BandEnergies
    start: int
    decay: NDArray[np.float64]
    truncation: Truncation
    curve: NDArray[np.float64]
    total: float
    lead_s: float
    leak: tuple[dict[str, float | None], dict[str, float | None]] | None = None

    @property
    def rate(self) -> float:
        """Envelope frames per second."""
        return self.band.rate

    @property
    def decay_range_db(self) -> float:
        """From the start of the decay to the noise or the record's end."""
        return decay_range(self.curve, tail_energy=self.truncation.tail_energy, total=self.total)


def decay_of_band(sound: SoundEnergies, look: Filter) -> BandDecay:
    """Find where the decay of one band ends, and integrate it backwards."""
    band = sound.bands[look]
    rate = band.rate
    span = _span(sound, look)
    decay, truncation, curve, total = _integrated(band.envelope, span, band)
    whole = inside = None
    if band.inside.size:
        whole = curve_figures(curve, rate=rate, total=total)
        _decay, _truncation, alone, alone_total = _integrated(band.inside, span, band)
        inside = curve_figures(alone, rate=rate, total=alone_total)
    return BandDecay(
        look=look,
        band=band,
        start=span.start,
        decay=decay,
        truncation=truncation,
        curve=curve,
        total=total,
        lead_s=_lead_s(band),
        leak=None if whole is None or inside is None else (whole, inside),
    )


def energies_of_band(sound: SoundEnergies, look: Filter, *, with_dry: bool) -> EnergyFigures:
    """Energies of one band alone, as `figures_of_band` has them: for those who ask for no decay time."""
    band, span = sound.bands[look], _span(sound, look)
    return energy_figures(
        band,
        with_dry=with_dry,
        lead_s=_lead_s(band),
        truncation=find_truncation(band.envelope[span], sample_rate=band.rate),
        onset=span.start,
    )


def _span(sound: SoundEnergies, look: Filter) -> slice:
    """Envelope frames from the onset to where the filter still sees all of the sound."""
    band = sound.bands[look]
    start = int(np.ceil(sound.onset / sound.sample_rate * band.rate - 1e-9))
    blind = round(_FILTER_END / look.bandwidth_hz * band.rate) if look.bandwidth_hz else 0
    return slice(start, max(start + 1, band.content - blind))


def _lead_s(band: BandEnergies) -> float:
    return band.lead / band.power if band.power > 0.0 else band.mean_lead_s


def _integrated(
    energy: NDArray[np.float64], span: slice, band: BandEnergies
) -> tuple[NDArray[np.float64], Truncation, NDArray[np.float64], float]:
    """Decay within a span of frames, its end, its curve and its total energy."""
    decay = energy[span]
    truncation = find_truncation(decay, sample_rate=band.rate)
    curve = schroeder_curve(decay, sample_rate=band.rate, truncation=truncation)
    ahead = float(energy[band.content :].sum() + energy[: span.start].sum())
    return decay, truncation, curve, (float(curve[0]) if curve.size else 0.0) + ahead


def figures_of_band(found: BandDecay, *, with_dry: bool) -> BandFigures:
    """Figures of one band; `with_dry` counts the dry impulse among its energies."""
    band = found.band
    times = decay_times(
        found.curve,
        sample_rate=found.rate,
        decay_range_db=found.decay_range_db,
        bandwidth_hz=band.bandwidth_hz,
        total=found.total,
        lead_s=found.lead_s,
        late_decay_time_s=found.truncation.late_decay_time_s,
        shortest_s=found.look.shortest_s,
    )
    energies = energy_figures(
        band,
        with_dry=with_dry,
        lead_s=found.lead_s,
        truncation=found.truncation,
        onset=found.start,
    )
    figures = band_figures(
        found.look,
        times,
        energies,
        bandwidth_hz=band.bandwidth_hz,
        late_decay_time_s=found.truncation.late_decay_time_s,
    )
    if found.leak is None:
        return figures
    leaked = leaked_figures(*found.leak, figures.doubt, outside=band.outside)
    return mark(figures, leak_reason(band.outside), leaked) if leaked else figures


def bumps_of_band(found: BandDecay) -> tuple[Bump, ...]:
    """Stretches of the decay that rise over what comes before and after."""
    return find_bumps(
        found.decay[: found.truncation.content_end],
        rate=found.rate,
        bandwidth_hz=found.band.bandwidth_hz,
        crosspoint=found.truncation.crosspoint,
    )


def figures_moved_by(
    own: Sequence[Bump], clear: Sequence[Bump], found: BandDecay, figures: BandFigures
) -> tuple[str, ...]:
    """Keys of the figures of a band that sounds over its decay move.

    Parameters
    ----------
    own : sequence of Bump
        Those of this band, the surest first: they count where they move a figure by more than chance, and by
        half of what can be heard.
    clear : sequence of Bump
        What is unmistakable in any band (`bumps.unmistakable`): no chance made it, so less of a move is its
        work, and EDT and T10 are doubtful where it lies in their span.
    found : BandDecay
        With the bumps in.
    figures : BandFigures
        Of `found`.

    Notes
    -----
    Looked at without all of them and without each of the surest: that two happen to cancel in a figure makes
    it no better.
    """
    if not (own or clear):
        return ()
    carried: tuple[Bump, ...] | None = ()
    if clear:
        carried = carried_over(
            clear,
            found.decay[: found.truncation.content_end],
            rate=found.rate,
            bandwidth_hz=found.band.bandwidth_hz,
            crosspoint=found.truncation.crosspoint,
        )
    if carried is None:
        return FIGURES
    before = _figures_of_curve(found)
    moved: set[str] = set()
    for bumps, share in ((carried, _LESS_FOR_A_CLEAR_ONE), (own, 1.0)):
        for some in _without(bumps):
            if len(moved) == len(before):
                break
            levelled = _levelled(found, some)
            after = _figures_of_curve(levelled)
            moved |= {key for key in before if _differ(key, before[key], after[key], figures, share)}
            if len(some) == 1:
                split = _split_by_limit(some[0], found, levelled)
                moved |= {key for key, apart in split if apart > _MOVED[key]}
    moved |= _short_lines_over(carried, found)
    return tuple(key for key in FIGURES if key in moved)


def _without(bumps: Sequence[Bump]) -> Iterator[Sequence[Bump]]:
    """All of some bumps, then each of the surest."""
    if bumps:
        yield bumps
    if len(bumps) > 1:
        yield from ([bump] for bump in bumps[:_LEVELLED_ALONE])


def _short_lines_over(bumps: Sequence[Bump], found: BandDecay) -> set[str]:
    """EDT and T10 where a bump is in their span: they scatter as stated in a straight decay alone."""
    over: set[str] = set()
    for key in _SHORT_LINES:
        upper, lower = (found.total * 10.0 ** (level_db / 10.0) for level_db in SPANS_DB[key])
        begin = int(np.count_nonzero(found.curve > upper)) / found.rate  # the curve only falls
        end = int(np.count_nonzero(found.curve > lower)) / found.rate
        if any(
            bump.excess_db >= _LEAST_EXCESS_DB and bump.start_s < end and bump.end_s > begin for bump in bumps
        ):
            over.add(key)
    return over


def _split_by_limit(bump: Bump, found: BandDecay, levelled: BandDecay) -> Iterator[tuple[str, float]]:
    """Early-to-late figures whose limit lies within a bump, and by how much: all of it early, or late.

    A moment earlier or later an echo at the limit counts on the other side: the figure is of that chance.
    """
    excess = found.total - levelled.total
    for key, limit_s in (("c50_db", 0.05), ("d50", 0.05), ("c80_db", 0.08)):
        frame = round(limit_s * levelled.rate)
        late = float(levelled.curve[frame]) if frame < levelled.curve.size else 0.0
        early = levelled.total - late
        if not (bump.start_s <= limit_s <= bump.end_s and excess > 0.0 and min(early, late) > 0.0):
            continue
        if key == "d50":
            yield key, excess / found.total
        else:
            yield key, 10.0 * float(np.log10((early + excess) / late * (late + excess) / early))


def _levelled(found: BandDecay, bumps: Sequence[Bump]) -> BandDecay:
    """The decay without some bumps."""
    decay = without_bumps(found.decay, bumps, rate=found.rate)
    truncation = find_truncation(decay, sample_rate=found.rate)
    curve = schroeder_curve(decay, sample_rate=found.rate, truncation=truncation)
    ahead = found.total - (float(found.curve[0]) if found.curve.size else 0.0)
    total = (float(curve[0]) if curve.size else 0.0) + ahead
    return replace(found, decay=decay, truncation=truncation, curve=curve, total=total)


def _differ(key: str, value: float | None, other: float | None, figures: BandFigures, share: float) -> bool:
    if value is None or other is None:
        return value is not other
    least = _MOVED.get(key, _MOVED_SHARE * other)
    chance = _MOVED_SCATTERS * (figures.doubt[key].uncertainty or 0.0)
    return abs(value - other) > share * max(least, chance)


def _figures_of_curve(found: BandDecay) -> dict[str, float | None]:
    """Figures as the decay curve alone gives them: near enough to compare two curves of one band."""
    return curve_figures(found.curve, rate=found.rate, total=found.total)
