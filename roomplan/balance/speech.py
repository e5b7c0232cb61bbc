"""Speech index of a section in the mix: its own composite, with the other sections as its noise.

An estimate of word clarity for mixing; not for voice-alarm or building-code assessment.

Conventions
-----------
The modulation transfer is that of the section's composite, dry impulse in, in seven octaves. The noise is
what the other sections bring at the same place, octave by octave, while the section itself passes its gates:
the mean power of their dry sounds, and of each of their sends as its response returns a sound of that octave.
Powers are added, and a send counts at once: the tail of what sounded before is as loud as what sounds now.
The ratio of speech and noise is all that is used; levels at an ear are not known, so masking between octaves
and the threshold of hearing are left out.

Sources
-------
IEC 60268-16 as in `acoustics.speech`; a noise at the ear takes m to m / (1 + 10^(-SNR/10)).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.band_decay import decay_of_band
from roomplan.acoustics.filters import BandPass
from roomplan.acoustics.speech import (
    MODULATION_HZ,
    SPEECH_BANDS_HZ,
    modulation_transfer,
    speech_transmission_index,
    transfer_problem,
    transfer_with_noise,
)
from roomplan.balance.clarity import Composite
from roomplan.balance.figures import Figure
from roomplan.balance.record import component_gains
from roomplan.balance.sound import why_silent
from roomplan.files.digests import digest_of
from roomplan.loudness.cross_powers import CrossPowers
from roomplan.loudness.hops import hop_starts
from roomplan.loudness.meter import passing_blocks, why_nothing_passes
from roomplan.rendering.component_stream import ComponentStream
from roomplan.rendering.parts import parts_of
from roomplan.session.buses import build_components
from roomplan.session.response_matrices import section_response

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.balance.record import Record
    from roomplan.files.cache import Cache
    from roomplan.plan.targets import Target
    from roomplan.rendering.progress import Progress
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

__all__ = ["SpeechModel", "octave_powers", "octaves_of_response"]

_VERSION = 1  # of what is kept of the dry sounds: raise it when it is computed another way
_STEP_HOPS = 5  # 100 ms
_SEGMENT = 4096
_STEP_DB = 0.1
_LARGEST_RATIO_DB = 60.0
_OCTAVES = tuple(BandPass(float(centre)) for centre in SPEECH_BANDS_HZ)
_OMEGA = 2.0 * np.pi * np.array(MODULATION_HZ)


@dataclass(frozen=True, slots=True, eq=False)
class _Voice:
    """One section that is to be understood.

    Attributes
    ----------
    composite : Composite
        Of all seven octaves.
    gains : ndarray, shape (sends,)
        Of its sends as the session has them.
    speech, noise : ndarray, shape (components, 7)
        Power each component adds on either side at the gains it had in the record's session.
    turned : ndarray, shape (7, pairs + 1, 14)
        Transform at the modulation frequencies of every pair of sends; the last is the dry impulse.
    """

    composite: Composite
    gains: NDArray[np.float64]
    speech: NDArray[np.float64]
    noise: NDArray[np.float64]
    turned: NDArray[np.complex128]

    def transfers(self, gains: NDArray[np.float64]) -> NDArray[np.float64]:
        """About the transfer for several sets of gains, (sets, sends) → (sets, 7, 14), from the forms."""
        if not self.composite.bands:
            return np.ones((len(gains), len(_OCTAVES), len(MODULATION_HZ)))
        first, second = np.triu_indices(gains.shape[1])
        products = gains[:, first] * gains[:, second] * np.where(first == second, 1.0, 2.0)
        found = np.abs(np.einsum("sp,bpf->sbf", products, self.turned[:, :-1]) + self.turned[:, -1])
        whole = np.empty((len(gains), len(_OCTAVES)))
        for band, look in enumerate(_OCTAVES):
            form = self.composite.bands[look]
            for row, own in enumerate(gains):
                whole[row, band] = form.early[0].value(own)[0] + form.late[0].value(own)[0]
                # what the wet and the dry share at time 0 is in no pair
                found[row, band] += form.early[0].linear @ own
        return np.clip(found / np.maximum(whole, 1e-300)[:, :, None], 0.0, 1.0)

    def ratio_db(self, moved_db: NDArray[np.float64]) -> NDArray[np.float64]:
        """Speech over noise in each octave after components have moved."""
        factor = 10.0 ** (moved_db / 10.0)
        speech, noise = factor @ self.speech, factor @ self.noise
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = 10.0 * np.log10(speech) - 10.0 * np.log10(noise)
        ratio = np.where(noise <= 0.0, _LARGEST_RATIO_DB, ratio)
        return np.clip(np.nan_to_num(ratio, neginf=-_LARGEST_RATIO_DB), -_LARGEST_RATIO_DB, _LARGEST_RATIO_DB)

    def ratio_slopes(self, moved_db: NDArray[np.float64], moves: NDArray[np.float64]) -> NDArray[np.float64]:
        """Derivative of `ratio_db` by the shifts, shape (7, shifts), dB per dB."""
        factor = 10.0 ** (moved_db / 10.0)
        slopes = np.zeros((len(_OCTAVES), moves.shape[1]))
        for sign, power in ((1.0, self.speech), (-1.0, self.noise)):
            share = factor[:, None] * power
            whole = share.sum(axis=0)
            slopes += sign * (share / np.where(whole > 0.0, whole, 1.0)).T @ moves
        return slopes


@dataclass(frozen=True, slots=True, eq=False)
class _Local:
    voice: _Voice
    offset: float
    moves: NDArray[np.float64]
    send_moves: NDArray[np.float64]

    def value(self, shifts: NDArray[np.float64]) -> float:
        gains = self.voice.gains * 10.0 ** (self.send_moves @ shifts / 20.0)
        transfer = self.voice.transfers(gains[None])[0]
        return _index_of(transfer, self.voice.ratio_db(self.moves @ shifts)) + self.offset

    def line(self, shifts: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        gains = self.voice.gains * 10.0 ** (self.send_moves @ shifts / 20.0)
        moved = self.moves @ shifts
        ratio = self.voice.ratio_db(moved)
        factor = 10.0 ** (_STEP_DB / 20.0)
        tried = np.vstack([gains, gains * (1.0 + (factor - 1.0) * np.eye(gains.size))])
        here, *others = self.voice.transfers(tried)
        value = _index_of(here, ratio)
        by_send = [(_index_of(transfer, ratio) - value) / _STEP_DB for transfer in others]
        raised = ratio + _STEP_DB * np.eye(ratio.size)
        by_ratio = [(_index_of(here, row) - value) / _STEP_DB for row in raised]
        slope = np.array(by_send) @ self.send_moves if by_send else np.zeros(shifts.size)
        slope = slope + np.array(by_ratio) @ self.voice.ratio_slopes(moved, self.moves)
        return value + self.offset, slope


class SpeechModel:
    """Speech index of the sections that targets name, at any levels.

    Parameters
    ----------
    targets : sequence of Target
        Those of the kind `least_sti` count.
    matrices : mapping
        Response matrix of every send.
    dry : ndarray, shape (steps, sections, 7)
        From `octave_powers`.
    """

    def __init__(
        self,
        session: Session,
        targets: Sequence[Target],
        record: Record,
        matrices: Mapping[tuple[str, int], ResponseMatrix],
        dry: NDArray[np.float64],
        *,
        workers: int,
    ) -> None:
        self._components = record.components
        self._base = component_gains(session, record.components)
        self._voices: dict[str, _Voice | str] = {}
        named = [t for t in targets if t.kind == "least_sti" and why_silent(session, t) is None]
        if not named:
            return
        cross = CrossPowers(record.factor)
        returns = {
            (c.section, c.send): octaves_of_response(
                session.section(c.section), matrices[c.section, c.send], session.sample_rate
            )
            for c in record.components
            if c.send is not None and not c.muted
        }
        for target in named:
            name = "" if target.of is None else target.of.subject
            if name not in self._voices:
                self._voices[name] = self._voice(
                    session, name, record, matrices, dry, cross, returns, workers
                )

    def _voice(
        self,
        session: Session,
        name: str,
        record: Record,
        matrices: Mapping[tuple[str, int], ResponseMatrix],
        dry: NDArray[np.float64],
        cross: CrossPowers,
        returns: Mapping[tuple[str, int], NDArray[np.float64]],
        workers: int,
    ) -> _Voice | str:
        if _OCTAVES[-1].top_hz(float(session.sample_rate)) is None:
            return "the STI needs a sample rate of 22.5 kHz and more"
        own = [i for i, c in enumerate(record.components) if c.section == name and c.send is None]
        if not own:
            return "dry is off: it is unknown when the words sound"
        sums = (
            cross.component_sums(int(record.order[own[0]]))
            * (self._base[own[0]] / record.stored[own[0]]) ** 2
        )
        passing = passing_blocks(sums, sample_rate=session.sample_rate)
        if not passing.any():
            return why_nothing_passes("the dry sound", sums)
        # the four steps of each block; the dry sounds end before the last tail does
        heard = np.unique(np.add.outer(np.flatnonzero(passing), np.arange(4)))
        heard = heard[heard < len(dry)]
        if not heard.size:
            return why_nothing_passes("the dry sound", sums)
        mean = dry[heard].mean(axis=0)
        speech = np.zeros((len(record.components), len(_OCTAVES)))
        noise = np.zeros_like(speech)
        place = {section.name: i for i, section in enumerate(session.sections)}
        for row, component in enumerate(record.components):
            if component.muted:
                continue
            section = session.section(component.section)
            power = mean[place[component.section]] * section.gain**2
            if component.send is None:
                power = power * ((section.dry_gain or 0.0) / section.gain) ** 2
            else:
                gain = section.sends[component.send].response_gain
                power = power * gain**2 * returns[component.section, component.send]
            (speech if component.section == name else noise)[row] = power
        section = session.section(name)
        composite = Composite(
            section, matrices, sample_rate=session.sample_rate, centres_hz=SPEECH_BANDS_HZ, workers=workers
        )
        turned = _turned(composite) if composite.bands else np.zeros((0, 0, 0), dtype=np.complex128)
        return _Voice(composite, composite.gains(section), speech, noise, turned)

    def sends(self, target: Target) -> Composite | None:
        """Composite of the section a target names; None where nothing can be said of it."""
        voice = self._voices.get("" if target.of is None else target.of.subject)
        return voice.composite if isinstance(voice, _Voice) else None

    def evaluate(
        self,
        target: Target,
        shifts: NDArray[np.float64],
        moves: NDArray[np.float64],
        send_moves: NDArray[np.float64] | None,
    ) -> Figure:
        """Speech index at some shifts.

        Parameters
        ----------
        shifts : ndarray, shape (shifts,)
        moves : ndarray, shape (components, shifts)
            How they move components, dB per dB.
        send_moves : ndarray, shape (sends, shifts), or None
            How they move the sends of the section.
        """
        voice = self._voices["" if target.of is None else target.of.subject]
        if isinstance(voice, str) or send_moves is None:
            return Figure(None, str(voice), None)
        gains = voice.gains * 10.0 ** (send_moves @ shifts / 20.0)
        ratio = voice.ratio_db(moves @ shifts)
        value, reason = _index(voice.composite, gains, ratio)
        if value is None:
            return Figure(None, reason, None)
        about = _index_of(voice.transfers(gains[None])[0], ratio)
        return Figure(value, None, _Local(voice, value - about, moves, send_moves))

    def index_at(self, target: Target, session: Session) -> tuple[float | None, str | None]:
        """Speech index at the levels of a session, or None and the reason."""
        name = "" if target.of is None else target.of.subject
        voice = self._voices[name]
        if isinstance(voice, str):
            return None, voice
        with np.errstate(divide="ignore", invalid="ignore"):
            moved = 20.0 * np.log10(component_gains(session, self._components) / self._base)
        moved = np.nan_to_num(moved, neginf=-400.0)
        return _index(voice.composite, voice.composite.gains(session.section(name)), voice.ratio_db(moved))


def _index(
    composite: Composite, gains: NDArray[np.float64], ratio_db: NDArray[np.float64]
) -> tuple[float | None, str | None]:
    """Speech index of a composite in a noise, by the functions that judge every response."""
    sound = composite.energies(gains)
    if sound is None:  # nothing wet: what is said arrives as it is
        transfer = np.full((len(_OCTAVES), len(MODULATION_HZ)), 1.0)
    else:
        if sound.problem is not None:
            return None, sound.problem
        rows = []
        for look in _OCTAVES:
            found = decay_of_band(sound, look)
            ahead = found.band.ahead_with_dry
            parts = {"truncation": found.truncation, "ahead": ahead, "onset": found.start}
            problem = transfer_problem(found.band.envelope, **parts)
            if problem is not None:
                return None, f"{look.label}: {problem}"
            rows.append(modulation_transfer(found.band.envelope, rate=found.rate, **parts))
        transfer = np.array(rows)
    return speech_transmission_index(transfer_with_noise(transfer, ratio_db), spectrum=None).value, None


def _index_of(transfer: NDArray[np.float64], ratio_db: NDArray[np.float64]) -> float:
    return speech_transmission_index(transfer_with_noise(transfer, ratio_db), spectrum=None).value


def _turned(composite: Composite) -> NDArray[np.complex128]:
    """Transform of every pair of sends, what the filter rings ahead at time 0, and of the dry impulse."""
    count = len(composite.sends)
    first, second = np.triu_indices(count)
    found = np.zeros((len(_OCTAVES), first.size + 1, _OMEGA.size), dtype=np.complex128)
    for own, look in zip(found, _OCTAVES, strict=True):
        band = composite.bands[look]
        total = (band.early[0].matrix + band.late[0].matrix)[first, second]
        turns = np.exp(-1j * _OMEGA[:, None] * (np.arange(band.decay.shape[1]) * band.frame_s))
        own[:-1] = band.decay @ turns.T + (total - band.decay.sum(axis=1))[:, None]
        own[-1] = band.early[0].constant
    return found


def octaves_of_response(
    section: SectionSource, matrix: ResponseMatrix, sample_rate: int
) -> NDArray[np.float64]:
    """Power that a send of gain 1 returns in each octave, over that of the section's dry path at 0 dB.

    Returns
    -------
    ndarray, shape (7,)
        For independent inputs of equal power, as composites are judged.
    """
    edges = _edges(sample_rate)
    total = np.zeros(len(_OCTAVES))
    seen: dict[int, NDArray[np.float64]] = {}
    for _source, _output, gain, cell in section_response(section, matrix):
        if id(cell) not in seen:
            padded = np.zeros(-(-cell.size // _SEGMENT) * _SEGMENT)
            padded[: cell.size] = cell
            spectrum = np.fft.rfft(padded.reshape(-1, _SEGMENT), axis=1)
            power = np.einsum("sf,sf->f", spectrum.real, spectrum.real)
            power += np.einsum("sf,sf->f", spectrum.imag, spectrum.imag)
            seen[id(cell)] = np.array([power[low:high].mean() for low, high in edges])
        total += gain**2 * seen[id(cell)]
    return total / float(np.sum(section.dry_matrix**2))


def _edges(sample_rate: int, length: int = _SEGMENT) -> list[tuple[int, int]]:
    """First and last bin of each octave; the uppermost may be cut short at half the sample rate."""
    spacing = sample_rate / length
    found = []
    for centre in SPEECH_BANDS_HZ:
        low = round(centre / np.sqrt(2.0) / spacing)
        high = min(round(centre * np.sqrt(2.0) / spacing), length // 2)
        found.append((min(low, high - 1), high))
    return found


def octave_powers(session: Session, *, cache: Cache, workers: int, progress: Progress) -> NDArray[np.float64]:
    """Mean power of every section's dry sound in each octave per 100 ms, at levels of 0 dB.

    Parameters
    ----------
    cache : Cache
        Where it is kept: it depends on the stems and the dry path alone.

    Returns
    -------
    ndarray, shape (steps, sections, 7)
        Channels added up.

    Notes
    -----
    One Hann window for each 100 ms: enough for a mean over the time in which a section sounds, too little for
    a single moment.
    """
    dry = replace(
        session,
        sections=tuple(
            replace(section, gain=1.0, dry_gain=1.0, muted=False, sends=()) for section in session.sections
        ),
    )
    components = build_components(dry)
    parts = parts_of(dry, components, {}, digest=cache.files.digest)
    key = digest_of("octaves", _VERSION, session.sample_rate, [part.identity for part in parts])
    entry = cache.entry(key)
    kept = None if entry is None else entry.array("octaves")
    if (
        kept is not None
        and kept.dtype == np.float32
        and kept.ndim == 3
        and kept.shape[1:] == (len(components), len(_OCTAVES))
        and np.isfinite(kept).all()
    ):
        return kept.astype(np.float64)
    found = _listen(dry, workers, progress)
    plan = session.plan
    with cache.writing(key, title=f"{plan.title}: dry octaves", source=str(plan.source)) as new:
        new.save_array("octaves", found.astype(np.float32))
    return found


def _listen(dry: Session, workers: int, progress: Progress) -> NDArray[np.float64]:
    components = build_components(dry)
    rate = dry.sample_rate
    rows: list[NDArray[np.float64]] = []
    waiting = np.zeros((len(components), 2, 0), np.float32)
    step, done = 0, 0
    length = 1 << int(np.ceil(np.log2(rate / 10.0 + 1.0)))
    edges = _edges(rate, length)
    with ComponentStream(dry, components, {}, workers=workers) as stream:
        for block in stream.blocks(lambda seen, total: progress("hearing octaves", seen, total)):
            waiting = np.concatenate([waiting, block], axis=2)
            starts = hop_starts(_STEP_HOPS * (step + waiting.shape[2] * 10 // rate + 2), rate)[::_STEP_HOPS]
            while starts[step + 1] <= done + waiting.shape[2]:
                count = int(starts[step + 1] - starts[step])
                rows.append(_octaves(waiting[:, :, :count], length, edges))
                waiting = waiting[:, :, count:]
                done += count
                step += 1
            waiting = waiting.copy()
    return np.array(rows).reshape(-1, len(components), len(_OCTAVES))


def _octaves(
    frames: NDArray[np.float32], length: int, edges: Sequence[tuple[int, int]]
) -> NDArray[np.float64]:
    """Power in each octave of one span (components, channels, frames), channels added up."""
    window = np.hanning(frames.shape[2] + 1)[:-1].astype(np.float32)
    spectrum = np.fft.rfft(frames * window, length, axis=2)
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=1)
    scale = 2.0 / (length * float(np.sum(window.astype(np.float64) ** 2)))
    return np.stack([scale * power[:, low:high].sum(axis=1) for low, high in edges], axis=1)
