"""What libraries warn of stays off the terminal unless asked for, and our own code gives them no reason."""

from __future__ import annotations

import os
import subprocess
import sys
import warnings

import numpy as np
import pytest

import roomplan.cli.main

RATE = 24_000


@pytest.mark.parametrize(("asked", "shown"), [([], 0), (["default"], 1)])
def test_a_warning_of_a_library_is_shown_only_when_warnings_are_asked_for(monkeypatch, recwarn, asked, shown):
    def build(_wanted):
        return lambda: warnings.warn("overflow somewhere", RuntimeWarning, stacklevel=1)

    monkeypatch.setattr(roomplan.cli.main, "build", build)
    monkeypatch.setattr(sys, "argv", ["roomplan", "cache"])  # without a command there is a list of them
    monkeypatch.setattr(sys, "warnoptions", asked)
    monkeypatch.setenv("PYTHONWARNINGS", "default")  # for what this test starts; main leaves it alone
    with pytest.raises(SystemExit) as ended:
        roomplan.cli.main.main()
    assert ended.value.code == 0
    assert len(recwarn) == shown


def test_processes_of_a_command_keep_warnings_to_themselves_too():
    code = (
        "import os, subprocess, sys, warnings, roomplan.cli.main as main\n"
        "inner = [sys.executable, '-c', 'import warnings; warnings.warn(\"inside\")']\n"
        "main.build = lambda _wanted: lambda: (warnings.warn('here'), subprocess.run(inner, check=True))\n"
        "main.main()\n"
    )
    plain = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}
    quiet, asked = (
        subprocess.run(
            [sys.executable, "-c", code, "cache"],
            env=plain | more,
            capture_output=True,
            text=True,
            check=True,
        )
        for more in ({}, {"PYTHONWARNINGS": "default"})
    )
    assert quiet.stderr == ""
    assert "here" in asked.stderr
    assert "inside" in asked.stderr


@pytest.fixture
def response():
    time = np.arange(RATE) / RATE
    return 0.3 * np.random.default_rng(3).standard_normal(RATE) * 10.0 ** (-3.0 * time / 0.4)


@pytest.mark.parametrize("command", ["measure", "loudness"])
@pytest.mark.parametrize("factor", [0.0, 5e-324, 1e-310, 1e-200, 1e-9, 1e30, 1e100, 1e160, 1e200, 1e307])
@pytest.mark.filterwarnings("error")
def test_samples_of_any_size_are_measured_or_refused_in_one_line_without_a_warning(
    run, write, response, command, factor
):
    outcome = run(command, "--quiet", write("odd.wav", factor * response, subtype="DOUBLE"))
    assert len(outcome.errors.splitlines()) == outcome.status


@pytest.mark.filterwarnings("error")
def test_a_response_of_1e200_is_refused_with_what_is_wrong_and_what_would_be_right(run, write, response):
    outcome = run(
        "measure", "--quiet", write("huge.wav", 1e200 * response / np.max(np.abs(response)), subtype="DOUBLE")
    )
    assert outcome.status == 1
    words = (
        "huge.wav: contains samples of up to 1e+200, too large to square — export it with full scale at 1\n"
    )
    assert outcome.errors == words


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("frames", [1, 2, 40])
def test_very_short_sounds_give_no_reason_for_a_warning(run, write, frames):
    name = write("short.wav", np.eye(frames)[0])
    assert run("loudness", "--quiet", name).status == 0
    assert run("measure", "--quiet", name).status in {0, 1}
