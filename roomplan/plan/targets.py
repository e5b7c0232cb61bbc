"""What a plan is to reach: its targets, and how far its levels may be moved for them.

Conventions
-----------
A target holds one wish. Levels in decibels, times in seconds (centre times are in milliseconds in the
file), definition and speech index as shares from 0 to 1. Buses are named as in reports: `section:choir`,
`group:strings`.

Sources
-------
Tolerances that are not written are half a just-noticeable difference where ISO 3382-1:2009, Table A.1, has
one (C80 1 dB, D50 0.05, centre time 10 ms, decay 5 %; from memory), and a whole one for the speech index,
whose noise is an estimate (0.03: IEC 60268-16, from memory); those of levels are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from roomplan.errors import Place
    from roomplan.plan.bus_name import BusName

__all__ = [
    "DEFAULT_LEVELS_DB",
    "DEFAULT_SENDS_DB",
    "WISHES",
    "BalanceLimits",
    "Band",
    "Target",
    "Wish",
    "WishKind",
]

Band = Literal["full", "speech"]
WishKind = Literal[
    "wet_to_dry",
    "margin",
    "share",
    "least_c80",
    "least_d50",
    "least_sti",
    "longest_centre_time",
    "longest_wet_decay",
    "true_peak",
    "loudness",
]

# What the solver may set where the plan does not say: sends in dB, changes of a section's level in dB (common
# practice, no source).
DEFAULT_SENDS_DB = (-40.0, 0.0)
DEFAULT_LEVELS_DB = (-6.0, 6.0)


@frozen_class
class Wish:
    """One kind of wish: what it needs beside its value, and how it is judged.

    Attributes
    ----------
    sense : "equal", "least" or "most"
        On which side of the value a figure misses it.
    unit : str
        As figures of this kind are printed.
    scale : float
        From the number in the file to the value.
    tolerance : float
        Where none is written, in the unit of the value; a share of the value when `relative`.
    needs, takes : tuple of str
        Keys that must and that may be beside it.
    """

    sense: Literal["equal", "least", "most"]
    unit: str
    tolerance: float
    needs: tuple[str, ...] = ("of",)
    takes: tuple[str, ...] = ()
    scale: float = 1.0
    relative: bool = False
    sections_only: bool = False


WISHES: dict[WishKind, Wish] = {
    "wet_to_dry": Wish("equal", "dB", 0.5),
    "margin": Wish("least", "dB", 0.5, needs=("of", "over"), takes=("band", "passage")),
    "share": Wish("equal", "dB", 0.5, needs=("of", "room")),
    "least_c80": Wish("least", "dB", 0.5, sections_only=True),
    "least_d50": Wish("least", "", 0.025, sections_only=True),
    "least_sti": Wish("least", "", 0.03, sections_only=True),
    "longest_centre_time": Wish("most", "ms", 0.005, scale=0.001, sections_only=True),
    "longest_wet_decay": Wish("most", "s", 0.025, relative=True, sections_only=True),
    "true_peak": Wish("most", "dBTP", 0.0, needs=()),
    "loudness": Wish("equal", "LUFS", 0.1, needs=()),
}


@frozen_class
class Target:
    """One wish of a plan.

    Attributes
    ----------
    kind : str
        Key of `WISHES`.
    value : float
        What is wanted.
    tolerance : float
        How far a figure may be from it and still count as met.
    weight : float
        Weight against other targets, where not all can be met.
    of, over : str or None
        Bus names; None where the wish is about the mix.
    band : "full" or "speech"
    """

    kind: WishKind
    value: float
    tolerance: float
    weight: float
    of: BusName | None
    over: BusName | None
    room: str | None
    band: Band
    passage: str | None
    place: Place

    @property
    def wish(self) -> Wish:
        """What its kind says."""
        return WISHES[self.kind]

    def miss(self, value: float) -> float:
        """How far a figure is from what is wanted, on the side that counts; 0 or more."""
        above = value - self.value
        return {"equal": abs(above), "least": max(0.0, -above), "most": max(0.0, above)}[self.wish.sense]

    def met_by(self, value: float) -> bool:
        """Whether a figure is within the tolerance."""
        return bool(self.miss(value) <= self.tolerance + 1e-9)


@frozen_class
class BalanceLimits:
    """What may be moved for the targets.

    Attributes
    ----------
    sends_db : tuple of two floats
        Between which a send may be set.
    levels_db : tuple of two floats
        Between which a section's level may be changed, dB against the written one.
    locked : tuple of str
        Sections that keep their level and sends.
    linked : tuple of tuples of str
        Sections that move together: one shift per room, one change of level.
    """

    sends_db: tuple[float, float] = DEFAULT_SENDS_DB
    levels_db: tuple[float, float] = DEFAULT_LEVELS_DB
    locked: tuple[str, ...] = ()
    linked: tuple[tuple[str, ...], ...] = ()
