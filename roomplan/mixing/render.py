"""Render a session: components to buses, buses to files and figures, all in one pass.

Conventions
-----------
Every bus is metered, whether it is written or not. All files of a render have one length and start on the
same frame. Nothing is moved into place before everything, report included, is complete.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.audio.staging import StagedFolder
from roomplan.audio.writers import OutputFormat
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import Problem, RoomplanError
from roomplan.loudness.meter import loudness_of_hops
from roomplan.mixing.advice import plan_advice, signal_advice
from roomplan.mixing.buses import Bus, Component, Family, build_buses, build_components, build_families
from roomplan.mixing.figures import BusFigures, SectionPowers, decay_of_buses, gated_power, power_ratio
from roomplan.mixing.hearing import Destination, Level, Output, Progress, hear, silent_progress
from roomplan.mixing.outputs import is_complete, output_files, refuse_inputs
from roomplan.mixing.paths import response_matrices

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from pathlib import Path

    from roomplan.loudness.algebra import BusPowers
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
    """Everything a render or a measurement found; `outputs` is empty when nothing was written."""

    session: Session
    frames: int
    buses: tuple[BusFigures, ...]
    sends: tuple[SendFigures, ...]
    families: tuple[Family, ...]
    outputs: Mapping[str, tuple[Output, ...]]
    folder: Path | None
    warnings: tuple[Problem, ...]

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


def measure_session(session: Session, *, workers: int = 2, progress: Progress = silent_progress) -> Rendering:
    """Hear the whole session and measure every bus; nothing is written."""
    return _Run(session, workers, progress).run(None, None)


def render_session(
    session: Session,
    delivery: Delivery,
    folder: Path,
    *,
    report: Callable[[Rendering], str],
    only: Sequence[str] = (),
    workers: int = 2,
    progress: Progress = silent_progress,
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

    Raises
    ------
    RoomplanError
        A bus would clip in an integer format, an output would overwrite an input, a disk is full. Earlier
        files are untouched.
    """
    run = _Run(session, workers, progress)
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

    def __init__(self, session: Session, workers: int, progress: Progress) -> None:
        self.session = session
        self.workers = workers
        self.progress = progress
        self.components: tuple[Component, ...] = build_components(session)
        self.buses = build_buses(session, self.components)
        self.families = build_families(session, self.buses)

    def run(self, destination: Destination | None, folder: Path | None) -> Rendering:
        session = self.session
        self.progress("preparing responses", 0, 1)
        matrices = response_matrices(session)
        heard = hear(
            session,
            self.components,
            self.buses,
            matrices,
            destination=destination,
            workers=self.workers,
            progress=self.progress,
        )
        warnings = [*session.warnings, *plan_advice(session), *signal_advice(session, heard.statistics)]
        families: tuple[Family, ...] = ()
        if destination is not None:
            warnings += _judge_levels(session, heard.levels, destination.form)
            families = tuple(family for family in self.families if is_complete(family, destination.files))
        buses, sends = self._figures(heard.powers, matrices, heard.levels)
        return Rendering(
            session, heard.frames, buses, sends, families, heard.outputs, folder, tuple(warnings)
        )

    def _figures(
        self, powers: BusPowers, matrices: Mapping[tuple[str, int], ResponseMatrix], levels: Sequence[Level]
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
            peak = 20.0 * math.log10(level.peak) if level.peak > 0.0 else None
            if peak is None:
                reasons["sample_peak_dbfs"] = "the bus is silent"
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
                    bus.name, loudness, peak, decay.decay if decay else None, ratio, onset, tail, reasons
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
        self, powers: BusPowers, dry_of: Mapping[str, int], index: int, component: Component
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
        worst = max(over, key=lambda level: level.peak)
        peak_db = 20.0 * math.log10(worst.peak) if worst.peak > 0 else 0.0
        # a tenth of a dB more keeps the dither inside the range too
        trim = session.plan.trim_db - (math.ceil(max(peak_db, 0.0) * 10.0) + 1.0) / 10.0
        names = ", ".join(level.bus.name for level in over)
        raise RoomplanError(
            f"{names} would clip in {form.bit_depth} bit: bus {worst.bus.name} peaks at {peak_db:+.2f} dBFS",
            remedy=f"set `trim: {trim:.1f}` in the plan (it moves every bus alike), or write 32f",
        )
    return [
        Problem(
            f"bus {level.bus.name} peaks at {20.0 * math.log10(level.peak):+.1f} dBFS",
            None,
            "the float file holds it, but a converter will not: lower `trim`",
        )
        for level in levels
        if level.written and level.bus.name == "mix" and level.peak > 1.0
    ]
