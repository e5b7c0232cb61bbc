"""Cross powers of all pairs of components, kept on disk: the loudness of buses nobody has rendered.

Conventions
-----------
Gᵢⱼ = Σ_channels w Σ_t kᵢ(t)·kⱼ(t) of the K-weighted components of one 20 ms hop (`algebra`). Pairs are
those of the upper triangle, row by row: (0, 0), (0, 1) … (0, n−1), (1, 1) …, n(n+1)/2 of them. Linear gains,
full scale 1.0.

What is stored is not G but its factor U, upper triangular, G = UᵀU, in float32 and in the same places. The
power of a bus with gains g is |U g|²: a sum of squares, never negative. It costs no byte more than G and is
worth far more. In-phase amplitude A = Σ|gᵢ|√Gᵢᵢ is what the components would give if nothing cancelled.
Rounding G to float32 spoils the power by 6e-8 A², which is sound at −72 dB of the in-phase sum; rounding U
spoils the *amplitude* by 6e-8 A, which is sound at −144 dB.

Error: |√P − √P_exact| ≤ 2.5e-7 A (6e-8 of float32, 1e-7 of components taken for copies, the rest of
summing in float64). So the loudness of a bus 20 dB under its in-phase sum is right to 3e-5 LU, at 60 dB
under it to 0.003 LU. Below −130 dB the rest is called silence, as in `algebra`.

File: a .npy of float32, shape (hops, pairs). Measured on a busy core, 16 components, 15,000 hops (5 minutes,
8.2 MB): 40 ms to factorise and write, 13 ms to open, 7 ms for 12 buses in stretches of 800 hops; the
pairs-major order took the same, one stretch of everything three times as long. 40 components: 49 MB, 0.6 s,
50 to 90 ms, 30 ms.

Sources
-------
ITU-R BS.1770-5, Annex 1: loudness is a mean of squares of linearly filtered channels. The factor is
that of Cholesky, without pivoting, for matrices that may be singular (textbook knowledge).
"""

from __future__ import annotations

import math
import os
import re
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.loudness.hops import HOPS_PER_SECOND

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

__all__ = ["LARGEST_FILE_BYTES", "CrossPowerWriter", "CrossPowers", "count_pairs", "size_bytes"]

# Largest file that is kept: 5 hours of 16 components, 52 minutes of 40, 8 of 100. A quarter of what the cache
# holds by default (common practice, no source).
LARGEST_FILE_BYTES = 512_000_000

_STORED = np.dtype("<f4")

# The header as numpy writes it, format 1.0. Matched, not evaluated: a damaged one is then just another.
_HEADER = re.compile(
    rb"\x93NUMPY\x01\x00..\{'descr': '<f4', 'fortran_order': False, "
    rb"'shape': \((\d{1,12}), (\d{1,12})\), \} *\n",
    re.DOTALL,
)
_LONGEST_HEADER = 256

# Hops factorised at a time: with 16 components 280 kB, which stay in the core's own cache.
_HOPS_AT_ONCE = 256

# Multiplications of one matrix product, and hops of one stretch. Larger products are spread over threads by
# common BLAS builds, whose waking takes longer than the product (measured: 5 ms become 150).
_PRODUCT_SIZE = 250_000
_LONGEST_STRETCH = 800
_SHORTEST_STRETCH = 32

# What is left of a component after those before it are taken out: below this share of its power (−140 dB) it
# is the rounding of Gᵢᵢ, a few 1e-15 of it, and the component is a copy of them.
_COPY = 1e-14

# Power above which the amplitude has no place in float32; no sound comes near it, so it counts as NaN.
_TOO_LARGE = 1e76

# As in `algebra`: below this share of the power of the components added in phase, the rest is rounding.
_CANCELLED = 1e-13


def count_pairs(components: int) -> int:
    """Pairs of `components` components, each with itself included.

    Returns
    -------
    int
        n(n+1)/2.
    """
    return components * (components + 1) // 2


