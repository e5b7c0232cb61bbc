"""What a finding about a recording means, in words, and what would mend it.

Conventions
-----------
A sentence begins in the small and has no full stop: it follows the name of the recording. Channels count
from 1, times from the start of the recording.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from roomplan.capture.result import Finding

__all__ = ["BANG_LIMITS", "NO_STANDARD", "Said", "Verdict", "said_of", "verdict_of"]

Verdict = Literal["good", "doubtful", "unusable"]

NO_STANDARD = (
    "not an ISO 3382 measurement: that asks for an omnidirectional source and more places; one loudspeaker "
    "for each seat is what a mix wants"
)
BANG_LIMITS = (
    "what a bang cannot give: it colours the response with its own sound, has little below 250 Hz, and is "
    "neither the same twice nor to all sides; trust its decay times more than its EDT and clarity (Papadakis "
    "and Stavroulakis, Acoustics 2(2), 2020)"
)


class Said(NamedTuple):
    """What is wrong, and what would be right."""

    what: str
    remedy: str


# what may be wrong with one take while another one is right
_OF_A_TAKE = frozenset({"clipping", "dropout", "inserted", "knock"})


def verdict_of(findings: Sequence[Finding]) -> Verdict:
    """What a capture is worth, in the words of `measure`."""
    severities = {finding.severity for finding in findings}
    if "refused" in severities:
        return "unusable"
    return "doubtful" if "unreliable" in severities else "good"


def said_of(finding: Finding) -> Said:
    """Words of a finding, with its time, side and channel."""
    said = _WORDS[finding.code](finding)
    if finding.severity == "remark" and finding.code in _OF_A_TAKE:
        said = Said(said.what, "nothing to do: another take of this side is used")
    where = []
    if finding.time_s is not None:
        where.append(f"at {finding.time_s:.2f} s")
    if finding.side is not None:
        where.append(f"{finding.side} loudspeaker")
    if finding.channel is not None:
        where.append(f"channel {finding.channel + 1}")
    return Said(f"{', '.join(where)}: {said.what}" if where else said.what, said.remedy)


def _level(finding: Finding, digits: int = 0) -> str:
    return _signed(finding.level_db or 0.0, digits)


def _signed(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace("-", "−")


def _size(finding: Finding, digits: int = 0) -> str:
    return f"{abs(finding.level_db or 0.0):.{digits}f} dB"


def _milliseconds(finding: Finding) -> str:
    return f"{1000.0 * abs(finding.seconds or 0.0):.1f} ms"


def _from_band(finding: Finding) -> str:
    return "" if finding.frequency_hz is None else f" from {finding.frequency_hz:.0f} Hz on"


def _other_sweep(finding: Finding) -> Said:
    what = "it holds another sweep than the one that was given"
    if finding.seconds is not None and finding.seconds < 0.0:
        what += ": its frequency falls"
    elif finding.seconds is not None:
        what += f": it takes {finding.seconds * math.log(2.0):.2f} s for an octave"
    return Said(what, "give the sweep file that was played")


def _no_sweep(finding: Finding) -> Said:
    if finding.side is not None:
        return Said("no sweep is found there", "check that it plays, or give the sweep file that was played")
    return Said("there is no sweep in it", "give the recording of the whole sweep file, made in one take")


def _automatic_gain(finding: Finding) -> Said:
    remedy = "switch off automatic gain and limiter"
    if finding.side is None:
        return Said(f"the noise is {_size(finding, 1)} louder between the sweeps than under them", remedy)
    return Said(f"the gain moved by {_size(finding, 1)} between two takes", remedy)


def _short_range(finding: Finding) -> Said:
    missing = finding.level_db or 0.0
    octave = "" if finding.frequency_hz is None else f"in the octave at {finding.frequency_hz:g} Hz "
    longer = 10.0 ** (missing / 10.0)
    times = f"{longer:.1f}" if longer < 10.0 else f"{longer:.0f}"
    return Said(
        f"{octave}{missing:.0f} dB are missing to the 45 dB over the noise that T30 asks for",
        f"a sweep {times} times as long, {missing:.0f} dB more level, or a room {missing:.0f} dB quieter",
    )


def _short_gap(finding: Finding) -> Said:
    missing = finding.level_db or 0.0
    octave = "" if finding.frequency_hz is None else f" in the octave at {finding.frequency_hz:g} Hz"
    return Said(
        f"the silence behind the sweep is shorter than the decay{octave}: {missing:.0f} dB are missing "
        "to the 45 dB that T30 asks for",
        f"make a sweep with --decay {math.ceil(finding.seconds or 1.0)}",
    )


def _harmonic_tail(finding: Finding) -> Said:
    what = f"the room's tail of the second harmonic is at {_level(finding)} dB when the response begins"
    if finding.seconds is None:
        return Said(what, "a longer sweep, or a lower level")
    return Said(what, f"a sweep of {math.ceil(finding.seconds)} s puts it at −60 dB; so does a lower level")


def _drift(finding: Finding) -> Said:
    ppm = finding.ppm or 0.0
    pace = "fast" if ppm > 0.0 else "slow"
    return Said(
        f"the recorder's clock is {abs(ppm):.1f} ppm {pace} against the player's: repaired",
        "nothing to do; one interface that plays and records has no drift",
    )


_WORDS: Mapping[str, Callable[[Finding], Said]] = {
    "silence": lambda _f: Said("it is silent", "check the input and its cable, and record again"),
    "no_sweep": _no_sweep,
    "other_sweep": _other_sweep,
    "sweep_itself": lambda _f: Said(
        "this is the sweep itself, as it was played", "give what a microphone recorded in the room"
    ),
    "cut_off": lambda f: Said(
        f"a sweep, or the silence behind it, is cut off: {f.seconds or 0.0:.1f} s are missing",
        "record from before the first sweep until the silence after the last one is over",
    ),
    "sides_swapped": lambda f: Said(
        f"left and right are exchanged: what the left loudspeaker played arrives {_milliseconds(f)} earlier "
        "in the right channel",
        "exchange the channels of the recording, or the loudspeakers",
    ),
    "same_side": lambda _f: Said(
        "left and right are one and the same sound: it was played in mono",
        "play it in stereo, or make a sweep with --sides left",
    ),
    "wrong_order": lambda _f: Said(
        "another loudspeaker plays than the sweep file says", "give the sweep file that was played"
    ),
    "loopback_missing": lambda _f: Said(
        "there is no sweep in the channel of the electrical signal", "name the channel that carries it"
    ),
    "loopback_constant": lambda _f: Said(
        "the channel of the electrical signal holds one value only", "name the channel that carries it"
    ),
    "clipping": lambda f: Said(
        f"clipped: {f.frames or 0} samples at {_level(f, 1)} dBFS", "turn the recorder down and record again"
    ),
    "dropout": lambda f: Said(
        f"{f.frames or 0} samples are missing{_from_band(f)}",
        "record again, with larger buffers and nothing else running",
    ),
    "inserted": lambda f: Said(
        f"{f.frames or 0} samples too many{_from_band(f)}",
        "record again, with larger buffers and nothing else running",
    ),
    "knock": lambda f: Said(
        f"a knock, a cough or a chair, {_size(f)} over the rest", "record again and let nobody move"
    ),
    "takes_differ": lambda f: Said(
        f"two takes of one side differ: by {_level(f)} dB",
        "record again when doors, chairs and air have come to rest",
    ),
    "automatic_gain": _automatic_gain,
    "noise_suppression": lambda f: Said(
        f"the noise between the sweeps is {_size(f)} under that beneath them",
        "switch off noise suppression and voice modes",
    ),
    "distortion": lambda f: Said(f"distortion: harmonics at {_level(f)} dB", "turn the loudspeaker down"),
    "harmonic_tail": _harmonic_tail,
    "short_range": _short_range,
    "short_gap": _short_gap,
    "no_signal": lambda _f: Said(
        "nothing of the sweeps is in it, and no response is made of it", "check its microphone and its cable"
    ),
    "drift": _drift,
    "drift_unknown": lambda _f: Said(
        "how far the clocks are apart cannot be seen",
        "play the first side again at the end, as roomplan sweep has it, no clock 1000 ppm off",
    ),
    "take_unused": lambda _f: Said("another take of this side was better and is used", "nothing to do"),
}
