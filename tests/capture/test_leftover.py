"""What is left over of a take swings by itself; a foreign sound swings more."""

from __future__ import annotations

import numpy as np

from roomplan.capture.leftover import BLOCK_S, events_of


def swinging(hours: float = 1.0):
    """Levels of noise of nearly one frequency, whose power is exponential (Rayleigh), shape (1, blocks)."""
    power = np.random.default_rng(5).exponential(size=round(hours * 3600.0 / BLOCK_S))
    return 10.0 * np.log10(power)[None]


def test_noise_of_nearly_one_frequency_holds_no_foreign_sound_in_an_hour():
    assert events_of(swinging()) == ()


def test_a_foreign_sound_over_such_noise_is_found_at_its_time_in_its_channel():
    levels = np.concatenate([swinging(0.1), swinging(0.1)])
    levels[1, 12_000:12_004] = 18.0
    (event,) = events_of(levels)
    assert abs(event.start_s - 120.0) < 0.02
    assert event.channel == 1
    assert event.over_db > 17.0
