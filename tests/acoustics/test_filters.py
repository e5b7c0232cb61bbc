"""What a response is looked at through: weights, time ahead, and no energy lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.acoustics.energies import channel_energies
from roomplan.acoustics.filters import A_WEIGHTED, BROADBAND, AWeighting, BandPass, Broadband, octaves, thirds

# IEC 61672-1:2013, Table 3 (from memory): nominal frequency, A-weighting in dB
A_TABLE = (
    (31.5, -39.4), (63, -26.2), (125, -16.1), (250, -8.6), (500, -3.2), (1000, 0.0), (2000, 1.2), (4000, 1.0),
    (8000, -1.1), (16000, -6.6),
)  # fmt: skip


def exact(nominal_hz: float) -> float:
    """Base-10 frequency behind a nominal one: the table holds for these (IEC 61672-1, note to Table 3)."""
    return 1000.0 * 10.0 ** (0.1 * round(10.0 * np.log10(nominal_hz / 1000.0)))


@pytest.mark.parametrize(("nominal_hz", "weight_db"), A_TABLE)
def test_a_weighting_is_that_of_the_table(nominal_hz, weight_db):
    gain = A_WEIGHTED.gain(np.array([exact(nominal_hz)]), 192_000.0)
    assert 20.0 * np.log10(abs(gain[0])) == pytest.approx(weight_db, abs=0.1)  # the table has one decimal


def test_a_weighting_passes_no_direct_current_and_half_the_power_at_half_the_rate():
    rate = 48_000.0
    gain = np.abs(A_WEIGHTED.gain(np.array([0.0, 0.5 * rate]), rate))
    whole = np.abs(A_WEIGHTED.gain(np.array([0.5 * rate]), 2.0 * rate))
    assert gain[0] == 0.0
    assert gain[1] ** 2 == pytest.approx(0.5 * whole[0] ** 2)


@pytest.mark.parametrize("look", [A_WEIGHTED, BandPass(125.0), BandPass(1000.0), BandPass(1000.0, 3)])
def test_the_time_ahead_is_the_slope_of_the_phase(look):
    rate = 192_000.0  # far over the band: a digital filter there is the analogue one
    centre = look.centre_hz or 1000.0
    frequency = centre * np.array([0.8, 0.95, 1.0, 1.05, 1.25])
    step = 1e-4 * frequency
    turn = np.angle(look.gain(frequency + step, rate) / look.gain(frequency - step, rate))
    np.testing.assert_allclose(look.lead(frequency), turn / (4.0 * np.pi * step), rtol=2e-3)


@pytest.mark.parametrize("look", [A_WEIGHTED, BandPass(1000.0)])
def test_filters_run_backwards_in_time(look):
    assert np.all(look.lead(np.geomspace(700.0, 1400.0, 20)) > 0.0)


def test_the_whole_range_is_neither_ahead_nor_weighted():
    frequency = np.array([10.0, 1000.0, 20_000.0])
    np.testing.assert_array_equal(BROADBAND.lead(frequency), 0.0)
    np.testing.assert_array_equal(BROADBAND.gain(frequency, 48_000.0), 1.0)
    # one-sided spectra count twice, but not what is its own mirror image
    np.testing.assert_allclose(BROADBAND.gain(np.array([0.0, 24_000.0]), 48_000.0) ** 2, 0.5)


@given(
    seed=st.integers(0, 10_000),
    frames=st.integers(500, 3000),
    rate=st.sampled_from([8000.0, 44_100.0, 48_000.0]),
    power=st.sampled_from([0.0, 1.0, 4.0]),
)
def test_the_whole_range_keeps_the_energy_of_any_sound(seed, frames, rate, power):
    # Parseval: what the frames, and what early and late part, add up to is the energy of the samples
    sound = np.random.default_rng(seed).normal(size=frames) * np.exp(-power * np.arange(frames) / frames)
    sound[0] = 5.0  # the onset
    found = channel_energies(sound, sample_rate=rate, filters=(BROADBAND,))
    band = found.bands[BROADBAND]
    scaled = sound / 8.0  # brought under full scale by a power of two
    assert band.envelope.sum() == pytest.approx(np.sum(scaled**2), rel=1e-9)
    np.testing.assert_allclose(band.early + band.late, np.sum(scaled**2), rtol=1e-9)


def test_octaves_reach_from_31_5_hz_to_16_khz():
    assert [look.centre_hz for look in octaves()] == [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000]
    assert {look.fraction for look in octaves()} == {1}


def test_thirds_reach_from_25_hz_to_20_khz():
    # IEC 61260-1:2014, Annex E (nominal mid-band frequencies, from memory)
    decade = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0]
    nominal = [factor * scale for scale in (10, 100, 1000, 10_000) for factor in decade]
    assert [look.centre_hz for look in thirds()] == [hz for hz in nominal if 25 <= hz <= 20_000]
    assert {look.fraction for look in thirds()} == {3}


def test_limits_cut_the_list_and_are_within_it():
    assert [look.centre_hz for look in octaves(lowest_hz=125, highest_hz=500)] == [125, 250, 500]
    assert [look.centre_hz for look in thirds(lowest_hz=400, highest_hz=630)] == [400, 500, 630]
    assert octaves(lowest_hz=30_000) == ()


def test_equal_filters_are_equal_keys():
    assert {BandPass(500.0), BandPass(500.0), Broadband(), BROADBAND, AWeighting(), A_WEIGHTED} == {
        BandPass(500.0),
        BROADBAND,
        A_WEIGHTED,
    }
    assert BandPass(500.0) != BandPass(500.0, 3)


@pytest.mark.parametrize(
    ("look", "label"),
    [(BandPass(31.5), "31.5 Hz"), (BandPass(1000.0), "1 kHz"), (BandPass(3150.0, 3), "3.15 kHz")],
)
def test_labels_are_what_people_say(look, label):
    assert look.label == label


def test_bands_above_half_the_rate_do_not_exist():
    assert BandPass(4000.0).top_hz(8000.0) is None
    assert BandPass(2000.0).top_hz(8000.0) is not None
