"""What is in a delivery folder already: whose it is, what may be replaced, and what is left over.

Conventions
-----------
A folder belongs to the plan whose `report.json` is in it; `PlanIdentity` says which plans are one. Files are
relative to the folder, with "/" between folders.

Notes
-----
A report is data that somebody may have edited: what cannot be understood belongs to nobody.

Only plans with a version are asked. Without one, "edit, render, listen" is the working loop, and so is
changing the version by hand with no `{version}` in any name. A render with `--only` counts as a delivery: its
report cannot tell a listen from a part of one. `--bump` costs a second pass, and counts on where the next
version holds other samples too.
"""

from __future__ import annotations

import os
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan.audio.info import BLOCK_FRAMES, SoundSource
from roomplan.errors import AudioError, ReportError, RoomplanError
from roomplan.files.names import is_inner_path
from roomplan.files.real_path import real_path
from roomplan.frozen_classes import frozen_class
from roomplan.plan.templates import fields_of
from roomplan.rendering.earlier_stems import PlanIdentity
from roomplan.rendering.heard import LONGEST_FADE_S
from roomplan.report_file import REPORT_NAME, read_report

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from roomplan.rendering.heard import Output
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.session import Session

__all__ = [
    "LEFT_OVER",
    "DeliveredError",
    "Finished",
    "LeftOver",
    "examine_folder",
    "finished_delivery",
    "refuse_other_samples",
]

LEFT_OVER = "left_over"
"""Folder inside a delivery to which files go that the plan wrote earlier and writes no more."""

_MOST_NAMED = 3
_ROUNDING = 1e-6  # of a sample, −120 dBFS: less is no other mix
_REMEDY = "choose another folder, or use `--replace`"


@frozen_class
class LeftOver:
    """A file that an earlier render of the plan wrote and this one does not.

    Attributes
    ----------
    file : str
        Where it is once this render is in place.
    was : str or None
        Where it was before, when this render moves it; None: it stays.
    bus, digest : str or None
        What the earlier report says of it.
    size : int or None
        Bytes, as the earlier report says.
    """

    file: str
    was: str | None
    bus: str | None
    digest: str | None
    size: int | None


@frozen_class
class _Earlier:
    """A report that is in a folder."""

    plan: PlanIdentity
    title: str
    version: str | None
    duration_s: float | None
    excerpt: bool
    files: dict[str, LeftOver]


class DeliveredError(RoomplanError):
    """A finished delivery of this version holds other samples; `folders` has the place of each by name."""

    def __init__(self, what: str, *, remedy: str, folders: Mapping[str, Path]) -> None:
        super().__init__(what, remedy=remedy)
        self.folders = folders


@frozen_class
class Finished:
    """What is in a folder of a delivery of the plan's version.

    Attributes
    ----------
    digests : dict
        File that is to be written again → SHA-256 of the samples it holds.
    """

    folder: Path
    digests: dict[str, str]


def examine_folder(
    session: Session,
    folder: Path,
    files: Collection[str],
    *,
    digest: str | None,
    complete: bool,
    replace: bool,
) -> tuple[LeftOver, ...]:
    """Refuse to replace what is not this plan's, and say what an earlier render left over.

    Parameters
    ----------
    folder : Path
        Of a delivery, or one that holds several.
    files : collection of str
        What is going to be written there, beside the report.
    digest : str or None
        From `plan_digest`.
    complete : bool
        Whether everything that the delivery names is written: then what is left over goes to `LEFT_OVER`.
        Files of another `version` stay, for two versions may share a folder; so do files that have changed
        in size since.
    replace : bool
        Whether files of others may be replaced.

    Raises
    ------
    RoomplanError
        The folder holds the render of another plan, or of the whole cue where an excerpt is to be written; a
        file stands in the way that no report of this plan lists; the report cannot be read.
    """
    report = folder / REPORT_NAME
    earlier = _read_report(report)
    ours = earlier is not None and earlier.plan.is_of(session, digest)
    if not replace:
        if earlier is None and os.path.lexists(report):
            raise RoomplanError(f"{report}: is in the way and is not the report of a render", remedy=_REMEDY)
        if earlier is not None and not ours:
            raise RoomplanError(f"{folder}: holds {_described(earlier, session)}", remedy=_REMEDY)
        if earlier is not None and session.excerpt is not None and not earlier.excerpt:
            raise RoomplanError(
                f"{folder}: holds the whole cue, and an excerpt of it would take its place", remedy=_REMEDY
            )
        listed = earlier.files if earlier is not None else {}
        strangers = [file for file in files if file not in listed and os.path.lexists(folder / file)]
        if strangers:
            more = f" and {len(strangers) - 1} more" if len(strangers) > 1 else ""
            raise RoomplanError(
                f"{folder}: {strangers[0]}{more} would be replaced, but no render of this plan wrote it",
                remedy=_REMEDY,
            )
    if earlier is None or not ours:
        return ()
    moves = complete and earlier.version == session.plan.version
    return tuple(_left_over(folder, files, earlier, moves=moves))


