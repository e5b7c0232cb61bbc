"""Buses of several plans written for the ear, beside each other and in turns."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.api.side_by_side import reported_files
from roomplan.files.cache import Cache
from roomplan.files.staging import place_for_temporaries, require_writable
from roomplan.rendering.render import render_session
from roomplan.rendering.versions import Version, write_versions
from roomplan.session.output_files import DeliveryTarget

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from roomplan.api.side_by_side import Side
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.result import Rendering
    from roomplan.rendering.versions import WrittenVersion

__all__ = ["write_for_listening"]


def write_for_listening(
    folder: Path,
    buses: Sequence[str],
    sides: Sequence[Side],
    *,
    matched: bool,
    progress: Progress,
    notice: Callable[[str], None],
) -> Sequence[WrittenVersion]:
    """Write buses of each side into a folder; plans are rendered into a temporary one for it.

    Parameters
    ----------
    buses : sequence of str
        That every side has.
    matched : bool
        Whether the others are made as loud as the first.
    notice : callable
        As in `write_versions`.
    """
    require_writable(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".roomplan-", dir=place_for_temporaries(folder)) as renders:
        versions: dict[str, list[Version]] = {name: [] for name in buses}
        for number, side in enumerate(sides):
            files = (
                reported_files(side, buses)
                if side.rendering is None
                else _rendered_files(side.rendering, Path(renders) / str(number), buses, side.label, progress)
            )
            found = side.compared.document["buses"]
            loudness = {bus["name"]: bus["loudness"]["integrated_lufs"] for bus in found}
            for name in buses:
                versions[name].append(Version(side.label, name, files[name], loudness[name]))
        return write_versions(versions, folder, matched=matched, progress=progress, notice=notice)


def _rendered_files(
    rendering: Rendering, folder: Path, buses: Sequence[str], label: str, progress: Progress
) -> Mapping[str, Path]:
    """Render buses of a plan as float files, and say where they are."""
    session = rendering.session
    delivery = next(iter(session.plan.deliveries.values()))
    floats = replace(delivery, container="wav", bit_depth="32f", sample_rate=None, file_name=None)
    written = render_session(
        session,
        [DeliveryTarget(floats, folder, floats.name)],
        report=lambda _rendering, _target: "{}",
        only=buses,
        cache=Cache.open(),
        progress=lambda stage, done, total: progress(f"{label}: {stage}", done, total),
    )
    return {name: folder / written.outputs[name][0].file for name in buses}
