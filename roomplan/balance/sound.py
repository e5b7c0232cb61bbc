"""Targets that the sound decides: wet-to-dry, shares of rooms and margins, as ratios of quadratic forms.

Conventions
-----------
A step is 100 ms, five hops: blocks, gates and windows of BS.1770 and of margins begin on steps. Per step and
bus, Gᵢⱼ over the bus's components; the power of the step is gᵀGg. What a gate lets pass, or the windows about
a percentile, is a weight for each step, so a target is 10 lg(gᵀAg) − 10 lg(gᵀBg) with two small matrices, as
long as the gates stay where they are. They are looked at anew with every `SoundModel.evaluate`.

Gains g are those of the record's components over the gains they were measured at.

Sources
-------
As in `loudness.gating` and `loudness.margins`, whose functions judge gates and figures here too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.margins import margin_of_hops, passage_hops
from roomplan.loudness.meter import passing_blocks, why_nothing_passes
from roomplan.plan.bus_name import BusName

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.balance.record import Record
    from roomplan.plan.model import Passage, Plan
    from roomplan.plan.targets import Target
    from roomplan.session.buses import Component
    from roomplan.session.session import Session

__all__ = ["PowerRatio", "SoundFigure", "SoundModel", "members_of_bus", "why_silent"]

SOUND_KINDS = ("wet_to_dry", "share", "margin")

_STEP_HOPS = 5
_BLOCK_STEPS = 4
_WINDOW_STEPS = 30
_SURPLUS_STEPS = (_WINDOW_STEPS - _BLOCK_STEPS) // 2
_LOW_SHARE = 0.10  # the percentile of a margin
# Share of the windows on either side of the percentile whose mean stands for it between two looks: one window
# alone would hand over to the next with every tenth of a dB.
_NEIGHBOURS = 0.03
_STEPS_AT_ONCE = 20  # 100 hops of 84 components: 3 MB, which stay in the core's own cache


@dataclass(frozen=True, slots=True, eq=False)
class PowerRatio:
    """10 lg(gᵀAg) − 10 lg(gᵀBg), and what has to be added to it.

    Attributes
    ----------
    above, below : tuple of (ndarray of int, ndarray)
        Components, and the matrix over them.
    """

    above: tuple[NDArray[np.intp], NDArray[np.float64]]
    below: tuple[NDArray[np.intp], NDArray[np.float64]]
    offset_db: float

    def value(self, gains: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Level difference in dB, and its derivative by the level of every component (dB per dB)."""
        total = self.offset_db
        slope = np.zeros(gains.size)
        for sign, (members, matrix) in ((1.0, self.above), (-1.0, self.below)):
            own = gains[members]
            product = matrix @ own
            power = max(float(own @ product), 1e-300)
            total += sign * 10.0 * np.log10(power)
            # d 10 lg P / d dB = (10 / ln 10) (2 g (Ag) ln 10 / 20) / P
            slope[members] += sign * own * product / power
        return total, slope


@dataclass(frozen=True, slots=True, eq=False)
class SoundFigure:
    """Figure of a target at some levels; None with a reason where it cannot be said.

    `ratio` tells how it moves as long as gates and percentiles stay.
    """

    value: float | None
    reason: str | None
    ratio: PowerRatio | None


def members_of_bus(
    components: Sequence[Component], bus: str, groups: Mapping[str, Sequence[str]]
) -> list[int]:
    """Components of `section:NAME` or `group:NAME` that are heard."""
    sections = BusName(bus).sections(groups)
    return [i for i, c in enumerate(components) if c.section in sections and not c.muted]


def why_silent(session: Session, target: Target) -> str | None:
    """Why nothing of what a target is about is heard; None where it is, or where it is about the mix."""
    if target.of is None:
        return None
    named = target.of.sections({name: group.sections for name, group in session.plan.groups.items()})
    present = [section for section in session.sections if section.name in named]
    if not present:
        return "none of its stems is in this cue"
    return "muted" if all(section.muted for section in present) else None


@dataclass(frozen=True, slots=True, eq=False)
class _Bus:
    """Cross powers of a bus per step; `counts` are the hops in each step."""

    members: NDArray[np.intp]
    grams: NDArray[np.float32]
    counts: NDArray[np.intp]

    def power(self, gains: NDArray[np.float64]) -> NDArray[np.float64]:
        """Power per step."""
        own = gains[self.members]
        size = own.size
        # one product of a matrix and a vector: `einsum` takes twice as long
        inner = (self.grams.reshape(-1, size) @ own.astype(np.float32)).reshape(-1, size)
        return np.maximum(np.einsum("si,i->s", inner.astype(np.float64), own), 0.0)

    def only(self, chosen: NDArray[np.bool_]) -> _Bus:
        """Bus of some of its components."""
        return _Bus(self.members[chosen], self.grams[:, chosen][:, :, chosen], self.counts)

    def hops(self, power: NDArray[np.float64]) -> NDArray[np.float64]:
        """Powers per step as per hop: blocks and windows that begin on steps cannot tell."""
        return np.repeat(power / self.counts, self.counts)

    def weighted(self, weights: NDArray[np.float64]) -> NDArray[np.float64]:
        """Σ weight × G over the steps."""
        steps = np.flatnonzero(weights)
        # in the shape of a product of matrices: twice as fast as `einsum`
        size = self.members.size
        rows = self.grams[steps].reshape(steps.size, size * size)
        return (weights[steps].astype(np.float32) @ rows).astype(np.float64).reshape(size, size)


