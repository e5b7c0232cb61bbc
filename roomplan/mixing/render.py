"""Render a session: components to buses, buses to files and figures, all in one pass.

Conventions
-----------
Every bus is metered, whether it is written or not. All files of a render have one length and start on the
same frame. Nothing is moved into place before everything, report included, is complete.
"""

from __future__ import annotations

import math
from contextlib import nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.audio.staging import StagedFolder
from roomplan.audio.writers import OutputFormat
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import Problem, RoomplanError
from roomplan.loudness.cross_powers import CrossPowerWriter
from roomplan.loudness.meter import loudness_of_hops
from roomplan.mixing.advice import passage_advice, plan_advice, signal_advice
from roomplan.mixing.buses import Bus, Component, Family, build_buses, build_components, build_families
from roomplan.mixing.figures import BusFigures, SectionPowers, decay_of_buses, gated_power, power_ratio
from roomplan.mixing.hearing import (
    Destination,
    Heard,
    Keeping,
    Level,
    Output,
    Powers,
    Progress,
    bus_gains,
    hear,
    silent_progress,
)
from roomplan.mixing.outputs import is_complete, output_files, refuse_inputs
from roomplan.mixing.passages import MarginOfBuses, PassageOfBus, margins_of_plan, passages_of_plan
from roomplan.mixing.paths import response_matrices
from roomplan.mixing.recall import describe_record, parts_of, recall, record_key

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.mixing.cache import Cache
    from roomplan.mixing.paths import ResponseMatrix
    from roomplan.mixing.session import Session
    from roomplan.plan.model import Delivery

__all__ = ["Rendering", "SendFigures", "find_bus", "measure_session", "render_session"]


@dataclass(frozen=True)
class SendFigures:
    """What one send returns: wet over dry in dB, None with a reason where it cannot be said."""

    section: str
    send: int
    wet_to_dry_db: float | None
    reason: str | None


@dataclass(frozen=True)
class Rendering:
    """Everything a render or a measurement found; `outputs` is empty when nothing was written.

    `hop_sums` holds the K-weighted power of each bus per 20 ms; `recalled` says that the answers came from
    the cross powers of an earlier pass over the same sounds at other levels.
    """

    session: Session
    frames: int
    buses: tuple[BusFigures, ...]
    sends: tuple[SendFigures, ...]
    families: tuple[Family, ...]
    outputs: Mapping[str, tuple[Output, ...]]
    folder: Path | None
    warnings: tuple[Problem, ...]
    margins: tuple[MarginOfBuses, ...]
    passages: tuple[PassageOfBus, ...]
    hop_sums: Mapping[str, NDArray[np.float64]]
    recalled: bool

    def bus(self, name: str) -> BusFigures:
        """Look a bus up by name."""
        return next(bus for bus in self.buses if bus.name == name)


def find_bus(buses: Iterable[str], name: str) -> str:
    """Return `name` if it is a bus, else raise with the nearest ones."""
    names = list(buses)
    if name in names:
        return name
    near = did_you_mean(name, names)
    top = [n for n in names if n.count(":") <= 1]
    raise RoomplanError(
        f"there is no bus {name!r}",
        remedy=f"did you mean {near}?" if near else f"the plan has {', '.join(top)}",
    )


def measure_session(
    session: Session,
    *,
    workers: int = 2,
    progress: Progress = silent_progress,
    cache: Cache | None = None,
) -> Rendering:
    """Measure every bus of a session; nothing is written.

    The session is heard, unless `cache` holds the cross powers of the same sounds at other levels: then all
    but the peaks follow from those.
    """
    return _Run(session, workers, progress, cache).run(None, None)


def render_session(
    session: Session,
    delivery: Delivery,
    folder: Path,
    *,
    report: Callable[[Rendering], str],
    only: Sequence[str] = (),
    workers: int = 2,
    progress: Progress = silent_progress,
    cache: Cache | None = None,
) -> Rendering:
    """Render a session into a folder, all or nothing.

    Parameters
    ----------
    session : Session
    delivery : Delivery
        Format, and which buses are written.
    folder : Path
        Where the files go; `report.json` stands at its root.
    report : callable
        Turns the rendering into the text of `report.json`.
    only : sequence of str
        Names of buses; when given, only these are written.
    workers, progress
        Threads, and who is told how far the work is.
    cache : Cache, optional
        Where the cross powers of the pass are kept for later questions.

    Raises
    ------
    RoomplanError
        A bus would clip in an integer format, an output would overwrite an input, a disk is full. Earlier
        files are untouched.
    """
    run = _Run(session, workers, progress, cache)
    names = [bus.name for bus in run.buses]
    chosen = [find_bus(names, name) for name in only]
    extension = "." + delivery.container
    files = output_files(run.buses, run.families, delivery.write, chosen, extension)
    refuse_inputs(session, folder, [file for paths in files.values() for file in paths])
    form = OutputFormat(delivery.container, delivery.bit_depth)
    with StagedFolder(folder) as staged:
        result = run.run(Destination(files, staged, form), folder)
        staged.path("report.json").write_text(report(result), encoding="utf-8")
        progress("moving files into place", 0, 1)
        staged.commit(last="report.json")
    return result