def size_bytes(components: int, seconds: float) -> int:
    """Bytes of the samples of a file: 4 × hops × n(n+1)/2.

    Parameters
    ----------
    seconds : float
        Length of the sound.

    Returns
    -------
    int
        8.2 MB for 16 components and 5 minutes. Above `LARGEST_FILE_BYTES` nothing is kept.
    """
    return _STORED.itemsize * math.floor(seconds * HOPS_PER_SECOND) * count_pairs(components)


class CrossPowerWriter:
    """Writes the cross powers of a stream, hop by hop, in bounded memory.

    Parameters
    ----------
    path : Path
        File to be made; `.npy` by custom. It is complete only after `finish`.
    components : int
        At least 1.
    limit_bytes : int
        Largest size of the samples.

    Attributes
    ----------
    reason : str or None
        Why there will be no file, once that is known.

    Raises
    ------
    ValueError
        When there is no component.

    Notes
    -----
    What is kept only saves time, so nothing that happens here stops the job: a disk that is full or cannot be
    written, or more than `limit_bytes`, ends the writing, removes the file and is said in `reason`. As a
    context manager it removes what was not finished.
    """

    def __init__(self, path: Path, *, components: int, limit_bytes: int = LARGEST_FILE_BYTES) -> None:
        if components < 1:
            raise ValueError(f"{components} components have no cross powers")
        self.components = components
        self.reason: str | None = None
        self._path = path
        self._limit_bytes = limit_bytes
        self._waiting = np.empty((count_pairs(components), _HOPS_AT_ONCE))
        self._waits = 0  # hops of `_waiting` in use
        self._hops = 0  # hops in the file
        self._file: Any = None
        try:
            self._file = path.open("wb")
            self._write_header()
        except OSError as error:
            self._give_up(f"cannot be written ({error.strerror or error})")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        if self._file is not None:
            self._give_up("was not finished")

    def append(self, cross: NDArray[np.float64]) -> None:
        """Add hops.

        Parameters
        ----------
        cross : ndarray, shape (hops, pairs)
            Upper triangle of G, channel weights applied and channels summed. A hop with any value that is not
            finite becomes NaN in all pairs.

        Raises
        ------
        ValueError
            When the shape does not fit, or after `finish`.
        """
        pairs = count_pairs(self.components)
        if cross.ndim != 2 or cross.shape[1] != pairs:
            raise ValueError(f"cross powers of shape {cross.shape}, expected (hops, {pairs})")
        if self._file is None:
            if self.reason is None:
                raise ValueError("appended after finish()")
            return
        done = 0
        while done < len(cross) and self._file is not None:
            count = min(_HOPS_AT_ONCE - self._waits, len(cross) - done)
            self._waiting[:, self._waits : self._waits + count] = cross[done : done + count].T
            self._waits += count
            done += count
            if self._waits == _HOPS_AT_ONCE:
                self._flush()

    def finish(self) -> str | None:
        """Write what waits and the number of hops, and close the file.

        Returns
        -------
        str or None
            `reason`: None when the file is complete and can be opened.
        """
        if self._file is None:
            return self.reason
        self._flush()
        if self._hops == 0 and self._file is not None:
            self._give_up("would hold no whole hop")
        if self._file is not None:
            try:
                self._file.seek(0)
                self._write_header()
                self._file.close()
                self._file = None
            except OSError as error:
                self._give_up(f"cannot be written ({error.strerror or error})")
        return self.reason

    def _write_header(self) -> None:
        # numpy pads the header so that the first axis can grow without moving the samples
        shape = (self._hops, count_pairs(self.components))
        header = {"descr": _STORED.str, "fortran_order": False, "shape": shape}
        np.lib.format.write_array_header_1_0(self._file, header)

    def _flush(self) -> None:
        hops, self._waits = self._waits, 0
        size = (self._hops + hops) * self._waiting.shape[0] * _STORED.itemsize
        if size > self._limit_bytes:
            self._give_up(f"would be larger than {self._limit_bytes / 1e6:.0f} MB")
            return
        factor = _factorised(self._waiting[:, :hops], self.components)
        try:
            self._file.write(np.ascontiguousarray(factor.T.astype(_STORED)).data)
        except OSError as error:
            self._give_up(f"cannot be written ({error.strerror or error})")
            return
        self._hops += hops

    def _give_up(self, why: str) -> None:
        self.reason = f"{self._path.name} {why}"
        file, self._file = self._file, None
        if file is None:  # not ours: it could not even be opened
            return
        with suppress(OSError):
            file.close()
        with suppress(OSError):
            self._path.unlink(missing_ok=True)


