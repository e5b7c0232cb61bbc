"""Render a session: components to buses, buses to files and figures, all in one pass.

Conventions
-----------
Every bus is metered, whether it is written or not. All files of a render start on the same frame, and those
of one sample rate have one length. Nothing is moved into place before everything, reports included, is
complete: each folder is filled as a whole, and deliveries in one folder together.
"""

from __future__ import annotations

from contextlib import ExitStack, nullcontext
from dataclasses import dataclass, field
from dataclasses import replace as replaced
from typing import TYPE_CHECKING

from roomplan.audio.writers import OutputFormat
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import Problem, RoomplanError
from roomplan.files.staging import StagedFolder, silent_notice
from roomplan.loudness.cross_powers import CrossPowerWriter
from roomplan.loudness.meter import loudness_of_hops
from roomplan.rendering.advice import passage_advice, plan_advice, signal_advice
from roomplan.rendering.bus_figures import BusFigures, SectionPowers, decay_of_buses, gated_power, power_ratio
from roomplan.rendering.component_stream import ComponentStream
from roomplan.rendering.finishing import decibels, finish_files, foreseen_clipping, judge_levels, time_advice
from roomplan.rendering.folder_ownership import (
    LEFT_OVER,
    LeftOver,
    earlier_stems,
    examine_folder,
    finished_delivery,
    plan_digest,
    refuse_other_samples,
)
from roomplan.rendering.one_pass import (
    Destination,
    Heard,
    Keeping,
    Level,
    Output,
    PlannedFile,
    Powers,
    Progress,
    bus_gains,
    hear,
    silent_progress,
)
from roomplan.rendering.outside import whole_place
from roomplan.rendering.passages import MarginOfBuses, PassageOfBus, margins_of_plan, passages_of_plan
from roomplan.rendering.recall import describe_record, parts_of, recall, record_key
from roomplan.rendering.stem_advice import changed_stem_advice, stem_advice
from roomplan.rendering.stem_survey import survey_stems
from roomplan.report_file import REPORT_NAME
from roomplan.session.buses import Bus, Component, Family, build_buses, build_components, build_families
from roomplan.session.output_files import (
    Target,
    delivery_rate,
    is_complete,
    output_files,
    plan_targets,
    refuse_inputs,
    refuse_shared_files,
)
from roomplan.session.response_matrices import response_matrices

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.files.cache import Cache
    from roomplan.rendering.excerpt import ComponentSource
    from roomplan.rendering.stem_survey import SurveyedFile
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

__all__ = [
    "Output",
    "Rendering",
    "SendFigures",
    "Target",
    "find_bus",
    "measure_session",
    "plan_targets",
    "render_session",
]

_MOST_NAMED = 3


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
    the cross powers of an earlier pass over the same sounds at other levels. `outputs` has the files of a
    bus in the order of `targets`; `families` are those that are complete in one of them. `folder` is the one
    folder that holds everything, None where deliveries lie apart. `left_over` has, by delivery, what an
    earlier render of the plan wrote and this one did not; `plan_sha256` digests the plan's files as they
    were at the start. `stems` holds what is in the files of the stems; of an excerpt nothing.
    `refused` is, of a measurement, what a render of the plan's deliveries would not be made for.
    `fresh` has the folders in which no finished delivery of this version had been.
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
    targets: tuple[Target, ...] = ()
    left_over: Mapping[str, tuple[LeftOver, ...]] = field(default_factory=dict)
    plan_sha256: str | None = None
    stems: tuple[SurveyedFile, ...] = ()
    refused: tuple[Problem, ...] = ()
    fresh: tuple[Path, ...] = ()

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
    peaks: bool = False,
) -> Rendering:
    """Measure every bus of a session; nothing is written.

    The session is rendered, unless `cache` holds the cross powers of the same sounds at other levels: then
    all but the peaks follow from those. With `peaks` that is not enough where a delivery has an integer
    format, which those peaks may not fit.
    """
    integer = any(target.delivery.bit_depth != "32f" for target in plan_targets(session.plan))
    return _Run(session, workers, progress, cache, peaks=peaks and integer).run(None, ())


