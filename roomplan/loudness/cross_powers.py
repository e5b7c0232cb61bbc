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
8.2 MB): 40 ms to factorise and write, 13 ms to open, 7 ms for 12 buses. 40 components: 49 MB, 0.6 s, 50 to
90 ms, 30 ms.

Sources
-------
ITU-R BS.1770-5, Annex 1: loudness is a mean of squares of linearly filtered channels.
"""

from __future__ import annotations

import math
import os
import re
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.loudness.factors import (
    STORED,
    BusProjection,
    Factoriser,
    component_amplitudes,
    components_of,
    count_pairs,
)
from roomplan.loudness.hops import HOPS_PER_SECOND

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

__all__ = ["LARGEST_FILE_BYTES", "CrossPowerWriter", "CrossPowers", "size_bytes"]

# Largest file that is kept: 5 hours of 16 components, 52 minutes of 40, 8 of 100. A quarter of what the cache
# holds by default (common practice, no source).
LARGEST_FILE_BYTES = 512_000_000

# The header as numpy writes it, format 1.0. Matched, not evaluated: a damaged one is then just another.
_HEADER = re.compile(
    rb"\x93NUMPY\x01\x00..\{'descr': '<f4', 'fortran_order': False, "
    rb"'shape': \((\d{1,12}), (\d{1,12})\), \} *\n",
    re.DOTALL,
)
_LONGEST_HEADER = 256


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
    return STORED.itemsize * math.floor(seconds * HOPS_PER_SECOND) * count_pairs(components)


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
        self._factoriser = Factoriser(components, self.write)
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
        if self._file is None and self.reason is None:
            raise ValueError("appended after finish()")
        self._factoriser.append(cross)

    def write(self, factor: NDArray[np.float32]) -> None:
        """Add hops whose factor is known.

        Parameters
        ----------
        factor : ndarray, shape (hops, pairs)
            C-contiguous, as `Factoriser` delivers it.
        """
        if self._file is None:
            return
        if self._hops * factor[:1].nbytes + factor.nbytes > self._limit_bytes:
            self._give_up(f"would be larger than {self._limit_bytes / 1e6:.0f} MB")
            return
        try:
            self._file.write(factor.data)
        except OSError as error:
            self._give_up(f"cannot be written ({error.strerror or error})")
            return
        self._hops += len(factor)

    def finish(self) -> str | None:
        """Write what waits and the number of hops, and close the file.

        Returns
        -------
        str or None
            `reason`: None when the file is complete and can be opened.
        """
        if self._file is None:
            return self.reason
        self._factoriser.finish()
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
        header = {"descr": STORED.str, "fortran_order": False, "shape": shape}
        np.lib.format.write_array_header_1_0(self._file, header)

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
        self.components = components_of(factor.shape[1])
        self._factor = factor
        self._own = component_amplitudes(factor, self.components)

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
            wanted = found.end() + hops * pairs * STORED.itemsize
            if count_pairs(components_of(pairs)) != pairs or size != wanted:
                raise _damaged(path, f"{size} bytes for {hops} hops of {pairs} pairs")
            factor = np.memmap(path, dtype=STORED, mode="r", offset=found.end(), shape=(hops, pairs))
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
        projection = BusProjection(gains, self.components)
        powers = np.empty((self.hops, projection.buses))
        projection.powers(self._factor, self._own, powers)
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
