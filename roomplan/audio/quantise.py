"""Float to 16 or 24 bit: dither, round, limit.

Conventions
-----------
Full scale ±1.0 is 2^(bits−1) steps (LSB); integers are int32 holding plain values, 16-bit ones too.
A step of dither is one LSB.

The dither has a triangular probability density of 2 LSB from end to end (TPDF): the sum of two independent
uniform values of 1 LSB. With it the mean and the power of the error do not depend on the signal, and its
power is 1/12 (rounding) + 2/12 (dither) = 1/4 LSB².

Sources
-------
- Lipshitz, Wannamaker, Vanderkooy, *Quantization and Dither: A Theoretical Survey*, J. Audio Eng. Soc. 40
  (1992) 355–375: TPDF of 2 LSB makes the first two moments of the error independent of the signal.
- NumPy NEP 19: the raw streams of bit generators and the seeding of `SeedSequence` are kept for ever, the
  distributions of `Generator` are not; so the dither is made here from raw words.
"""

from __future__ import annotations

import hashlib

import numpy as np

__all__ = ["Quantiser"]

# Values handled at a time: the work arrays of this size (four of 8 bytes) stay in a second-level cache.
_CHUNK = 16_384


class Quantiser:
    """Turns a stream of float blocks into integers, with the same result for every block split.

    Parameters
    ----------
    bit_depth : int
        16 or 24.
    seed : str
        Any text that stays the same from run to run, such as the name of the bus. Different texts give
        independent dither, so that the dither of several files adds up in power when they are summed.

    Attributes
    ----------
    over_range : int
        Values so far whose integer did not fit and was limited to the nearest that does. Full scale +1.0
        is one LSB too high; dither can lift a value that lies within one LSB of the limit over it.

    Notes
    -----
    No noise shaping. Digital silence gets its dither as well (values −1, 0 and 1).
    """

    def __init__(self, *, bit_depth: int, seed: str) -> None:
        self._scale = float(2 ** (bit_depth - 1))
        self._lowest, self._highest = -self._scale, self._scale - 1.0
        digest = hashlib.sha256(seed.encode("utf-8", "surrogatepass")).digest()
        self._words = np.random.PCG64(int.from_bytes(digest, "little"))
        self.over_range = 0

    def __call__(self, block: np.ndarray) -> np.ndarray:
        """Quantise the next block.

        Parameters
        ----------
        block : np.ndarray, shape=(frames, channels), float32 or float64
            Finite.

        Returns
        -------
        np.ndarray, shape=(frames, channels), int32, C-contiguous
        """
        flat = np.ascontiguousarray(block).reshape(-1)
        result = np.empty(flat.shape, np.int32)
        for first in range(0, flat.size, _CHUNK):
            last = first + _CHUNK
            # float64: a float32 has no bits left for dither beside a 24-bit value.
            values = flat[first:last] * np.float64(self._scale)
            values += self._dither(values.size)
            np.rint(values, out=values)
            if values.max() > self._highest or values.min() < self._lowest:
                self.over_range += int(np.count_nonzero((values > self._highest) | (values < self._lowest)))
                np.clip(values, self._lowest, self._highest, out=values)
            result[first:last] = values
        return result.reshape(block.shape)

    def _dither(self, count: int) -> np.ndarray:
        """Next TPDF values in LSB; one 64-bit word each, whose halves are the two uniform values."""
        halves = self._words.random_raw(count).view(np.int32)
        # Each half is uniform in −2^31 … 2^31 − 1; the mean of their sum is −2^−32 LSB.
        dither = np.add(halves[0::2], halves[1::2], dtype=np.float64)
        dither *= 2.0**-32
        return dither
