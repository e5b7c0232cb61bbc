"""What a session reaches of its targets, judged in full: nothing here is solved, nothing is approximated.

Conventions
-----------
Loudness figures come from the cross powers of a pass (`loudness.cross_powers`): exact at any level.
Composites are built and measured as for every report (`rendering.bus_figures`). A value is in the unit of its
target: dB, LUFS, dBTP, seconds, or a share from 0 to 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.balance.decay_figures import CLARITY_KINDS, figure_of_decay
from roomplan.balance.sound import SOUND_KINDS, members_of_bus, why_silent
from roomplan.files.digests import digest_of
from roomplan.frozen_classes import frozen_class
from roomplan.loudness.cross_powers import CrossPowers
from roomplan.loudness.margins import margin_of_hops, passage_hops
from roomplan.loudness.meter import loudness_of_hops
from roomplan.plan.bus_name import BusName
from roomplan.rendering.bus_figures import power_ratio
from roomplan.rendering.composite_parts import composite_digest
from roomplan.rendering.kept_decays import MeasuredDecay

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.figures import DecayFigures
    from roomplan.balance.record import Record
    from roomplan.balance.speech import SpeechModel
    from roomplan.plan.targets import Target
    from roomplan.rendering.kept_decays import KeptDecays
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

__all__ = ["TargetResult", "judged", "mix_loudness", "results_at"]


@frozen_class
class TargetResult:
    """A target and what there is of it.

    Attributes
    ----------
    value : float or None
        None where it cannot be said.
    met : bool
        Within its tolerance. A limit that nothing can break, such as the clarity of a section without any
        send, is kept although there is no figure.
    reason : str or None
        Why there is no figure, or what is to be known about it.
    """

    target: Target
    value: float | None
    met: bool
    reason: str | None

    @property
    def miss(self) -> float | None:
        """How far the value is from the wish, in its unit; None without a value."""
        return None if self.value is None else self.target.miss(self.value)


def judged(target: Target, value: float | None, reason: str | None, *, absent: bool) -> TargetResult:
    """Judge a figure; `absent`: what the target is about is not there, so nothing is unclear or rings on."""
    if value is not None:
        return TargetResult(target, value, target.met_by(value), reason)
    return TargetResult(target, None, absent, reason)


def results_at(
    session: Session,
    targets: Sequence[Target],
    record: Record,
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    true_peak: float | None,
    speech: SpeechModel | None,
    kept: KeptDecays | None = None,
) -> tuple[TargetResult, ...]:
    """Every target at the levels of a session.

    Parameters
    ----------
    record : Record
        Of a pass over the same sounds, at any levels.
    matrices : mapping
        Response matrix of every send.
    true_peak : float or None
        Of the mix at these levels, linear; None where no pass has measured it.
    speech : SpeechModel or None
        Where a target asks for the speech index.
    kept : KeptDecays, optional
        What was found of decays before.
    """
    sums = _Sums(session, targets, record)
    decays: dict[str, DecayFigures | None] = {}
    found = []
    for target in targets:
        name = "" if target.of is None else target.of.subject
        silent, absent = why_silent(session, target), False
        if silent is not None:
            value, reason = None, silent
        elif target.kind in SOUND_KINDS:
            value, reason = _of_sound(session, target, sums)
        elif target.kind == "loudness":
            loudness = loudness_of_hops(sums.of("mix", "full"), sample_rate=session.sample_rate)
            value, reason = loudness.integrated_lufs, loudness.reasons.get("integrated_lufs")
        elif target.kind == "true_peak":
            value, reason = _peak_level(true_peak)
        elif target.kind in CLARITY_KINDS:
            if name not in decays:
                decays[name] = _decay(session, name, matrices, kept)
            figure = figure_of_decay(decays[name], target.kind)
            value, reason, absent = figure.value, figure.reason, figure.absent
        else:
            assert speech is not None  # noqa: S101 - for the type checker
            value, reason = speech.index_at(target, session)
        found.append(judged(target, value, reason, absent=absent))
    return tuple(found)


def mix_loudness(session: Session, record: Record) -> float | None:
    """Integrated loudness of the mix at the levels of a session, LUFS; None for silence."""
    sums = _Sums(session, (), record, mix=True)
    return loudness_of_hops(sums.of("mix", "full"), sample_rate=session.sample_rate).integrated_lufs


def _peak_level(true_peak: float | None) -> tuple[float | None, str | None]:
    if true_peak is None:
        return None, "peaks need a new pass over the sound at these levels"
    if true_peak <= 0.0:
        return None, "the mix is silent"
    return 20.0 * float(np.log10(true_peak)), None


def _decay(
    session: Session,
    name: str,
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    kept: KeptDecays | None,
) -> DecayFigures | None:
    """Figures of a section's composite; None where no send is in use."""
    section, rate = session.section(name), session.sample_rate
    digest = composite_digest(section, matrices, sample_rate=rate, frames=0)
    if digest is None:
        return None
    digest = digest_of("mid octaves", digest)
    known = None if kept is None else kept.decay(digest)
    if known is not None:
        return known.decay
    from roomplan.rendering.composites import mid_decay_of_section  # not loaded where nothing is measured

    found = mid_decay_of_section(section, matrices, sample_rate=rate)
    if kept is not None:
        kept.add({digest: MeasuredDecay(found, None, None, None)}, {})
    return found


