"""Energies of a sum of responses at any gains, as quadratic forms of the gains.

Conventions
-----------
*Paths* are responses, each into one channel; paths of one *source* move by one gain. A sum is linear in the
gains g, so that each of its energies is gᵀEg, with a dry impulse of heights h gᵀEg + 2 h·Lg + D h·h: E, L and
D are measured once. A pair of sources stands for gᵢEᵢⱼgⱼ and gⱼEⱼᵢgᵢ, and is there where the two meet in a
channel.

What is no form of the gains is found in the sum of the samples, which is cheap beside its bands: where it
begins, its broadband energy, and whether it holds a constant. Where it does, or cannot be measured, the sum
is measured as any other sound (`acoustics.energies`); of bands into which others leak, so is what lies
inside them.

The energies are those of the sum, but for rounding: 1e-12 of those of the paths at their gains.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.acoustics.early_and_late import EARLY_LIMITS_S, split_spectra
from roomplan.acoustics.energies import (
    BandEnergies,
    SoundEnergies,
    broadband_energies,
    energies_of,
    frames_added,
    leaking_bands,
    without_offset,
)
from roomplan.acoustics.filterbank import band_kernel, inside_envelope, power_sums, transform_length
from roomplan.acoustics.transforms import inner, inverse
from roomplan.acoustics.transforms import spectrum as to_spectrum

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.filterbank import BandKernel
    from roomplan.acoustics.filters import BandPass, Filter

__all__ = ["BandForms", "EnergyForms", "Paths", "forms_of"]

_WORKERS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """Responses that are summed.

    Attributes
    ----------
    samples : ndarray, shape (paths, frames)
        Planar; float32 where that holds them exactly.
    gains : ndarray, shape (paths,)
        Of each path, whatever the gain of its source.
    sources, channels : tuple of int
        Of each path: whose gain it has, and where it goes.
    alike : tuple of int
        Of each channel of the sum: the channel that stands for it, one of as many as there are distinct ones.
    """

    samples: NDArray[np.float32] | NDArray[np.float64]
    gains: NDArray[np.float64]
    sources: tuple[int, ...]
    channels: tuple[int, ...]
    alike: tuple[int, ...]

    @property
    def counts(self) -> NDArray[np.intp]:
        """How many channels each distinct one stands for."""
        return np.bincount(self.alike)

    def pairs(self) -> list[tuple[int, int]]:
        """Pairs of sources that meet in a channel, each with itself among them."""
        met: dict[int, set[int]] = {}
        for source, channel in zip(self.sources, self.channels, strict=True):
            met.setdefault(channel, set()).add(source)
        return sorted({(i, j) for sources in met.values() for i in sources for j in sources if i <= j})

    def total(self, gains: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum at the gains of the sources, shape (distinct channels, frames)."""
        planar = np.zeros((len(self.counts), self.samples.shape[1]))
        for samples, gain, source, channel in zip(
            self.samples, self.gains, self.sources, self.channels, strict=True
        ):
            planar[channel] += (gain * gains[source]) * samples.astype(np.float64, copy=False)
        return planar


