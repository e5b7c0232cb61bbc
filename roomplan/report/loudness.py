"""Loudness of sound files as plain values: the `roomplan.loudness/2` document.

Conventions
-----------
As in `documents`; why a figure is null is in `reasons`, under the figure's key. Differences are file minus
reference.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.report.documents import Document, rounded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.loudness.programme import ProgrammeLoudness
    from roomplan.measuring.attempts import Unmeasured
    from roomplan.measuring.loudness import MeteredFile

__all__ = [
    "LOUDNESS_SCHEMA",
    "loudness_differences",
    "loudness_document",
    "loudness_entry",
    "without_sign_of_zero",
]

LOUDNESS_SCHEMA = "roomplan.loudness/2"

# Figure, an attribute of `ProgrammeLoudness` and a key of the document → key of its difference
_DIFFERENCES = {
    "integrated_lufs": "integrated_lu",
    "momentary_max_lufs": "momentary_max_lu",
    "short_term_max_lufs": "short_term_max_lu",
    "loudness_range_lu": "loudness_range_lu",
    "true_peak_dbtp": "true_peak_db",
    "sample_peak_dbfs": "sample_peak_db",
    "peak_to_loudness_db": "peak_to_loudness_db",
}


def loudness_differences(
    loudness: ProgrammeLoudness, reference: ProgrammeLoudness
) -> dict[str, float | None]:
    """Every figure minus that of a reference; None where one of them cannot be said.

    Returns
    -------
    dict of str to (float or None)
        LU for loudness and its range (``integrated_lu`` …), dB for peaks (``true_peak_db`` …).
    """
    result: dict[str, float | None] = {}
    for key, difference in _DIFFERENCES.items():
        ours, theirs = getattr(loudness, key), getattr(reference, key)
        result[difference] = None if ours is None or theirs is None else ours - theirs
    return result


def loudness_document(
    metered: Sequence[MeteredFile], failed: Sequence[Unmeasured], *, reference: MeteredFile | None
) -> Document:
    """Figures of sound files (`roomplan.loudness/2`), and the files that could not be metered.

    Parameters
    ----------
    metered, failed
        What `measuring.loudness` found.
    reference : MeteredFile, optional
        What to compare with: adds ``reference`` and ``differences``.
    """
    document: Document = {
        "schema": LOUDNESS_SCHEMA,
        "roomplan": __version__,
        "files": [_file(file) for file in metered],
        "failed": [{"file": str(file.path), "what": file.what} for file in failed],
    }
    if reference is not None:
        document["reference"] = _file(reference)
        document["differences"] = [_difference(file, reference) for file in metered]
    return document | {"note": MUSIC_ONLY, "hearing_note": LEVELS}


def loudness_entry(loudness: ProgrammeLoudness) -> Document:
    """Figures of one sound, as every document has them."""
    return {key: _rounded(getattr(loudness, key)) for key in _DIFFERENCES}


def _file(file: MeteredFile) -> Document:
    return {
        "file": str(file.path),
        "sample_rate": file.info.sample_rate,
        "channels": file.info.channels,
        "roles": [str(role) for role in file.loudness.roles],
        "duration_s": rounded(file.info.duration_s, 4),
        "loudness": loudness_entry(file.loudness),
        "reasons": dict(file.loudness.reasons),
    }


def _difference(file: MeteredFile, reference: MeteredFile) -> Document:
    reasons = {}
    for key, difference in _DIFFERENCES.items():
        for side in (file, reference):
            if key in side.loudness.reasons:
                reasons[difference] = f"{side.path}: {side.loudness.reasons[key]}"
                break
    found = loudness_differences(file.loudness, reference.loudness)
    return {
        "file": str(file.path),
        "reference": str(reference.path),
        **{key: _rounded(value) for key, value in found.items()},
        "reasons": reasons,
    }


def _rounded(value: float | None) -> float | None:
    return without_sign_of_zero(rounded(value, 3), 3)


def without_sign_of_zero(value: float | None, digits: int) -> float | None:
    """Rounded value; what rounds to nothing has no sign."""
    return None if value is None else round(value, digits) + 0.0
