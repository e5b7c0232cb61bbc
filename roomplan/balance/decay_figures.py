"""Which figure of a decay a target is about."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from roomplan.acoustics.figures import DecayFigures
    from roomplan.plan.targets import WishKind

__all__ = ["CLARITY_KINDS", "KEY_OF_KIND", "NO_SEND", "DecayFigure", "figure_of_decay"]

CLARITY_KINDS = ("least_c80", "least_d50", "longest_centre_time", "longest_wet_decay")

NO_SEND = "the section has no send in use"

KEY_OF_KIND: dict[WishKind, str] = {
    "least_c80": "c80_db",
    "least_d50": "d50",
    "longest_centre_time": "centre_time_s",
    "longest_wet_decay": "t30_s",
}
"""Kind of a target → key of the figure that it is about."""


@frozen_class
class DecayFigure:
    """Figure of a decay, or None with its reason; `absent` where there is no such sound at all."""

    value: float | None
    reason: str | None
    absent: bool


def figure_of_decay(decay: DecayFigures | None, kind: WishKind) -> DecayFigure:
    """Figure that a target of this kind is about: seconds, dB or a share.

    Parameters
    ----------
    decay : DecayFigures or None
        Of the composite with the dry impulse in, whose decay times are those of the wet alone; None where the
        section has no send in use.
    kind : str
        One of `CLARITY_KINDS`.
    """
    if decay is None:
        return DecayFigure(None, NO_SEND, absent=True)
    key, mid = KEY_OF_KIND[kind], decay.mid
    return DecayFigure(getattr(mid, key), mid.reasons.get(key), absent=key in mid.absent)
