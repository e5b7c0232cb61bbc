"""Targets and what may be moved for them, as they are written."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from roomplan.cautions import MUSIC_ONLY
from roomplan.plan.base_shape import Shape
from roomplan.plan.names import LONGEST_NAME
from roomplan.plan.values import Choice, ListOf, MappingOf, Number, Otherwise, Text

__all__ = ["BalanceShape", "RangeShape", "TargetShape"]

# Room for the longest name and the kind that may be before it.
_BUS = Text("the name of a section or group", "choir", LONGEST_NAME + len("section:"))
_SECTION = Text("the name of a section", "choir", LONGEST_NAME)
_LEVEL = Number("dB", -60, 60, "-6")
_LOWEST = Number("dB", -120, 24, "-40")
_HIGHEST = Number("dB", -120, 24, "0")


class TargetShape(Shape):
    """One wish: exactly one of the keys that say what is wanted, and what it is about."""

    of: Annotated[str | None, _BUS, Otherwise("the mix: only for `true_peak` and `loudness`")] = Field(
        default=None, description="The section or group that the target is about."
    )
    over: Annotated[str | None, _BUS, Otherwise("`margin` needs it")] = Field(
        default=None, description="With `margin`: the section or group it should be over."
    )
    room: Annotated[
        str | None,
        Text("the name of a room", "tallowyard_stage", LONGEST_NAME),
        Otherwise("`share` needs it"),
    ] = Field(default=None, description="With `share`: the room whose return is meant.")
    band: Annotated[Literal["full", "speech"] | None, Choice(("full", "speech")), Otherwise("full")] = Field(
        default=None, description="With `margin`: the whole spectrum, or `speech`: 1 to 4 kHz."
    )
    passage: Annotated[
        str | None, Text("the name of a passage", "verse", LONGEST_NAME), Otherwise("the whole cue")
    ] = Field(default=None, description="With `margin`: in this passage only.")
    wet_to_dry: Annotated[float | None, _LEVEL] = Field(
        default=None, description="All returns of the section or group over its dry sound, dB."
    )
    margin: Annotated[float | None, _LEVEL] = Field(
        default=None, description="How far `of` should be over `over` 90 % of the time, dB."
    )
    share: Annotated[float | None, _LEVEL] = Field(
        default=None, description="What `room` returns of the section or group over its dry sound, dB."
    )
    least_c80: Annotated[float | None, Number("dB", -30, 60, "2")] = Field(
        default=None, description="Least clarity C80 of the section, dry sound included, dB."
    )
    least_d50: Annotated[float | None, Number("", 0, 1, "0.4", above=True)] = Field(
        default=None, description="Least definition D50 of the section, dry sound included."
    )
    least_sti: Annotated[float | None, Number("", 0, 1, "0.45", above=True)] = Field(
        default=None,
        description="Least speech transmission index, the other sections as noise: " + MUSIC_ONLY + ".",
    )
    longest_centre_time: Annotated[float | None, Number("ms", 0, 5000, "90", above=True)] = Field(
        default=None, description="Longest centre time of the section, dry sound included, ms."
    )
    longest_wet_decay: Annotated[float | None, Number("s", 0, 60, "2.6", above=True)] = Field(
        default=None, description="Longest T30 of all that the rooms return of the section, s."
    )
    true_peak: Annotated[float | None, Number("dBTP", -60, 24, "-1")] = Field(
        default=None, description="Ceiling of the mix's true peak, kept by `trim`, dBTP."
    )
    loudness: Annotated[float | None, Number("LUFS", -60, 0, "-23")] = Field(
        default=None, description="Integrated loudness of the mix, met by `trim` alone, LUFS."
    )
    tolerance: Annotated[
        float | None, Number("", 0, 100, "0.5", above=True), Otherwise("that of the wish, listed with it")
    ] = Field(default=None, description="How far from the target still counts as met, in its own unit.")
    weight: Annotated[float, Number("", 0, 1000, "2", above=True)] = Field(
        default=1.0, description="Weight against other targets, where not all can be met."
    )


class RangeShape(Shape):
    """Two limits; one that is not written has its default."""

    start: Annotated[float | None, _LOWEST, Otherwise("−40 for sends, −6 for levels")] = Field(
        default=None, alias="from", description="Lowest, dB."
    )
    end: Annotated[float | None, _HIGHEST, Otherwise("0 for sends, 6 for levels")] = Field(
        default=None, alias="to", description="Highest, dB."
    )


_RANGE = MappingOf("a mapping such as {from: -40, to: 0}")
_SECTIONS = ListOf("a list of section names, such as [low_strings, melody_strings]")


class BalanceShape(Shape):
    """What `roomplan balance` may move."""

    sends: Annotated[RangeShape | None, _RANGE, Otherwise("{from: -40, to: 0}")] = Field(
        default=None, description="Limits of a send, dB."
    )
    levels: Annotated[RangeShape | None, _RANGE, Otherwise("{from: -6, to: 6}")] = Field(
        default=None, description="Limits of the change of a section's level, dB."
    )
    locked: Annotated[list[Annotated[str, _SECTION]], ListOf("a list of section names, such as [brass]")] = (
        Field(default=[], description="Sections that keep their level and their sends.")
    )
    linked: Annotated[
        list[Annotated[list[Annotated[str, _SECTION]], _SECTIONS]],
        ListOf("a list of lists of sections, such as [[low_strings, melody_strings]]"),
    ] = Field(
        default=[],
        description="Sections that move together: the differences of their sends and levels stay.",
    )