class SoundModel:
    """Wet-to-dry, shares and margins of a session at any levels.

    Parameters
    ----------
    plan : Plan
        Its groups and passages.
    targets : sequence of Target
        Of the kinds `SOUND_KINDS`; others are left out.

    Notes
    -----
    Memory: 4 bytes × steps × components² for each bus that is named: 0.6 MB for a section of 7 components and
    5 minutes, 21 MB for a group of 42. float32 leaves a floor at −70 dB of the components added in phase: far
    under any target, and what is promised in the end is computed without it.
    """

    def __init__(self, record: Record, plan: Plan, targets: Sequence[Target], *, sample_rate: int) -> None:
        self._components = record.components
        self._order = record.order
        self._sample_rate = sample_rate
        self._groups = {name: group.sections for name, group in plan.groups.items()}
        self._passages = plan.passages
        self._hops = record.hops
        self._buses: dict[tuple[str, str, str | None], _Bus] = {}
        self._split: dict[Target, tuple[_Bus, _Bus] | str] = {}
        self._gated: dict[Target, tuple[NDArray[np.bool_], PowerRatio]] = {}
        wanted: dict[tuple[str, str | None], list[str]] = {}
        for target in targets:
            if target.kind not in SOUND_KINDS or target.of is None:
                continue
            for bus in (target.of, target.over):
                if bus is not None:
                    wanted.setdefault((target.band, target.passage), []).append(bus)
            if target.band == "speech":  # the gates are those of loudness
                wanted.setdefault(("full", target.passage), []).append(target.of)
        for (band, passage), names in wanted.items():
            factor = (
                record.speech_band if band == "speech" and record.speech_band is not None else record.factor
            )
            self._gather(factor, band, passage, list(dict.fromkeys(names)))

    def _gather(self, factor: NDArray[np.float32], band: str, passage: str | None, names: list[str]) -> None:
        members = [
            np.array(members_of_bus(self._components, name, self._groups), dtype=np.intp) for name in names
        ]
        span = slice(0, self._hops)
        if passage is not None:
            found: Passage = self._passages[passage]
            span = passage_hops(found.start_s, found.end_s, self._hops)
        grams = _step_grams(factor, len(self._components), [self._order[m] for m in members], span)
        hops = span.stop - span.start
        counts = np.full(-(-hops // _STEP_HOPS), _STEP_HOPS, dtype=np.intp)
        if counts.size:
            counts[-1] = hops - _STEP_HOPS * (counts.size - 1)
        for name, own, gram in zip(names, members, grams, strict=True):
            self._buses[name, band, passage] = _Bus(own, gram, counts)

    def evaluate(self, target: Target, gains: NDArray[np.float64]) -> SoundFigure:
        """Figure of a target, with the gates and percentiles of these gains.

        Parameters
        ----------
        target : Target
            One of those the model was made for.
        gains : ndarray, shape (components,)
            As `Record.ratios`.
        """
        if target.kind == "margin":
            return self._margin(target, gains)
        return self._wet_to_dry(target, gains)

    def _wet_to_dry(self, target: Target, gains: NDArray[np.float64]) -> SoundFigure:
        sides = self._sides(target)
        if isinstance(sides, str):
            return SoundFigure(None, sides, None)
        dry, wet = sides
        power = dry.hops(dry.power(gains))
        passing = passing_blocks(power, sample_rate=self._sample_rate)
        if not passing.any():
            return SoundFigure(None, why_nothing_passes("the dry sound", power), None)
        # sends move no gate: the matrices are the same until a level takes a block over one
        known = self._gated.get(target)
        if known is None or not np.array_equal(known[0], passing):
            weights = np.zeros(dry.counts.size)
            for shift in range(_BLOCK_STEPS):
                weights[shift : shift + passing.size] += passing
            ratio = PowerRatio(
                (wet.members, wet.weighted(weights)), (dry.members, dry.weighted(weights)), 0.0
            )
            known = self._gated[target] = (passing, ratio)
        ratio = known[1]
        own = gains[wet.members]
        if float(own @ ratio.above[1] @ own) <= 0.0:
            return SoundFigure(None, "nothing comes back from the rooms", None)
        return SoundFigure(ratio.value(gains)[0], None, ratio)

    def _sides(self, target: Target) -> tuple[_Bus, _Bus] | str:
        """Dry and wet of a target, or why it has not both."""
        if target not in self._split:
            bus = self._buses[target.of or "", "full", target.passage]
            kinds = [self._components[i] for i in bus.members]
            dry = np.array([c.send is None for c in kinds], dtype=bool)
            wet = np.array([c.send is not None and target.room in {None, c.room} for c in kinds], dtype=bool)
            self._split[target] = (bus.only(dry), bus.only(wet)) if dry.any() else "dry is off"
        return self._split[target]

    def _margin(self, target: Target, gains: NDArray[np.float64]) -> SoundFigure:
        of, over = (self._buses[bus or "", target.band, target.passage] for bus in (target.of, target.over))
        of_power, over_power = of.power(gains), over.power(gains)
        gate = of.hops(of_power)
        if target.band == "speech":
            loud = self._buses[target.of or "", "full", target.passage]
            gate = loud.hops(loud.power(gains))
        figure = margin_of_hops(
            of.hops(of_power), over.hops(over_power), sample_rate=self._sample_rate, gate_sums=gate
        )
        if figure.margin_db is None:
            return SoundFigure(None, figure.reason, None)
        weights = _percentile_weights(
            of_power, over_power, passing_blocks(gate, sample_rate=self._sample_rate)
        )
        if weights is None:
            return SoundFigure(figure.margin_db, figure.reason, None)
        return SoundFigure(
            figure.margin_db,
            figure.reason,
            _ratio_at(
                figure.margin_db,
                gains,
                (of.members, of.weighted(weights[0])),
                (over.members, over.weighted(weights[1])),
            ),
        )


def _ratio_at(
    value: float,
    gains: NDArray[np.float64],
    above: tuple[NDArray[np.intp], NDArray[np.float64]],
    below: tuple[NDArray[np.intp], NDArray[np.float64]],
) -> PowerRatio:
    """Ratio that has the given value at the given gains."""
    bare = PowerRatio(above, below, 0.0)
    return PowerRatio(above, below, value - bare.value(gains)[0])


def _percentile_weights(
    of_power: NDArray[np.float64], over_power: NDArray[np.float64], heard: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Weights of the steps for `of` and `over`: the windows about the percentile, each at its own level.

    None where the percentile is no finite margin.
    """
    padded = [np.pad(power, _SURPLUS_STEPS) for power in (of_power, over_power)]
    blocks = np.flatnonzero(heard)
    of, over = (
        np.lib.stride_tricks.sliding_window_view(p, _WINDOW_STEPS).sum(axis=1)[blocks] for p in padded
    )
    either = (of > 0.0) | (over > 0.0)
    blocks, of, over = blocks[either], of[either], over[either]
    with np.errstate(divide="ignore"):
        margins = 10.0 * np.log10(of) - 10.0 * np.log10(over)
    order = np.argsort(margins, kind="stable")
    rank = int((order.size - 1) * _LOW_SHARE + 0.5)
    reach = min(round(_NEIGHBOURS * order.size), rank, order.size - 1 - rank)
    chosen = order[rank - reach : rank + reach + 1]
    chosen = chosen[np.isfinite(margins[chosen])]
    if not chosen.size:
        return None
    weights = []
    for power in (of, over):
        total = np.zeros(padded[0].size)
        for step in range(_WINDOW_STEPS):
            np.add.at(total, blocks[chosen] + step, 1.0 / power[chosen])
        weights.append(total[_SURPLUS_STEPS : _SURPLUS_STEPS + of_power.size] / chosen.size)
    return weights[0], weights[1]


def _step_grams(
    factor: NDArray[np.float32],
    components: int,
    members: Sequence[NDArray[np.intp]],
    span: slice,
) -> list[NDArray[np.float32]]:
    """G per step of several sets of components, shape (steps, members, members), reading the factor once."""
    hops = span.stop - span.start
    steps = -(-hops // _STEP_HOPS)
    grams = [np.zeros((steps, own.size, own.size), dtype=np.float32) for own in members]
    columns = np.unique(np.concatenate([np.empty(0, dtype=np.intp), *members]))
    if not columns.size or not hops:
        return grams
    places = [np.searchsorted(columns, own) for own in members]
    rows = int(columns[-1]) + 1
    starts = [row * components - row * (row - 1) // 2 for row in range(rows)]
    first = [int(np.searchsorted(columns, row)) for row in range(rows)]  # columns left of the row are zero
    dense = np.zeros((_STEPS_AT_ONCE * _STEP_HOPS, rows, columns.size), dtype=np.float32)
    every = columns.size == rows  # a slice is copied twice as fast as columns that are picked
    for begin in range(0, steps, _STEPS_AT_ONCE):
        start = span.start + begin * _STEP_HOPS
        part = np.asarray(factor[start : min(start + _STEPS_AT_ONCE * _STEP_HOPS, span.stop)])
        whole = -(-len(part) // _STEP_HOPS)
        dense[len(part) : whole * _STEP_HOPS] = 0.0
        for row in range(rows):
            if every:
                chosen = slice(starts[row], starts[row] + rows - row)
            else:
                chosen = starts[row] + columns[first[row] :] - row
            dense[: len(part), row, first[row] :] = part[:, chosen]
        stacked = dense[: whole * _STEP_HOPS].reshape(whole, _STEP_HOPS * rows, columns.size)
        # one product of everything: several small ones take longer
        product = np.matmul(stacked.transpose(0, 2, 1), stacked)
        for gram, place in zip(grams, places, strict=True):
            gram[begin : begin + whole] = product[:, place[:, None], place[None, :]]
    return grams