@dataclass(frozen=True, slots=True, eq=False)
class BandForms:
    """Forms of one band: rows of pairs of sources, of paths, and of a dry impulse of height 1.

    Attributes
    ----------
    rate, middle_s, mean_lead_s, content, bandwidth_hz
        As in `BandEnergies`.
    envelope : ndarray, shape (pairs, frames)
    numbers : ndarray, shape (pairs, 4)
        Power, power × lead, and what of the power comes from below and from above the band.
    early, late : ndarray, shape (pairs, limits)
        Energy before each of `EARLY_LIMITS_S`; that behind it, less the sum of the envelope.
    ahead_meeting : ndarray, shape (paths, frames - content)
    early_meeting : ndarray, shape (paths, limits)
        What an impulse of height 1 in the path's channel adds where it meets it.
    ahead_impulse : ndarray, shape (frames - content,)
    early_impulse : ndarray, shape (limits,)
        Energy of the impulse alone.
    """

    rate: float
    middle_s: float
    mean_lead_s: float
    content: int
    bandwidth_hz: float
    envelope: NDArray[np.float64]
    numbers: NDArray[np.float64]
    early: NDArray[np.float64]
    late: NDArray[np.float64]
    ahead_meeting: NDArray[np.float64]
    early_meeting: NDArray[np.float64]
    ahead_impulse: NDArray[np.float64]
    early_impulse: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class EnergyForms:
    """Sum of paths, ready to be asked for its energies at any gains.

    Attributes
    ----------
    bands : mapping
        Filter → forms; bands above half the sample rate are missing.
    filters : tuple of BandPass
        All that were asked for.
    """

    paths: Paths
    sample_rate: float
    filters: tuple[BandPass, ...]
    bands: Mapping[BandPass, BandForms]

    def at(self, gains: NDArray[np.float64], dry: NDArray[np.float64] | None) -> SoundEnergies:
        """Energies at the gains of the sources, with a dry impulse of these heights in frame 0 or none.

        Parameters
        ----------
        dry : ndarray, shape (channels,), or None
            For every channel of the sum.
        """
        paths, rate = self.paths, self.sample_rate
        planar = paths.total(gains)
        shared = None if dry is None else _shared(paths, dry)
        sound = broadband_energies(planar, shared, sample_rate=rate)
        if sound.problem is not None or without_offset(planar, rate) is not planar:
            every = np.ascontiguousarray(planar[list(paths.alike)])
            return energies_of(every, dry, sample_rate=rate, filters=self.filters)
        counts = paths.counts.astype(np.float64)
        impulse = 0.0 if dry is None else float(np.sum(dry**2))
        sound = replace(sound, broadband=np.einsum("c,cf,cf->f", counts, planar, planar), impulse=impulse)
        pairs = np.array([(1.0 + (i != j)) * gains[i] * gains[j] for i, j in paths.pairs()])
        meets = None
        if shared is not None:
            meets = gains[list(paths.sources)] * shared[list(paths.channels)]
        found = {look: _at(forms, pairs, meets, impulse) for look, forms in self.bands.items()}
        bands: dict[Filter, BandEnergies] = {look: band for look, (band, _shares) in found.items()}
        shares: dict[Filter, tuple[float, float]] = {look: each for look, (_band, each) in found.items()}
        leaking = leaking_bands(bands, shares, onset_s=sound.onset / rate)
        bands |= {
            look: replace(bands[look], inside=inside)
            for look, inside in self._inside(planar * np.sqrt(counts)[:, None], leaking).items()
        }
        return replace(sound, bands=bands)

    def _inside(
        self, planar: NDArray[np.float64], looks: Sequence[BandPass]
    ) -> dict[BandPass, NDArray[np.float64]]:
        """Envelopes of what lies between the edges of bands."""
        if not looks:
            return {}
        rate = self.sample_rate
        length = transform_length(planar.shape[1], sample_rate=rate, filters=tuple(self.bands))
        spectrum = to_spectrum(planar, length, workers=_WORKERS)
        found = {}
        for look in looks:
            kernel = band_kernel(length, sample_rate=rate, look=look)
            within = inside_envelope(
                spectrum, length=length, sample_rate=rate, look=look, kernel=kernel, workers=_WORKERS
            )
            found[look] = power_sums(within, frames_added(kernel.rate, kernel.length))
        return found