def finished_delivery(
    session: Session, target: DeliveryTarget, files: Collection[str], *, digest: str | None
) -> Finished | None:
    """Find what there is of a delivery of the plan's version where a target goes.

    Parameters
    ----------
    files : collection of str
        What is going to be written there.
    digest : str or None
        From `plan_digest`.

    Returns
    -------
    Finished or None
        None for a plan without a version, and for an excerpt: neither is anything finished.

    Notes
    -----
    Where the names of files carry the version, those of an earlier one may be in the folder of a later
    one: the later report lists them, and they are as finished as before.
    """
    plan, earlier = session.plan, _read_report(target.folder / REPORT_NAME)
    if plan.version is None or session.excerpt is not None or earlier is None or earlier.excerpt:
        return None
    in_names = "version" in fields_of(target.delivery.file_name or "")
    if not earlier.plan.is_of(session, digest) or not (in_names or earlier.version == plan.version):
        return None
    wanted = set(files)
    digests = {
        file: entry.digest
        for file, entry in earlier.files.items()
        if entry.digest is not None and file in wanted and (target.folder / file).is_file()
    }
    return Finished(target.folder, digests) if digests else None


def refuse_other_samples(
    session: Session, finished: Mapping[str, Finished], outputs: Mapping[str, Sequence[Output]]
) -> None:
    """Refuse to replace files of a finished delivery by other samples.

    Parameters
    ----------
    finished : mapping
        Delivery → what is there already.
    outputs : mapping
        Bus → the files that would replace it, complete.

    Raises
    ------
    DeliveredError
        Names the version and the files: those with other samples, and those that only have another length,
        with both lengths.
    """
    differing: list[tuple[Path, Output, _Difference]] = []
    for group in outputs.values():
        for output in group:
            there = finished.get(output.delivery)
            before = there.digests.get(output.file) if there is not None else None
            if there is not None and before is not None and before != output.digest:
                differing.append((there.folder, output, _difference(there.folder / output.file, output)))
    if not differing:
        return
    kinds: dict[str, list[str]] = {}
    for _, output, difference in differing:
        kinds.setdefault(difference.words, []).append(output.file)
    found = "; ".join(f"{words} in {_some_of(files)}" for words, files in kinds.items())
    raise DeliveredError(
        f"{differing[0][0]}: holds the finished version {session.plan.version}, with {found}",
        remedy="use `--replace`, or raise `version` in the plan (`--bump` does that)",
        folders={output.delivery: folder for folder, output, _ in differing},
    )


@frozen_class
class _Difference:
    """How a finished file differs from the one that would replace it."""

    same_so_far: bool  # ahead of the end of the shorter one
    lengths_s: tuple[float, float] | None  # finished and new; None where they are equal

    @property
    def words(self) -> str:
        """What differs."""
        if self.lengths_s is None:
            return "different samples"
        before, after = self.lengths_s
        length = f"another length ({before:.2f} s, now {after:.2f} s)"
        return f"only {length}" if self.same_so_far else f"different samples and {length}"


def _difference(file: Path, output: Output) -> _Difference:
    """Compare a finished file with a new one of another digest; one that cannot be read has other samples."""
    try:
        with SoundSource(file) as old, SoundSource(output.path) as new:
            rate = old.info.sample_rate
            if old.info.frames == new.info.frames and rate == new.info.sample_rate:
                return _Difference(same_so_far=False, lengths_s=None)
            lengths = (old.info.frames / rate, new.info.frames / new.info.sample_rate)
            alike = (rate, old.info.channels) == (new.info.sample_rate, new.info.channels)
            depth = output.form.bit_depth
            step = 0.0 if depth == "32f" else 1.01 / 2.0 ** (depth - 1)
            return _Difference(same_so_far=alike and _begin_alike(old, new, step=step), lengths_s=lengths)
    except AudioError:
        return _Difference(same_so_far=False, lengths_s=None)


