"""What is not there is said before anything that computes is imported."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

PROBE = """
import sys
from roomplan.cli.main import main
try:
    main()
finally:
    print([name for name in ("numpy", "scipy", "soundfile") if name in sys.modules])
"""


@pytest.mark.parametrize(
    ("arguments", "lines"),
    [
        (
            ("check", "plam.yaml"),
            ["plam.yaml: there is no such file — did you mean 'plan.yaml'?", "1 problem"],
        ),
        (("render", "plam.yaml"), ["plam.yaml: there is no such file"]),
        (("render", "report.json", "--check"), ["report.json: there is no such file"]),
        (("compare", "plan.yaml", "x.yaml", "y.yaml"), ["x.yaml: there is no", "y.yaml: there is no"]),
        (("balance", "plam.yaml"), ["plam.yaml: there is no such file"]),
        (("depth", "."), [".: is a folder"]),
        (("measure", "x.wav", "y.wav"), ["x.wav: does not exist", "y.wav: does not exist"]),
        (("measure", "plan.yaml", "--against", "y.wav"), ["y.wav: does not exist"]),
        (("loudness", "x.wav"), ["x.wav: does not exist"]),
    ],
)
def test_a_file_that_is_not_there_is_refused_before_numpy_is_imported(tmp_path, arguments, lines):
    (tmp_path / "plan.yaml").write_text("rooms: {}\n", encoding="utf-8")
    outcome = subprocess.run(
        [sys.executable, "-c", PROBE, *arguments],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert (outcome.returncode, outcome.stdout) == (1, "[]\n")
    found = outcome.stderr.splitlines()
    assert len(found) == len(lines)
    for line, words in zip(found, lines, strict=True):
        assert line.startswith(words)
