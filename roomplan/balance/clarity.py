"""Targets that a section's composite response decides: clarity, centre time and wet decay at any sends.

Conventions
-----------
The composite of a section is its dry impulse plus its sends (`rendering.bus_figures`), which is linear in
their gains g. So each send is filtered once, and its complex band envelope kept: the envelope of any
composite is their sum, and its figures are judged by the functions that judge every other sound. Between two
such looks, energies are quadratic forms of the gains, gᵀEg + c·g + D, with D the dry impulse and c what it
shares with the wet.

Gains are the responses' (`SendPath.response_gain`): the section's own level changes none of these figures.
Figures are means over the 500 Hz and 1 kHz octaves.

Sources
-------
ISO 3382-1:2009, A.2.2, A.2.3 and Table A.1, as in `acoustics.energy` and `acoustics.figures`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.analysis import SoundEnergies, decay_of_energies, mid_energy_figure
from roomplan.acoustics.direct_sound import find_onset
from roomplan.acoustics.early_and_late import EARLY_LIMITS_S, split_energies
from roomplan.acoustics.energies import SILENT, BandEnergies
from roomplan.acoustics.figures import MID_OCTAVES_HZ
from roomplan.acoustics.filterbank import band_envelopes, power_sums, transform_length
from roomplan.acoustics.filters import BandPass
from roomplan.acoustics.transforms import spectrum as to_spectrum
from roomplan.balance.decay_figures import KEY_OF_KIND, DecayFigure, figure_of_decay
from roomplan.rendering.composite_parts import dry_heights
from roomplan.session.response_matrices import section_response

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.filters import Filter
    from roomplan.plan.targets import Target, WishKind
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource

__all__ = ["Composite", "CompositeFigure", "figure_of_sound"]

_HEAD_S = 0.3  # of the responses: holds the onset, and what is early with the ringing of its filters
_RING = 1.5  # as `acoustics.energy` cuts its heads
_FRAME_S = 0.01  # of the coarse decay that stands in between two looks
_LEVELS_DB = np.linspace(5.0, 35.0, 61)  # T30: ISO 3382-1:2009, 5.3.3
_NEPER_20_DB = np.log(10.0) / 20.0
_DB_PER_NEPER = 10.0 / np.log(10.0)
_NONE = 1e-300  # stands for an energy of 0 in a ratio
_STEP_DB = 0.1  # for slopes of what is no quotient of forms


@dataclass(frozen=True, slots=True, eq=False)
class CompositeFigure:
    """Figure of a target; None with a reason. `offset` is what the forms are off by at these gains."""

    value: float | None
    reason: str | None
    offset: float


@dataclass(frozen=True, slots=True, eq=False)
class _Form:
    """gᵀEg + c·g + d."""

    matrix: NDArray[np.float64]
    linear: NDArray[np.float64]
    constant: float

    def energy(self, gains: NDArray[np.float64]) -> float:
        """Energy alone, as `value` has it."""
        return float(gains @ (self.matrix @ gains) + self.linear @ gains) + self.constant

    def value(self, gains: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Energy, and its derivative by the level of each send in dB."""
        product = self.matrix @ gains
        energy = float(gains @ product + self.linear @ gains) + self.constant
        return energy, _NEPER_20_DB * gains * (2.0 * product + self.linear)


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """One band of all sends of a section.

    Attributes
    ----------
    envelopes : ndarray of complex128, shape (sends, channels, frames)
        Equal channels stand for each other.
    early : tuple of _Form
        Energy before each of `EARLY_LIMITS_S`, dry impulse in.
    late : tuple of _Form
        Energy after it.
    moment : _Form
        First moment of the energy about time 0, in seconds.
    decay : ndarray, shape (pairs, frames)
        Products of pairs of sends per frame of `frame_s`, about 10 ms, from time 0 on.
    """

    rate: float
    middle_s: float
    mean_lead_s: float
    bandwidth_hz: float
    content: int
    pulse: NDArray[np.complex128]
    lead: NDArray[np.float64]  # of each send: power × time ahead
    power: NDArray[np.float64]
    envelopes: NDArray[np.complex128]
    early: tuple[_Form, ...]
    late: tuple[_Form, ...]
    moment: _Form
    decay: NDArray[np.float64]
    frame_s: float