def _begin_alike(first: SoundSource, second: SoundSource, *, step: float) -> bool:
    """Tell whether two files of one rate hold the same sound ahead of the fade of the shorter one.

    Another length is convolved on another grid of blocks, which moves the last bits.
    """
    frames = min(first.left, second.left)
    frames -= min(frames // 2, round(LONGEST_FADE_S * first.info.sample_rate))
    blocks = np.empty((2, BLOCK_FRAMES, first.info.channels))
    while frames:
        part = blocks[:, : min(frames, BLOCK_FRAMES)]
        first.read_into(part[0])
        second.read_into(part[1])
        if np.abs(part[0] - part[1]).max() > max(_ROUNDING, step):
            return False
        frames -= part.shape[1]
    return True


def _some_of(files: Sequence[str]) -> str:
    more = f" and {len(files) - _MOST_NAMED} more" if len(files) > _MOST_NAMED else ""
    return f"{', '.join(files[:_MOST_NAMED])}{more}"


def _left_over(folder: Path, files: Collection[str], earlier: _Earlier, *, moves: bool) -> list[LeftOver]:
    found = []
    taken = set(files)
    for file, entry in earlier.files.items():
        place = folder / file
        if file in files or not _is_own_file(place):
            continue
        unchanged = entry.size is not None and place.stat().st_size == entry.size
        inside = real_path(place).is_relative_to(real_path(folder))
        if moves and unchanged and inside and not file.startswith(f"{LEFT_OVER}/"):
            to = _free_place(folder, f"{LEFT_OVER}/{file}", taken)
            taken.add(to)
            found.append(LeftOver(to, file, entry.bus, entry.digest, entry.size))
        else:
            found.append(entry)
    return found


def _is_own_file(place: Path) -> bool:
    """Whether a file and no link is there; a name that the file system refuses is none."""
    try:
        return place.is_file() and not place.is_symlink()
    except OSError:
        return False


def _free_place(folder: Path, file: str, taken: Collection[str]) -> str:
    """Return the place, or the first numbered one where nothing is: nothing is replaced there."""
    path = PurePosixPath(file)
    number, place = 1, file
    while place in taken or os.path.lexists(folder / place):
        number += 1
        place = str(path.with_name(f"{path.stem}_{number}{path.suffix}"))
    return place


def _described(earlier: _Earlier, session: Session) -> str:
    """Say in a few words what another render is."""
    name = earlier.title
    name += f", cue {earlier.plan.cue}" if earlier.plan.cue is not None else ""
    name += f", version {earlier.version}" if earlier.version is not None else ""
    files = f"{len(earlier.files)} file{'' if len(earlier.files) == 1 else 's'}"
    length = "" if earlier.duration_s is None else f" of {earlier.duration_s:.1f} s"
    if earlier.plan.is_at(session):
        return f"an earlier cue of this plan: {name} ({files}{length})"
    return f"the render of another plan: {name} ({earlier.plan.file}, {files}{length})"


def _read_report(path: Path) -> _Earlier | None:
    """Return the report at a path; None when there is none, or it is not one."""
    try:
        document = read_report(path).document
    except ReportError:
        return None
    files: dict[str, LeftOver] = {}
    # The files of a report that covers several deliveries are those of their own reports.
    if document.get("delivery", "") is not None:
        for entry in (*document["files"], *document.get("left_over", ())):
            found = _file_entry(entry)
            if found is not None:
                files[found.file] = found
    return _Earlier(
        plan=PlanIdentity(document["plan"], document.get("plan_sha256"), document.get("cue")),
        title=document["title"],
        version=document.get("version"),
        duration_s=document.get("duration_s"),
        excerpt=document.get("excerpt") is not None,
        files=files,
    )


def _file_entry(entry: Mapping[str, Any]) -> LeftOver | None:
    """Return a file that a report lists; None for what is no file inside the folder."""
    file = entry["file"]
    if not is_inner_path(file):
        return None
    return LeftOver(
        PurePosixPath(file).as_posix(),
        None,
        entry.get("bus"),
        entry.get("samples_sha256"),
        entry.get("bytes"),
    )
