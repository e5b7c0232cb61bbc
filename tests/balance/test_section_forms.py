"""Forms of what a section gets: at other levels they move as the full measurement does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ensemble import RATE, ensemble  # noqa: F401 - a fixture

from roomplan.acoustics.analysis import composite_energies, decay_of_energies, level_time_of_energies
from roomplan.acoustics.figures import MID_OCTAVES_HZ
from roomplan.balance.section_forms import FRAME_S, section_forms
from roomplan.rendering.composite_parts import dry_heights
from roomplan.rendering.composites import section_composite
from roomplan.session.response_matrices import response_matrices

MOVES = [(0.0, 0.0), (6.0, -4.0), (-8.0, 3.0)]


def moved(section, first_db, dry_db):
    """Return a section with its first send and its dry path at other levels."""
    send = section.sends[0]
    gain = send.response_gain * 10.0 ** (first_db / 20.0)
    dry = None if section.dry_gain is None else section.dry_gain * 10.0 ** (dry_db / 20.0)
    return replace(section, sends=(replace(send, response_gain=gain), *section.sends[1:]), dry_gain=dry)


def measured(section, matrices):
    """Return C80 and the decay to −40 dB of the full measurement."""
    composite = section_composite(section, matrices)
    assert composite is not None
    wet, dry = composite
    sound = composite_energies(wet, dry=dry, sample_rate=RATE, centres_hz=MID_OCTAVES_HZ)
    figures = decay_of_energies(sound, centres_hz=MID_OCTAVES_HZ, with_dry=sound.has_dry)
    return figures.mid.c80_db, level_time_of_energies(sound, with_dry=sound.has_dry)[0]


def by_forms(section, forms, first_db, dry_db):
    """Return the same from forms, as the conventions of the module say."""
    gains = np.ones(len(section.sends))
    gains[0] = 10.0 ** (first_db / 20.0)
    dry = 10.0 ** (dry_db / 20.0)
    clarity = []
    for one in forms.octaves:
        wet = gains @ one.early_80 @ gains
        early = wet + dry * gains @ one.meeting + dry**2 * one.impulse
        clarity.append(10.0 * np.log10(early / (gains @ one.total @ gains - wet)))
    rows, columns = np.triu_indices(gains.size)
    weights = gains[rows] * gains[columns] * np.where(rows == columns, 1.0, 2.0)
    energy = weights @ forms.decay.products.astype(np.float64)
    curve = np.append(np.cumsum(energy[::-1])[::-1], 1e-300)
    whole = curve[0] + 2.0 * dry * gains @ forms.decay.meeting + dry**2 * forms.decay.impulse
    fall = -10.0 * np.log10(curve / whole)
    return float(np.mean(clarity)), float(np.interp(40.0, fall, np.arange(fall.size) * FRAME_S))


@pytest.mark.parametrize("name", ["choir", "solo", "strings", "winds"])
def test_clarity_and_decay_move_with_the_levels_as_they_are_measured(ensemble, name):  # noqa: F811
    matrices = response_matrices(ensemble)
    section = ensemble.section(name)
    forms = section_forms(section, matrices, sample_rate=RATE)
    if name == "winds":
        assert forms is None  # it has no send
        return
    written = np.array(measured(section, matrices)) - by_forms(section, forms, 0.0, 0.0)
    assert abs(written[0]) < 0.3
    assert abs(written[1]) < 0.02
    for first_db, dry_db in MOVES:
        c80, decay = by_forms(section, forms, first_db, dry_db) + written
        full = measured(moved(section, first_db, dry_db), matrices)
        assert c80 == pytest.approx(full[0], abs=0.1)
        assert decay == pytest.approx(full[1], abs=0.01)


def test_a_section_without_its_dry_path_has_no_impulse(ensemble):  # noqa: F811
    section = ensemble.section("brass")
    forms = section_forms(section, response_matrices(ensemble), sample_rate=RATE)
    assert forms is not None
    assert section.dry_gain is None
    assert forms.decay.impulse == 0.0
    assert not forms.decay.meeting.any()
    assert all(one.impulse == 0.0 for one in forms.octaves)


def test_sends_of_muted_rooms_are_in_the_forms_as_if_they_were_heard(ensemble):  # noqa: F811
    section = ensemble.section("choir")
    matrices = response_matrices(ensemble)
    muted = replace(section, sends=tuple(replace(send, muted=True) for send in section.sends))
    one, other = (section_forms(s, matrices, sample_rate=RATE) for s in (section, muted))
    assert one is not None
    assert other is not None
    assert np.array_equal(one.decay.products, other.decay.products)
    assert dry_heights(section).any()
