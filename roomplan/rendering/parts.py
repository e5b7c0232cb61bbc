"""What a component is without its level.

Conventions
-----------
A *part* is who plays what through which response. Its identity is a digest of the content and place of every
stem and of the response as used: it is never out of date.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from roomplan.files.digests import digest_of
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from roomplan.session.buses import Component
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

__all__ = ["Part", "parts_of"]


@frozen_class
class Part:
    """One component: what it is, as a digest, and its gain in the mix."""

    identity: str
    gain: float


def parts_of(
    session: Session,
    components: Sequence[Component],
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    digest: Callable[[Path], str],
) -> tuple[Part, ...]:
    """Identity and gain of every component.

    Parameters
    ----------
    session, components, matrices
        As in `one_pass.hear`.
    digest : callable
        Content of a file → digest (`FileNotes.digest`).

    Raises
    ------
    AudioError
        A stem cannot be read, or is not the one that the session was opened with.
    """
    stems = {section.name: _stems(section, digest) for section in session.sections}
    parts = []
    for component in components:
        section = session.section(component.section)
        what: dict[str, Any] = {"section": section.name, "delay": section.delay_frames}
        if component.send is None:
            what["dry"] = [[files, dry] for files, _signal, dry in stems[section.name]]
            gain = section.dry_gain or 0.0
        else:
            matrix = matrices[section.name, component.send]
            send = section.sends[component.send]
            what |= {
                "room": send.room,
                "position": send.position,
                "signal": [[files, signal] for files, signal, _dry in stems[section.name]],
                "sums": matrix.sums,
                "response": matrix.identity,
            }
            gain = send.gain
        parts.append(Part(digest_of(what), gain))
    return tuple(parts)


def _stems(
    section: SectionSource, digest: Callable[[Path], str]
) -> list[tuple[list[str | int], list[list[float]], list[list[float]]]]:
    """Content and place of each stem, and the matrices into the section's signal and its dry path."""
    found = []
    for path in section.stems:
        content = [path.offset_frames, *(digest(file) for file in path.stem.files)]
        path.stem.require_unchanged()
        found.append((content, path.signal.tolist(), path.dry.tolist()))
    return found
