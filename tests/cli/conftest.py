"""Runs the command line in the process and catches what it prints."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from roomplan.cli.main import main

if TYPE_CHECKING:
    from pathlib import Path

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