class _Run:
    """One pass over a session."""

    def __init__(self, session: Session, workers: int, progress: Progress, cache: Cache | None) -> None:
        self.session = session
        self.cache = cache
        self.words = any(margin.band == "words" for margin in session.plan.margins)
        self.workers = workers
        self.progress = progress
        self.components: tuple[Component, ...] = build_components(session)
        self.buses = build_buses(session, self.components)
        self.families = build_families(session, self.buses)

    def run(self, destination: Destination | None, folder: Path | None) -> Rendering:
        session = self.session
        self.progress("preparing responses", 0, 1)
        matrices = response_matrices(session)
        heard, recalled = self._hear(matrices, destination)
        warnings = [*session.warnings, *plan_advice(session), *signal_advice(session, heard.statistics)]
        warnings += passage_advice(session.plan, heard.frames / session.sample_rate)
        families: tuple[Family, ...] = ()
        if destination is not None:
            warnings += _judge_levels(session, heard.levels, destination.form)
            families = tuple(family for family in self.families if is_complete(family, destination.files))
        buses, sends = self._figures(heard.powers, matrices, heard.levels)
        sums = {bus.name: heard.powers.sums(row) for row, bus in enumerate(self.buses)}
        in_words = None
        if heard.words is not None:
            in_words = {bus.name: heard.words.sums(row) for row, bus in enumerate(self.buses)}
        return Rendering(
            session=session,
            frames=heard.frames,
            buses=buses,
            sends=sends,
            families=families,
            outputs=heard.outputs,
            folder=folder,
            warnings=tuple(warnings),
            margins=margins_of_plan(session.plan, sums, in_words, sample_rate=session.sample_rate),
            passages=passages_of_plan(session.plan, sums, sample_rate=session.sample_rate),
            hop_sums=sums,
            recalled=recalled,
        )

    def _hear(
        self, matrices: Mapping[tuple[str, int], ResponseMatrix], destination: Destination | None
    ) -> tuple[Heard, bool]:
        """Hear the session, or recall what an earlier pass says of it, and whether it was recalled."""
        if self.cache is None:
            return self._listen(matrices, destination, Keeping(None, None)), False
        parts = parts_of(self.session, self.components, matrices, digest=self.cache.file_digest)
        key = record_key(self.session, parts, words=self.words)
        entry = self.cache.entry(key)
        if entry is not None and destination is None:
            gains = bus_gains(self.buses, len(self.components))
            found = recall(entry, parts, self.buses, gains, words=self.words)
            if found is not None:
                levels = [
                    Level(bus, peaks, False, 0) for bus, peaks in zip(self.buses, found.peaks, strict=True)
                ]
                return Heard(found.frames, found.powers, found.words, levels, found.statistics, {}), True
            self.cache.forget(key)  # whole, but not what it should be: this pass keeps it anew
            entry = None
        if not parts or entry is not None:
            return self._listen(matrices, destination, Keeping(None, None)), False
        plan = self.session.plan
        with (
            self.cache.writing(key, title=plan.title, source=str(plan.source)) as new,
            CrossPowerWriter(new.folder / "cross.npy", components=len(parts)) as cross,
            (
                CrossPowerWriter(new.folder / "words.npy", components=len(parts))
                if self.words
                else nullcontext()
            ) as words,
        ):
            heard = self._listen(matrices, destination, Keeping(cross, words))
            for reason in (cross.finish(), None if words is None else words.finish()):
                if reason is not None:
                    new.give_up(reason)
            new.save_document(
                "record",
                describe_record(
                    parts,
                    self.buses,
                    frames=heard.frames,
                    peaks=[level.peaks for level in heard.levels],
                    statistics=heard.statistics,
                ),
            )
        return heard, False

    def _listen(
        self,
        matrices: Mapping[tuple[str, int], ResponseMatrix],
        destination: Destination | None,
        keeping: Keeping,
    ) -> Heard:
        return hear(
            self.session,
            self.components,
            self.buses,
            matrices,
            destination=destination,
            keeping=keeping,
            words=self.words,
            workers=self.workers,
            progress=self.progress,
        )

    def _figures(
        self, powers: Powers, matrices: Mapping[tuple[str, int], ResponseMatrix], levels: Sequence[Level]
    ) -> tuple[tuple[BusFigures, ...], tuple[SendFigures, ...]]:
        rate = self.session.sample_rate
        row = {bus.name: index for index, bus in enumerate(self.buses)}
        dry_of = {c.section: i for i, c in enumerate(self.components) if c.send is None}
        section_powers = {
            section.name: SectionPowers(
                gated_power(powers.sums(row[f"section:{section.name}:dry"]), sample_rate=rate),
                gated_power(powers.sums(row[f"section:{section.name}:wet"]), sample_rate=rate),
            )
            for section in self.session.sections
        }
        decays = decay_of_buses(
            self.session,
            matrices,
            self.buses,
            section_powers,
            workers=self.workers,
            progress=lambda done, total: self.progress("measuring decay", done, total),
        )
        figures = []
        for bus, level in zip(self.buses, levels, strict=True):
            index = row[bus.name]
            loudness = loudness_of_hops(powers.sums(index), sample_rate=rate)
            reasons = dict(loudness.reasons)
            peak, true_peak = _decibels(level.peaks.sample), _decibels(level.peaks.true)
            if peak is None or true_peak is None:
                why = "the bus is silent" if level.peaks.sample == 0.0 else _NO_PEAKS
                reasons |= dict.fromkeys(("sample_peak_dbfs", "true_peak_dbtp"), why)
            ratio, why = None, "only sections, groups and the mix have a wet and a dry side"
            if bus.kind in {"section", "group", "mix"}:
                prefix = "" if bus.kind == "mix" else f"{bus.name}:"
                ratio, why = power_ratio(
                    powers.sums(row[f"{prefix}wet"]), powers.sums(row[f"{prefix}dry"]), sample_rate=rate
                )
                why = self._no_dry(bus) or why
            if why is not None and ratio is None:
                reasons["wet_to_dry_db"] = why
            decay = decays.get(bus.name)
            if decay is None:
                reasons["decay"] = "the bus is muted or empty"
            else:
                reasons.update(decay.reasons)
            onset = decay.wet_onset_s if decay else None
            if onset is None:
                reasons.setdefault("wet_onset_ms", reasons.get("decay", "nothing comes back from the rooms"))
            tail = decay.tail_to_minus_40_s if decay else None
            if tail is None:
                reasons.setdefault(
                    "tail_to_minus_40_s", reasons.get("decay", "there is no composite to measure")
                )
            figures.append(
                BusFigures(
                    bus.name,
                    loudness,
                    peak,
                    true_peak,
                    decay.decay if decay else None,
                    ratio,
                    onset,
                    tail,
                    reasons,
                )
            )
        sends = tuple(
            SendFigures(
                component.section, component.send, *self._send_ratio(powers, dry_of, index, component)
            )
            for index, component in enumerate(self.components)
            if component.send is not None
        )
        return tuple(figures), sends

    def _no_dry(self, bus: Bus) -> str | None:
        sections = [s for s in self.session.sections if bus.kind != "section" or s.name == bus.parts[1]]
        if bus.kind == "group":
            sections = [s for s in sections if s.group == bus.parts[1]]
        if all(s.muted for s in sections):
            return "muted"
        return "dry is off" if all(s.dry_gain is None for s in sections) else None

    def _send_ratio(
        self, powers: Powers, dry_of: Mapping[str, int], index: int, component: Component
    ) -> tuple[float | None, str | None]:
        if component.section not in dry_of:
            return None, "dry is off"
        return power_ratio(
            powers.component_sums(index),
            powers.component_sums(dry_of[component.section]),
            sample_rate=self.session.sample_rate,
        )