def render_session(
    session: Session,
    targets: Sequence[Target],
    *,
    report: Callable[[Rendering, Target | None], str],
    only: Sequence[str] = (),
    replace: bool = False,
    remake: Collection[Path] = (),
    workers: int = 2,
    progress: Progress = silent_progress,
    cache: Cache | None = None,
    open_stream: Callable[..., ComponentSource] = ComponentStream,
    notice: Callable[[str], None] = silent_notice,
) -> Rendering:
    """Render a session into folders, each of them all or nothing, from one convolution.

    Parameters
    ----------
    targets : sequence of Target
        From `plan_targets`: what is written where.
    report : callable
        Turns the rendering into the text of the `report.json` of one target; of the folder that holds several
        when it is given None.
    only : sequence of str
        Names of buses; when given, only these are written, by the deliveries that write them anyway. A bus
        that none of them writes goes to the first. A delivery that is left without a file is left alone.
    replace : bool
        Whether another plan's files, the user's own, or a finished delivery of this version may be replaced.
    remake : collection of Path
        Folders whose finished delivery is work in progress, and may be replaced all the same.
    workers, progress
        Threads, and who is told how far the work is.
    cache : Cache, optional
        Where the cross powers of the pass are kept for later questions; those of an excerpt are not.
    open_stream : callable, optional
        Makes the stream of components, as `KeptExcerpt.open` does.
    notice : callable, optional
        As in `StagedFolder`.

    Raises
    ------
    RoomplanError
        A bus would clip in an integer format, an output would overwrite an input, what is not this plan's or
        (`DeliveredError`) other samples of a finished delivery of this version, two deliveries share a file,
        a disk is full. Earlier files are untouched; where deliveries have folders of their own and a later
        one cannot be moved into place, those before it stay, and the error names them.

    Notes
    -----
    Files of an earlier render of the same plan that this one does not write are moved to `left_over/` in the
    delivery's folder, together with the new files; with `only`, or where the version has changed, they stay.
    Either way the report lists them.
    """
    run = _Run(session, workers, progress, cache, open_stream)
    names = [bus.name for bus in run.buses]
    chosen = [find_bus(names, name) for name in only]
    files = _planned_files(session, run, targets, chosen)
    targets = [target for target in targets if target.name in files]
    for target in targets:
        refuse_inputs(session, target.folder, _paths(files[target.name]))
    refuse_shared_files({t.name: (t.folder, _paths(files[t.name])) for t in targets})
    digest = plan_digest(session)
    with ExitStack() as stack:
        stages = {
            root: stack.enter_context(StagedFolder(root, notice=notice))
            for root in dict.fromkeys(t.root for t in targets)
        }
        left_over = _examine(
            session, targets, files, digest=digest, complete=not only, replace_others=replace
        )
        for target in targets:
            for entry in left_over[target.name]:
                if entry.was is not None:
                    stages[target.root].set_aside(target.prefix + entry.was, target.prefix + entry.file)
        planned: dict[str, tuple[PlannedFile, ...]] = {}
        for target in targets:
            for bus, paths in files[target.name].items():
                stage = stages[target.root]
                planned[bus] = planned.get(bus, ()) + tuple(
                    _planned(session, target, stage, path) for path in paths
                )
        finished = {
            target.name: finished_delivery(session, target, _paths(files[target.name]), digest=digest)
            for target in targets
        }
        kept = {
            name: one
            for name, one in finished.items()
            if one is not None and not replace and one.folder not in remake
        }

        def approve(heard: Heard) -> None:
            refuse_other_samples(session, kept, heard.outputs)

        destination = Destination(planned, session.start_s is not None)
        result = run.run(destination, tuple(targets), approve)
        result = _with_left_overs(result, left_over, digest)
        result = replaced(
            result, fresh=tuple(target.folder for target in targets if finished[target.name] is None)
        )
        for target in targets:
            stages[target.root].write_text(target.prefix + REPORT_NAME, report(result, target))
            if target.within is not None and target is targets[-1]:
                stages[target.root].write_text(REPORT_NAME, report(result, None))
        _commit(stages, targets, progress)
    return result


def _paths(files: Mapping[str, Sequence[str]]) -> list[str]:
    return [path for paths in files.values() for path in paths]


def _planned_files(
    session: Session, run: _Run, targets: Sequence[Target], only: Sequence[str]
) -> dict[str, dict[str, tuple[str, ...]]]:
    """Delivery → bus → files, for the deliveries that write something."""
    if not only:
        found = {t.name: output_files(session, run.buses, run.families, t.delivery, ()) for t in targets}
        return {name: files for name, files in found.items() if files}
    usual = {t.name: output_files(session, run.buses, run.families, t.delivery, ()) for t in targets}
    nowhere = [bus for bus in only if not any(bus in files for files in usual.values())]
    found = {}
    for target in targets:
        mine = [bus for bus in only if bus in usual[target.name]]
        if target is targets[0]:
            mine = [bus for bus in only if bus in mine or bus in nowhere]
        if mine:
            found[target.name] = output_files(session, run.buses, run.families, target.delivery, mine)
    return found


