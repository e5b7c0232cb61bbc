"""Sums of energies against the same sounds as channels of one composite: energies add over channels."""

from __future__ import annotations

import numpy as np
import pytest
from acoustic_signals import decaying_noise, number

from roomplan.acoustics.analysis import (
    composite_energies,
    decay_of_energies,
    level_time_of_energies,
    measure_composite,
    time_to_level,
)
from roomplan.acoustics.energies import add_energies

RATE = 24000
NUMBERS = ("edt_s", "t20_s", "t30_s", "c80_db", "d50", "centre_time_s", "c50_db", "decay_range_db")
DRY = (8.0, 3.0)
WEIGHTS = (0.5, 2.0)


def rooms():
    """Orrin Nave late and long, Tallowyard Stage early and short, both (frames, 1)."""
    nave = np.concatenate([np.zeros(700), decaying_noise(1, 1.6, 2.0, RATE, 75.0)])
    stage = np.concatenate([np.zeros(100), decaying_noise(2, 0.5, 1.2, RATE)])
    stage = np.pad(stage, (0, nave.size - stage.size))
    return nave[:, None], stage[:, None]


def parts(*, with_dry):
    return [
        (composite_energies(sound, dry=[dry] if with_dry else None, sample_rate=RATE), weight)
        for sound, dry, weight in zip(rooms(), DRY, WEIGHTS, strict=True)
    ]


@pytest.mark.parametrize("with_dry", [False, True])
def test_added_energies_give_the_figures_of_one_composite_of_all_channels(with_dry):
    together = np.hstack(rooms())
    dry = DRY if with_dry else None
    expected = measure_composite(together, dry=dry, weights=WEIGHTS, sample_rate=RATE)
    found = decay_of_energies(add_energies(parts(with_dry=with_dry)), with_dry=with_dry)
    for band, other in zip((*found.bands, found.mid), (*expected.bands, expected.mid), strict=True):
        assert band.verdict == other.verdict
        for key in NUMBERS:
            assert number(getattr(band, key)) == pytest.approx(number(getattr(other, key)), rel=1e-6)


@pytest.mark.parametrize("with_dry", [False, True])
def test_added_energies_take_as_long_to_fall_as_one_composite_of_all_channels(with_dry):
    dry = DRY if with_dry else None
    expected, _ = time_to_level(np.hstack(rooms()), dry=dry, weights=WEIGHTS, sample_rate=RATE)
    found, _ = level_time_of_energies(add_energies(parts(with_dry=with_dry)), with_dry=with_dry)
    assert number(found) == pytest.approx(number(expected), rel=1e-9)


def test_padding_to_a_common_length_changes_no_figure():
    _, stage = rooms()
    plain = decay_of_energies(composite_energies(stage, dry=None, sample_rate=RATE), with_dry=False)
    longer = composite_energies(stage, dry=None, sample_rate=RATE, frames=3 * RATE)
    for band, other in zip(decay_of_energies(longer, with_dry=False).bands, plain.bands, strict=True):
        for key in NUMBERS[:-1]:
            assert number(getattr(band, key)) == pytest.approx(
                number(getattr(other, key)), rel=5e-3, abs=5e-3
            )


def test_the_dry_impulse_counts_only_where_it_is_asked_for():
    nave, _ = rooms()
    energies = composite_energies(nave, dry=[5.0], sample_rate=RATE)
    alone = measure_composite(nave, dry=None, sample_rate=RATE)
    assert decay_of_energies(energies, with_dry=False) == alone
    assert decay_of_energies(energies, with_dry=True) == measure_composite(nave, dry=[5.0], sample_rate=RATE)


def test_one_part_of_weight_1_is_itself():
    part = parts(with_dry=False)[0][0]
    assert add_energies([(part, 1.0)]) is part


def test_the_dry_impulse_of_a_part_without_any_wet_still_counts():
    nave, _ = rooms()
    silent = np.zeros_like(nave)
    expected = measure_composite(np.hstack([nave, silent]), dry=[1.0, 9.0], sample_rate=RATE)
    pair = [
        (composite_energies(sound, dry=[dry], sample_rate=RATE), 1.0)
        for sound, dry in ((nave, 1.0), (silent, 9.0))
    ]
    for order in (pair, pair[::-1]):
        found = decay_of_energies(add_energies(order), with_dry=True)
        for band, other in zip(found.bands, expected.bands, strict=True):
            for key in NUMBERS:
                assert number(getattr(band, key)) == pytest.approx(number(getattr(other, key)), rel=1e-6)


def test_a_silent_part_is_left_out_of_a_sum():
    nave, _ = rooms()
    heard = composite_energies(nave, dry=None, sample_rate=RATE)
    silent = composite_energies(np.zeros_like(nave), dry=None, sample_rate=RATE)
    added = add_energies([(silent, 1.0), (heard, 1.0)])
    assert decay_of_energies(added, with_dry=False) == decay_of_energies(heard, with_dry=False)
    only = decay_of_energies(add_energies([(silent, 1.0)]), with_dry=False)
    assert only.verdict == "unusable"
    assert only.mid.reasons["t30_s"] == "the response is silent"
