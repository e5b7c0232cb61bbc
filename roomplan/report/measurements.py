"""Measured responses as data: the JSON document of `roomplan measure`, and rows for a spreadsheet.

Conventions
-----------
As in `documents`: units are in the keys, null where the data do not support a figure, values rounded to
what they mean. Every figure's `doubt` says what it is worth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.acoustics.differences import describe
from roomplan.acoustics.figures import FIGURES, doubtful_figures
from roomplan.cautions import MUSIC_ONLY
from roomplan.report.csv_rows import csv_text
from roomplan.report.documents import Document, band_entry, nominal, rounded, rounded_ms

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from roomplan.acoustics.correlation import BandCorrelation, Correlation
    from roomplan.acoustics.differences import Difference, SameRoom
    from roomplan.acoustics.doubt import Doubt
    from roomplan.acoustics.figures import BandFigures
    from roomplan.acoustics.response import ChannelFigures, SpeechEstimate
    from roomplan.measuring.attempts import Unmeasured
    from roomplan.measuring.responses import MeasuredFile

__all__ = [
    "MEASURE_SCHEMA",
    "Against",
    "measure_csv",
    "measure_document",
    "measured_band",
    "numbered_channels",
]

MEASURE_SCHEMA = "roomplan.measure/2"

_DIGITS = {"c50_db": 3, "c80_db": 3, "d50": 4, "centre_time_s": 5, "sti": 4}


@dataclass(frozen=True)
class Against:
    """Differences of one channel to the same channel of a reference."""

    reference: Path
    differences: tuple[Difference, ...]
    same_room: SameRoom


def numbered_channels(measured: MeasuredFile) -> list[tuple[int, ChannelFigures]]:
    """Channels with their numbers in the file."""
    return list(zip(measured.channel_numbers, measured.figures.channels, strict=True))


def measure_document(
    measured: Sequence[MeasuredFile],
    failed: Sequence[Unmeasured],
    *,
    fraction: int,
    binaural: bool,
    against: Mapping[tuple[Path, int], Against],
) -> Document:
    """Figures of responses (`roomplan.measure/2`), and the files that could not be measured.

    Parameters
    ----------
    measured, failed
        What `measuring.responses` found.
    fraction : int
        Bands per octave.
    binaural : bool
        Whether the user declared the files binaural: then the correlation has the name IACC.
    """
    return {
        "schema": MEASURE_SCHEMA,
        "roomplan": __version__,
        "bands_per_octave": fraction,
        "responses": [_response(file, binaural=binaural, against=against) for file in measured],
        "failed": [{"file": str(file.path), "what": file.what} for file in failed],
        "note": MUSIC_ONLY,
        "sti_note": MUSIC_ONLY,
    }


def _response(
    measured: MeasuredFile, *, binaural: bool, against: Mapping[tuple[Path, int], Against]
) -> Document:
    entry: Document = {
        "file": str(measured.path),
        "sample_rate": measured.sample_rate,
        "duration_s": rounded(measured.duration_s, 4),
        "channels": [
            _channel(number, channel, against.get((measured.path, number)))
            for number, channel in numbered_channels(measured)
        ],
        "warnings": list(measured.warnings),
    }
    if measured.figures.correlation:
        key = "iacc" if binaural else "inter_channel_correlation"
        entry[key] = [_correlation(band, binaural=binaural) for band in measured.figures.correlation]
    return entry


def _channel(number: int, channel: ChannelFigures, against: Against | None) -> Document:
    decay = channel.decay
    reasons: dict[str, str] = {}
    for band in decay.bands:
        reasons |= {f"bands.{nominal(band.centre_hz)}.{key}": text for key, text in band.reasons.items()}
    speech = channel.speech
    if speech.reason is not None and speech.value is None:
        reasons["sti"] = speech.reason
    entry: Document = {
        "channel": number,
        "bands": [{"centre_hz": nominal(band.centre_hz)} | measured_band(band) for band in decay.bands],
        "mid": measured_band(decay.mid),
        "broadband": measured_band(channel.broadband),
        "a_weighted": measured_band(channel.a_weighted),
        "sti": rounded(speech.value, 4),
        "sti_qualification": speech.qualification,
        "doubt": {"sti": _speech_doubt(speech)},
        "verdict": decay.verdict,
        "reasons": reasons | dict(decay.reasons),
    }
    if against is not None:
        entry["against"] = _against(against)
    return entry


def measured_band(band: BandFigures) -> Document:
    """Every figure of a band with its doubt, without the band's centre."""
    slope = band.double_slope
    return band_entry(band, with_centre=False) | {
        "t10_s": rounded(band.t10_s, 4),
        "c50_db": rounded(band.c50_db, 3),
        "decay_range_db": rounded(band.decay_range_db, 2),
        "xi_permille": rounded(band.xi_permille, 2),
        "curvature_percent": rounded(band.curvature_percent, 2),
        "double_slope": None
        if slope is None
        else {
            "first_decay_time_s": rounded(slope.first_decay_time_s, 4),
            "second_decay_time_s": rounded(slope.second_decay_time_s, 4),
            "crossing_s": rounded(slope.crossing_s, 4),
            "crossing_level_db": rounded(slope.crossing_level_db, 2),
        },
        "verdict": band.verdict,
        "reasons": dict(band.reasons),
        "doubt": {key: _doubt(band.doubt[key], _DIGITS.get(key, 4)) for key in FIGURES},
    }