def _planned(session: Session, target: Target, stage: StagedFolder, path: str) -> PlannedFile:
    delivery = target.delivery
    return PlannedFile(
        file=path,
        delivery=target.name,
        path=stage.path(target.prefix + path),
        form=OutputFormat(delivery.container, delivery.bit_depth),
        sample_rate=delivery_rate(session, delivery),
    )


def _examine(
    session: Session,
    targets: Sequence[Target],
    files: Mapping[str, Mapping[str, Sequence[str]]],
    *,
    digest: str | None,
    complete: bool,
    replace_others: bool,
) -> dict[str, tuple[LeftOver, ...]]:
    """Refuse what may not be replaced in any folder, and list what is left over in each delivery."""
    for root in dict.fromkeys(target.within for target in targets):
        if root is not None:
            examine_folder(session, root, (), digest=digest, complete=False, replace=replace_others)
    return {
        target.name: examine_folder(
            session,
            target.folder,
            _paths(files[target.name]),
            digest=digest,
            complete=complete,
            replace=replace_others,
        )
        for target in targets
    }


def _with_left_overs(
    result: Rendering, left_over: Mapping[str, tuple[LeftOver, ...]], digest: str | None
) -> Rendering:
    """Add what is left over to a rendering, with a warning for what is moved."""
    warnings = list(result.warnings)
    moved = [entry.was for group in left_over.values() for entry in group if entry.was is not None]
    if moved:
        more = f" and {len(moved) - _MOST_NAMED} more" if len(moved) > _MOST_NAMED else ""
        warnings.append(
            Problem(
                f"left over from an earlier render: {', '.join(moved[:_MOST_NAMED])}{more}",
                None,
                f"moved to {LEFT_OVER}/ in the delivery's folder, as no bus of the plan writes them now",
            )
        )
    return replaced(result, left_over=left_over, plan_sha256=digest, warnings=tuple(warnings))


def _commit(stages: Mapping[Path, StagedFolder], targets: Sequence[Target], progress: Progress) -> None:
    """Move every folder into place; an error says which deliveries are there already."""
    done: list[str] = []
    for number, (root, stage) in enumerate(stages.items()):
        progress("moving files into place", number, len(stages))
        try:
            stage.commit(last=REPORT_NAME)
        except RoomplanError as error:
            if not done:
                raise
            problem = error.problems[0]
            place = f"deliver{'y' if len(done) == 1 else 'ies'} {', '.join(done)}"
            raise RoomplanError(
                f"{problem.what}; {place} {'is' if len(done) == 1 else 'are'} in place and complete",
                remedy=problem.remedy,
            ) from error
        done += [target.name for target in targets if target.root == root]


