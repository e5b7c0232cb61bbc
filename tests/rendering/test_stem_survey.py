"""What is wrong with a stem is noted once, in a line, and keeps nothing from being rendered."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from roomplan.files.cache import Cache
from roomplan.plan.load import load_plan
from roomplan.rendering.measure import measure_session
from roomplan.rendering.progress import silent_progress
from roomplan.rendering.stem_survey import file_figures, survey_stems
from roomplan.session.session import open_session

RATE = 8_000


def noise(seconds: float, channels: int = 1, seed: int = 1, level: float = 0.1) -> np.ndarray:
    return level * np.random.default_rng(seed).standard_normal((round(seconds * RATE), channels))


@pytest.fixture
def ensemble(cue):
    """Three healthy stems of 4 s, a response, and the plan for them and a choir."""
    cue.response("ir.wav", noise(0.2), RATE)
    for seed, name in enumerate(("low", "high", "winds"), start=2):
        cue.stem(f"{name}.wav", noise(4.0, seed=seed), RATE)
    names = ("choir", "low", "high", "winds")
    cue.content = {
        "rooms": {"orrin_nave": {"responses": "ir.wav"}},
        "shared_sends": {"orrin_nave": -12},
        "sections": {name: {"stems": [name]} for name in names},
    }
    return cue


def notes(cue, samples: np.ndarray, **options) -> list[str]:
    """Notes on the stem `choir.wav` with this sound."""
    path = cue.folder / "stems" / "choir.wav"
    soundfile.write(path, samples, RATE, **options)
    found = cue.measure(cue.content).warnings
    return [warning.what for warning in found if "choir" in warning.what]


def test_a_healthy_stem_is_not_noted(ensemble):
    assert notes(ensemble, noise(4.0, level=0.1), subtype="PCM_24") == []


def test_a_stem_that_ends_long_before_the_others_is_noted_once_with_both_times(ensemble):
    (line,) = notes(ensemble, noise(1.2))
    assert line == ("stem choir.wav ends at 1.2 s, 2.8 s before the longest, in the middle of its sound")


def test_a_stem_that_fades_before_it_ends_early_is_not_called_cut(ensemble):
    sound = noise(2.0)
    sound[RATE:] = 0.0
    (line,) = notes(ensemble, sound)
    assert line == "stem choir.wav ends at 2.0 s, 2.0 s before the longest"


def test_a_stem_that_fades_a_little_sooner_than_the_longest_is_not_noted(ensemble):
    sound = noise(3.3)
    sound[3 * RATE :] = 0.0
    assert notes(ensemble, sound) == []


def test_two_halves_that_end_together_are_one_line(ensemble):
    for side, seed in (("L", 8), ("R", 9)):
        ensemble.stem(f"choir_{side}.wav", noise(1.0, seed=seed), RATE)
    (line,) = [w.what for w in ensemble.measure(ensemble.content).warnings if "choir" in w.what]
    assert line.startswith("stem choir ends at 1.0 s")


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_a_clipped_stem_is_noted_with_its_samples_whatever_its_format(ensemble, subtype):
    sound = np.clip(noise(4.0, level=0.5), -1.0, 1.0)
    count = int(np.sum(np.abs(sound) >= 1.0))
    (line,) = notes(ensemble, sound, subtype=subtype)
    assert line == f"stem choir.wav looks clipped: {count} samples are at full level (0.0 dBFS)"


def test_a_float_stem_with_headroom_over_full_scale_is_not_clipped(ensemble):
    assert notes(ensemble, noise(4.0, level=0.5), subtype="FLOAT") == []


def test_a_silent_stem_beside_another_of_its_section_is_noted_as_digital_silence(ensemble):
    ensemble.content["sections"]["choir"]["stems"] = ["choir", "soli"]
    ensemble.stem("soli.wav", noise(4.0, seed=9), RATE)
    (line,) = notes(ensemble, np.zeros((4 * RATE, 1)))
    assert line == "stem choir.wav is digital silence"


def test_a_silent_section_has_one_line_not_two(ensemble):
    (line,) = notes(ensemble, np.zeros((4 * RATE, 1)))
    assert line == "section choir is silent: its stems contain no sound"


def test_a_stem_40_db_under_its_neighbours_is_noted_and_one_30_db_under_is_not(ensemble):
    (line,) = notes(ensemble, noise(4.0, level=0.001), subtype="FLOAT")
    assert line == "stem choir.wav is 40 dB below the other stems, each at its loudest"
    assert notes(ensemble, noise(4.0, level=0.1 * 10 ** (-30 / 20)), subtype="FLOAT") == []


def test_a_stem_that_plays_one_loud_note_in_a_long_cue_is_not_quiet(ensemble):
    sound = np.zeros((4 * RATE, 1))
    sound[RATE : RATE + RATE // 2] = noise(0.5)
    assert notes(ensemble, sound, subtype="FLOAT") == []


def test_a_constant_offset_is_noted_with_its_level(ensemble):
    (line,) = notes(ensemble, noise(4.0) + 0.02, subtype="FLOAT")
    assert line == "stem choir.wav has a constant offset (DC) of −34 dBFS"


def test_two_stems_of_one_content_are_noted_as_played_twice(ensemble):
    (line,) = notes(ensemble, noise(4.0, seed=2), subtype="FLOAT")
    assert "is the same sound as" in line


def test_the_halves_of_a_pair_may_hold_one_mono_sound(ensemble):
    for side in "LR":
        ensemble.stem(f"choir_{side}.wav", noise(4.0), RATE)
    assert [w for w in ensemble.measure(ensemble.content).warnings if "choir" in w.what] == []


def test_many_faulty_stems_of_one_kind_end_in_one_line(cue):
    cue.response("ir.wav", noise(0.2), RATE)
    for number in range(20):
        cue.stem(f"part_{number}.wav", noise(1.0 if number else 4.0, seed=number), RATE)
    plan = {"rooms": {"nave": {"responses": "ir.wav"}}, "sections": {"all": {"stems": ["*"]}}}
    lines = [w.what for w in cue.measure(plan).warnings if "ends at" in w.what or "are short" in w.what]
    assert len(lines) == 9
    assert lines[-1] == "11 more stems are short"


def test_figures_of_a_file_are_those_of_its_samples_whatever_the_blocks(tmp_path):
    samples = np.clip(noise(31.7, channels=2, level=0.4) + np.array([0.0, 0.01]), -1.0, 0.995).astype(
        np.float32
    )
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    figures = file_figures(tmp_path / "a.wav")
    window = round(0.4 * RATE)
    powers = [np.sum(np.square(samples[i : i + window], dtype=float)) for i in range(0, len(samples), window)]
    assert figures.frames == len(samples)
    assert figures.peak == 1.0
    assert figures.at_limit == int(np.sum(samples == -1.0) + np.sum(samples == np.float32(0.995)))
    assert figures.offset == pytest.approx(np.mean(samples[:, 1], dtype=float), abs=1e-7)
    assert figures.loudest_power == pytest.approx(max(powers) / (2 * window), rel=1e-4)
    assert figures.ending_power == pytest.approx(np.mean(np.square(samples[-400:], dtype=float)), rel=1e-6)


def test_a_file_that_was_looked_into_is_not_read_again_until_its_content_changes(ensemble, monkeypatch):
    cache = Cache(ensemble.folder / "kept")
    read: list[str] = []
    monkeypatch.setattr(
        "roomplan.rendering.stem_survey.file_figures",
        lambda path: read.append(path.name) or file_figures(path),
    )
    soundfile.write(ensemble.folder / "stems" / "choir.wav", noise(4.0), RATE)
    first = measure_session(ensemble.session(ensemble.content), cache=cache)
    assert sorted(read) == ["choir.wav", "high.wav", "low.wav", "winds.wav"]
    again = measure_session(ensemble.session(ensemble.content), cache=cache)
    assert len(read) == 4
    assert again.stems == first.stems
    soundfile.write(ensemble.folder / "stems" / "choir.wav", noise(4.0, seed=77), RATE)
    measure_session(ensemble.session(ensemble.content), cache=cache)
    assert read[4:] == ["choir.wav"]


def test_a_stem_that_is_gone_has_no_figures_and_the_pass_says_why(ensemble):
    stem = ensemble.folder / "stems" / "choir.wav"
    soundfile.write(stem, noise(4.0), RATE)
    session = ensemble.session(ensemble.content)
    stem.unlink()
    found = survey_stems(session, cache=None, workers=2, progress=silent_progress)
    assert [one.stem for one in found] == ["low", "high", "winds"]


def test_figures_of_a_file_that_was_replaced_after_its_digest_are_not_kept_under_it(ensemble, monkeypatch):
    stem, cache = ensemble.folder / "stems" / "choir.wav", Cache(ensemble.folder / "kept")
    soundfile.write(stem, noise(4.0), RATE)
    session, before = ensemble.session(ensemble.content), stem.read_bytes()

    def replaced(path):
        if path == stem:
            soundfile.write(stem, noise(2.0), RATE)
        return file_figures(path)

    with monkeypatch.context() as patch:
        patch.setattr("roomplan.rendering.stem_survey.file_figures", replaced)
        found = survey_stems(session, cache=cache, workers=2, progress=silent_progress)
    assert [one.stem for one in found] == ["low", "high", "winds"]
    stem.write_bytes(before)
    session = ensemble.session(ensemble.content)
    found = survey_stems(session, cache=cache, workers=2, progress=silent_progress)
    assert {one.figures.duration_s for one in found if one.stem == "choir"} == {4.0}


def test_a_damaged_ledger_is_a_miss(ensemble):
    cache = Cache(ensemble.folder / "kept")
    cache.files.note("stems_1", {"0" * 40: [1.0]})
    soundfile.write(ensemble.folder / "stems" / "choir.wav", noise(4.0), RATE)
    assert len(measure_session(ensemble.session(ensemble.content), cache=cache).stems) == 4
    (ledger,) = (ensemble.folder / "kept").glob("ledger_*.json")
    ledger.write_text("[", encoding="utf-8")
    assert len(measure_session(ensemble.session(ensemble.content), cache=cache).stems) == 4
    cache.clear()
    assert not ledger.exists()


def test_a_stem_that_changed_since_the_last_render_is_noted_with_its_lengths(ensemble):
    stem = ensemble.folder / "stems" / "choir.wav"
    soundfile.write(stem, noise(4.0), RATE)
    ensemble.content["deliveries"] = {"session": {"folder": "out", "write": ["mix"]}}
    session = ensemble.session(ensemble.content)
    first = ensemble.deliver(session)
    entries = {entry["stem"]: entry for entry in ensemble.report["stems"]}
    assert entries["choir"]["duration_s"] == 4.0
    assert not [w for w in first.warnings if "last render" in w.what]
    soundfile.write(stem, noise(3.9, seed=5), RATE)
    changed = ensemble.session(ensemble.content)
    for found in (measure_session(changed), ensemble.deliver(changed)):
        (line,) = [w.what for w in found.warnings if "last render" in w.what]
        assert line == (
            "stem choir.wav is not the one of the last render in out: it was 4.00 s long, and is 3.90 s"
        )
    assert any("last render" in warning["what"] for warning in ensemble.report["warnings"])
    assert not [w for w in ensemble.deliver(changed).warnings if "last render" in w.what]


def test_an_excerpt_does_not_look_into_stems_beyond_what_it_hears(ensemble):
    from roomplan.rendering.excerpt import excerpt_of

    soundfile.write(ensemble.folder / "stems" / "choir.wav", noise(1.2), RATE)
    loaded = load_plan(ensemble.plan(ensemble.content))
    assert loaded.plan is not None
    session, _problems = open_session(loaded.plan)
    assert session is not None
    assert measure_session(excerpt_of(session, 0.5, 0.5)).stems == ()
