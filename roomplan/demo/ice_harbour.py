"""The stems of *Ice Harbour*: six dry sections in eight files, the same at every call.

Conventions
-----------
All files start at the same moment, the start of the cue; each ends when its section has ended, so
lengths differ, as they do when stems are exported one by one. 24-bit WAV, no reverb, peaks at or under
−6 dBFS. The brass comes as a left and a right mono file and the percussion as two mono files of different
instruments, because stems do come that way.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from roomplan.demo.choir import choir
from roomplan.demo.percussion import deep_percussion, metal_percussion
from roomplan.demo.score import beat_at, seconds
from roomplan.demo.strings import low_strings, melody_strings
from roomplan.demo.winds import brass, woodwinds

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

__all__ = ["CUE_SECONDS", "STEMS", "Stem", "render_stem", "write_stems"]

CUE_SECONDS = seconds(beat_at(15))  # fourteen bars: 40 s; the last notes ring a little longer
_ROOM_FOR_RINGING_S = 4.0


@dataclass(frozen=True, slots=True)
class Stem:
    """One stem: the section it belongs to, the files it fills, how it is played and how loud it leaves.

    With two files, each takes one channel.
    """

    section: str
    files: tuple[str, ...]
    perform: Callable[[int, float], np.ndarray]
    level_db: float


# The levels put the dry sum near −24 LUFS with the choir in front, and leave every peak far under −6 dBFS.
STEMS: Mapping[str, Stem] = {
    "choir": Stem("choir", ("IH_choir.wav",), choir, -12.5),
    "low_strings": Stem("low_strings", ("IH_low_strings.wav",), low_strings, -12.0),
    "melody_strings": Stem("melody_strings", ("IH_melody_strings.wav",), melody_strings, -11.5),
    "woodwinds": Stem("woodwinds", ("IH_woodwinds.wav",), woodwinds, -12.0),
    "brass": Stem("brass", ("IH_brass_L.wav", "IH_brass_R.wav"), brass, -11.5),
    "percussion_deep": Stem("percussion", ("IH_percussion_deep.wav",), deep_percussion, -4.5),
    "percussion_metal": Stem("percussion", ("IH_percussion_metal.wav",), metal_percussion, -3.5),
}


def render_stem(stem: Stem, *, sample_rate: int = 48_000) -> np.ndarray:
    """Perform one stem.

    Parameters
    ----------
    stem
        One of `STEMS`.
    sample_rate
        In Hz, 8000 to 192 000.

    Returns
    -------
    np.ndarray, shape=(frames, channels), float32
    """
    sound = stem.perform(sample_rate, CUE_SECONDS + _ROOM_FOR_RINGING_S)
    return np.ascontiguousarray(sound.T) * np.float32(10 ** (stem.level_db / 20))


def write_stems(folder: Path, *, sample_rate: int = 48_000) -> list[Path]:
    """Perform the cue and write its stems.

    Parameters
    ----------
    folder
        Made if it is missing. Files of the same names in it are replaced; others are left alone.
    sample_rate
        In Hz, 8000 to 192 000.

    Returns
    -------
    list of Path
        The files written, in the order of `STEMS`.

    Notes
    -----
    Nothing is dithered: rounding to 24 bits adds noise at −149 dBFS (LSB/√12), far under breath and bow.
    """
    folder.mkdir(parents=True, exist_ok=True)

    def perform_and_write(stem: Stem) -> list[Path]:
        sound = render_stem(stem, sample_rate=sample_rate)
        # Rounded here: left to the writer, floats are cut off towards minus infinity (mean error −½ LSB).
        whole = np.rint(sound * np.float32(2**23)).astype(np.int32) << 8
        parts = (
            [whole] if len(stem.files) == 1 else [whole[:, [channel]] for channel in range(len(stem.files))]
        )
        paths = [folder / name for name in stem.files]
        for path, part in zip(paths, parts, strict=True):
            soundfile.write(path, part, sample_rate, subtype="PCM_24")
        return paths

    # numpy releases the interpreter lock in its loops: two threads keep two cores busy.
    with ThreadPoolExecutor(2) as pool:
        return [path for paths in pool.map(perform_and_write, STEMS.values()) for path in paths]