class _Run:
    """One pass over a session."""

    def __init__(
        self,
        session: Session,
        workers: int,
        progress: Progress,
        cache: Cache | None,
        open_stream: Callable[..., ComponentSource] = ComponentStream,
        *,
        peaks: bool = False,
    ) -> None:
        self.session = session
        self.peaks = peaks
        self.cache = cache if session.excerpt is None else None
        self.open_stream = open_stream
        self.speech_band = any(margin.band == "speech" for margin in session.plan.margins)
        self.workers = workers
        self.progress = progress
        self.components: tuple[Component, ...] = build_components(session)
        self.buses = build_buses(session, self.components)
        self.families = build_families(session, self.buses)

    def run(
        self,
        destination: Destination | None,
        targets: tuple[Target, ...],
        approve: Callable[[Heard], None] = lambda _heard: None,
    ) -> Rendering:
        """Hear the session and make its figures; `approve` raises when the files are not to be had."""
        session = self.session
        stems = self._survey()
        self.progress("preparing responses", 0, 1)
        matrices = response_matrices(session)
        heard, recalled = self._hear(matrices, destination)
        warnings = [*session.warnings, *plan_advice(session), *signal_advice(session, heard.statistics)]
        warnings += [*stem_advice(session, stems), *self._changed(stems, targets)]
        warnings += passage_advice(session.plan, heard.frames / session.sample_rate)
        families: tuple[Family, ...] = ()
        refused: list[Problem] = []
        if destination is None:
            usual = plan_targets(session.plan)
            refused, advice = foreseen_clipping(session, heard.levels, usual, self.families)
            places = [(target.delivery.place, whole_place(target.folder)) for target in usual]
            refused += [replaced(problem, place=place) for place, problem in places if problem is not None]
            warnings += advice
        else:
            warnings += judge_levels(session, heard.levels, heard.outputs, several=len(targets) > 1)
            approve(heard)
            warnings += time_advice(session, targets)
            families = tuple(f for f in self.families if any(_complete_in(t, f, heard) for t in targets))
        buses, sends = self._figures(heard.powers, matrices, heard.levels)
        outputs = finish_files(session, targets, heard.outputs, {bus.name: bus for bus in buses})
        sums = {bus.name: heard.powers.sums(row) for row, bus in enumerate(self.buses)}
        in_speech_band = None
        if heard.speech_band is not None:
            in_speech_band = {bus.name: heard.speech_band.sums(row) for row, bus in enumerate(self.buses)}
        return Rendering(
            session=session,
            frames=heard.frames,
            buses=buses,
            sends=sends,
            families=families,
            outputs=outputs,
            folder=targets[0].root if len({target.root for target in targets}) == 1 else None,
            warnings=tuple(warnings),
            margins=margins_of_plan(session.plan, sums, in_speech_band, sample_rate=session.sample_rate),
            passages=passages_of_plan(session.plan, sums, sample_rate=session.sample_rate),
            hop_sums=sums,
            recalled=recalled,
            targets=targets,
            stems=stems,
            refused=tuple(refused),
        )

    def _survey(self) -> tuple[SurveyedFile, ...]:
        """Look into the files of the stems; an excerpt costs its own length only."""
        if self.session.excerpt is not None:
            return ()
        return survey_stems(self.session, cache=self.cache, workers=self.workers, progress=self.progress)

    def _changed(self, stems: Sequence[SurveyedFile], targets: Sequence[Target]) -> list[Problem]:
        """Notes on stems that are not those of the last render, here or where it usually goes."""
        if not stems:
            return []
        digest = plan_digest(self.session)
        for target in targets or plan_targets(self.session.plan):
            earlier = earlier_stems(self.session, target.folder, digest=digest)
            if earlier:
                return changed_stem_advice(self.session, stems, earlier, target.folder.name)
        return []

    def _hear(
        self, matrices: Mapping[tuple[str, int], ResponseMatrix], destination: Destination | None
    ) -> tuple[Heard, bool]:
        """Hear the session, or recall what an earlier pass says of it, and whether it was recalled."""
        if self.cache is None:
            return self._listen(matrices, destination, Keeping(None, None)), False
        parts = parts_of(self.session, self.components, matrices, digest=self.cache.file_digest)
        key = record_key(self.session, parts, speech_band=self.speech_band)
        entry = self.cache.entry(key)
        outdated = False
        if entry is not None:
            gains = bus_gains(self.buses, len(self.components))
            found = recall(entry, parts, self.buses, gains, speech_band=self.speech_band)
            # whole, but not what it should be, or without the peaks of these levels
            outdated = found is None or any(peaks.sample is None for peaks in found.peaks)
            if found is not None and destination is None and not (outdated and self.peaks):
                levels = [Level(bus, peaks) for bus, peaks in zip(self.buses, found.peaks, strict=True)]
                return Heard(
                    found.frames, found.powers, found.speech_band, levels, found.statistics, {}
                ), True
        if not parts or (entry is not None and not outdated):
            return self._listen(matrices, destination, Keeping(None, None)), False
        plan = self.session.plan
        with (
            self.cache.writing(key, title=plan.title, source=str(plan.source)) as new,
            CrossPowerWriter(new.folder / "cross.npy", components=len(parts)) as cross,
            (
                CrossPowerWriter(new.folder / "speech_band.npy", components=len(parts))
                if self.speech_band
                else nullcontext()
            ) as speech_band,
        ):
            heard = self._listen(matrices, destination, Keeping(cross, speech_band))
            for reason in (cross.finish(), None if speech_band is None else speech_band.finish()):
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
            if outdated and new.given_up is None:
                self.cache.forget(key)  # only now: a pass that is cut short leaves the earlier one
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
            speech_band=self.speech_band,
            workers=self.workers,
            progress=self.progress,
            open_stream=self.open_stream,
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
            peak, true_peak = decibels(level.peaks.sample), decibels(level.peaks.true)
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
                reasons.setdefault(
                    "wet_arrival_ms", reasons.get("decay", "nothing comes back from the rooms")
                )
            tail = decay.decay_to_minus_40_s if decay else None
            if tail is None:
                reasons.setdefault(
                    "decay_to_minus_40_s", reasons.get("decay", "the section has no composite response")
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


def _complete_in(target: Target, family: Family, heard: Heard) -> bool:
    files = {
        bus: [output.file for output in group if output.delivery == target.name]
        for bus, group in heard.outputs.items()
    }
    return is_complete(family, files)


_NO_PEAKS = "peaks need a new pass over the sound: the last one was at other levels"
