"""What an earlier pass answers: the same figures as hearing the plan again, and nothing it cannot know."""

from __future__ import annotations

import copy
import json

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.errors import AudioError
from roomplan.files.cache import Cache
from roomplan.loudness import programme_loudness
from roomplan.rendering import new_pass
from roomplan.rendering.measure import measure_session

RATE = 48_000
LEVELS = st.floats(-30.0, 6.0).map(lambda level: round(level, 2))


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture
def content(cue, pink, decay):
    """Three sections that share sounds: dry and wet strongly correlated, two of them in opposite phase."""
    lead = pink(6 * RATE, 2, 1) * np.clip(np.linspace(0.0, 2.0, 6 * RATE), 0.0, 1.0)[:, None]
    cue.stem("choir.wav", lead)
    cue.stem("strings.wav", -0.9 * lead + 0.3 * pink(6 * RATE, 2, 2))
    cue.stem("brass.wav", pink(4 * RATE, 1, 3))
    cue.response("nave.wav", decay(1.0, 0.8, 2, 4))
    return {
        "title": "Ice Harbour, what if",
        "tail": 1.0,
        "rooms": {"nave": {"responses": "nave.wav", "direct": "keep"}},
        "groups": {"back": {"sections": ["strings", "brass"]}},
        "sections": {
            "choir": {"stems": ["choir"], "sends": {"nave": -6}},
            "strings": {"stems": ["strings"], "sends": {"nave": -12}},
            "brass": {"stems": ["brass"], "sends": {"nave": -9}, "dry": -3},
        },
        "alternates": {"choir_up": {"choir": {"level": 1.5}}},
    }


def moved(content, **changes):
    """The plan with other levels; `changes` are dotted keys with points for underscores twice."""
    result = copy.deepcopy(content)
    for path, value in changes.items():
        *keys, last = path.split("__")
        into = result
        for key in keys:
            into = into.setdefault(key, {})
        into[last] = value
    return result


def figures(rendering):
    return {
        bus.name: (
            bus.loudness.integrated_lufs,
            bus.loudness.momentary_max_lufs,
            bus.loudness.short_term_max_lufs,
            bus.wet_to_dry_db,
        )
        for bus in rendering.buses
    }


def true_peak(rendering, bus):
    value = rendering.bus(bus).true_peak_dbtp
    assert value is not None
    return value


def test_the_same_plan_is_answered_from_its_first_hearing_peaks_included(cue, content, cache):
    heard = measure_session(cue.session(content), cache=cache)
    again = measure_session(cue.session(content), cache=cache)
    assert (heard.recalled, again.recalled) == (False, True)
    assert again.frames == heard.frames
    for one, other in zip(heard.buses, again.buses, strict=True):
        assert other.true_peak_dbtp == pytest.approx(one.true_peak_dbtp, abs=1e-9)
        assert other.sample_peak_dbfs == pytest.approx(one.sample_peak_dbfs, abs=1e-9)
        assert other.loudness.integrated_lufs == pytest.approx(one.loudness.integrated_lufs, abs=1e-3)
    assert [w.what for w in again.warnings] == [w.what for w in heard.warnings]


def test_a_render_has_the_same_figures_and_samples_with_a_cold_cache_a_warm_one_and_none(cue, content, cache):
    plan = moved(content, margins=[{"of": "choir", "over": "back"}])
    reports, samples = [], []
    for kept in (None, cache, cache):
        cue.render(plan, cache=kept)
        reports.append(cue.report)
        samples.append(cue.sound("mix.wav"))
    off, cold, warm = reports
    assert off["buses"]
    assert cold == off
    assert warm == off
    assert all(np.array_equal(one, samples[0]) for one in samples)
    again = measure_session(cue.session(plan), cache=cache)
    assert again.recalled
    listened = measure_session(cue.session(plan))
    assert listened.hop_sums.keys() == again.hop_sums.keys()
    assert all(np.array_equal(again.hop_sums[name], sums) for name, sums in listened.hop_sums.items())
    assert again.buses == listened.buses
    assert again.sends == listened.sends
    assert again.margins == listened.margins


