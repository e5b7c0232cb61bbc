"""Render a session: components to buses, buses to files and figures, all in one pass.

Conventions
-----------
Every bus is metered, whether it is written or not. All files of a render have one length and start on the
same frame. Nothing is moved into place before everything, report included, is complete.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from roomplan.audio.names import safe_file_names
from roomplan.audio.staging import StagedFolder
from roomplan.audio.writers import OutputFormat, SoundWriter
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import Problem, RoomplanError
from roomplan.loudness.algebra import BusPowers
from roomplan.loudness.meter import loudness_of_hops
from roomplan.mixing.buses import Bus, Component, Family, build_buses, build_components, build_families
from roomplan.mixing.figures import BusFigures, decay_of_buses, dry_component_powers, power_ratio
from roomplan.mixing.paths import response_matrices
from roomplan.mixing.stream import ComponentStream, SignalStatistics
from roomplan.mixing.summing import BusMixer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.mixing.session import Session
    from roomplan.plan.model import Delivery

    Planar = NDArray[np.float32]

__all__ = ["Output", "Progress", "Rendering", "SendFigures", "find_bus", "measure_session", "render_session"]


class Progress(Protocol):
    """Told what is going on; the command line draws it, everybody else ignores it."""

    def __call__(self, stage: str, done: int, total: int) -> None:
        """`done` of `total` steps of `stage` are behind us."""
        ...


def _silent(_stage: str, _done: int, _total: int) -> None:
    """Progress nobody watches."""


@dataclass(frozen=True)
class Output:
    """A file of a render: path relative to the folder of the report, and a digest of its samples."""

    file: str
    digest: str


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


@dataclass(frozen=True)
class _Level:
    """Peak of a bus, and the files it was written to."""

    bus: Bus
    peak: float
    writers: Sequence[SoundWriter]


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


def measure_session(session: Session, *, workers: int = 2, progress: Progress = _silent) -> Rendering:
    """Hear the whole session and measure every bus; nothing is written."""
    return _Run(session, workers, progress).run({}, None)


def render_session(
    session: Session,
    delivery: Delivery,
    folder: Path,
    *,
    report: Callable[[Rendering], str],
    only: Sequence[str] = (),
    workers: int = 2,
    progress: Progress = _silent,
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
    files = _output_files(run.buses, run.families, delivery.write, chosen, extension)
    _refuse_inputs(session, folder, [file for paths in files.values() for file in paths])
    form = OutputFormat(delivery.container, delivery.bit_depth)
    with StagedFolder(folder) as staged:
        result = run.run(files, staged, form=form, folder=folder)
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

    def run(
        self,
        files: Mapping[str, tuple[str, ...]],
        staged: StagedFolder | None,
        *,
        form: OutputFormat | None = None,
        folder: Path | None = None,
    ) -> Rendering:
        session = self.session
        gains = np.zeros((len(self.buses), len(self.components)))
        for row, bus in enumerate(self.buses):
            for index, factor in bus.factors.items():
                gains[row, index] = factor
        powers = BusPowers(gains, sample_rate=session.sample_rate, workers=self.workers)
        self.progress("preparing responses", 0, 1)
        matrices = response_matrices(session)
        writers: dict[str, list[SoundWriter]] = {}
        frames = 0
        with ExitStack() as stack:
            stream = stack.enter_context(
                ComponentStream(session, self.components, matrices, workers=self.workers)
            )
            pool = stack.enter_context(ThreadPoolExecutor(self.workers))
            if staged is not None and form is not None:
                for name, paths in files.items():
                    writers[name] = [
                        stack.enter_context(
                            SoundWriter(
                                staged.path(path),
                                sample_rate=session.sample_rate,
                                channels=2,
                                frames_expected=stream.most_frames,
                                format=form,
                                dither_seed=f"{session.plan.title}/{path}",
                            )
                        )
                        for path in paths
                    ]
            mixer = BusMixer(
                self.buses,
                [index for index, bus in enumerate(self.buses) if bus.name in writers],
                most_frames=stream.hop,
                workers=self.workers,
            )
            stage = "rendering" if staged is not None else "listening"
            for block in stream.blocks(lambda done, total: self.progress(stage, done, total)):
                powers.feed(block)
                jobs = [
                    (writer, samples)
                    for index, samples in mixer.mix(block, pool).items()
                    for writer in writers[self.buses[index].name]
                ]
                list(pool.map(lambda job: job[0].write(job[1]), jobs))
                frames += block.shape[2]
            powers.finish()
            statistics = stream.statistics
            levels = [
                _Level(bus, float(peak), writers.get(bus.name, ()))
                for bus, peak in zip(self.buses, mixer.peaks, strict=True)
            ]
        warnings = [*session.warnings, *_signal_warnings(session, statistics)]
        if form is not None:
            warnings += _level_warnings(self.session, levels, form)
        outputs = {
            name: tuple(Output(path, writer.digest) for path, writer in zip(files[name], group, strict=True))
            for name, group in writers.items()
        }
        families = tuple(family for family in self.families if _is_complete(family, files))
        buses, sends = self._figures(powers, matrices, levels)
        return Rendering(session, frames, buses, sends, families, outputs, folder, tuple(warnings))

    def _figures(
        self, powers: BusPowers, matrices: Mapping, levels: Sequence[_Level]
    ) -> tuple[tuple[BusFigures, ...], tuple[SendFigures, ...]]:
        rate = self.session.sample_rate
        row = {bus.name: index for index, bus in enumerate(self.buses)}
        dry_of = {c.section: i for i, c in enumerate(self.components) if c.send is None}
        dry_powers = dry_component_powers(self.components, powers.component_sums, sample_rate=rate)
        decays = decay_of_buses(
            self.session,
            matrices,
            self.buses,
            dry_powers,
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


def _output_files(
    buses: tuple[Bus, ...],
    families: tuple[Family, ...],
    write: Sequence[str],
    only: Sequence[str],
    extension: str,
) -> dict[str, tuple[str, ...]]:
    """Bus name → its files, relative to the output folder. Each family has a folder of its own."""
    kinds = {bus.name: bus.kind for bus in buses}
    planned: dict[str, list[str]] = {}

    def put(folder: str, names: Sequence[str]) -> None:
        for name, file in _family_files(names).items():
            planned.setdefault(name, []).append(
                f"{folder}/{file}{extension}" if folder else f"{file}{extension}"
            )

    wanted = set(write)
    if "mix" in wanted or "mix" in only:
        put("", ["mix"])
    for family in families:
        if family.folder in wanted:
            put(family.folder, family.buses)
    sides = [name for name in ("dry", "wet") if name in wanted or (name in only and name not in planned)]
    if sides:
        put("dry_and_wet", sides)
    alternates = [bus.name for bus in buses if bus.kind == "alternate"]
    if "alternates" in wanted:
        put("alternates", alternates)
    if not only:
        return {name: tuple(paths) for name, paths in planned.items()}
    folder_of = {
        "section": "prints",
        "section_dry": "section_dry",
        "section_wet": "section_wet",
        "group": "groups",
        "group_dry": "group_dry",
        "group_wet": "group_wet",
        "room": "rooms",
        "room_position": "room_positions",
        "alternate": "alternates",
    }
    for name in only:
        if name not in planned:
            peers = [bus.name for bus in buses if bus.kind == kinds[name]]
            put(folder_of[kinds[name]], [peer for peer in peers if peer not in planned or peer == name])
    return {name: tuple(planned[name]) for name in dict.fromkeys(only)}


def _family_files(names: Sequence[str]) -> dict[str, str]:
    """Bus name → file name without extension: the last parts of the bus name, told apart where they clash."""
    labels: dict[str, str] = {}
    for name in names:
        parts = [part for part in name.split(":")[1:] if part not in {"dry", "wet"}] or name.split(":")
        labels[name] = " ".join(parts)
    folded: dict[str, int] = {}
    for label in labels.values():
        folded[label.casefold()] = folded.get(label.casefold(), 0) + 1
    for name, label in labels.items():
        if folded[label.casefold()] > 1 and ":" in name:
            labels[name] = f"{name.split(':', maxsplit=1)[0]} {label}"
    safe = safe_file_names(list(labels.values()))
    return {name: safe[label] for name, label in labels.items()}


def _is_complete(family: Family, files: Mapping[str, tuple[str, ...]]) -> bool:
    """Whether all buses of a family are written into its folder, and their total somewhere."""
    return (
        bool(family.buses)
        and family.total in files
        and all(any(f.startswith(f"{family.folder}/") for f in files.get(bus, ())) for bus in family.buses)
    )


def _refuse_inputs(session: Session, folder: Path, files: Sequence[str]) -> None:
    """No output may be a file the render reads, and no output folder the folder of the stems."""
    if folder.exists() and folder.resolve() == session.plan.stems_folder.resolve():
        raise RoomplanError(
            f"the output folder {folder} is the stems folder", remedy="give the delivery a folder of its own"
        )
    inputs = {path.resolve() for path in session.input_files}
    for file in [*files, "report.json"]:
        target = folder / file
        if target.resolve() in inputs:
            raise RoomplanError(
                f"output {target} is a file this plan reads", remedy="choose another output folder"
            )


def _level_warnings(session: Session, levels: Sequence[_Level], form: OutputFormat) -> list[Problem]:
    """Refuse a file that would clip in an integer format; warn of float files above full scale."""
    over = [level for level in levels if any(writer.over_range for writer in level.writers)]
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
        if level.writers and level.bus.name == "mix" and level.peak > 1.0
    ]


def _signal_warnings(session: Session, statistics: Mapping[str, SignalStatistics]) -> list[Problem]:
    """What only the sound itself can tell: silence, one-sided sections, sides that cancel."""
    found = []
    for section in session.sections:
        place = session.plan.sections[section.name].place
        heard = statistics[section.name]
        balance, mono = heard.balance_db, heard.mono_sum_db
        if balance is None or mono is None:
            found.append(Problem(f"section {section.name} is silent: its stems hold no sound", place))
            continue
        if section.signal_channels == 1:
            continue
        lopsided = [s.room for s in section.sends if s.wiring == "per_channel"]
        if abs(balance) > 12.0 and lopsided:
            side = "right" if balance > 0 else "left"
            found.append(
                Problem(
                    f"section {section.name} sounds on the {side} only ({abs(balance):.0f} dB) and room "
                    f"{', '.join(sorted(set(lopsided)))} is wired per_channel: it answers from that side",
                    place,
                    "use `wiring: one_source` if the room should answer from both sides",
                )
            )
        summed = [s.room for s in section.sends if s.wiring == "one_source"]
        if mono < -10.0 and summed:
            found.append(
                Problem(
                    f"left and right of section {section.name} cancel ({mono:.0f} dB) in room "
                    f"{', '.join(sorted(set(summed)))} (wiring one_source)",
                    place,
                    "check the polarity of the stem, or use `wiring: per_channel`",
                )
            )
    return found
