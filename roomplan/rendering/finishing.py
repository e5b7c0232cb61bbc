"""What is done with the files of a render once the sound is through: levels judged, the time written in.

Conventions
-----------
A time reference counts samples from midnight at the rate of its file. An excerpt begins where it lies in the
cue.

Sources
-------
EBU Tech 3285: see `roomplan.audio.bext`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from roomplan.audio.bext import StatedLoudness, bext_chunk, plain_ascii, write_bext
from roomplan.errors import Problem, RoomplanError
from roomplan.frozen_classes import frozen_class
from roomplan.session.output_files import delivery_rate, output_files
from roomplan.timecode import nearest_sample

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.plan.model import BitDepth
    from roomplan.rendering.bus_figures import BusFigures
    from roomplan.rendering.heard import Level, Output
    from roomplan.session.buses import BusFamily
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.session import Session

__all__ = ["decibels", "finish_files", "foreseen_clipping", "judge_levels", "time_advice"]

_ORIGINATOR = "roomplan"


def decibels(peak: float | None) -> float | None:
    """Level of a linear peak; None for silence and for what is not known."""
    return 20.0 * math.log10(peak) if peak is not None and peak > 0.0 else None


@frozen_class
class _Over:
    """A bus that does not fit the integer format of a delivery; `peak` is linear."""

    bus: str
    bit_depth: BitDepth
    delivery: str
    sample_rate: int
    peak: float


def judge_levels(
    session: Session,
    levels: Sequence[Level],
    outputs: Mapping[str, Sequence[Output]],
    *,
    several: bool,
) -> list[Problem]:
    """Refuse a file that would clip in an integer format; warn of a mix whose true peak is over full scale.

    Each file is judged by its own samples: a resampler overshoots.
    """
    over = [
        _Over(bus, output.form.bit_depth, output.delivery, output.sample_rate, output.peak)
        for bus, group in outputs.items()
        for output in group
        if output.over_range
    ]
    if over:
        problem = _clipping(session, over, several=several)
        raise RoomplanError(problem.what, remedy=problem.remedy)
    floats = any(output.form.bit_depth == "32f" for output in outputs.get("mix", ()))
    return _over_full_scale(levels, floats=floats) if "mix" in outputs else []


def _over_full_scale(levels: Sequence[Level], *, floats: bool) -> list[Problem]:
    """What to know of a mix that its files hold and a converter does not."""
    holds = "fine in the float file" if floats else "its samples fit"
    return [
        Problem(
            f"bus mix has a true peak of {decibels(level.peaks.true) or 0.0:+.1f} dBTP",
            None,
            f"{holds}, but a converter will clip: lower `trim`",
        )
        for level in levels
        if level.bus.name == "mix" and (level.peaks.true or 0.0) > 1.0
    ]


def foreseen_clipping(
    session: Session,
    levels: Sequence[Level],
    targets: Sequence[DeliveryTarget],
    families: tuple[BusFamily, ...],
) -> tuple[list[Problem], list[Problem]]:
    """What `judge_levels` would refuse of deliveries that are not written, as far as peaks are known.

    Parameters
    ----------
    levels : sequence of Level
        Of every bus.

    Returns
    -------
    problems : list of Problem
        At most one, in the words of a render.
    advice : list of Problem
        What only a render can tell: peaks that are not known at these levels, and peaks between the samples,
        which another sample rate may meet; and a mix over full scale that a float file holds.

    Notes
    -----
    A value within one step of full scale may be lifted over it by dither; it is not counted here.
    """
    by_name: dict[str, Level] = {level.bus.name: level for level in levels}
    buses = tuple(level.bus for level in levels)
    over: list[_Over] = []
    advice: list[Problem] = []
    for target in targets:
        depth = target.delivery.bit_depth
        if depth == "32f":
            continue
        written = output_files(session, buses, families, target.delivery, ())
        peaks = {name: by_name[name].peaks for name in written}
        unknown = [name for name, peak in peaks.items() if peak.sample is None]
        if unknown:
            what = (
                f"{_named(unknown)} may clip in the {depth} bit of delivery {target.name}: peaks at these "
                "levels need a new pass over the sound"
            )
            advice.append(Problem(what, target.delivery.place, "`render` checks it"))
        rate = delivery_rate(session, target.delivery)
        highest = 1.0 - 0.5 / 2.0 ** (depth - 1)  # what is above is rounded to full scale, which does not fit
        between = []
        for name, peak in peaks.items():
            true = peak.true or 0.0
            if (peak.sample or 0.0) > highest:
                there = true if rate != session.sample_rate else peak.sample or 0.0
                over.append(_Over(name, depth, target.name, rate, there))
            elif rate != session.sample_rate and true > highest:
                between.append(name)
        if between:
            what = f"{_named(between)} may clip in {depth} bit at {rate} Hz: the true peak is over full scale"
            advice.append(Problem(what, target.delivery.place, "lower `trim`, or write 32f"))
    if not over:
        floats = [target for target in targets if target.delivery.bit_depth == "32f"]
        if any("mix" in output_files(session, buses, families, one.delivery, ()) for one in floats):
            advice += _over_full_scale(levels, floats=True)
        return [], advice
    problem = _clipping(session, over, several=len(targets) > 1)
    return [replace(problem, place=session.plan.deliveries[over[0].delivery].place)], advice


def _clipping(session: Session, over: Sequence[_Over], *, several: bool) -> Problem:
    """One problem for all that does not fit, with the trim that mends it."""
    worst = max(over, key=lambda one: one.peak)
    peak_db = decibels(worst.peak) or 0.0
    # a tenth of a dB more keeps the dither inside the range too
    trim = session.plan.trim_db - (math.ceil(max(peak_db, 0.0) * 10.0) + 1.0) / 10.0
    names = ", ".join(dict.fromkeys(one.bus for one in over))
    where = f" of delivery {worst.delivery}" if several else ""
    if worst.sample_rate != session.sample_rate:
        where += f" at {worst.sample_rate} Hz"
    return Problem(
        f"{names} would clip in {worst.bit_depth} bit{where}: bus {worst.bus} peaks at {peak_db:+.2f} dBFS",
        None,
        f"set `trim: {trim:.1f}` in the plan (it moves every bus alike), or write 32f",
    )


def _named(buses: Sequence[str]) -> str:
    more = len(buses) - _MOST_NAMED
    return ", ".join(buses[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


_MOST_NAMED = 3


def _first_sample(session: Session, sample_rate: int) -> int | None:
    """First sample of every file of a rate, counted from midnight; None where the time is not known."""
    if session.start_s is None:
        return None
    start_s = session.start_s
    if session.excerpt is not None:
        start_s += Fraction(session.excerpt.start_frame, session.sample_rate)
    return nearest_sample(start_s, sample_rate)


def time_advice(session: Session, targets: Sequence[DeliveryTarget]) -> list[Problem]:
    """Say that a FLAC file does not carry the time it begins at."""
    names = [target.name for target in targets if target.delivery.container == "flac"]
    if session.start_s is None or not names:
        return []
    return [
        Problem(
            f"FLAC carries no time reference: delivery {', '.join(names)} must be placed by hand",
            session.plan.deliveries[names[0]].place if names[0] in session.plan.deliveries else None,
            "write WAV where files are placed by their time",
        )
    ]


def finish_files(
    session: Session,
    targets: Sequence[DeliveryTarget],
    outputs: Mapping[str, tuple[Output, ...]],
    buses: Mapping[str, BusFigures],
) -> dict[str, tuple[Output, ...]]:
    """Put time reference and loudness into the WAV files; add the sizes of all, and where they will be."""
    folders = {target.name: target.folder for target in targets}
    return {
        name: tuple(
            replace(_finished(session, output, buses[name]), path=folders[output.delivery] / output.file)
            for output in group
        )
        for name, group in outputs.items()
    }


def _finished(session: Session, output: Output, bus: BusFigures) -> Output:
    samples = _first_sample(session, output.sample_rate) if output.form.container == "wav" else None
    if samples is not None:
        loudness = bus.loudness
        contents = bext_chunk(
            samples=samples,
            description=plain_ascii(f"{session.plan.title} / {bus.name}", 256),
            originator=_ORIGINATOR,
            loudness=StatedLoudness(
                integrated_lufs=loudness.integrated_lufs,
                loudness_range_lu=loudness.loudness_range_lu,
                true_peak_dbtp=bus.true_peak_dbtp,
                momentary_max_lufs=loudness.momentary_max_lufs,
                short_term_max_lufs=loudness.short_term_max_lufs,
            ),
        )
        write_bext(output.path, contents)
    return replace(output, size=output.path.stat().st_size, time_reference=samples)
