"""Sessions of noise for the solver, and a small cue on disk for what has to be heard."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from ruamel.yaml import YAML

sys.path.insert(0, str(Path(__file__).parent))  # test folders are not packages

from roomplan.errors import PlanError
from roomplan.plan.load import load_plan
from roomplan.session.session import Session, open_session

RATE = 24_000


@dataclass
class Cue:
    """A folder with stems, responses and a plan."""

    folder: Path

    def noise(self, name: str, seconds: float, seed: int, *, channels: int = 1, level: float = 0.1) -> None:
        """Write a stem of white noise that comes and goes."""
        frames = round(seconds * RATE)
        swell = 0.4 + 0.6 * np.sin(np.linspace(0.0, 3.0 + seed, frames)) ** 2
        noise = np.random.default_rng(seed).standard_normal((frames, channels))
        self._write(f"stems/{name}.wav", level * noise * swell[:, None])

    def steady(self, name: str, seconds: float, seed: int) -> None:
        """Write a stem of steady white noise, RMS 0.1."""
        noise = np.random.default_rng(seed).standard_normal((round(seconds * RATE), 1))
        self._write(f"stems/{name}.wav", 0.1 * noise)

    def response(self, name: str, seconds: float, reverberation_time: float, seed: int) -> None:
        """Write a response: an impulse, a gap, and noise under an exponential."""
        time = np.arange(round(seconds * RATE)) / RATE
        noise = np.random.default_rng(seed).standard_normal((time.size, 2))
        response = 0.02 * noise * 10.0 ** (-3.0 * time / reverberation_time)[:, None]
        response[: round(0.012 * RATE)] = 0.0
        response[0] = 1.0
        self._write(name, response)

    def _write(self, name: str, samples: np.ndarray) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, samples, RATE, subtype="FLOAT", format="WAV")

    def plan(self, content: dict[str, Any]) -> Path:
        """Write the plan."""
        path = self.folder / "plan.yaml"
        with path.open("w", encoding="utf-8") as file:
            YAML().dump({"stems": "stems", **content}, file)
        return path

    def session(self, content: dict[str, Any] | None = None) -> Session:
        """Open the plan, written anew where its content is given."""
        loaded = load_plan(self.folder / "plan.yaml" if content is None else self.plan(content))
        if loaded.plan is None or loaded.problems:
            raise PlanError(loaded.problems)
        session, problems = open_session(loaded.plan)
        if session is None:
            raise PlanError(problems)
        return session


@pytest.fixture
def cue(tmp_path):
    return Cue(tmp_path)


@pytest.fixture
def trio(cue):
    """Three sections in two rooms, and the plan's content."""
    cue.noise("choir", 8.0, 1, channels=2)
    cue.noise("brass", 8.0, 2)
    cue.noise("low", 7.0, 3, channels=2, level=0.07)
    cue.response("near.wav", 1.0, 0.7, 4)
    cue.response("far.wav", 2.0, 1.6, 5)
    return {
        "title": "Ice Harbour, test",
        "tail": 1.5,
        "rooms": {
            "near": {"responses": "near.wav", "wiring": "one_source"},
            "far": {"responses": "far.wav"},
        },
        "shared_sends": {"near": -9},
        "groups": {"back": {"sections": ["brass", "low"], "sends": {"far": -14}}},
        "sections": {
            "choir": {"stems": ["choir"], "sends": {"far": -12}},
            "brass": {"stems": ["brass"], "dry": -1},
            "low": {"stems": ["low"], "level": -2},
        },
        "passages": {"verse": {"from": 1.03, "to": 6}},
    }
