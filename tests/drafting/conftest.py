"""Stem folders on disk, with short quiet noise, and folders that exist only as names."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from roomplan.drafting.arranging import propose
from roomplan.drafting.listening import StemFile

RATE = 8_000
SECONDS = 0.6


@pytest.fixture
def folder(tmp_path) -> Any:
    """Write a folder of stems: name → channels, or samples (frames, channels)."""

    def write(files, name: str = "cue", rate: int = RATE) -> Path:
        place = tmp_path / name / "stems"
        place.mkdir(parents=True, exist_ok=True)
        generator = np.random.default_rng(7)
        for file, content in files.items():
            samples = content
            if isinstance(content, int):
                samples = 0.01 * generator.standard_normal((round(SECONDS * rate), content))
            soundfile.write(place / file, samples, rate)
        return place

    return write


@pytest.fixture
def imagined() -> Any:
    """Propose for files that need not exist: names, all alike."""

    def proposed(*names: str, channels: int = 2, rate: int = RATE, **options):
        files = [StemFile(name, channels, rate, 10.0, -23.0, -6.0, (0.0, 10.0)) for name in names]
        return propose(Path("cue") / "stems", files, **options)

    return proposed


@pytest.fixture
def section_of(imagined) -> Any:
    """Section of every file, and of those that are left out None."""

    def found(*names: str, **options) -> dict[str, str | None]:
        proposal = imagined(*names, **options)
        sections = {file.name: section.name for section in proposal.sections for file in section.files}
        return {name: sections.get(name) for name in names}

    return found
