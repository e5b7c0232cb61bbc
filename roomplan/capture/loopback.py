"""What the microphones heard, divided by what went out: converters, latency and colour of the chain are gone.

Conventions
-----------
Spectra are (channels, lines) of one take, the electrical signal's among them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.capture.inversion import shifted, to_responses
from roomplan.capture.takes import LEAD_S
from roomplan.scipy_kernels import rfft

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.capture.inversion import Inverse

__all__ = ["is_electrical", "without_chain"]

_DIRECT_S = 0.002
_ELECTRICAL = 0.9  # share of the energy within that time: a microphone hears a room, too
_BEFORE_S = 0.05  # linear-phase filters of converters ring for less
_AFTER_S = 0.4  # high-passes ring for less; the rest of the channel is noise
_REGULAR = 1e-8  # power, of the strongest line: what did not go out cannot come back


def is_electrical(spectrum: NDArray[np.complex128], inverse: Inverse, rate: int, *, kept: int) -> bool:
    """Whether a channel is a cable's and no microphone's, by the first `kept` frames of its response."""
    energy = to_responses(spectrum, inverse.frames)[:kept] ** 2
    centre = int(np.argmax(energy))
    around = round(_DIRECT_S * rate)
    near = float(np.sum(energy[max(0, centre - around) : centre + around]))
    return near > _ELECTRICAL * float(np.sum(energy))


def without_chain(
    spectra: NDArray[np.complex128], loopback: int, inverse: Inverse, rate: int
) -> NDArray[np.complex128]:
    """Spectra of all other channels, divided by the loopback's, `LEAD_S` ahead as before."""
    sent = to_responses(spectra[loopback], inverse.frames)
    centre = int(np.argmax(np.abs(sent)))
    first, end = centre - round(_BEFORE_S * rate), centre + round(_AFTER_S * rate)
    places = np.arange(first, end) % inverse.frames
    kept = np.zeros(inverse.frames)
    kept[places] = sent[places]
    went_out = rfft(kept, inverse.frames)
    power = np.abs(went_out) ** 2
    ratio = inverse.target * went_out.conj() / (power + _REGULAR * power.max())
    others = np.delete(spectra, loopback, axis=0)
    return shifted(others * ratio, inverse.frames, -round(LEAD_S * rate))