class CrossPowers:
    """Power per 20 ms hop of any bus, from a file of `CrossPowerWriter`; open one with `CrossPowers.open`.

    Parameters
    ----------
    factor : ndarray, shape (hops, pairs)
        Rows of U, float32; may be mapped from a file.

    Notes
    -----
    Memory: 8 bytes × hops × components, and the file as far as the system keeps it. Peaks are not here: they
    need the summed samples. A hop with a bad sample in any component is NaN in every bus, and
    `loudness_of_hops` says so.
    """

    def __init__(self, factor: NDArray[np.float32]) -> None:
        self.hops = factor.shape[0]
        self.components = _components_of(factor.shape[1])
        self._factor = factor
        self._starts = _row_starts(self.components)
        self._own = np.zeros((self.hops, self.components))  # √Gᵢᵢ, the length of column i of U
        for start in range(0, self.hops, _LONGEST_STRETCH):
            part = factor[start : start + _LONGEST_STRETCH].astype(np.float64)
            part *= part
            own = self._own[start : start + _LONGEST_STRETCH]
            for row in range(self.components):
                own[:, row:] += part[:, self._starts[row] : self._starts[row + 1]]
        np.sqrt(self._own, out=self._own)

    @classmethod
    def open(cls, path: Path) -> CrossPowers:
        """Map a finished file.

        Raises
        ------
        RoomplanError
            When the file is missing, unfinished, cut off or something else.

        Notes
        -----
        Samples are read once, for the power of every component. Nothing is unpickled. Changed samples
        in a file of the right size are not noticed here.
        """
        try:
            with path.open("rb") as file:
                size = os.fstat(file.fileno()).st_size
                found = _HEADER.match(file.read(_LONGEST_HEADER))
            if found is None:
                raise _damaged(path, "its header is another")
            hops, pairs = int(found[1]), int(found[2])
            if hops == 0:  # as the header says until the end
                raise _damaged(path, "it was not finished")
            wanted = found.end() + hops * pairs * _STORED.itemsize
            if count_pairs(_components_of(pairs)) != pairs or size != wanted:
                raise _damaged(path, f"{size} bytes for {hops} hops of {pairs} pairs")
            factor = np.memmap(path, dtype=_STORED, mode="r", offset=found.end(), shape=(hops, pairs))
        except (OSError, ValueError) as error:  # ValueError: cut off between the two looks
            raise _damaged(path, str(error)) from error
        return cls(factor)

    def sums(self, gains: ArrayLike) -> NDArray[np.float64]:
        """Weighted power of one bus for every hop: Σᵢⱼ gᵢ gⱼ Gᵢⱼ.

        Parameters
        ----------
        gains : array_like, shape (components,)
            Linear gains.

        Returns
        -------
        ndarray, shape (hops,)
            For `loudness_of_hops`. Components that cancel to less than −130 dB give 0.

        Raises
        ------
        RoomplanError
            When the gains do not fit or are not finite.
        """
        return self.sums_many(np.asarray(gains, dtype=np.float64)[None])[0]

    def sums_many(self, gains: ArrayLike) -> NDArray[np.float64]:
        """Weighted power of several buses for every hop.

        Parameters
        ----------
        gains : array_like, shape (buses, components)
            Linear gains.

        Returns
        -------
        ndarray, shape (buses, hops)
            As `sums`, row by row.

        Raises
        ------
        RoomplanError
            When the gains do not fit or are not finite.
        """
        matrix = np.asarray(gains, dtype=np.float64)
        if matrix.ndim != 2 or matrix.shape[1] != self.components or not np.isfinite(matrix).all():
            raise RoomplanError(
                f"bus gains of shape {matrix.shape} cannot be used",
                remedy=f"give finite gains of shape (buses, {self.components})",
            )
        buses = len(matrix)
        below = [np.ascontiguousarray(matrix[:, row:].T) for row in range(self.components)]
        every = math.sqrt(_CANCELLED) * np.abs(below[0])
        stretch = _PRODUCT_SIZE // max(1, buses * self.components)
        stretch = max(_SHORTEST_STRETCH, min(stretch, _LONGEST_STRETCH))
        powers = np.zeros((self.hops, buses))
        amplitudes = np.empty((stretch, buses))
        rows = np.empty((stretch, self._factor.shape[1]))
        for start in range(0, self.hops, stretch):
            power = powers[start : start + stretch]
            amplitude, part = amplitudes[: len(power)], rows[: len(power)]
            part[:] = self._factor[start : start + stretch]
            for row, gain in enumerate(below):
                np.matmul(part[:, self._starts[row] : self._starts[row + 1]], gain, out=amplitude)
                np.multiply(amplitude, amplitude, out=amplitude)
                np.add(power, amplitude, out=power)
            np.matmul(self._own[start : start + stretch], every, out=amplitude)
            np.multiply(amplitude, amplitude, out=amplitude)
            power[power < amplitude] = 0.0
        return np.ascontiguousarray(powers.T)

    def component_sums(self, component: int) -> NDArray[np.float64]:
        """Weighted power of one component at unit gain for every hop.

        Returns
        -------
        ndarray, shape (hops,)

        Raises
        ------
        IndexError
            When there is no such component.
        """
        return self._own[:, range(self.components)[component]] ** 2


