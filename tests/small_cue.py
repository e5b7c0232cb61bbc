"""A small cue on disk: stems and responses made by numpy, and a plan as text."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from ruamel.yaml import YAML

from roomplan.errors import PlanError
from roomplan.plan.load import load_plan
from roomplan.rendering.measure import measure_session
from roomplan.rendering.render import render_session
from roomplan.report.documents import render_document, to_text
from roomplan.session.output_files import plan_targets
from roomplan.session.session import Session, open_session

if TYPE_CHECKING:
    from pathlib import Path

    from roomplan.rendering.result import Rendering

RATE = 48_000


@dataclass
class Cue:
    """A folder with stems, responses and a plan."""

    folder: Path

    def stem(self, name: str, samples: np.ndarray, rate: int = RATE) -> np.ndarray:
        """Write a stem as a float file and give back what a reader sees."""
        return self._write(self.folder / "stems" / name, samples, rate)

    def response(self, name: str, samples: np.ndarray, rate: int = RATE) -> np.ndarray:
        """Write an impulse response as a float file."""
        return self._write(self.folder / name, samples, rate)

    def _write(self, path: Path, samples: np.ndarray, rate: int) -> np.ndarray:
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, samples, rate, subtype="FLOAT", format="WAV")
        return np.asarray(samples, np.float32).astype(np.float64)

    def plan(self, content: dict[str, Any], name: str = "plan.yaml") -> Path:
        """Write a plan."""
        path = self.folder / name
        with path.open("w", encoding="utf-8") as file:
            YAML().dump({"stems": "stems", **content}, file)
        return path

    def session(self, content: dict[str, Any], **options: Any) -> Session:
        """Open a plan that has no problems."""
        loaded = load_plan(self.plan(content))
        if loaded.plan is None or loaded.problems:
            raise PlanError(loaded.problems)
        session, problems = open_session(loaded.plan, **options)
        if session is None:
            raise PlanError(problems)
        return session

    def problems(self, content: dict[str, Any]) -> list[str]:
        """Problems of the session of a plan that loads, as lines."""
        loaded = load_plan(self.plan(content))
        assert loaded.plan is not None, loaded.problems
        return [str(p) for p in [*loaded.problems, *open_session(loaded.plan)[1]]]

    def render(self, content: dict[str, Any], **options: Any) -> Rendering:
        """Render into `out` and give back the rendering."""
        opening = {k: options.pop(k) for k in ("muted",) if k in options}
        return self.deliver(self.session(content, **opening), self.folder / "out", **options)

    def deliver(self, session: Session, output: Path | None = None, **options: Any) -> Rendering:
        """Render a session into a folder, or into the folders of its deliveries."""
        return render_session(
            session,
            plan_targets(session.plan, output),
            report=lambda result, target: to_text(render_document(result, target)),
            **options,
        )

    def measure(self, content: dict[str, Any], **options: Any) -> Rendering:
        """Measure without writing."""
        return measure_session(self.session(content, **options))

    def sound(self, file: str) -> np.ndarray:
        """Read a rendered file as float64 (frames, channels)."""
        samples, _rate = soundfile.read(self.folder / "out" / file, always_2d=True)
        return samples

    @property
    def report(self) -> dict[str, Any]:
        """The report of the last render."""
        return self.report_in("out")

    def report_in(self, folder: str) -> dict[str, Any]:
        """The report in a folder."""
        return json.loads((self.folder / folder / "report.json").read_text(encoding="utf-8"))


@pytest.fixture
def cue(tmp_path: Path) -> Cue:
    (tmp_path / "stems").mkdir()
    return Cue(tmp_path)


@pytest.fixture(scope="module")
def shared_cue(tmp_path_factory: pytest.TempPathFactory) -> Cue:
    """A cue for all tests of a module, which only read what one of its fixtures has rendered."""
    return Cue(tmp_path_factory.mktemp("cue"))


def pink_noise(frames: int, channels: int, seed: int) -> np.ndarray:
    """Pink noise, 20 Hz to 20 kHz, RMS 0.1 per channel: white noise shaped by 1/√f in the spectrum."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal((frames, channels)), axis=0)
    frequencies = np.fft.rfftfreq(frames, 1.0 / RATE)
    shape = np.zeros_like(frequencies)
    band = (frequencies >= 20.0) & (frequencies <= 20_000.0)
    shape[band] = 1.0 / np.sqrt(frequencies[band])
    noise = np.fft.irfft(spectrum * shape[:, None], frames, axis=0)
    return 0.1 * noise / np.sqrt(np.mean(noise**2))


@pytest.fixture(scope="session")
def pink() -> Any:
    return pink_noise


def decaying_noise(
    seconds: float, reverberation_time: float, channels: int, seed: int, rate: int = RATE
) -> np.ndarray:
    """Gaussian noise under an exponential of known reverberation time, with an impulse at frame 0."""
    time = np.arange(round(seconds * rate)) / rate
    noise = np.random.default_rng(seed).standard_normal((len(time), channels))
    envelope = 10.0 ** (-3.0 * time / reverberation_time)
    response = 0.02 * noise * envelope[:, None]
    response[: round(0.012 * rate)] = 0.0
    response[0] = 1.0
    return response


@pytest.fixture(scope="session")
def decay() -> Any:
    return decaying_noise
