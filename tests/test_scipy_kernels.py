"""The compiled parts of scipy against its public functions, which are the reference here."""

from __future__ import annotations

import ast
from importlib.metadata import PackageNotFoundError
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import scipy.signal

import roomplan
from roomplan import scipy_kernels

PACKAGE = Path(roomplan.__file__).parent
LENGTHS = [1, 2, 3, 16, 45, 128, 1000, 1009]


def noise(*shape, kind):
    random = np.random.default_rng(20)
    samples = random.standard_normal(shape)
    if np.dtype(kind).kind == "c":
        samples = samples + 1j * random.standard_normal(shape)
    return samples.astype(kind)


def test_the_installed_scipy_is_used_by_its_compiled_modules():
    assert isinstance(scipy_kernels._TRANSFORMS, scipy_kernels._Transforms)
    assert scipy_kernels._FILTER is not scipy.signal.lfilter


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("length", LENGTHS)
def test_real_transforms_are_scipys_to_the_last_bit(length, kind):
    samples = noise(3, length, kind=kind)
    for size in (None, length, length + 7, max(1, length - 3)):
        half = scipy_kernels.rfft(samples, size)
        np.testing.assert_array_equal(half, scipy.fft.rfft(samples, size), strict=True)
        back = scipy_kernels.irfft(half, size or length)
        np.testing.assert_array_equal(back, scipy.fft.irfft(half, size or length), strict=True)
    columns = scipy_kernels.rfft(samples.T, axis=0, workers=2)
    np.testing.assert_array_equal(columns, scipy.fft.rfft(samples.T, axis=0), strict=True)
    back = scipy_kernels.irfft(columns, length + 2, axis=0, norm="forward")
    theirs = scipy.fft.irfft(columns, length + 2, axis=0, norm="forward")
    np.testing.assert_array_equal(back, theirs, strict=True)


@pytest.mark.parametrize("kind", [np.complex64, np.complex128])
@pytest.mark.parametrize("length", LENGTHS)
def test_complex_transforms_are_scipys_to_the_last_bit(length, kind):
    samples = noise(3, length, kind=kind)
    for axis in (0, 1, -1):
        ours, theirs = scipy_kernels.fft(samples, axis=axis), scipy.fft.fft(samples, axis=axis)
        np.testing.assert_array_equal(ours, theirs, strict=True)
        for size, norm in ((None, None), (None, "forward"), (length + 5, None), (max(1, length - 2), None)):
            ours = scipy_kernels.ifft(samples, size, axis=axis, norm=norm)
            theirs = scipy.fft.ifft(samples, size, axis=axis, norm=norm)
            np.testing.assert_array_equal(ours, theirs, strict=True)


def test_a_transform_overwrites_its_samples_only_where_it_may():
    samples = noise(2, 64, kind=np.complex128)
    kept = samples.copy()
    scipy_kernels.fft(samples)
    scipy_kernels.ifft(samples, 32)
    scipy_kernels.ifft(samples, 100, overwrite_x=True)  # it is filled up in a copy
    np.testing.assert_array_equal(samples, kept)
    assert np.shares_memory(scipy_kernels.ifft(samples, overwrite_x=True), samples)


def test_samples_of_another_byte_order_or_off_their_boundary_are_read_as_they_are():
    samples = noise(2, 48, kind=np.float64)
    swapped = samples.astype(samples.dtype.newbyteorder())
    shifted = np.frombuffer(b"\0" + samples.tobytes(), np.uint8)[1:].view(np.float64).reshape(samples.shape)
    assert not shifted.flags.aligned
    for other in (swapped, shifted):
        np.testing.assert_array_equal(scipy_kernels.rfft(other), scipy.fft.rfft(samples))


def test_fast_lengths_are_scipys():
    asked = [*range(1, 3000), 48_001, 1_234_567]
    assert [scipy_kernels.next_fast_len(n) for n in asked] == [
        scipy.fft.next_fast_len(n, real=True) for n in asked
    ]


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("shape", [(1, 1), (2, 1000), (0, 10), (32, 77)])
def test_the_recursive_filter_is_scipys_to_the_last_bit_memory_included(shape, kind):
    b, a = np.array([0.5, 0.1, 0.2, 0.0, 0.1], kind), np.array([1.0, -1.9, 1.3, -0.4, 0.05], kind)
    samples, memory = noise(*shape, kind=kind), noise(shape[0], 4, kind=kind)
    for ours, theirs in zip(
        scipy_kernels.lfilter(b, a, samples, zi=memory),
        scipy.signal.lfilter(b, a, samples, zi=memory),
        strict=True,
    ):
        np.testing.assert_array_equal(ours, theirs, strict=True)


class Other:
    """A compiled module that lacks, or has become, something else."""

    def __init__(self, **names):
        self.__dict__ |= names


def raises(*_arguments):
    raise TypeError


@pytest.mark.parametrize(
    "module",
    [
        None,
        Other(),
        Other(_linear_filter=raises, r2c=raises),
        Other(_linear_filter=lambda *_: (np.zeros((1, 2)),) * 2, r2c=lambda *_: np.zeros((1, 3))),
        Other(_linear_filter=lambda *_: None, r2c=lambda *_: None),
    ],
)
def test_without_the_compiled_modules_as_they_were_the_public_functions_serve(module, monkeypatch):
    def found(_folder, name):
        if module is None:
            raise ImportError(name)
        return module

    monkeypatch.setattr(scipy_kernels, "_extension", found)
    assert scipy_kernels._filter_kernel() is scipy.signal.lfilter
    assert scipy_kernels._transforms() is scipy.fft
    monkeypatch.setattr(scipy_kernels, "_FILTER", scipy.signal.lfilter)
    monkeypatch.setattr(scipy_kernels, "_TRANSFORMS", scipy.fft)
    samples = noise(2, 30, kind=np.float64)
    np.testing.assert_allclose(scipy_kernels.irfft(scipy_kernels.rfft(samples), 30), samples)
    np.testing.assert_allclose(
        scipy_kernels.ifft(scipy_kernels.fft(samples + 0j), norm="forward"), 30 * samples
    )
    assert scipy_kernels.next_fast_len(7) == 8
    ours, _memory = scipy_kernels.lfilter(np.ones(2), np.array([1.0, 0.0]), samples, zi=np.zeros((2, 1)))
    np.testing.assert_allclose(ours[:, 1:], samples[:, 1:] + samples[:, :-1])


def test_the_version_is_scipys_also_where_nothing_is_known_of_its_installation(monkeypatch):
    assert scipy_kernels.scipy_version() == scipy.__version__

    def unknown(name):
        raise PackageNotFoundError(name)

    monkeypatch.setattr(scipy_kernels, "version", unknown)
    assert scipy_kernels.scipy_version() == scipy.__version__


def test_a_folder_without_the_compiled_module_is_an_import_error():
    with pytest.raises(ImportError):
        scipy_kernels._extension("signal", "no_such_module")


def test_names_private_to_scipy_are_in_this_module_only():
    private = {"_sigtools", "pypocketfft", "_linear_filter", "_pocketfft"}
    found = [
        file.name
        for file in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and private & set(node.value.split("/"))
        )
        or (isinstance(node, ast.Attribute) and node.attr in private)
        or (
            isinstance(node, ast.ImportFrom)
            and (node.module or "").startswith("scipy")
            and any(part.startswith("_") for part in (node.module or "").split("."))
        )
    ]
    assert set(found) == {"scipy_kernels.py"}