def _judge_levels(session: Session, levels: Sequence[Level], form: OutputFormat) -> list[Problem]:
    """Refuse a file that would clip in an integer format; warn of float files above full scale."""
    over = [level for level in levels if level.over_range]
    if form.bit_depth != "32f" and over:
        worst = max(over, key=lambda level: level.peaks.sample or 0.0)
        peak_db = _decibels(worst.peaks.sample) or 0.0
        # a tenth of a dB more keeps the dither inside the range too
        trim = session.plan.trim_db - (math.ceil(max(peak_db, 0.0) * 10.0) + 1.0) / 10.0
        names = ", ".join(level.bus.name for level in over)
        raise RoomplanError(
            f"{names} would clip in {form.bit_depth} bit: bus {worst.bus.name} peaks at {peak_db:+.2f} dBFS",
            remedy=f"set `trim: {trim:.1f}` in the plan (it moves every bus alike), or write 32f",
        )
    return [
        Problem(
            f"bus {level.bus.name} has a true peak of {_decibels(level.peaks.true) or 0.0:+.1f} dBTP",
            None,
            "the float file holds it, but a converter will not: lower `trim`",
        )
        for level in levels
        if level.written and level.bus.name == "mix" and (level.peaks.true or 0.0) > 1.0
    ]


_NO_PEAKS = "peaks need the sound itself: the answer comes from an earlier pass at other levels"


def _decibels(peak: float | None) -> float | None:
    """Level of a linear peak; None for silence and for what is not known."""
    return 20.0 * math.log10(peak) if peak is not None and peak > 0.0 else None
