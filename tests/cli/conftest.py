"""Runs the command line in the process and catches what it prints."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from roomplan.cli.main import main

sys.path.insert(0, str(Path(__file__).parent))  # test folders are not packages

RATE = 48_000

PLAN = """\
title: Ice Harbour, test
stems: stems
rooms:
  orrin_nave:
    responses: nave.wav
sections:
  choir:
    stems: [choir]
    sends:
      orrin_nave: -8
  low_strings:
    stems: [low]
    sends: {orrin_nave: -12}
"""


@dataclass(frozen=True)
class Outcome:
    """What a command did."""

    status: int
    output: str
    errors: str

    @property
    def json(self) -> Any:
        return json.loads(self.output)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    def command(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["roomplan", *map(str, arguments)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err + captured.out
        return Outcome(int(ended.value.code or 0), captured.out, captured.err)

    return command


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Folder with two stems, a response and `plan.yaml`."""
    generator = np.random.default_rng(5)
    (tmp_path / "stems").mkdir()
    for name, channels in (("choir", 2), ("low", 1)):
        soundfile.write(
            tmp_path / "stems" / f"{name}.wav", 0.1 * generator.standard_normal((RATE, channels)), RATE
        )
    time = np.arange(RATE) / RATE
    response = 0.02 * generator.standard_normal((RATE, 2)) * 10.0 ** (-3.0 * time / 0.5)[:, None]
    response[:600] = 0.0
    response[0] = 0.9
    soundfile.write(tmp_path / "nave.wav", response, RATE, subtype="FLOAT")
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    return tmp_path


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Folder the command runs in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def write(folder):
    def sound(name: str, samples, rate: int = 24_000, subtype: str = "FLOAT") -> str:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, samples, rate, subtype=subtype if path.suffix == ".wav" else None)
        return name

    return sound


@pytest.fixture
def measure(run):
    """Run the command and check what holds for every run of it."""

    def command(*arguments):
        outcome = run("measure", "--quiet", *arguments)
        assert outcome.status in {0, 1, 2}
        assert bool(outcome.errors) == (outcome.status != 0)
        return outcome

    return command


@pytest.fixture
def document(measure):
    def of(*arguments, status: int = 0):
        outcome = measure(*arguments, "--json")
        assert outcome.status == status, outcome.errors
        return outcome.json

    return of
