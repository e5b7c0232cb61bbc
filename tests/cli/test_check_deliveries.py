"""`check` refuses what `render` would refuse: a delivery over full scale in an integer format."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile
from ruamel.yaml import YAML

RATE = 8_000

PLAN = {
    "stems": "stems",
    "rooms": {"nave": {"responses": "ir.wav"}},
    "sections": {
        "choir": {"stems": ["choir"], "sends": {"nave": -20}},
        "low": {"stems": ["low"], "sends": {"nave": -20}},
    },
}


@pytest.fixture
def hot(tmp_path):
    """A function that writes a plan whose mix peaks 4 dB over full scale, with a delivery as asked."""
    generator = np.random.default_rng(3)
    (tmp_path / "stems").mkdir()
    for name in ("choir", "low"):
        soundfile.write(
            tmp_path / "stems" / f"{name}.wav",
            0.2 * generator.standard_normal((RATE, 2)),
            RATE,
            subtype="FLOAT",
        )
    response = generator.standard_normal((RATE // 4, 2)) * np.exp(-np.arange(RATE // 4) / 400.0)[:, None]
    soundfile.write(tmp_path / "ir.wav", response, RATE, subtype="FLOAT")

    def write(**changes):
        path = tmp_path / "cue.yaml"
        with path.open("w", encoding="utf-8") as file:
            YAML().dump(PLAN | changes, file)
        return str(path)

    return write


def delivery(**keys):
    return {"deliveries": {"stream": {"folder": "out", "write": ["mix"]} | keys}}


@pytest.mark.parametrize(
    "form", [{"bit_depth": 16}, {"bit_depth": 24}, {"format": "flac"}], ids=["16", "24", "flac"]
)
def test_check_refuses_an_integer_delivery_over_full_scale_in_the_words_of_render(run, hot, form):
    plan = hot(**delivery(**form))
    checked, rendered = run("check", plan), run("render", plan)
    assert (checked.status, rendered.status) == (1, 1)
    (problem,) = [line for line in rendered.errors.splitlines() if "would clip" in line]
    what = problem[problem.index("mix would clip") :]
    assert what in checked.errors
    assert "1 problem in" in checked.errors
    assert "no problems" not in checked.output


def test_the_trim_that_check_proposes_mends_the_plan(run, hot):
    told = run("check", hot(**delivery(bit_depth=24))).errors
    trim = float(told.split("`trim: ")[1].split("`")[0])
    plan = hot(trim=trim, **delivery(bit_depth=24))
    assert run("check", plan).status == 0
    assert run("render", plan).status == 0


def test_check_passes_a_float_delivery_over_full_scale_with_the_note_of_render(run, hot):
    plan = hot(**delivery())
    checked, rendered = run("check", plan), run("render", plan)
    assert (checked.status, rendered.status) == (0, 0)
    (note,) = [line for line in rendered.output.splitlines() if "a converter will clip" in line]
    assert note in checked.output.splitlines()


def test_a_float_mix_within_full_scale_gets_no_note(run, hot):
    assert "converter" not in run("check", hot(trim=-20, **delivery())).output


def test_a_trim_known_from_an_earlier_pass_is_judged_without_hearing_again(run, hot):
    assert run("check", hot(trim=-20, **delivery(bit_depth=24))).status == 0
    found = run("check", hot(trim=0, **delivery(bit_depth=24)))
    assert "taken from an earlier pass" in found.output
    assert found.status == 1


def other_send():
    moved = json.loads(json.dumps(PLAN["sections"]))
    moved["choir"]["sends"]["nave"] = -12
    return moved


def test_levels_without_peaks_are_judged_by_a_new_pass_as_with_an_empty_cache(run, hot):
    run("check", hot(**delivery(bit_depth=24)))
    found = run("check", hot(sections=other_send(), **delivery(bit_depth=24)))
    assert (found.status, "mix would clip in 24 bit" in found.errors) == (1, True)
    assert "earlier pass" not in found.output
    again = run("check", hot(sections=other_send(), **delivery(bit_depth=24)))
    assert (again.status, "taken from an earlier pass" in again.output) == (1, True)


def test_a_float_delivery_needs_no_peaks_and_no_new_pass(run, hot):
    run("check", hot(**delivery()))
    found = run("check", hot(sections=other_send(), **delivery()))
    assert (found.status, "taken from an earlier pass" in found.output) == (0, True)


def test_check_knows_the_peaks_of_the_last_render_whatever_was_heard_before(run, hot):
    run("check", hot(**delivery()))
    assert run("render", hot(sections=other_send(), **delivery())).status == 0
    found = run("check", hot(sections=other_send(), **delivery(bit_depth=24)))
    assert "taken from an earlier pass" in found.output
    assert (found.status, "mix would clip in 24 bit" in found.errors) == (1, True)


def test_the_document_of_check_has_the_problem_and_the_figures(run, hot):
    found = run("check", hot(**delivery(bit_depth=24)), "--json")
    document = json.loads(found.output)
    assert found.status == 1
    (problem,) = document["problems"]
    assert problem["what"].startswith("mix would clip in 24 bit: bus mix peaks at +")
    assert problem["line"] is not None
    assert document["buses"][0]["loudness"]["sample_peak_dbfs"] > 0


def test_a_resampled_delivery_over_full_scale_is_refused_with_its_rate(run, hot):
    found = run("check", hot(**delivery(bit_depth=24, sample_rate=11_025)))
    assert found.status == 1
    assert "would clip in 24 bit at 11025 Hz" in found.errors


@pytest.mark.parametrize("folder", ["/", "~", "~/reel/.."])
def test_check_refuses_a_delivery_to_a_whole_disk_or_the_home_folder_as_render_does(
    run, hot, folder, tmp_path, monkeypatch
):
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    (tmp_path / "home").mkdir()
    plan = hot(**delivery(folder=folder, bit_depth="32f"))
    checked, rendered = run("check", plan), run("render", plan)
    assert (checked.status, rendered.status) == (1, 1)
    (problem,) = rendered.errors.splitlines()
    assert "would scatter the files of a delivery over" in problem
    assert any(problem in line for line in checked.errors.splitlines())
