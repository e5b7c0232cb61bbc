"""Late powers of what all rooms return of a section, at any levels of its sends.

Conventions
-----------
Each return is late `LATE_S` after its own pre-delay, so that a pre-delay makes no early sound late. What
comes of one input adds as amplitudes, over all sends; inputs are independent. Late powers are therefore
quadratic forms of the gains of the sends, measured once and kept in the cache by what the responses are:
`late.json`, the forms one behind the other and their digest. What is not as it was written is not there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan._version import __version__
from roomplan.acoustics.transforms import inner
from roomplan.files.digests import digest_of
from roomplan.rooms.late_likeness import LATE_S, NO_SOUND, LatePowers, late_spectra
from roomplan.scipy_kernels import scipy_version
from roomplan.session.response_matrices import section_response

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from roomplan.files.cache import Cache
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["late_powers_of_section"]

_VERSION = 2  # of how they are measured: raise it when that changes
_ROUNDING = 1e-12  # of the power of all sends: what is left of sends that cancel


def late_powers_of_section(
    section: SectionSource, matrices: Matrices, cache: Cache | None, *, sample_rate: int, title: str
) -> LatePowers:
    """Late powers of a section with a send in use, for a signal of power 1; all 0 where too little is late.

    Parameters
    ----------
    cache : Cache or None
        Where their forms are looked for and kept.
    title : str
        Says to a person what they are of.
    """
    used = [index for index, send in enumerate(section.sends) if not send.muted]
    told = [[matrices[section.name, i].identity, section.sends[i].pre_delay_s] for i in used]
    key = digest_of(
        *("late forms", _VERSION, __version__, np.__version__, scipy_version()),
        *(sample_rate, section.signal_channels, told),
    )
    entry = None if cache is None else cache.entry(key)
    forms = None if entry is None else _decoded(entry.document("late"), len(used))
    if forms is None:
        forms = _measured(section, matrices, used, sample_rate)
        if cache is not None and np.isfinite(forms).all():
            cache.forget(key)
            with cache.writing(key, title=title) as new:
                values = forms.ravel().tolist()
                new.save_document("late", {"forms": values, "digest": digest_of("late", values)})
    gains = np.array([section.sends[index].response_gain for index in used])
    left, right, common = (float(gains @ form @ gains) for form in forms)
    least = [_ROUNDING * float(gains**2 @ np.diag(form)) for form in forms[:2]]
    return LatePowers(left, right, common) if left > least[0] and right > least[1] else NO_SOUND


def _measured(
    section: SectionSource, matrices: Matrices, used: list[int], sample_rate: int
) -> NDArray[np.float64]:
    """Forms of left, right and common power, shape (3, sends, sends)."""
    starts = [
        round(section.sends[index].pre_delay_s * sample_rate) + round(LATE_S * sample_rate) for index in used
    ]
    frames = max(matrices[section.name, i].taps for i in used) - min(starts)
    forms = np.zeros((3, len(used), len(used)))
    for heard in range(section.signal_channels):
        late = np.zeros((2, len(used), max(frames, 0)))
        for row, (index, start) in enumerate(zip(used, starts, strict=True)):
            for source, output, gain, cell in section_response(section, matrices[section.name, index]):
                if source == heard and len(cell) > start:
                    # at its own time among the others
                    late[output, row, start - min(starts) : len(cell) - min(starts)] += gain * cell[start:]
        left, right = late_spectra(late, sample_rate=sample_rate)
        crossed = _products(left, right)
        forms += [_products(left, left), _products(right, right), (crossed + crossed.T) / 2.0]
    return forms


def _products(one: NDArray[np.complex128], other: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Real inner products of all rows with all rows of the other."""
    rows = [[part.view(np.float64) for part in lines] for lines in (one, other)]
    return np.array([[inner(first, second) for second in rows[1]] for first in rows[0]])


def _decoded(content: Any, sends: int) -> NDArray[np.float64] | None:
    """Forms of an entry; None where it does not hold them."""
    try:
        values = content["forms"]
        if content["digest"] != digest_of("late", values):
            return None
        return np.array(values, np.float64).reshape(3, sends, sends)
    except (KeyError, TypeError, ValueError, RecursionError):
        return None