def _damaged(path: Path, what: str) -> RoomplanError:
    return RoomplanError(
        f"{path}: holds no finished cross powers ({what})", remedy="delete it and render again"
    )


def _components_of(pairs: int) -> int:
    """Number of components that have so many pairs, or less than so many when no number has."""
    return (math.isqrt(8 * pairs + 1) - 1) // 2


def _row_starts(components: int) -> list[int]:
    """Where the rows of the upper triangle begin, and the end of the last."""
    return [row * components - row * (row - 1) // 2 for row in range(components + 1)]


def _factorised(cross: NDArray[np.float64], components: int) -> NDArray[np.float64]:
    """U of every hop from the upper triangle of G = UᵀU, both of shape (pairs, hops).

    Hop by hop the same operations in the same order, so nothing depends on which hops stand together.
    """
    starts = _row_starts(components)
    rest = np.array(cross)  # a copy, contiguous along the hops; what is left of G when the rows above are out
    bad = ~(np.abs(rest) < _TOO_LARGE).all(axis=0)
    rest[:, bad] = 0.0
    own = rest[starts[:-1]]  # a copy: the diagonal
    for row in range(components):
        whole = rest[starts[row] : starts[row + 1]]
        present = whole[0] > _COPY * own[row]
        # The root of what is no rounding, and 1 elsewhere: rows of copies become zero, not noise.
        whole /= np.sqrt(np.where(present, whole[0], 1.0))
        whole[:, ~present] = 0.0
        for below in range(row + 1, components):
            shared = whole[below - row :]
            rest[starts[below] : starts[below + 1]] -= shared[0] * shared
    rest[:, bad] = np.nan
    return rest