@pytest.mark.parametrize("tail", [1.0, "full"])
def test_a_render_with_sends_moved_has_the_same_report_and_samples_after_another_render_and_after_none(
    cue, content, cache, decay, tail
):
    cue.response("stage.wav", decay(0.4, 0.3, 2, 5))
    plan = content | {"tail": tail, "rooms": {**content["rooms"], "stage": {"responses": "stage.wav"}}}
    plan = moved(plan, sections__choir__sends={"nave": -6, "stage": -12})
    other = moved(plan, sections__choir__sends={"nave": -8, "stage": -9}, sections__brass__sends__nave=-12)
    reports, samples = [], []
    cue.render(plan, cache=cache)
    for kept in (None, cache):
        cue.render(other, cache=kept)
        reports.append(cue.report)
        samples.append(cue.sound("mix.wav"))
    assert reports[0]["buses"]
    assert reports[0] == reports[1]
    np.testing.assert_array_equal(*samples)


@settings(max_examples=12)
@given(choir=LEVELS, wet=LEVELS, dry=LEVELS, group=LEVELS, muted=st.sampled_from([None, "choir", "brass"]))
def test_other_levels_and_mutes_are_answered_as_if_heard(cue, content, cache, choir, wet, dry, group, muted):
    plan = moved(
        content,
        sections__choir__level=choir,
        sections__strings__sends={"nave": wet},
        sections__brass__dry=dry,
        groups__back__level=group,
    )
    if muted is not None:
        plan["sections"][muted]["mute"] = True
    measure_session(cue.session(content), cache=cache)
    answered = measure_session(cue.session(plan), cache=cache)
    heard = measure_session(cue.session(plan))
    assert answered.recalled
    for name, values in figures(heard).items():
        for value, other in zip(values, figures(answered)[name], strict=True):
            assert other == (None if value is None else pytest.approx(value, abs=0.005)), name


def test_the_answer_is_the_loudness_of_the_rendered_file(cue, content, cache):
    measure_session(cue.session(content), cache=cache)
    plan = moved(content, sections__choir__sends={"nave": 2.0}, sections__strings__level=-4.0)
    answered = measure_session(cue.session(plan), cache=cache)
    cue.render(plan)
    for name, file in (("mix", "mix.wav"), ("section:choir", "prints/choir.wav")):
        measured = programme_loudness(cue.sound(file), sample_rate=RATE)
        found = answered.bus(name).loudness
        assert found.integrated_lufs == pytest.approx(measured.integrated_lufs, abs=0.005)
        assert found.short_term_max_lufs == pytest.approx(measured.short_term_max_lufs, abs=0.005)


def test_peaks_are_reported_for_a_common_gain_and_refused_for_any_other_change(cue, content, cache):
    heard = measure_session(cue.session(content), cache=cache)
    louder = measure_session(cue.session(moved(content, trim=-3.0)), cache=cache)
    mixed = measure_session(cue.session(moved(content, sections__choir__level=-3.0)), cache=cache)
    assert louder.recalled
    assert mixed.recalled
    assert true_peak(louder, "mix") == pytest.approx(true_peak(heard, "mix") - 3.0, abs=1e-6)
    assert mixed.bus("mix").true_peak_dbtp is None
    assert "need a new pass" in mixed.bus("mix").reasons["true_peak_dbtp"]
    assert true_peak(mixed, "section:choir") == pytest.approx(
        true_peak(heard, "section:choir") - 3.0, abs=1e-6
    )


