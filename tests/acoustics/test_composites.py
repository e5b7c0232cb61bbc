"""The figures of composites: dry impulses before a wet sound, weighted channels, and the time to a level."""

from __future__ import annotations

import numpy as np
import pytest
from acoustic_signals import NEPER_60_DB, decaying_noise, envelope, number

from roomplan.acoustics import measure_composite, time_to_level

RATE = 24000
HALL_RATE = 48000
NUMBERS = ("edt_s", "t20_s", "t30_s", "c80_db", "d50", "centre_time_s", "c50_db")
TIMES = ("edt_s", "t20_s", "t30_s")


def composite(*, gap_s, dry_db, decay_time=2.0, cut_s=None, channels=2, rate=HALL_RATE, seed=5):
    """Wet of energy 1 per channel behind a gap, perhaps trimmed; a dry impulse `dry_db` against it."""
    rng = np.random.default_rng(seed)
    decay = envelope(decay_time, 1.3 * decay_time, rate)[:, None]
    gap = round(gap_s * rate)
    wet = np.zeros((gap + decay.size, channels))
    wet[gap:] = rng.normal(size=(decay.size, channels)) * decay / np.sqrt((decay**2).sum())
    if cut_s is not None:
        end, fade = gap + round(cut_s * rate), round(0.1 * rate)
        wet[end - fade : end] *= np.cos(0.5 * np.pi * np.arange(fade) / fade)[:, None] ** 2
        wet[end:] = 0.0
    return wet, None if dry_db is None else np.full(channels, 10.0 ** (dry_db / 20.0))


def expected_energies(*, gap_s, dry_db, decay_time=2.0):
    dry = 0.0 if dry_db is None else 10.0 ** (dry_db / 10.0)

    def late(limit):
        return np.exp(-NEPER_60_DB * max(0.0, limit - gap_s) / decay_time)

    c80 = 10.0 * np.log10((dry + 1.0 - late(0.08)) / late(0.08))
    return c80, (dry + 1.0 - late(0.05)) / (dry + 1.0), (gap_s + decay_time / NEPER_60_DB) / (1.0 + dry)


@pytest.mark.parametrize("cut_s", [None, 1.8])
@pytest.mark.parametrize(
    ("gap_s", "dry_db"),
    [(gap, dry) for gap in (0.0, 0.02, 0.2) for dry in (None, 0.0, 10.0, 40.0) if (gap, dry) != (0.2, None)],
)
def test_a_composite_has_the_energies_of_its_parts(gap_s, dry_db, cut_s):
    c80, d50, centre = expected_energies(gap_s=gap_s, dry_db=dry_db)
    found = []
    for seed in range(6):
        wet, dry = composite(gap_s=gap_s, dry_db=dry_db, cut_s=cut_s, seed=seed)
        found.append(measure_composite(wet, dry=dry, sample_rate=HALL_RATE, centres_hz=(125, 4000)))
    for index, (level_tolerance, share) in enumerate(((1.0, 0.12), (0.15, 0.025))):
        bands = [figures.bands[index] for figures in found]
        assert np.mean([band.c80_db for band in bands]) == pytest.approx(c80, abs=level_tolerance)
        assert np.mean([band.d50 for band in bands]) == pytest.approx(d50, abs=share)
        assert np.mean([band.centre_time_s for band in bands]) == pytest.approx(centre, rel=share, abs=1e-4)


def test_decay_times_of_a_composite_are_those_of_the_wet_whatever_the_dry():
    wet, dry = composite(gap_s=0.2, dry_db=40.0, cut_s=1.8)
    with_dry = measure_composite(wet, dry=dry, sample_rate=HALL_RATE)
    alone = measure_composite(wet, dry=None, sample_rate=HALL_RATE)
    moved = measure_composite(wet[round(0.2 * HALL_RATE) :], dry=None, sample_rate=HALL_RATE)
    for one, other, third in zip(with_dry.bands, alone.bands, moved.bands, strict=True):
        for key in TIMES:
            assert getattr(one, key) == getattr(other, key)
            assert getattr(one, key) == pytest.approx(getattr(third, key), rel=5e-3)
        assert one.t30_s == pytest.approx(2.0, abs=3.0 * number(one.doubt["t30_s"].uncertainty))


@pytest.mark.parametrize("centre", [31.5, 63, 125, 1000])
def test_the_filters_ringing_of_the_dry_impulse_is_neither_lost_nor_late(centre):
    # a dry impulse 60 dB over the wet: in every band C80 is 60 dB and the share of the wet after 80 ms
    wet, dry = composite(gap_s=0.01, dry_db=60.0)
    band = measure_composite(wet, dry=dry, sample_rate=HALL_RATE, centres_hz=(centre,)).bands[0]
    late = -10.0 * np.log10(np.exp(-NEPER_60_DB * 0.07 / 2.0))
    assert band.c80_db == pytest.approx(60.0 + late, abs={31.5: 3.0, 63: 2.0, 125: 1.5}.get(centre, 0.4))
    assert band.d50 == pytest.approx(1.0, abs=1e-5)
    assert band.centre_time_s == pytest.approx(0.0, abs=2e-6)


