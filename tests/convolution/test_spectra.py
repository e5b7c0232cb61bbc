"""The two-pass transform against numpy's single one, and the shapes it picks."""

from __future__ import annotations

import numpy as np
import pytest

from roomplan.convolution.spectra import RealTransform, transform_shape

SHAPES = [(2, 1), (2, 9), (4, 1), (8, 15), (16, 17), (24, 100), (144, 250)]


@pytest.mark.parametrize("shape", SHAPES)
def test_forward_is_the_discrete_fourier_transform_in_the_stated_order(shape):
    rows, columns = shape
    samples = np.random.default_rng(1).standard_normal(rows * columns)
    spectrum = RealTransform.of_shape(shape, dtype=np.dtype(np.float64)).forward(samples)
    # numpy.fft is an implementation of its own (C++ of another generation, called as one long transform)
    expected = np.fft.fft(samples).reshape(columns, rows).T[: rows // 2 + 1]
    np.testing.assert_allclose(spectrum, expected, rtol=0, atol=1e-12 * rows * columns)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize(("dtype", "tolerance"), [(np.float32, 1e-5), (np.float64, 1e-13)])
def test_inverse_gives_the_samples_back_times_their_number_and_keeps_the_precision(shape, dtype, tolerance):
    transform = RealTransform.of_shape(shape, dtype=np.dtype(dtype))
    samples = np.random.default_rng(2).standard_normal(transform.length).astype(dtype)
    back = transform.inverse(transform.forward(samples))
    assert back.dtype == dtype
    np.testing.assert_allclose(back / transform.length, samples, rtol=0, atol=tolerance)


def test_twiddle_factors_are_exact_to_the_last_bits_of_float64_at_a_large_size():
    rows, columns = 512, 5000
    transform = RealTransform.of_shape((rows, columns), dtype=np.dtype(np.float64))
    some = np.random.default_rng(3).integers(0, [[rows // 2 + 1], [columns]], size=(2, 1000))
    expected = np.exp(-2j * np.pi * ((some[0] * some[1]) % (rows * columns)) / (rows * columns))
    np.testing.assert_allclose(transform.twiddles[some[0], some[1]], expected, rtol=0, atol=2e-15)


@pytest.mark.parametrize("minimum", [1, 2, 3, 17, 100, 1023, 16_385, 250_007, 863_999, 5_760_001])
def test_a_shape_holds_what_it_must_with_even_rows_and_wastes_little(minimum):
    rows, columns = transform_shape(minimum)
    assert rows % 2 == 0
    assert rows * columns >= minimum
    if minimum > 10_000:
        assert rows * columns <= 1.1 * minimum


def test_no_shape_puts_its_rows_a_multiple_of_4_kib_apart():
    minimums = [rows * 1024 * factor for rows in (96, 192, 256, 400, 512) for factor in (1, 2, 4, 8)]
    assert all(transform_shape(minimum)[1] % 1024 for minimum in minimums)