def forms_of(paths: Paths, *, sample_rate: float, filters: Sequence[BandPass]) -> EnergyForms:
    """Measure the forms of a sum of paths; samples are finite numbers.

    Parameters
    ----------
    filters : sequence of BandPass
        Those above half the sample rate are left out.

    Notes
    -----
    One channel after the other, so that memory grows with the sources alone.
    """
    usable = tuple(look for look in filters if look.top_hz(sample_rate) is not None)
    whole = EnergyForms(paths, sample_rate, tuple(filters), {})
    if not usable or not paths.samples.size:
        return whole
    count = paths.samples.shape[1]
    length = transform_length(count, sample_rate=sample_rate, filters=usable)
    kernels = {look: band_kernel(length, sample_rate=sample_rate, look=look) for look in usable}
    forms = {look: _empty(look, kernel, paths, sample_rate) for look, kernel in kernels.items()}
    for channel in range(len(paths.counts)):
        mine = [number for number, there in enumerate(paths.channels) if there == channel]
        if not mine:
            continue
        samples = paths.samples[mine] * paths.gains[mine, None]
        meetings = _meetings(paths, mine, float(paths.counts[channel]))
        _add_split(forms, samples, mine, meetings, sample_rate=sample_rate)
        spectrum = to_spectrum(samples, length, workers=_WORKERS)
        del samples
        for look, kernel in kernels.items():
            _add_band(forms[look], spectrum, kernel, mine, meetings)
    return replace(whole, bands=forms)


class _Meeting(NamedTuple):
    """Two paths of one channel, by their places in it: their pair, and how many channels they stand for."""

    pair: int
    first: int
    second: int
    times: float


def _meetings(paths: Paths, mine: Sequence[int], times: float) -> list[_Meeting]:
    """Paths of a channel that meet, each with itself among them."""
    places = {pair: number for number, pair in enumerate(paths.pairs())}
    sources = [paths.sources[path] for path in mine]
    return [
        _Meeting(places[source, other], first, second, times)
        for first, source in enumerate(sources)
        for second, other in enumerate(sources)
        if source <= other
    ]


def _empty(look: BandPass, kernel: BandKernel, paths: Paths, sample_rate: float) -> BandForms:
    """Forms of a band to which no channel has been added."""
    group = frames_added(kernel.rate, kernel.length)
    frames, count = kernel.length // group, paths.samples.shape[1]
    content = min(frames, int(np.ceil(count / sample_rate * kernel.rate / group)))
    pulse = kernel.pulse[content * group :]
    pairs, number, limits = len(paths.pairs()), len(paths.samples), len(EARLY_LIMITS_S)
    return BandForms(
        rate=kernel.rate / group,
        middle_s=0.5 * (group - 1) / kernel.rate,
        mean_lead_s=kernel.mean_lead_s,
        content=content,
        bandwidth_hz=look.bandwidth_hz,
        envelope=np.zeros((pairs, frames)),
        numbers=np.zeros((pairs, 4)),
        early=np.zeros((pairs, limits)),
        late=np.zeros((pairs, limits)),
        ahead_meeting=np.zeros((number, frames - content)),
        early_meeting=np.zeros((number, limits)),
        ahead_impulse=_product(pulse, pulse, group),
        early_impulse=np.zeros(limits),
    )


def _add_band(
    forms: BandForms,
    spectrum: NDArray[np.complex128],
    kernel: BandKernel,
    mine: Sequence[int],
    meetings: Sequence[_Meeting],
) -> None:
    """Add a channel to what a band has of envelopes."""
    bins = min(kernel.gain.size, spectrum.shape[1])
    band = spectrum[:, :bins] * kernel.gain[:bins]
    low, high = (0, bins) if kernel.edges is None else kernel.edges
    for pair, first, second, times in meetings:
        power = times * _product(band[first], band[second], 1)
        forms.numbers[pair] += (
            float(power.sum()),
            inner(power, kernel.lead_s[:bins]),
            float(power[:low].sum()),
            float(power[high:].sum()),
        )
    envelopes = inverse(band, kernel.length, workers=_WORKERS)
    group = frames_added(kernel.rate, kernel.length)
    for pair, first, second, times in meetings:
        forms.envelope[pair] += times * _product(envelopes[first], envelopes[second], group)
    ahead = forms.content * group
    for path, envelope in zip(mine, envelopes, strict=True):
        forms.ahead_meeting[path] = 2.0 * _product(envelope[ahead:], kernel.pulse[ahead:], group)


