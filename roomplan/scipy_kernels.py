"""scipy's compiled transforms and recursive filter, without the packages around them.

Importing scipy.signal takes one to two seconds and scipy.fft half of one; their compiled modules load in a
millisecond. So those are loaded by their files. Their names are private to scipy: they are used here and
nowhere else, tried once on a known case, and replaced by the public functions when anything is not as
expected. The samples are the same to the last bit either way.

Conventions
-----------
Arguments and results are those of scipy's functions of the same names, for arrays of float32, float64 and
their complex counterparts; `workers` are threads. Not here: other types, several axes, plans.
"""

from __future__ import annotations

from importlib.machinery import PathFinder
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec, module_from_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["fft", "ifft", "irfft", "lfilter", "next_fast_len", "rfft", "scipy_version"]

_NOT_AS_EXPECTED = (ImportError, AttributeError, TypeError, ValueError)


def _extension(folder: str, name: str) -> Any:
    """Compiled module of scipy, loaded by its file."""
    scipy = find_spec("scipy")
    roots = scipy.submodule_search_locations if scipy else None
    spec = PathFinder.find_spec(name, [str(Path(root, folder)) for root in roots or ()])
    if spec is None or spec.loader is None:
        raise ImportError(name)
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _filter_kernel() -> Callable[..., Any]:
    """Function (b, a, x, axis, zi) that returns what was filtered and the memory after it."""
    try:
        kernel = _extension("signal", "_sigtools")._linear_filter  # noqa: SLF001 - the one place for it
        # y[n] = x[n] + y[n − 1]/2
        found = kernel(
            np.array([1.0, 0.0]), np.array([1.0, -0.5]), np.array([[2.0, 0.0]]), -1, np.ones((1, 1))
        )
        if [part.tolist() for part in found] == [[[3.0, 1.5]], [[0.75]]]:
            return kernel
    except _NOT_AS_EXPECTED:
        pass
    from scipy.signal import lfilter as public

    return public


class _Transforms:
    """Transforms along one axis on the compiled module of scipy.fft."""

    def __init__(self) -> None:
        self._kernel = _extension("fft/_pocketfft", "pypocketfft")

    def are_as_expected(self) -> bool:
        """Whether four values, there and back, become what they should."""
        half = self.rfft(np.array([[1.0, 2.0, 0.0]]), 4)
        whole = self.fft(np.array([1.0, 1.0j]))
        return (
            half.tolist() == [[3.0, 1.0 - 2.0j, -1.0]]
            and self.irfft(half, 4).tolist() == [[1.0, 2.0, 0.0, 0.0]]
            and whole.tolist() == [1.0 + 1.0j, 1.0 - 1.0j]
            and self.ifft(whole).tolist() == [1.0, 1.0j]
            and self.ifft(whole, norm="forward").tolist() == [2.0, 2.0j]
            and self.next_fast_len(7, real=True) == 8
        )

    def next_fast_len(self, target: int, *, real: bool) -> int:
        return self._kernel.good_size(target, real)

    def rfft(self, x: Any, n: int | None = None, *, axis: int = -1, workers: int = 1) -> Any:
        return self._kernel.r2c(_fitted(x, n, axis), (axis,), True, 0, None, workers)

    def irfft(self, x: Any, n: int, *, axis: int = -1, norm: str | None = None, workers: int = 1) -> Any:
        half = _fitted(x, n // 2 + 1, axis)
        return self._kernel.c2r(half, (axis,), n, False, _scaling(norm), None, workers)

    def fft(self, x: Any, *, axis: int = -1, overwrite_x: bool = False, workers: int = 1) -> Any:
        whole = _fitted(x, None, axis)
        return self._kernel.c2c(whole, (axis,), True, 0, whole if overwrite_x else None, workers)

    def ifft(
        self,
        x: Any,
        n: int | None = None,
        *,
        axis: int = -1,
        norm: str | None = None,
        overwrite_x: bool = False,
        workers: int = 1,
    ) -> Any:
        whole = _fitted(x, n, axis)
        out = whole if overwrite_x else None
        return self._kernel.c2c(whole, (axis,), False, _scaling(norm), out, workers)


def _scaling(norm: str | None) -> int:
    """What an inverse is divided by: its length (2) or nothing (0)."""
    return 0 if norm == "forward" else 2


def _fitted(x: Any, n: int | None, axis: int) -> Any:
    """Array cut or filled up with zeros to `n` along an axis, as the compiled module can read it."""
    if not (x.flags.aligned and x.dtype.isnative):
        x = np.array(x, x.dtype.newbyteorder("="))
    if n is None or n == x.shape[axis]:
        return x
    index = [slice(None)] * x.ndim
    index[axis] = slice(0, n)
    kept = x[tuple(index)]
    if n < x.shape[axis]:
        return kept
    padded = np.zeros([*x.shape[:axis], n, *x.shape[axis:][1:]], x.dtype)
    index[axis] = slice(0, x.shape[axis])
    padded[tuple(index)] = kept
    return padded


def _transforms() -> Any:
    try:
        found = _Transforms()
        if found.are_as_expected():
            return found
    except _NOT_AS_EXPECTED:
        pass
    import scipy.fft as public

    return public


_FILTER = _filter_kernel()
_TRANSFORMS = _transforms()


def scipy_version() -> str:
    """Version of scipy, which need not be imported for it."""
    try:
        return version("scipy")
    except PackageNotFoundError:  # of a program that was packed without it
        import scipy

        return scipy.__version__


def lfilter(b: Array, a: Array, x: Array, *, zi: Array) -> tuple[Array, Array]:
    """Filter the last axis of `x`, not empty, from the memory `zi`; and the memory after it."""
    return _FILTER(b, a, x, -1, zi)


def next_fast_len(target: int) -> int:
    """Smallest length from `target` on at which a transform of real samples is fast."""
    return int(_TRANSFORMS.next_fast_len(target, real=True))


def rfft(x: NDArray[Any], n: int | None = None, *, axis: int = -1, workers: int = 1) -> NDArray[Any]:
    """Half spectrum of real samples, cut or padded to `n`."""
    return _TRANSFORMS.rfft(x, n, axis=axis, workers=workers)


def irfft(
    x: NDArray[Any], n: int, *, axis: int = -1, norm: str | None = None, workers: int = 1
) -> NDArray[Any]:
    """Return `n` real samples of a half spectrum; ``norm="forward"`` leaves them unscaled."""
    return _TRANSFORMS.irfft(x, n, axis=axis, norm=norm, workers=workers)


def fft(x: NDArray[Any], *, axis: int = -1, overwrite_x: bool = False, workers: int = 1) -> NDArray[Any]:
    """Spectrum of complex samples, which may be overwritten."""
    return _TRANSFORMS.fft(x, axis=axis, overwrite_x=overwrite_x, workers=workers)


def ifft(
    x: NDArray[Any],
    n: int | None = None,
    *,
    axis: int = -1,
    norm: str | None = None,
    overwrite_x: bool = False,
    workers: int = 1,
) -> NDArray[Any]:
    """Complex samples of a spectrum, cut or padded to `n`; ``norm="forward"`` leaves them unscaled."""
    return _TRANSFORMS.ifft(x, n, axis=axis, norm=norm, overwrite_x=overwrite_x, workers=workers)
