"""Cross powers in steps of 100 ms: the loudness of buses is that of hops, in any order and at any gains."""

from __future__ import annotations

import numpy as np
import pytest

from roomplan.loudness.cross_powers import CrossPowers
from roomplan.loudness.factors import Factoriser
from roomplan.loudness.merged_powers import STEP_HOPS, merged_factor
from roomplan.loudness.meter import loudness_of_hops

RATE = 48_000


def factor_of(hops: int, components: int, *, copies: bool = False) -> np.ndarray:
    """Return the factor of random signals, the last a copy of the first where that is asked for."""
    generator = np.random.default_rng(7)
    signals = (
        0.05 * generator.standard_normal((hops, components, 40)) * generator.uniform(0.01, 1, (hops, 1, 1))
    )
    if copies:
        signals[:, -1] = signals[:, 0]
    rows, columns = np.triu_indices(components)
    found: list[np.ndarray] = []
    factoriser = Factoriser(components, found.append)
    factoriser.append(np.matmul(signals, signals.transpose(0, 2, 1))[:, rows, columns] * (RATE / 50 / 40))
    factoriser.finish()
    return np.concatenate(found)


def in_steps(sums: np.ndarray) -> np.ndarray:
    padded = np.pad(sums, (0, -len(sums) % STEP_HOPS))
    return padded.reshape(-1, STEP_HOPS).sum(axis=1)


@pytest.mark.parametrize("hops", [1, 5, 99, 100, 101, 1203])
def test_the_power_of_a_step_is_that_of_its_hops(hops):
    factor = factor_of(hops, 4)
    gains = np.array([1.0, -0.3, 2.0, 0.0])
    merged = merged_factor(factor, np.arange(4), np.ones(4))
    assert len(merged) == -(-hops // STEP_HOPS)
    expected = in_steps(CrossPowers(factor).sums(gains))
    assert CrossPowers(merged).sums(gains) == pytest.approx(expected, rel=3e-6)


def test_components_come_in_the_order_and_at_the_gains_that_are_asked_for():
    factor = factor_of(200, 3)
    order, own = np.array([2, 0, 1]), np.array([0.5, 2.0, 1.5])
    gains = np.array([1.0, 0.4, -0.7])
    before = np.zeros(3)
    before[order] = gains * own
    expected = in_steps(CrossPowers(factor).sums(before))
    assert CrossPowers(merged_factor(factor, order, own)).sums(gains) == pytest.approx(expected, rel=3e-6)


def test_copies_that_cancel_stay_silent():
    merged = merged_factor(factor_of(50, 3, copies=True), np.arange(3), np.ones(3))
    powers = CrossPowers(merged)
    assert powers.sums([1.0, 0.0, -1.0]).max() <= 1e-12 * powers.sums([1.0, 0.0, 0.0]).max()


def test_gated_loudness_is_that_of_hops():
    factor = factor_of(1500, 5)
    gains = np.random.default_rng(3).uniform(-1, 1, 5)
    expected = loudness_of_hops(CrossPowers(factor).sums(gains), sample_rate=RATE).integrated_lufs
    steps = CrossPowers(merged_factor(factor, np.arange(5), np.ones(5))).sums(gains)
    spread = np.repeat(steps / STEP_HOPS, STEP_HOPS)  # blocks begin on steps and cannot tell
    assert loudness_of_hops(spread, sample_rate=RATE).integrated_lufs == pytest.approx(expected, abs=1e-5)