def _add_split(
    forms: Mapping[BandPass, BandForms],
    samples: NDArray[np.float64],
    mine: Sequence[int],
    meetings: Sequence[_Meeting],
    *,
    sample_rate: float,
) -> None:
    """Add a channel to what all bands have of early and late."""
    parts = split_spectra(samples, sample_rate=sample_rate, filters=tuple(forms))
    whole = parts.whole
    for limit, (spectrum, removed) in enumerate(zip(parts.early, parts.removed, strict=True)):
        for pair, first, second, times in meetings:
            before = _product(spectrum[first], spectrum[second], 1)
            behind = _product(removed[first], removed[second], 1)
            behind -= _product(whole[first], removed[second], 1) + _product(removed[first], whole[second], 1)
            early, late = (times * np.einsum("bf,f->b", parts.gain, side) for side in (before, behind))
            for band, *energies in zip(forms.values(), early, late, strict=True):
                band.early[pair, limit] += energies[0]
                band.late[pair, limit] += energies[1]
        met = 2.0 * np.einsum("bf,pf->bp", parts.gain, spectrum.real)
        for band, own, gain in zip(forms.values(), met, parts.gain, strict=True):
            band.early_meeting[mine, limit] = own
            band.early_impulse[limit] = gain.sum()


def _product(
    first: NDArray[np.complex128], second: NDArray[np.complex128], group: int
) -> NDArray[np.float64]:
    """Real part of one row times the conjugate of another, summed over groups of neighbours."""
    if group == 1:  # sums of two are slow in one step
        return first.real * second.real + first.imag * second.imag
    parts = [np.ascontiguousarray(row).view(np.float64).reshape(-1, 2 * group) for row in (first, second)]
    return np.einsum("gk,gk->g", *parts)


def _at(
    forms: BandForms, pairs: NDArray[np.float64], meets: NDArray[np.float64] | None, impulse: float
) -> tuple[BandEnergies, tuple[float, float]]:
    """One band at factors of pairs and of paths, with its shares from below and from above."""
    envelope = np.maximum(_weighted(pairs, forms.envelope), 0.0)
    power, lead, below, above = (float(value) for value in _weighted(pairs, forms.numbers))
    early = _weighted(pairs, forms.early)
    ahead = ahead_with_dry = envelope[forms.content :]
    with_dry = early
    if meets is not None:
        ahead_with_dry = ahead + _weighted(meets, forms.ahead_meeting) + impulse * forms.ahead_impulse
        with_dry = early + _weighted(meets, forms.early_meeting) + impulse * forms.early_impulse
    shares = (below / power, above / power) if power > 0.0 else (0.0, 0.0)
    band = BandEnergies(
        rate=forms.rate,
        middle_s=forms.middle_s,
        mean_lead_s=forms.mean_lead_s,
        envelope=envelope,
        content=forms.content,
        ahead=ahead,
        ahead_with_dry=np.maximum(ahead_with_dry, 0.0),
        power=max(power, 0.0),
        lead=lead,
        bandwidth_hz=forms.bandwidth_hz,
        early=np.maximum(early, 0.0),
        early_with_dry=np.maximum(with_dry, 0.0),
        late=np.maximum(_weighted(pairs, forms.late) + float(envelope.sum()), 0.0),
        outside=shares[0] + shares[1],
    )
    return band, shares


def _shared(paths: Paths, heights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Heights of a dry impulse added up over the channels that are alike."""
    shared = np.zeros(len(paths.counts))
    np.add.at(shared, list(paths.alike), heights)
    return shared


def _weighted(factors: NDArray[np.float64], rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of rows with factors, in one order whatever their number: equal gains are equal to the last bit."""
    total = factors[0] * rows[0]
    for factor, row in zip(factors[1:], rows[1:], strict=True):
        total += factor * row
    return total
