"""Responses of a recorded sequence of sweeps, and whether to trust them: what the other modules are for."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.capture.alignment import align
from roomplan.capture.clock import lag_between
from roomplan.capture.harmonics import harmonics_of
from roomplan.capture.judging import (
    findings_of_harmonics,
    findings_of_ranges,
    findings_of_take,
    findings_of_takes,
)
from roomplan.capture.jumps import arrivals_of
from roomplan.capture.locating import hearing_channels, locate
from roomplan.capture.loopback import is_electrical, without_chain
from roomplan.capture.played_take import played_take
from roomplan.capture.recording import stretch
from roomplan.capture.refusals import (
    cut_short,
    is_the_sweep_itself,
    loopback_refusal,
    nothing_found,
    sides_are_swapped,
)
from roomplan.capture.repeats import without_repeats
from roomplan.capture.result import Arrival, Capture, Finding, HarmonicLevel, OctaveRange, Take
from roomplan.capture.scanning import scan
from roomplan.capture.splices import splices_of
from roomplan.capture.tail import swept_octaves
from roomplan.capture.takes import LEAD_S, cut_frames

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.capture.alignment import Aligned
    from roomplan.capture.harmonics import Harmonic
    from roomplan.capture.played_take import PlayedTake
    from roomplan.capture.recording import Recording
    from roomplan.capture.scanning import Scan
    from roomplan.capture.sequence import Side, SweepSequence
    from roomplan.capture.sweep import Sweep

__all__ = ["PRE_DELAY_S", "capture_sweeps"]

PRE_DELAY_S = 0.005
"""Time of a response before the earliest direct sound."""

_SEVERITIES = ("refused", "unreliable", "remark")
_NOTABLE_PPM = 1.0
_SAME = 0.97


def capture_sweeps(recording: Recording, sequence: SweepSequence, *, loopback: int | None = None) -> Capture:
    """Responses of the sweeps in a recording.

    Parameters
    ----------
    recording : Recording
        Of any length and rate, begun at any time before the first sweep.
    sequence : SweepSequence
        What was played.
    loopback : int, optional
        Channel, counted from 0, that carries the electrical signal: the others are divided by it.

    Returns
    -------
    Capture
        Without responses where a finding is "refused". Of several complete sequences the first is used.

    Raises
    ------
    RoomplanError
        The rate of the recording holds less than an octave of the sweep.
    """
    sweep = sequence.sweep.at_rate(recording.sample_rate)
    microphones = tuple(each for each in range(recording.channels) if each != loopback)
    scanned = scan(recording, sweep)
    seconds = recording.frames / recording.sample_rate
    located = locate(scanned, sequence, channels=microphones)
    if not located.passes:
        reasons = nothing_found(scanned, located, sequence, seconds=seconds)
        return _refused(sweep, sequence, microphones, reasons)
    starts = located.passes[0]
    heard = hearing_channels(scanned, sequence, microphones)
    deaf = [Finding("no_signal", "unreliable", channel=each) for each in microphones if each not in heard]
    microphones = heard
    found = [*deaf, cut_short(starts, sequence, seconds=seconds)]
    if loopback is not None:
        sent = locate(scanned, sequence, channels=(loopback,))
        found.append(loopback_refusal(scanned, loopback, sent))
    known = [each for each in found if each is not None]
    if any(each.severity == "refused" for each in known):
        return _refused(sweep, sequence, microphones, known)
    order = microphones if loopback is None else (*microphones, loopback)
    aligned = align(recording, sequence, sweep, starts, channels=order)
    kept = round((LEAD_S + sequence.gap_seconds) * sweep.rate)
    if loopback is not None and not is_electrical(
        aligned.spectra[0][-1], aligned.inverse, sweep.rate, kept=kept
    ):
        missing = Finding("loopback_missing", "refused", channel=loopback)
        return _refused(sweep, sequence, microphones, [*known, missing])
    takes = _takes(recording, aligned, sequence, sweep, scanned, order, loopback)
    refusal = _refusal_of(takes, aligned, sweep)
    if refusal is not None:
        return _refused(sweep, sequence, microphones, [*known, refusal])
    takes, distorts = without_repeats(takes)
    return _assembled(takes, aligned, sweep, microphones, known, distorts=distorts)


def _refused(
    sweep: Sweep, sequence: SweepSequence, channels: tuple[int, ...], findings: Sequence[Finding]
) -> Capture:
    """Nothing but what is wrong."""
    return Capture(
        sample_rate=sweep.rate,
        sides=tuple(dict.fromkeys(sequence.sides)),
        responses=(),
        pre_delay=0,
        channels=channels,
        takes=(),
        drift_ppm=None,
        harmonics=(),
        ranges=(),
        arrivals=(),
        findings=_sorted(findings),
    )


def _takes(
    recording: Recording,
    aligned: Aligned,
    sequence: SweepSequence,
    sweep: Sweep,
    scanned: Scan,
    channels: tuple[int, ...],
    loopback: int | None,
) -> list[PlayedTake]:
    """All takes, divided by the loopback (their last channel) where there is one."""
    frames = cut_frames(sequence, sweep)
    kept = round((LEAD_S + sequence.gap_seconds) * sweep.rate)
    inverse = aligned.inverse
    microphones = [each for each in channels if each != loopback]
    ceilings = np.array([scanned.lowest[microphones], scanned.highest[microphones]])
    takes = []
    for cut, spectra in zip(aligned.cuts, aligned.spectra, strict=True):
        samples = stretch(recording, cut.first, frames)[:, microphones]
        own = spectra
        if loopback is not None:
            own = without_chain(spectra, len(channels) - 1, inverse, sweep.rate)
        takes.append(played_take(cut, own, samples, inverse, sweep, kept=kept, ceilings=ceilings))
    return takes


def _refusal_of(takes: Sequence[PlayedTake], aligned: Aligned, sweep: Sweep) -> Finding | None:
    """Whether what was found is no recording of two loudspeakers."""
    if is_the_sweep_itself(aligned.spectra, aligned.inverse):
        return Finding("sweep_itself", "refused")
    order = _of_order(takes, aligned, sweep)
    if order is not None:
        return order
    arrivals: dict[Side, tuple[float, ...]] = {
        side: tuple(direct / sweep.rate for direct in take.directs)
        for side, take in _first_of_sides(takes).items()
    }
    crossed = sides_are_swapped(arrivals)
    return None if crossed is None else Finding("sides_swapped", "refused", seconds=crossed)


def _of_order(takes: Sequence[PlayedTake], aligned: Aligned, sweep: Sweep) -> Finding | None:
    """Whether takes of different sides are the same sound: one side alone plays, or the other at a time."""
    pairs = [(at, later) for at in range(len(takes)) for later in range(at + 1, len(takes))]
    spectra, frames = aligned.spectra, aligned.inverse.frames
    equal = {(at, later): lag_between(spectra[at], spectra[later], frames)[1] > _SAME for at, later in pairs}
    crossed = [pair for pair in pairs if equal[pair] and takes[pair[0]].cut.side != takes[pair[1]].cut.side]
    if not crossed:
        return None
    if all(equal.values()):
        return Finding("same_side", "refused")
    return Finding("wrong_order", "refused", time_s=takes[crossed[0][1]].cut.first / sweep.rate + LEAD_S)


def _first_of_sides(takes: Sequence[PlayedTake]) -> dict[Side, PlayedTake]:
    """First take of every side, in the order of playing."""
    firsts: dict[Side, PlayedTake] = {}
    for take in takes:
        firsts.setdefault(take.cut.side, take)
    return firsts


def _best_of_sides(takes: Sequence[PlayedTake]) -> dict[Side, PlayedTake]:
    """Take with the fewest faults of every side, the first of equal ones."""
    return {
        side: min((take for take in takes if take.cut.side == side), key=lambda take: take.faults)
        for side in _first_of_sides(takes)
    }


def _assembled(
    takes: Sequence[PlayedTake],
    aligned: Aligned,
    sweep: Sweep,
    channels: tuple[int, ...],
    known: Sequence[Finding],
    *,
    distorts: bool,
) -> Capture:
    """Responses, figures and findings of takes that can be used."""
    best = _best_of_sides(takes)
    used = [any(take is other for other in best.values()) for take in takes]
    origin = min(take.direct for take in best.values())
    first = max(0, origin - round(PRE_DELAY_S * sweep.rate))
    end = max(take.tail for take in best.values())
    harmonics: dict[Side, tuple[Harmonic, ...]] = {
        side: harmonics_of(take.response, take.direct, sweep, aligned.clock) for side, take in best.items()
    }
    splices = splices_of(takes, aligned, sweep)
    spliced = {splice.take for splice in splices if splice.event is not None or splice.frequency_hz}
    explained = {splice.event for splice in splices if splice.event is not None}
    findings = [*_of_clock(aligned), *findings_of_takes(takes, spliced, sweep)]
    findings += [splice.finding(takes, used=used[splice.take]) for splice in splices]
    for take, in_use in zip(takes, used, strict=True):
        findings += findings_of_take(take, sweep, used=in_use, explained=explained)
        if not in_use and take is _first_of_sides(takes)[take.cut.side]:
            time = take.cut.first / sweep.rate + LEAD_S
            findings.append(Finding("take_unused", "remark", time_s=time, side=take.cut.side))
    for side, take in best.items():
        findings += findings_of_harmonics(harmonics[side], take, sweep, distorts=distorts)
        findings += findings_of_ranges(take, sweep)
    return Capture(
        sample_rate=sweep.rate,
        sides=tuple(best),
        responses=tuple(
            np.ascontiguousarray(take.response[:, first:end].T, np.float32) for take in best.values()
        ),
        pre_delay=origin - first,
        channels=channels,
        takes=tuple(
            Take(take.cut.side, (take.cut.first + take.cut.fraction + take.direct) / sweep.rate, in_use)
            for take, in_use in zip(takes, used, strict=True)
        ),
        drift_ppm=None if aligned.source == "nothing" else 1e6 * aligned.clock,
        harmonics=tuple(
            HarmonicLevel(side, channels[each.channel], each.order, each.level_db, each.floor_db)
            for side, found in harmonics.items()
            for each in found
        ),
        ranges=tuple(
            OctaveRange(side, channels[tail.channel], tail.frequency_hz, tail.range_db)
            for side, take in best.items()
            for tail in take.tails
        ),
        arrivals=_arrivals(best, sweep, channels),
        findings=_sorted([*known, *_in_recording(findings, channels)]),
    )


def _in_recording(findings: Sequence[Finding], channels: tuple[int, ...]) -> list[Finding]:
    """Findings whose channels count in the takes, with those of the recording."""
    return [
        each if each.channel is None else replace(each, channel=channels[each.channel]) for each in findings
    ]


def _of_clock(aligned: Aligned) -> list[Finding]:
    if aligned.source == "nothing":
        return [Finding("drift_unknown", "remark")]
    if abs(aligned.clock) * 1e6 < _NOTABLE_PPM:
        return []
    return [Finding("drift", "remark", ppm=1e6 * aligned.clock)]


def _arrivals(best: dict[Side, PlayedTake], sweep: Sweep, channels: tuple[int, ...]) -> tuple[Arrival, ...]:
    centres = np.array([look.centre_hz for look in swept_octaves(sweep)])
    return tuple(
        Arrival(side, channels[place], float(centre), float(seconds))
        for side, take in best.items()
        for place, own in enumerate(take.response)
        for centre, seconds in zip(
            centres, arrivals_of(own, take.directs[place], sweep, centres), strict=True
        )
    )


def _sorted(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Worst first, then by time; those without one at the end."""
    return tuple(
        sorted(
            findings,
            key=lambda each: (
                _SEVERITIES.index(each.severity),
                np.inf if each.time_s is None else each.time_s,
            ),
        )
    )