def test_without_dry_and_with_nothing_before_80_ms_there_is_no_clarity():
    wet, _ = composite(gap_s=0.2, dry_db=None)
    band = measure_composite(wet, dry=None, sample_rate=HALL_RATE).bands[4]
    assert band.c80_db is None or band.c80_db < -60.0
    assert band.d50 == pytest.approx(0.0, abs=1e-5)
    assert band.centre_time_s == pytest.approx(0.2 + 2.0 / NEPER_60_DB, rel=0.05)


def test_weights_are_powers_of_the_channels():
    wet, dry = composite(gap_s=0.01, dry_db=3.0)
    assert dry is not None
    weighted = measure_composite(wet, dry=dry, weights=[4.0, 0.25], sample_rate=HALL_RATE)
    scaled = measure_composite(wet * [2.0, 0.5], dry=dry * [2.0, 0.5], sample_rate=HALL_RATE)
    assert weighted == scaled


def test_a_channel_of_weight_0_does_not_count():
    wet, dry = composite(gap_s=0.01, dry_db=3.0)
    assert dry is not None
    wet[:, 1] = np.random.default_rng(1).normal(size=len(wet))
    weighted = measure_composite(wet, dry=dry, weights=[1.0, 0.0], sample_rate=HALL_RATE)
    alone = measure_composite(wet[:, :1], dry=dry[:1], sample_rate=HALL_RATE)
    for band, other in zip(weighted.bands, alone.bands, strict=True):
        assert band.c80_db == pytest.approx(other.c80_db, abs=1e-6)
        assert band.t30_s == pytest.approx(other.t30_s, rel=1e-6)


def test_noise_before_the_wet_is_no_early_sound():
    wet, _ = composite(gap_s=0.2, dry_db=None, decay_time=1.0, rate=RATE)
    wet += np.random.default_rng(9).normal(size=wet.shape) * np.sqrt(NEPER_60_DB / RATE) * 10.0**-1.4
    band = measure_composite(wet, dry=None, sample_rate=RATE, centres_hz=(2000,)).bands[0]
    assert band.decay_range_db == pytest.approx(28.0, abs=1.0)
    assert number(band.d50) < 3e-4  # 50 ms of noise are 1.1e-3 of the wet energy


# ---------------------------------------- time to level


@pytest.mark.parametrize("dry_db", [None, 0.0, 20.0])
@pytest.mark.parametrize("gap_s", [0.0, 0.2])
@pytest.mark.parametrize("cut_s", [None, 1.8])
def test_time_to_minus_40_db_of_an_exponential_with_its_dry_impulse(dry_db, gap_s, cut_s):
    wet, dry = composite(gap_s=gap_s, dry_db=dry_db, cut_s=cut_s)
    total = 1.0 + (0.0 if dry_db is None else 10.0 ** (dry_db / 10.0))
    found, reason = time_to_level(wet, dry=dry, sample_rate=HALL_RATE)
    assert reason is None
    assert found == pytest.approx(gap_s - np.log(1e-4 * total) * 2.0 / NEPER_60_DB, rel=0.01)


def test_a_response_that_ends_too_early_has_no_time_to_minus_40_db():
    wet, _ = composite(gap_s=0.0, dry_db=None, cut_s=1.0)  # -30 dB
    found, reason = time_to_level(wet, dry=None, sample_rate=HALL_RATE)
    assert found is None
    assert "ends where the decay curve is" in str(reason)
    with_dry, _ = time_to_level(wet, dry=[10.0, 10.0], sample_rate=HALL_RATE)  # the wet starts 20 dB down
    assert with_dry == pytest.approx(-np.log(101e-4) * 2.0 / NEPER_60_DB, rel=0.01)


def test_a_noise_floor_above_the_level_is_told_and_not_read_as_a_tail():
    noise = decaying_noise(3, 1.0, 4.0, RATE, 35.0)[:, None]
    found, reason = time_to_level(noise, dry=None, sample_rate=RATE)
    assert found is None
    assert "meets the noise" in str(reason)
    assert time_to_level(noise, dry=None, sample_rate=RATE, level_db=-25.0)[0] == pytest.approx(
        25 / 60, rel=0.02
    )


@pytest.mark.parametrize("floor_db", [None, 50.0])
def test_the_missing_tail_is_counted(floor_db):
    # cut 45 dB down, asked for 40: without the tail the curve would reach -40 dB 2.7 % early
    sound = decaying_noise(3, 2.0, 1.5, RATE, floor_db)[:, None]
    assert time_to_level(sound, dry=None, sample_rate=RATE)[0] == pytest.approx(4.0 / 3.0, rel=0.012)


def test_a_wet_sound_more_than_40_db_under_the_dry_is_there_at_once():
    wet, dry = composite(gap_s=0.01, dry_db=50.0)
    assert time_to_level(wet, dry=dry, sample_rate=HALL_RATE)[0] == pytest.approx(0.0, abs=1e-3)
    assert time_to_level(np.zeros((100, 2)), dry=[1.0, 1.0], sample_rate=RATE) == (0.0, None)


def test_a_click_in_silence_falls_at_once():
    click = np.zeros((RATE, 1))
    click[10] = 1.0
    assert time_to_level(click, dry=None, sample_rate=RATE)[0] == pytest.approx(11 / RATE, abs=1.5 / RATE)


def test_stationary_noise_never_falls():
    noise = np.random.default_rng(1).normal(size=(RATE, 1))
    found, reason = time_to_level(noise, dry=None, sample_rate=RATE)
    assert found is None
    assert reason
