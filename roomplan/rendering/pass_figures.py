"""The figures of every bus and send, from the powers and peaks of a pass and the responses it used."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class
from roomplan.loudness.meter import loudness_of_hops
from roomplan.plan.bus_name import BusName
from roomplan.rendering.bus_figures import (
    NO_WIDTH,
    BusFigures,
    SectionPowers,
    decay_of_buses,
    gated_power,
    power_ratio,
)
from roomplan.rendering.finishing import decibels
from roomplan.rendering.kept_decays import KeptDecays

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.rendering.bus_figures import DecayOfBus
    from roomplan.rendering.bus_layout import BusLayout
    from roomplan.rendering.heard import Level, Powers
    from roomplan.rendering.kept_pass import PassOptions
    from roomplan.session.buses import Bus, Component
    from roomplan.session.response_matrices import ResponseMatrix

__all__ = ["SendFigures", "figures_of_buses", "figures_of_sends"]

_NO_PEAKS = "peaks need a new pass over the sound: the last one was at other levels"
_NO_SIDES = "only sections, groups and the mix have a wet and a dry side"


@frozen_class
class SendFigures:
    """What one send returns: wet over dry in dB, None with a reason where it cannot be said."""

    section: str
    send: int
    wet_to_dry_db: float | None
    reason: str | None


def figures_of_buses(
    layout: BusLayout,
    levels: Sequence[Level],
    sums: Mapping[str, NDArray[np.float64]],
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    options: PassOptions,
) -> tuple[BusFigures, ...]:
    """Figures of all buses, in their order.

    Parameters
    ----------
    levels : sequence of Level
        Peaks of every bus.
    sums : mapping of str to ndarray, shape (hops,)
        Bus → K-weighted power per 20 ms.
    matrices : mapping of (str, int) to ResponseMatrix
        Section and number of its send → response.
    """
    rate = layout.session.sample_rate
    section_powers = {
        section.name: SectionPowers(
            gated_power(sums[BusName.of_section(section.name, "dry")], sample_rate=rate),
            gated_power(sums[BusName.of_section(section.name, "wet")], sample_rate=rate),
        )
        for section in layout.session.sections
    }
    decays = decay_of_buses(
        layout.session,
        matrices,
        layout.buses,
        section_powers,
        kept=KeptDecays(
            options.cache, [m.identity for m in matrices.values()], title=layout.session.plan.title
        ),
        cache=options.cache,
        workers=options.workers,
        progress=lambda done, total: options.progress("measuring decay", done, total),
    )
    figures = []
    for level in levels:
        bus = level.bus
        loudness = loudness_of_hops(sums[bus.name], sample_rate=rate)
        peak, true_peak = decibels(level.peaks.sample), decibels(level.peaks.true)
        ratio, no_ratio = _wet_to_dry(layout, bus, sums)
        decay = decays.get(bus.name)
        reasons = dict(loudness.reasons)
        if peak is None or true_peak is None:
            no_peaks = "the bus is silent" if level.peaks.sample == 0.0 else _NO_PEAKS
            reasons |= dict.fromkeys(("sample_peak_dbfs", "true_peak_dbtp"), no_peaks)
        if no_ratio is not None:
            reasons["wet_to_dry_db"] = no_ratio
        figures.append(
            BusFigures(
                bus.name,
                loudness,
                peak,
                true_peak,
                decay.decay if decay else None,
                ratio,
                decay.wet_onset_s if decay else None,
                decay.decay_to_minus_40_s if decay else None,
                decay.late_correlation if decay else None,
                _with_reasons_of_decay(reasons, decay),
            )
        )
    return tuple(figures)


def figures_of_sends(layout: BusLayout, powers: Powers) -> tuple[SendFigures, ...]:
    """How loud every send returns against the dry of its section, in the order of the components."""
    dry_of = {c.section: i for i, c in enumerate(layout.components) if c.send is None}
    return tuple(
        SendFigures(
            component.section, component.send, *_return_level(layout, powers, dry_of, component, index)
        )
        for index, component in enumerate(layout.components)
        if component.send is not None
    )


def _with_reasons_of_decay(reasons: dict[str, str], decay: DecayOfBus | None) -> dict[str, str]:
    """Add why a bus has no decay, no wet onset, no tail or no width."""
    if decay is None:
        reasons["decay"] = "the bus is muted or empty"
    else:
        reasons.update(decay.reasons)
    if decay is None or decay.wet_onset_s is None:
        reasons.setdefault("wet_arrival_ms", reasons.get("decay", "nothing comes back from the rooms"))
    if decay is None or decay.decay_to_minus_40_s is None:
        no_tail = reasons.get("decay", "the section has no composite response")
        reasons.setdefault("decay_to_minus_40_s", no_tail)
    if decay is None or decay.late_correlation is None:
        reasons.setdefault("late_correlation", reasons.get("decay", NO_WIDTH))
    return reasons


def _wet_to_dry(
    layout: BusLayout, bus: Bus, sums: Mapping[str, NDArray[np.float64]]
) -> tuple[float | None, str | None]:
    """Wet over dry of a bus in dB, or why it has none."""
    if bus.kind not in {"section", "group", "mix"}:
        return None, _NO_SIDES
    prefix = "" if bus.kind == "mix" else f"{bus.name}:"
    ratio, reason = power_ratio(
        sums[f"{prefix}wet"], sums[f"{prefix}dry"], sample_rate=layout.session.sample_rate
    )
    return (ratio, None) if ratio is not None else (None, _no_dry(layout, bus) or reason)


def _no_dry(layout: BusLayout, bus: Bus) -> str | None:
    """Why a bus has no dry side by the plan itself."""
    sections = [s for s in layout.session.sections if bus.kind != "section" or s.name == bus.name.subject]
    if bus.kind == "group":
        sections = [s for s in sections if s.group == bus.name.subject]
    if all(s.muted for s in sections):
        return "muted"
    return "dry is off" if all(s.dry_gain is None for s in sections) else None


def _return_level(
    layout: BusLayout, powers: Powers, dry_of: Mapping[str, int], component: Component, index: int
) -> tuple[float | None, str | None]:
    """Wet over dry of one send in dB, or why it has none."""
    if component.section not in dry_of:
        return None, "dry is off"
    return power_ratio(
        powers.component_sums(index),
        powers.component_sums(dry_of[component.section]),
        sample_rate=layout.session.sample_rate,
    )
