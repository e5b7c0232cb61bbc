"""A written sweep as lines for a terminal."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from rich.text import Text

from roomplan.show.tables import figure, level

if TYPE_CHECKING:
    from roomplan.report.sweeps import WrittenSweep

__all__ = ["sweep_lines"]


def sweep_lines(written: WrittenSweep) -> list[Text]:
    """What was written, whether it is long enough, and what comes next."""
    one, advice = written.played.sweep, written.advice
    sides = ", ".join(written.played.sides)
    band = f"{one.start_frequency:g} to {one.end_frequency:g} Hz"
    gap = f"{written.played.gap_seconds:g} s of silence after each"
    asked = f"a decay of {advice.decay_s:g} s and a range of {advice.range_db:g} dB"
    if advice.over_noise_db is not None:
        asked += f", {advice.over_noise_db:g} dB over the noise,"
    verdict = "this is enough" if written.long_enough else "this is too short"
    where = shlex.quote(str(written.file))
    recording = "RECORDING.wav" if written.recording is None else shlex.quote(str(written.recording.file))
    lines = [
        f"{written.file}: {sides}, {band} in {one.seconds:g} s each, {gap}",
        f"{written.duration_s:.1f} s at {one.rate} Hz, WAV, 24 bit, peak {level(one.level)} dBFS",
        f"{written.text_file}: how it was made; keep it beside the sweep",
        f"{asked} ask for a sweep of {figure(advice.seconds, 1)} s or more: {verdict}",
    ]
    if written.recording is None:
        lines.append("Play it, record all of it in one take (roomplan help capture has a sheet), then:")
    else:
        found = written.recording
        over = f"a sweep at −30 dBFS is {figure(found.over_noise_db, 0)} dB over the noise of the room"
        lines.append(f"{found.file}: recorded, peak {level(found.peak_dbfs)} dBFS; {over}. Next:")
    lines.append(f"  roomplan capture {recording} --sweep {where} --output FOLDER")
    return [Text(line) for line in lines]