class Composite:
    """What one section gets from all its sends, at any levels of theirs.

    Parameters
    ----------
    matrices : mapping
        Response matrix of every send.
    centres_hz : sequence of float
        Octaves to look at.
    workers : int
        Threads of the transforms.

    Attributes
    ----------
    sends : tuple of int
        Sends in use, in the order of the gains.
    """

    def __init__(
        self,
        section: SectionSource,
        matrices: Mapping[tuple[str, int], ResponseMatrix],
        *,
        sample_rate: int,
        centres_hz: Sequence[float] = MID_OCTAVES_HZ,
        workers: int = 2,
    ) -> None:
        self.sends = tuple(index for index, send in enumerate(section.sends) if not send.muted)
        self._sample_rate = float(sample_rate)
        self.heights = None if section.dry_gain is None else dry_heights(section)
        self._filters = tuple(BandPass(float(centre)) for centre in centres_hz)
        # looks in full come back to where they were, and several targets look at one sound
        self._figures: dict[tuple[WishKind, bytes], DecayFigure] = {}
        self._last: tuple[bytes, SoundEnergies | None] | None = None
        self.bands: dict[BandPass, Band] = {}
        if not self.sends:
            return
        paths = [section_response(section, matrices[section.name, index]) for index in self.sends]
        channels = section.signal_channels * 2
        self._frames = max(len(cell) for path in paths for *_rest, cell in path)
        self._groups, group_of = _alike(paths, channels)
        responses = [_planar(path, channels, self._groups) for path in paths]
        counts = np.bincount(group_of, minlength=len(self._groups)).astype(np.float64)
        self._counts = counts
        # of each group of equal channels: the sum of the heights of the dry impulse
        heights = np.zeros(channels) if self.heights is None else self.heights
        self._shared = np.bincount(group_of, weights=heights, minlength=len(self._groups))
        ring = max(look.ring_s for look in self._filters)
        head = round((max(_HEAD_S, EARLY_LIMITS_S[-1] + 0.002 + _RING * ring) + 0.01) * sample_rate)
        self._heads = np.zeros((len(paths), channels, min(head, self._frames)))
        for own, response in zip(self._heads, responses, strict=True):
            part = response[:, : own.shape[1]]
            own[:, : part.shape[1]] = part[group_of]
        self._look(responses, workers)

    def gains(self, section: SectionSource) -> NDArray[np.float64]:
        """Gains of the sends in use as a section has them."""
        return np.array([section.sends[index].response_gain for index in self.sends])

    def _look(self, responses: Sequence[NDArray[np.float64]], workers: int) -> None:
        usable = [look for look in self._filters if look.top_hz(self._sample_rate) is not None]
        if not usable:
            return
        length = transform_length(self._frames, sample_rate=self._sample_rate, filters=usable)
        found = {look: [] for look in usable}
        for response in responses:
            spectrum = to_spectrum(response, length, workers=workers)
            for look in usable:
                found[look].append(
                    band_envelopes(
                        spectrum, length=length, sample_rate=self._sample_rate, look=look, workers=workers
                    )
                )
        for look, envelopes in found.items():
            kernel = envelopes[0].kernel
            content = min(kernel.length, int(np.ceil(self._frames / self._sample_rate * kernel.rate)))
            self.bands[look] = self._band(
                np.stack([envelope.envelope for envelope in envelopes]),
                kernel.pulse,
                rate=kernel.rate,
                content=content,
                mean_lead_s=kernel.mean_lead_s,
                bandwidth_hz=envelopes[0].bandwidth_hz,
                power=np.array([envelope.power for envelope in envelopes]),
                lead=np.array([envelope.power * envelope.lead_s for envelope in envelopes]),
            )

    def _band(
        self,
        envelopes: NDArray[np.complex128],
        pulse: NDArray[np.complex128],
        *,
        rate: float,
        content: int,
        mean_lead_s: float,
        bandwidth_hz: float,
        power: NDArray[np.float64],
        lead: NDArray[np.float64],
    ) -> Band:
        sends, frames = envelopes.shape[0], envelopes.shape[2]
        time = np.arange(frames) / rate
        time[content:] -= frames / rate  # what the filter rings ahead
        limits = [min(content, round((limit - mean_lead_s) * rate)) for limit in EARLY_LIMITS_S]
        group = max(1, round(_FRAME_S * rate))
        coarse = -(-content // group)
        pairs = sends * (sends + 1) // 2
        decay = np.zeros((pairs, coarse))
        early = np.zeros((len(limits), sends, sends))
        total, moment = np.zeros((sends, sends)), np.zeros((sends, sends))
        number = 0
        for i in range(sends):
            weighted = envelopes[i] * self._counts[:, None]
            for j in range(i, sends):
                product = np.einsum("gm,gm->m", weighted.real, envelopes[j].real)
                product += np.einsum("gm,gm->m", weighted.imag, envelopes[j].imag)
                padded = np.zeros(coarse * group)
                padded[:content] = product[:content]
                decay[number] = padded.reshape(coarse, group).sum(axis=1)
                ahead = float(product[content:].sum())
                for k, limit in enumerate(limits):
                    early[k, i, j] = early[k, j, i] = float(product[:limit].sum()) + ahead
                total[i, j] = total[j, i] = float(decay[number].sum()) + ahead
                moment[i, j] = moment[j, i] = float(np.einsum("m,m->", product, time))
                number += 1
        meeting = np.array(
            [
                2.0 * float(np.einsum("g,gm,m->", self._shared, e.real, pulse.real))
                + 2.0 * float(np.einsum("g,gm,m->", self._shared, e.imag, pulse.imag))
                for e in envelopes
            ]
        )
        impulse = 0.0
        if self.heights is not None:
            impulse = float(np.sum(self.heights**2)) * float(power_sums(pulse[None]).sum())
        nothing = np.zeros(sends)
        return Band(
            rate=rate,
            middle_s=0.0,
            mean_lead_s=mean_lead_s,
            bandwidth_hz=bandwidth_hz,
            content=content,
            pulse=pulse,
            lead=lead,
            power=power,
            envelopes=envelopes,
            early=tuple(_Form(matrix, meeting, impulse) for matrix in early),
            late=tuple(_Form(total - matrix, nothing, 0.0) for matrix in early),
            # the filter is ahead of everything by about the same
            moment=_Form(moment + mean_lead_s * total, nothing, 0.0),
            decay=decay,
            frame_s=group / rate,
        )

    def energies(self, gains: NDArray[np.float64]) -> SoundEnergies | None:
        """Energies of the composite, as `composite_energies` finds them; None without sends.

        Parameters
        ----------
        gains : ndarray, shape (sends,)
        """
        if not self.sends:
            return None
        head = np.einsum("s,scf->cf", gains, self._heads)
        onset = find_onset(head.T)
        heights = self.heights
        impulse = 0.0 if heights is None else float(np.sum(heights**2))
        if onset is None:
            return SoundEnergies(self._sample_rate, 0, np.zeros(0), impulse, 0.0, problem=SILENT)
        bands: dict[Filter, BandEnergies] = {}
        for look, band in self.bands.items():
            sound = np.einsum("s,sgm->gm", gains, band.envelopes)
            squares = np.einsum("gm,gm->gm", sound.real, sound.real)
            squares += np.einsum("gm,gm->gm", sound.imag, sound.imag)
            envelope = np.einsum("g,gm->m", self._counts, squares)
            ahead = ahead_with_dry = envelope[band.content :]
            if heights is not None:
                pulse = band.pulse[band.content :]
                tail = sound[:, band.content :]
                meeting = np.einsum("g,gm->m", self._shared, tail.real * pulse.real + tail.imag * pulse.imag)
                ahead_with_dry = ahead + 2.0 * meeting + impulse * power_sums(pulse[None])
            powers = gains**2 * band.power
            total = float(powers.sum())
            bands[look] = BandEnergies(
                rate=band.rate,
                middle_s=band.middle_s,
                mean_lead_s=band.mean_lead_s,
                envelope=envelope,
                content=band.content,
                ahead=ahead,
                ahead_with_dry=ahead_with_dry,
                power=total,
                lead=float((gains**2 * band.lead).sum()),
                bandwidth_hz=band.bandwidth_hz,
                early=np.zeros(0),
                early_with_dry=np.zeros(0),
                late=np.zeros(0),
            )
        looks = tuple(bands)
        split = split_energies(
            head,
            dry=heights,
            sample_rate=self._sample_rate,
            filters=looks,
            totals=np.array([bands[look].envelope.sum() for look in looks]),
        )
        for index, look in enumerate(looks):
            bands[look] = replace(
                bands[look],
                early=split.early[:, index],
                early_with_dry=split.early_with_dry[:, index],
                late=split.late[:, index],
            )
        return SoundEnergies(self._sample_rate, onset, np.zeros(0), impulse, 0.0, bands)

    def evaluate(self, target: Target, gains: NDArray[np.float64]) -> CompositeFigure:
        """Figure of a target at some gains.

        Parameters
        ----------
        target : Target
            One of `decay_figures.CLARITY_KINDS`.
        gains : ndarray, shape (sends,)
        """
        at = gains.tobytes()
        figure = self._figures.get((target.kind, at))
        if figure is None:
            if self._last is None or self._last[0] != at:
                self._last = at, self.energies(gains)
            figure = self._figures[target.kind, at] = figure_of_sound(self._last[1], target.kind)
        value = figure.value
        if value is None:
            return CompositeFigure(None, figure.reason, 0.0)
        about = self.estimate(target.kind, gains)
        return CompositeFigure(value, None, value - about if np.isfinite(about) else 0.0)

    def estimate(self, kind: WishKind, gains: NDArray[np.float64]) -> float:
        """About the figure of a kind, from the forms."""
        if kind == "longest_wet_decay":
            return float(self._wet_decays(gains[None])[0])
        values = []
        for band in self.bands.values():
            index = 1 if kind == "least_c80" else 0
            early, late = (
                max(band.early[index].energy(gains), _NONE),
                max(band.late[index].energy(gains), _NONE),
            )
            if kind == "least_c80":
                values.append(_ratio_db(early, late))
            elif kind == "least_d50":
                values.append(early / (early + late))
            else:
                values.append(band.moment.energy(gains) / (early + late))
        return sum(values) / len(values) if values else math.nan

    def line(self, kind: WishKind, gains: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """About the figure of a kind, from the forms, and its derivative by each send's level (per dB)."""
        if kind == "longest_wet_decay":
            moved = gains * (1.0 + np.eye(gains.size) * np.expm1(_STEP_DB * _NEPER_20_DB))
            times = self._wet_decays(np.vstack([gains, moved]))
            return float(times[0]), (times[1:] - times[0]) / _STEP_DB
        values, slopes = [], []
        for band in self.bands.values():
            index = 1 if kind == "least_c80" else 0
            early, by_early = band.early[index].value(gains)
            late, by_late = band.late[index].value(gains)
            early, late = max(early, _NONE), max(late, _NONE)
            whole = early + late
            if kind == "least_c80":
                values.append(_ratio_db(early, late))
                slopes.append(_DB_PER_NEPER * (by_early / early - by_late / late))
            elif kind == "least_d50":
                values.append(early / whole)
                slopes.append((by_early * late - by_late * early) / whole**2)
            else:
                moment, by_moment = band.moment.value(gains)
                values.append(moment / whole)
                slopes.append((by_moment - (by_early + by_late) * (moment / whole)) / whole)
        # of two bands: the means of numpy take longer than all that is above
        return sum(values) / len(values), sum(slopes[1:], start=slopes[0]) / len(slopes)

    def _wet_decays(self, gains: NDArray[np.float64]) -> NDArray[np.float64]:
        """T30 of the wet composite on the coarse decay, for several sets of gains, shape (sets,)."""
        first, second = np.triu_indices(gains.shape[1])
        products = gains[:, first] * gains[:, second] * np.where(first == second, 1.0, 2.0)
        times = np.zeros(len(gains))
        for band in self.bands.values():
            energy = np.maximum(products @ band.decay, 0.0)
            times += [_decay_time(row, band.frame_s) for row in energy]
        return times / len(self.bands)


def figure_of_sound(sound: SoundEnergies | None, kind: WishKind) -> DecayFigure:
    """As `figure_of_decay`, from the energies of the mid octaves; what a kind does not need is left out."""
    if sound is None:
        return figure_of_decay(None, kind)
    if kind == "longest_wet_decay" or sound.problem is not None:
        decay = decay_of_energies(sound, centres_hz=MID_OCTAVES_HZ, with_dry=sound.has_dry)
        return figure_of_decay(decay, kind)
    found = mid_energy_figure(sound, KEY_OF_KIND[kind], with_dry=sound.has_dry)
    return DecayFigure(found.value, found.reason, absent=found.absent)


def _ratio_db(early: float, late: float) -> float:
    return float(10.0 * np.log10(early / late))


def _decay_time(energy: NDArray[np.float64], frame_s: float) -> float:
    """T30 of a decay per frame: the line through its backward integral between −5 and −35 dB.

    Through times at fixed levels, so that it moves without steps when the decay does.
    """
    curve = np.cumsum(energy[::-1])[::-1]
    fall = -10.0 * np.log10(np.maximum(curve, 1e-300) / max(float(curve[0]), 1e-300))
    time = np.interp(_LEVELS_DB, fall, np.arange(fall.size) * frame_s)
    level = _LEVELS_DB - _LEVELS_DB.mean()
    return 60.0 * float(np.sum(level * time) / np.sum(level * level))


def _alike(
    paths: Sequence[Sequence[tuple[int, int, float, NDArray[np.float64]]]], channels: int
) -> tuple[list[int], NDArray[np.intp]]:
    """Channels that are equal in every send: the first of each kind, and the kind of every channel."""
    kinds: dict[tuple[object, ...], int] = {}
    first: list[int] = []
    group_of = np.empty(channels, dtype=np.intp)
    for channel in range(channels):
        what = tuple(
            tuple((id(cell), gain) for source, output, gain, cell in path if source * 2 + output == channel)
            for path in paths
        )
        if what not in kinds:
            kinds[what] = len(first)
            first.append(channel)
        group_of[channel] = kinds[what]
    return first, group_of


def _planar(
    path: Sequence[tuple[int, int, float, NDArray[np.float64]]], channels: int, chosen: Sequence[int]
) -> NDArray[np.float64]:
    """Response of one send at unit gain, shape (chosen channels, frames)."""
    frames = max((len(cell) for *_rest, cell in path), default=1)
    planar = np.zeros((channels, frames))
    for source, output, gain, cell in path:
        planar[source * 2 + output, : len(cell)] += gain * cell
    return planar[list(chosen)]
