"""A session answered from an earlier pass over its sounds, or from a new one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.rendering.kept_pass import find_kept_pass, heard_from

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.rendering.bus_layout import BusLayout
    from roomplan.rendering.heard import Heard
    from roomplan.rendering.kept_pass import PassOptions
    from roomplan.session.response_matrices import ResponseMatrix

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["hear_or_recall"]


def hear_or_recall(
    layout: BusLayout, matrices: Matrices, options: PassOptions, *, peaks: bool
) -> tuple[Heard, bool]:
    """Answer from an earlier pass, or listen; and whether it was the former.

    Parameters
    ----------
    matrices : mapping of (str, int) to ResponseMatrix
        Section and number of its send → response.
    peaks : bool
        Whether an answer without peaks is none.
    """
    kept = find_kept_pass(layout, matrices, options.cache)
    if kept is not None and kept.answers is not None and (kept.is_whole or not peaks):
        return heard_from(layout, kept.answers), True
    # what is recalled is recalled without what convolves, meters and writes
    from roomplan.rendering.new_pass import hear_anew

    return hear_anew(layout, matrices, options, None, kept), False
