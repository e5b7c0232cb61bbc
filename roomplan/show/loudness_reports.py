"""Loudness of sound files as tables for a terminal, and the JSON document of `roomplan loudness`.

Conventions
-----------
As in `report.documents`: units are in the keys, null where a figure cannot be said, and why in `reasons`,
under the figure's key. Differences are file minus reference. In a table a dash is a figure that cannot be
said; the lines below the table say why.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from rich.text import Text

from roomplan._version import __version__
from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.loudness.roles import ChannelRole
from roomplan.report.documents import Document, rounded
from roomplan.show.tables import figure, figure_columns, file_names, level, plain_table

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.table import Table

    from roomplan.loudness.programme import ProgrammeLoudness
    from roomplan.measuring.attempts import Unmeasured
    from roomplan.measuring.loudness import MeteredFile

__all__ = [
    "LOUDNESS_SCHEMA",
    "difference_table",
    "loudness_differences",
    "loudness_document",
    "loudness_entry",
    "loudness_table",
    "notes",
]

LOUDNESS_SCHEMA = "roomplan.loudness/2"


class _Figure(NamedTuple):
    """Attribute of `ProgrammeLoudness`, name of its difference, heading, unit, and how it is written."""

    key: str
    difference: str
    heading: str
    unit: str
    text: Callable[[float | None, int], str]


_FIGURES = (
    _Figure("integrated_lufs", "integrated_lu", "integrated\n", "LUFS", level),
    _Figure("momentary_max_lufs", "momentary_max_lu", "momentary\nmax ", "LUFS", level),
    _Figure("short_term_max_lufs", "short_term_max_lu", "short-term\nmax ", "LUFS", level),
    _Figure("loudness_range_lu", "loudness_range_lu", "LRA\n", "LU", figure),
    _Figure("true_peak_dbtp", "true_peak_db", "true peak\n", "dBTP", level),
    _Figure("sample_peak_dbfs", "sample_peak_db", "sample\npeak ", "dBFS", level),
    _Figure("peak_to_loudness_db", "peak_to_loudness_db", "PLR\n", "dB", figure),
)
# A figure, and the one whose reason is also its own: where 400 ms are missing, 3 s are.
_CAUSES = {
    "integrated_lufs": None,
    "momentary_max_lufs": "integrated_lufs",
    "short_term_max_lufs": "momentary_max_lufs",
    "loudness_range_lu": "short_term_max_lufs",
    "true_peak_dbtp": None,
    "sample_peak_dbfs": "true_peak_dbtp",
    "peak_to_loudness_db": "integrated_lufs",
}
_OBVIOUS_ROLES = {(ChannelRole.MONO,), (ChannelRole.LEFT, ChannelRole.RIGHT)}


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
    for entry in _FIGURES:
        ours, theirs = getattr(loudness, entry.key), getattr(reference, entry.key)
        result[entry.difference] = None if ours is None or theirs is None else ours - theirs
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
    return {entry.key: _rounded(getattr(loudness, entry.key)) for entry in _FIGURES}


def loudness_table(metered: Sequence[MeteredFile], *, reference: MeteredFile | None) -> Table:
    """One row per file, and one for the reference.

    Parameters
    ----------
    metered : sequence of MeteredFile
        At least one.
    """
    rows = [*metered, *([reference] if reference is not None else [])]
    told = any(file.loudness.roles not in _OBVIOUS_ROLES for file in rows)
    table = plain_table(
        "Loudness (ITU-R BS.1770, EBU Tech 3341 and 3342)",
        "momentary: 400 ms · short-term: 3 s · LRA: loudness range · PLR: true peak over integrated · "
        "– no figure",
    )
    table.add_column("file", overflow="fold", min_width=12)
    if told:
        table.add_column("channels", overflow="fold")
    headings = ("length\ns", *(entry.heading + entry.unit for entry in _FIGURES))
    figure_columns(table, map(Text, headings))
    names = file_names([file.path for file in rows])
    for file, plain_name in zip(rows, names, strict=True):
        name = plain_name
        if file is reference:
            table.add_section()
            name += " (reference)"
        roles = [" ".join(file.loudness.roles)] if told else []
        cells = (entry.text(getattr(file.loudness, entry.key), 1) for entry in _FIGURES)
        table.add_row(name, *roles, figure(file.info.duration_s, 1), *cells)
    return table


def difference_table(metered: Sequence[MeteredFile], *, reference: MeteredFile) -> Table:
    """One row per file: every figure minus that of the reference."""
    table = plain_table(
        f"Difference to {reference.path.name}, LU and dB",
        "positive: louder, wider or higher than the reference",
    )
    table.add_column("file", overflow="fold", min_width=12)
    figure_columns(table, (Text(entry.heading.rstrip()) for entry in _FIGURES))
    for file, name in zip(metered, file_names([file.path for file in metered]), strict=True):
        found = loudness_differences(file.loudness, reference.loudness)
        table.add_row(name, *(level(_without_sign_of_zero(value, 1)) for value in found.values()))
    return table


def notes(metered: Sequence[MeteredFile]) -> list[Text]:
    """Why figures are missing: a line for each file that misses one.

    What misses a figure for the reason of another does not repeat it.
    """
    lines: dict[str, None] = {}
    for file, name in zip(metered, file_names([file.path for file in metered]), strict=True):
        reasons = file.loudness.reasons
        told = dict.fromkeys(
            reasons[key] for key, cause in _CAUSES.items() if key in reasons and cause not in reasons
        )
        if told:
            lines[f"{name}: {'; '.join(told)}"] = None
    return [Text(line) for line in lines]


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
    for entry in _FIGURES:
        for side in (file, reference):
            if entry.key in side.loudness.reasons:
                reasons[entry.difference] = f"{side.path}: {side.loudness.reasons[entry.key]}"
                break
    found = loudness_differences(file.loudness, reference.loudness)
    return {
        "file": str(file.path),
        "reference": str(reference.path),
        **{key: _rounded(value) for key, value in found.items()},
        "reasons": reasons,
    }


def _rounded(value: float | None) -> float | None:
    return _without_sign_of_zero(rounded(value, 3), 3)


def _without_sign_of_zero(value: float | None, digits: int) -> float | None:
    """Rounded value; what rounds to nothing has no sign."""
    return None if value is None else round(value, digits) + 0.0
