"""Gates, windows and honest gaps, on hop sums made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from roomplan.loudness import gating
from roomplan.loudness.gating import (
    loudness_level,
    loudness_of_hops,
    passing_blocks,
    power_over_blocks,
    why_nothing_passes,
)
from roomplan.loudness.hops import hop_starts

RATE = 8_000
PER_HOP = 160


def hops_at(*stretches):
    """Hop sums of (seconds, LUFS) stretches; None is silence."""
    return np.concatenate(
        [
            np.full(round(seconds * 50), 0.0 if level is None else PER_HOP * 10 ** ((level + 0.691) / 10))
            for seconds, level in stretches
        ]
    )


def test_steady_level_reads_itself_three_times():
    result = loudness_of_hops(hops_at((4, -23.0)), sample_rate=RATE)
    assert result.integrated_lufs == pytest.approx(-23.0, abs=1e-9)
    assert result.momentary_max_lufs == pytest.approx(-23.0, abs=1e-9)
    assert result.short_term_max_lufs == pytest.approx(-23.0, abs=1e-9)
    assert result.reasons == {}


@pytest.mark.parametrize("width", [1, 2, 3, 5, 20, 150, 151])
def test_window_sums_are_sums_of_neighbours(width):
    values = np.random.default_rng(1).uniform(size=400)
    expected = np.lib.stride_tricks.sliding_window_view(values, width).sum(axis=1)
    assert gating._window_sums(values, width)[: len(expected)] == pytest.approx(expected, rel=1e-13)
    assert len(gating._window_sums(values, width)) == len(expected)


def test_quiet_window_after_a_loud_hour_keeps_its_digits():
    sums = np.concatenate((np.full(180_000, 1e6), np.full(100, 1e-8)))
    quiet = gating._window_powers(sums, 20, RATE)[-1]
    assert quiet == pytest.approx(1e-8 / PER_HOP, rel=1e-12)


def test_windows_are_averaged_over_the_frames_they_hold_at_odd_rates():
    sample_rate = 12_346  # 246.92 frames a hop, 4938.4 a block
    sums = np.diff(hop_starts(500, sample_rate)).astype(float)  # every sample is 1
    result = loudness_of_hops(sums, sample_rate=sample_rate)
    assert result.integrated_lufs == pytest.approx(-0.691, abs=1e-12)
    assert result.momentary_max_lufs == pytest.approx(-0.691, abs=1e-12)


def test_absolute_gate_lets_nothing_at_or_below_70_lufs_in():
    sums = hops_at((4, -30.0), (0.4, None), (4, -70.001))
    passing = passing_blocks(sums, sample_rate=RATE)
    assert passing[:37].all()
    assert not passing[-37:].any()


def test_relative_gate_is_ten_lu_under_the_mean_of_what_the_absolute_gate_passes():
    # 40 s at −20 and 10 s at x: mean power 0.8 of −20 → gate near −30.97 LUFS (blocks across the step aside).
    loud, quiet = hops_at((40, -20.0)), (10, -31.2)
    assert not passing_blocks(np.concatenate((loud, hops_at(quiet))), sample_rate=RATE)[-90:].any()
    assert passing_blocks(np.concatenate((loud, hops_at((10, -30.7)))), sample_rate=RATE)[-90:].all()


def test_gating_averages_powers_and_not_decibels():
    result = loudness_of_hops(hops_at((100, -20.0), (100, -26.0)), sample_rate=RATE)
    expected = loudness_level((10 ** ((-20 + 0.691) / 10) + 10 ** ((-26 + 0.691) / 10)) / 2)
    assert result.integrated_lufs == pytest.approx(expected, abs=0.005)


def test_blocks_are_counted_only_when_whole():
    assert [passing_blocks(np.ones(n), sample_rate=RATE).size for n in (0, 19, 20, 24, 25, 29, 30)] == [
        0,
        0,
        1,
        1,
        2,
        2,
        3,
    ]


def test_mean_over_blocks_of_another_signal_uses_its_gates():
    dry = hops_at((4, -20.0), (4, None))
    wet = hops_at((4, -30.0), (4, -10.0))
    passing = passing_blocks(dry, sample_rate=RATE)
    power = power_over_blocks(wet[:200], passing[:37], sample_rate=RATE)
    assert loudness_level(power) == pytest.approx(-30.0, abs=1e-9)
    own = power_over_blocks(dry, passing, sample_rate=RATE)
    assert loudness_level(own) == pytest.approx(
        loudness_of_hops(dry, sample_rate=RATE).integrated_lufs, abs=1e-12
    )


def test_a_signal_that_passes_nowhere_is_called_silent_only_where_it_is_digital_silence():
    assert why_nothing_passes("it", np.zeros(100)) == "it is silent"
    quiet = hops_at((4, -100.0))
    assert not passing_blocks(quiet, sample_rate=RATE).any()
    assert why_nothing_passes("it", quiet) == "it never passes the gates of BS.1770"


def test_mean_over_no_block_is_refused():
    silent = np.zeros(100)
    passing = passing_blocks(silent, sample_rate=RATE)
    with pytest.raises(ValueError, match="no block passes"):
        power_over_blocks(np.ones(100), passing, sample_rate=RATE)


def test_gate_decisions_of_another_length_are_refused():
    with pytest.raises(ValueError, match="9 gate decisions for 17 blocks"):
        power_over_blocks(np.ones(100), np.ones(9, dtype=bool), sample_rate=RATE)


def test_silence_has_no_loudness_and_says_so():
    result = loudness_of_hops(np.zeros(500), sample_rate=RATE)
    assert result.integrated_lufs is None
    assert result.momentary_max_lufs is None
    assert result.short_term_max_lufs is None
    assert set(result.reasons.values()) == {"digital silence"}


def test_less_than_400_ms_has_no_loudness_and_says_how_much_there_is():
    result = loudness_of_hops(hops_at((0.38, -20.0)), sample_rate=RATE)
    assert (result.integrated_lufs, result.momentary_max_lufs, result.short_term_max_lufs) == (None,) * 3
    assert result.reasons["integrated_lufs"].startswith("integrated loudness needs 400 ms of sound")
    assert "0.38 s" in result.reasons["integrated_lufs"]
    assert result.reasons["momentary_max_lufs"].startswith("momentary loudness needs 400 ms")
    assert result.reasons["short_term_max_lufs"].startswith("short-term loudness needs 3 s")


def test_less_than_three_seconds_lacks_only_the_figures_of_three_seconds():
    result = loudness_of_hops(hops_at((2.98, -20.0)), sample_rate=RATE)
    assert result.integrated_lufs == pytest.approx(-20.0)
    assert result.momentary_max_lufs == pytest.approx(-20.0)
    assert result.short_term_max_lufs is None
    assert result.loudness_range_lu is None
    assert set(result.reasons) == {"short_term_max_lufs", "loudness_range_lu"}


def test_everything_under_the_gate_has_maxima_but_no_integrated_loudness():
    result = loudness_of_hops(hops_at((4, -82.3)), sample_rate=RATE)
    assert result.integrated_lufs is None
    assert result.momentary_max_lufs == pytest.approx(-82.3)
    assert "gate at -70 LUFS" in result.reasons["integrated_lufs"]
    assert "-82.3 LUFS" in result.reasons["integrated_lufs"]
    assert set(result.reasons) == {"integrated_lufs", "loudness_range_lu"}


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_poisoned_sums_give_no_figure_and_say_from_when(value):
    sums = hops_at((4, -20.0))
    sums[125:] = value
    result = loudness_of_hops(sums, sample_rate=RATE)
    assert (result.integrated_lufs, result.momentary_max_lufs, result.short_term_max_lufs) == (None,) * 3
    assert set(result.reasons.values()) == {"not a finite number from 2.50 s on"}


def test_results_cannot_be_changed():
    result = loudness_of_hops(np.zeros(500), sample_rate=RATE)
    with pytest.raises(AttributeError):
        result.integrated_lufs = -23.0  # pyright: ignore[reportAttributeAccessIssue]
    with pytest.raises(TypeError):
        result.reasons["integrated_lufs"] = ""  # pyright: ignore[reportIndexIssue]