def _doubt(doubt: Doubt, digits: int) -> Document:
    return {
        "uncertainty": rounded(doubt.uncertainty, digits),
        "decay_range_db": rounded(doubt.decay_range_db, 2),
        "verdict": doubt.verdict,
        "reason": doubt.reason,
    }


def _speech_doubt(speech: SpeechEstimate) -> Document:
    return {
        "uncertainty": rounded(speech.uncertainty, 4),
        "decay_range_db": None,
        "verdict": speech.verdict,
        "reason": speech.reason,
    }


def _correlation(band: BandCorrelation, *, binaural: bool) -> Document:
    def part(found: Correlation) -> Document:
        value = found.coefficient
        if binaural:
            entry: Document = {"iacc": rounded(None if value is None else abs(value), 4)}
        else:
            entry = {"coefficient": rounded(value, 4), "at_lag_zero": rounded(found.at_lag_zero, 4)}
        return entry | {
            "lag_ms": rounded_ms(found.lag_s, 4),
            "uncertainty": rounded(found.uncertainty, 4),
            "by_chance": rounded(found.by_chance, 4),
            "verdict": found.verdict,
            "reason": found.reason,
        }

    return {"centre_hz": nominal(band.centre_hz), "early": part(band.early), "late": part(band.late)}


def _against(against: Against) -> Document:
    return {
        "file": str(against.reference),
        "differences": [
            {
                "band": "mid" if entry.centre_hz is None else nominal(entry.centre_hz),
                "figure": entry.key,
                "value": rounded(entry.value, 5),
                "reference": rounded(entry.reference, 5),
                "difference": rounded(entry.difference, 5),
                "steps": rounded(entry.steps, 2),
                "chance": rounded(entry.chance, 2),
                "step_in_iso_3382_1": entry.in_table,
                "text": describe(entry),
            }
            for entry in against.differences
        ],
        "same_room": {
            "verdict": against.same_room.verdict,
            "bands_compared": against.same_room.bands_compared,
            "reason": against.same_room.reason,
        },
    }


_COLUMNS = (*FIGURES, "decay_range_db", "xi_permille", "curvature_percent")


def measure_csv(measured: Sequence[MeasuredFile], *, binaural: bool) -> str:
    """Rows for a spreadsheet: one for each file, channel and band, figures and uncertainties across.

    The band of the whole channel is "mid", "broadband" or "A-weighted"; `sti` is in its "mid" row, the
    channel correlation in the rows of its bands. An empty cell is a figure the data do not support; `verdict`
    and `reason` are those of the band. The last row says what the figures are not for, and nothing else.
    """
    names = ("iacc_early", "iacc_late") if binaural else ("correlation_early", "correlation_late")
    heading = ["file", "channel", "sample_rate", "band", *_COLUMNS]
    heading += [f"{key}_uncertainty" for key in FIGURES]
    rows: list[Sequence[str | float | None]] = [[*heading, "sti", *names, "verdict", "reason"]]
    for file in measured:
        likeness = {band.centre_hz: band for band in file.figures.correlation}
        for number, channel in numbered_channels(file):
            bands = (*channel.decay.bands, channel.decay.mid, channel.broadband, channel.a_weighted)
            for band in bands:
                mid = band is channel.decay.mid
                row = [_cell(getattr(band, key), _DIGITS.get(key, 4)) for key in _COLUMNS]
                row += [_cell(band.doubt[key].uncertainty, _DIGITS.get(key, 4)) for key in FIGURES]
                row.append(_cell(channel.speech.value, 4) if mid else "")
                found = likeness.get(band.centre_hz) if band.centre_hz is not None else None
                for part in (found.early, found.late) if found else ():
                    value = part.coefficient
                    row.append(_cell(abs(value) if binaural and value is not None else value, 4))
                row += [""] * (0 if found else 2)
                label = band.label if band.centre_hz is None else f"{nominal(band.centre_hz)}"
                reason = band.reasons.get("verdict") or doubtful_figures(band.doubt) or ""
                rows.append([str(file.path), number, file.sample_rate, label, *row, band.verdict, reason])
    if len(rows) > 1:
        rows.append([MUSIC_ONLY, *[""] * (len(rows[0]) - 1)])
    return csv_text(rows)


def _cell(value: float | None, digits: int) -> float | str:
    figure = rounded(value, digits)
    return "" if figure is None else figure