def _of_sound(session: Session, target: Target, sums: _Sums) -> tuple[float | None, str | None]:
    if target.kind != "margin":
        if not sums.has_dry(target.of or ""):
            return None, "dry is off"
        return power_ratio(
            sums.of(target.of or "", "full", _wet_side(target)),
            sums.of(target.of or "", "full", "dry"),
            sample_rate=session.sample_rate,
        )
    hops = slice(None)
    if target.passage is not None:
        passage = session.plan.passages[target.passage]
        hops = passage_hops(passage.start_s, passage.end_s, sums.hops)
    figure = margin_of_hops(
        sums.of(target.of or "", target.band)[hops],
        sums.of(target.over or "", target.band)[hops],
        sample_rate=session.sample_rate,
        gate_sums=sums.of(target.of or "", "full")[hops],
    )
    return figure.margin_db, figure.reason


def _wet_side(target: Target) -> str:
    return BusName("wet") if target.room is None else BusName.of_room(target.room)


class _Sums:
    """Power per hop of everything some targets ask for, each band read once."""

    def __init__(
        self, session: Session, targets: Sequence[Target], record: Record, *, mix: bool = False
    ) -> None:
        self._components = record.components
        self._groups = {name: group.sections for name, group in session.plan.groups.items()}
        self.hops = record.hops
        wanted: dict[str, dict[tuple[str, str], list[int]]] = {"full": {}, "speech": {}}
        if mix or any(target.kind == "loudness" for target in targets):
            every = [i for i, c in enumerate(self._components) if not c.muted]
            wanted["full"]["mix", ""] = every
        for target in targets:
            if target.kind == "margin":
                for bus in (target.of or "", target.over or ""):
                    wanted[target.band][bus, ""] = self._members(bus)
                wanted["full"][target.of or "", ""] = self._members(target.of or "")
            elif target.kind in SOUND_KINDS:
                members = self._members(target.of or "")
                kinds = [self._components[i] for i in members]
                dry = [i for i, c in zip(members, kinds, strict=True) if c.send is None]
                wet = [i for i, c in zip(members, kinds, strict=True) if c.send is not None]
                if target.room is not None:
                    wet = [i for i in wet if self._components[i].room == target.room]
                wanted["full"][target.of or "", "dry"] = dry
                wanted["full"][target.of or "", _wet_side(target)] = wet
        ratios = record.ratios(session)
        self._sums: dict[tuple[str, str, str], NDArray[np.float64]] = {}
        for band, factor in (("full", record.factor), ("speech", record.speech_band)):
            if not wanted[band] or factor is None:
                continue
            gains = np.zeros((len(wanted[band]), len(self._components)))
            for row, members in zip(gains, wanted[band].values(), strict=True):
                row[record.order[members]] = ratios[members]
            found = CrossPowers(factor).sums_many(gains)
            for (bus, side), own in zip(wanted[band], found, strict=True):
                self._sums[bus, band, side] = own

    def _members(self, bus: str) -> list[int]:
        return members_of_bus(self._components, bus, self._groups)

    def of(self, bus: str, band: str, side: str = "") -> NDArray[np.float64]:
        """Power of a bus per hop, or of its dry, its wet, or what a room returns of it."""
        return self._sums[bus, band, side]

    def has_dry(self, bus: str) -> bool:
        """Whether a dry sound of a bus is heard."""
        return any(self._components[i].send is None for i in self._members(bus))