@pytest.mark.parametrize(
    "changes",
    [
        {"rooms__nave__decay_scale": 0.8},
        {"rooms__nave__pre_delay": 20},
        {"rooms__nave__width": 50},
        {"sections__choir__delay": 5},
        {"sections__choir__pan": 30},
        {"sections__brass__dry": "off"},
        {"sections__brass__sends": {}},
        {"tail": 2.0},
    ],
)
def test_what_changes_the_sound_is_rendered_again(cue, content, cache, changes):
    measure_session(cue.session(content), cache=cache)
    assert not measure_session(cue.session(moved(content, **changes)), cache=cache).recalled


def test_a_stem_that_was_exported_again_is_rendered_again(cue, content, cache, pink):
    measure_session(cue.session(content), cache=cache)
    cue.stem("brass.wav", pink(4 * RATE, 1, 9))
    assert not measure_session(cue.session(content), cache=cache).recalled


def test_a_render_leaves_a_record_and_its_report_says_that_it_was_heard(cue, content, cache):
    cue.render(content, cache=cache)
    assert (
        json.loads((cue.folder / "out/report.json").read_text(encoding="utf-8"))["answered_from"] == "sound"
    )
    assert measure_session(cue.session(content), cache=cache).recalled


def test_a_render_is_always_a_new_pass(cue, content, cache):
    measure_session(cue.session(content), cache=cache)
    rendering = cue.render(content, cache=cache)
    assert not rendering.recalled
    assert soundfile.info(cue.folder / "out/mix.wav").frames == rendering.frames


def test_a_pass_at_other_levels_that_is_cut_short_leaves_the_earlier_record(cue, content, cache, monkeypatch):
    measure_session(cue.session(content), cache=cache)
    other = moved(content, sections__choir__sends__nave=-1)

    def cut_short(*_arguments, **_settings):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(new_pass, "hear", cut_short)
        with pytest.raises(KeyboardInterrupt):
            cue.render(other, cache=cache)
    assert measure_session(cue.session(content), cache=cache).recalled


@pytest.mark.parametrize("known", [False, True])
def test_a_stem_that_is_replaced_just_before_it_is_read_is_refused_and_leaves_nothing_under_what_it_was(
    cue, content, cache, pink, monkeypatch, known
):
    if known:  # at other levels, so that peaks would be added
        measure_session(cue.session(moved(content, sections__choir__sends__nave=-1)), cache=cache)
    stem = cue.folder / "stems/brass.wav"
    hear, before = new_pass.hear, stem.read_bytes()

    def later(*arguments, **settings):
        cue.stem("brass.wav", pink(4 * RATE, 1, 9))
        return hear(*arguments, **settings)

    with monkeypatch.context() as patch:
        patch.setattr(new_pass, "hear", later)
        with pytest.raises(AudioError, match=r"brass\.wav: was changed after the plan was opened"):
            cue.render(content, cache=cache)
    stem.write_bytes(before)
    again = measure_session(cue.session(content), cache=cache)
    assert again.recalled is known
    assert (again.bus("mix").true_peak_dbtp is None) is known


def test_a_damaged_record_is_made_again_and_replaced(cue, content, cache):
    heard = measure_session(cue.session(content), cache=cache)
    for file in cache.folder.rglob("cross.npy"):
        file.write_bytes(file.read_bytes()[:1000])
    again = measure_session(cue.session(content), cache=cache)
    assert not again.recalled
    assert figures(again) == figures(heard)
    assert measure_session(cue.session(content), cache=cache).recalled


def test_a_whole_record_that_says_something_else_is_made_again_and_replaced(cue, content, cache):
    heard = measure_session(cue.session(content), cache=cache)
    (entry,) = [entry for entry in cache.entries() if entry.document("record")]
    cache.forget(entry.key)
    with cache.writing(entry.key, title="Ice Harbour") as new:
        new.save_document("record", {"parts": "none"})
    again = measure_session(cue.session(content), cache=cache)
    assert not again.recalled
    assert figures(again) == figures(heard)
    assert measure_session(cue.session(content), cache=cache).recalled


def test_without_a_cache_nothing_is_kept(cue, content):
    assert not measure_session(cue.session(content)).recalled
    assert not measure_session(cue.session(content)).recalled
