"""The folder in which the examples of the library run: a small cue of two sections and one room."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from small_cue import cue

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["cue"]

RATE = 24_000

PLAN = """\
title: Ice Harbour
stems: stems
rooms:
  nave: {responses: nave.wav}
sections:
  choir:
    stems: [choir]
    sends: {nave: -8}
  low_strings:
    stems: [low]
    sends: {nave: -12}
deliveries:
  session: {folder: render, format: wav, bit_depth: 32f, write: [mix, prints]}
"""

WETTER = """\
extends: plan.yaml
sections:
  choir:
    sends: {nave: -5}
"""

BROKEN = """\
extends: plan.yaml
title: Ice Harbour, broken
sections:
  choir:
    dyr: -2
    sends: {nav: -8}
"""


def decaying_noise(seconds: float, reverberation_time: float, seed: int) -> np.ndarray:
    """Stereo noise under an exponential decay of known reverberation time, after a direct sound."""
    time = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal((time.size, 2))
    response = 0.1 * noise * 10.0 ** (-3.0 * time / reverberation_time)[:, None]
    response[: round(0.005 * RATE)] = 0.0
    response[0] = 0.5
    return response


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder with the cue, which is also the folder the test runs in."""
    generator = np.random.default_rng(5)
    (tmp_path / "stems").mkdir()
    for name, channels in (("choir", 2), ("low", 1)):
        sound = 0.1 * generator.standard_normal((RATE, channels))
        soundfile.write(tmp_path / "stems" / f"{name}.wav", sound, RATE, subtype="FLOAT")
    for name, seed in (("nave", 1), ("hall", 2)):
        soundfile.write(tmp_path / f"{name}.wav", decaying_noise(1.0, 0.5, seed), RATE, subtype="FLOAT")
    for name, text in (("plan", PLAN), ("wetter", WETTER), ("broken", BROKEN)):
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path
