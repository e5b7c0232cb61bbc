"""Three cues made of the demo's stems, named as three sessions would name them.

The plans that render them, `configs/ice_harbour_2m*.yaml`, extend `configs/house_base.yaml`.
"""

from __future__ import annotations

import os
import secrets
import shutil
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["CUES", "CUE_PLANS", "write_cues"]

CUE_PLANS = ("house_base.yaml", "ice_harbour_2m1.yaml", "ice_harbour_2m2.yaml", "ice_harbour_2m3.yaml")

# Cue → name of a file in its folder → stem of the demo it is.
CUES = {
    "2m1": {
        "2m1_Choir_v3.wav": "IH_choir.wav",
        "2m1_LowStrings_v3.wav": "IH_low_strings.wav",
        "2m1_MelodyStrings_v3.wav": "IH_melody_strings.wav",
        "2m1_Woodwinds_v3.wav": "IH_woodwinds.wav",
        "2m1_Brass_v3_L.wav": "IH_brass_L.wav",
        "2m1_Brass_v3_R.wav": "IH_brass_R.wav",
        "2m1_Perc-Deep_v3.wav": "IH_percussion_deep.wav",
        "2m1_Perc-Metal_v3.wav": "IH_percussion_metal.wav",
    },
    "2m2": {
        "01 low strings.wav": "IH_low_strings.wav",
        "02 high strings.wav": "IH_melody_strings.wav",
        "03 woodwinds.wav": "IH_woodwinds.wav",
        "04 brass_L.wav": "IH_brass_L.wav",
        "04 brass_R.wav": "IH_brass_R.wav",
    },
    "2m3": {
        "2m3 SATB tk2.wav": "IH_choir.wav",
        "2m3 Low Str tk2.wav": "IH_low_strings.wav",
    },
}


def write_cues(stems: Path, folder: Path) -> None:
    """Give the demo's stems the names of three cues, each in its own folder.

    Parameters
    ----------
    stems : Path
        Folder of the demo's stems.
    folder : Path
        Where the folders of the cues go.

    Notes
    -----
    A file is linked where the disk can, else copied; one that is there already is kept.
    """
    for cue, files in CUES.items():
        place = folder / cue
        place.mkdir(parents=True, exist_ok=True)
        for name, stem in files.items():
            if not (place / name).exists():
                _link(stems / stem, place / name)


def _link(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:  # another disk, or one without links
        partial = target.with_name(f".{target.name}.partial-{secrets.token_hex(4)}")
        shutil.copyfile(source, partial)
        partial.replace(target)
