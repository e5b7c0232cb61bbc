"""Decay figures that were found before: the same as measured now, and only what moved is measured."""

from __future__ import annotations

import copy
import json
import random
import zlib
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from roomplan.acoustics.analysis import composite_energies, octave_filters
from roomplan.acoustics.bands import OCTAVE_CENTRES_HZ
from roomplan.acoustics.doubt import Doubt
from roomplan.acoustics.energy_forms import Paths, forms_of
from roomplan.acoustics.figures import BandFigures, DecayFigures
from roomplan.files.cache import Cache
from roomplan.rendering import bus_figures, composites, kept_decays
from roomplan.rendering.kept_energies import KeptEnergies
from roomplan.rendering.kept_forms import KeptForms
from roomplan.rendering.measure import measure_session

RATE = 48_000
LEVELS = st.floats(-30.0, 6.0).map(lambda level: round(level, 1))


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture
def content(cue, pink, decay):
    for number, name in enumerate(("choir", "strings", "brass")):
        cue.stem(f"{name}.wav", pink(RATE, 1 + number % 2, number))
    cue.response("nave.wav", decay(0.8, 0.7, 2, 4))
    cue.response("stage.wav", decay(0.3, 0.3, 2, 5))
    return {
        "title": "Ice Harbour, kept",
        "rooms": {"nave": {"responses": "nave.wav"}, "stage": {"responses": "stage.wav"}},
        "groups": {"back": {"sections": ["strings", "brass"]}},
        "sections": {
            "choir": {"stems": ["choir"], "sends": {"nave": -6, "stage": -12}},
            "strings": {"stems": ["strings"], "sends": {"nave": -12}},
            "brass": {"stems": ["brass"], "sends": {"stage": -9}, "dry": "off"},
        },
    }


def counted(monkeypatch, name):
    """Count the calls of a function of `composites`."""
    calls = []
    function = getattr(composites, name)

    def counting(*arguments, **options):
        calls.append(1)
        return function(*arguments, **options)

    monkeypatch.setattr(composites, name, counting)
    return calls


@pytest.fixture
def measured(monkeypatch):
    """Count the composites whose forms are measured."""
    return counted(monkeypatch, "forms_of")


@pytest.fixture
def measured_at_levels(monkeypatch):
    """Count the composites that are measured at their levels, as those are whose forms would be too large."""
    monkeypatch.setattr(bus_figures, "_MOST_FORMS_BYTES", 0)
    return counted(monkeypatch, "composite_energies")


def decays(rendering):
    of_decay = ("decay", "wet_arrival_ms", "decay_to_minus_40_s", "late_correlation")
    return {
        bus.name: (
            bus.decay,
            bus.wet_onset_s,
            bus.decay_to_minus_40_s,
            bus.late_correlation,
            [bus.reasons.get(key) for key in of_decay],
        )
        for bus in rendering.buses
    }


@settings(max_examples=10, phases=(Phase.explicit, Phase.generate))
@given(
    choir=LEVELS,
    nave=LEVELS,
    stage=LEVELS,
    room=LEVELS,
    muted=st.sampled_from([None, "choir", "strings", "brass"]),
)
def test_figures_from_the_cache_are_those_measured_now(cue, content, cache, choir, nave, stage, room, muted):
    plan = copy.deepcopy(content)
    plan["sections"]["choir"] |= {"level": choir, "sends": {"nave": nave, "stage": stage}}
    plan["rooms"]["nave"]["level"] = room
    if muted:
        plan["sections"][muted]["mute"] = True
    measure_session(cue.session(content, cache=cache), cache=cache)
    first = measure_session(cue.session(plan, cache=cache), cache=cache)  # some of it recalled
    again = measure_session(cue.session(plan, cache=cache), cache=cache)  # all of it
    assert decays(again) == decays(first)
    fresh = measure_session(cue.session(plan))
    assert decays(fresh) == decays(again)


def test_a_plan_that_was_heard_has_no_composite_measured(cue, content, cache, measured):
    measure_session(cue.session(content), cache=cache)
    assert len(measured) == 5
    measured.clear()
    measure_session(cue.session(content), cache=cache)
    assert measured == []


def changed(content, change):
    """A plan with other values in some of its parts."""
    plan = copy.deepcopy(content)
    for part, values in change.items():
        if isinstance(values, dict):
            for name, keys in values.items():
                plan[part][name] |= keys
        else:
            plan[part] = values
    return plan


CHANGES = [
    ({"trim": -3.0}, 0),
    ({"rooms": {"nave": {"level": 2.0}}}, 2),  # the sections that send to it, not the room alone
    ({"sections": {"strings": {"sends": {"nave": -3}}}}, 2),  # the section, and the room by its share
    ({"sections": {"brass": {"level": -4.0}}}, 0),  # alone in its room but for the choir
    ({"sections": {"strings": {"dry": -4.0}}}, 1),
    ({"groups": {"back": {"level": -2.0}}}, 1),  # the room in which it meets the choir
]


@pytest.mark.parametrize(
    ("change", "count"),
    [
        *((change, 0) for change, _count in CHANGES),
        ({"sections": {"brass": {"sends": {"stage": {"level": -9, "pre_delay": 30}}}}}, 2),
    ],
)
def test_no_level_has_a_composite_measured_again(cue, content, cache, measured, change, count):
    content["sections"]["choir"]["sends"] = {"nave": -6}
    measure_session(cue.session(content), cache=cache)
    measured.clear()
    plan = changed(content, change)
    found = measure_session(cue.session(plan), cache=cache)
    assert len(measured) == count
    assert decays(found) == decays(measure_session(cue.session(plan)))


@pytest.mark.parametrize(("change", "count"), CHANGES)
def test_of_composites_too_large_for_forms_only_what_moved_is_measured(
    cue, content, cache, measured_at_levels, change, count
):
    content["sections"]["choir"]["sends"] = {"nave": -6}
    measure_session(cue.session(content), cache=cache)
    measured_at_levels.clear()
    plan = changed(content, change)
    found = measure_session(cue.session(plan), cache=cache)
    assert len(measured_at_levels) == count
    assert decays(found) == decays(measure_session(cue.session(plan)))


def test_of_a_plan_whose_forms_are_too_large_together_the_larger_ones_are_measured_at_their_levels(
    cue, content, measured, monkeypatch
):
    monkeypatch.setattr(bus_figures, "_MOST_FORMS_OF_PLAN_BYTES", 4_500_000)  # more is asked for
    at_levels = counted(monkeypatch, "composite_energies")
    measure_session(cue.session(content))
    assert (len(measured), len(at_levels)) == (1, 4)  # the stage is small enough


def test_figures_from_forms_are_those_of_composites_measured_at_their_levels(cue, content, monkeypatch):
    by_forms = measure_session(cue.session(content)).buses
    monkeypatch.setattr(bus_figures, "_MOST_FORMS_BYTES", 0)
    for ours, theirs in zip(by_forms, measure_session(cue.session(content)).buses, strict=True):
        assert number(ours.decay_to_minus_40_s) == pytest.approx(number(theirs.decay_to_minus_40_s), rel=1e-9)
        assert (ours.decay is None) == (theirs.decay is None)
        if ours.decay is None or theirs.decay is None:
            continue
        for band, other in zip(ours.decay.bands, theirs.decay.bands, strict=True):
            assert band.verdict == other.verdict
            for name in ("edt_s", "t20_s", "t30_s", "c80_db", "d50", "centre_time_s"):
                expected = pytest.approx(number(getattr(other, name)), rel=1e-9, abs=1e-9)
                assert number(getattr(band, name)) == expected


def number(value):
    """A figure, or a number that no figure is where there is none."""
    return -999.0 if value is None else value


def test_forms_come_back_to_the_last_bit(cache):
    noise = np.random.default_rng(3).standard_normal((3, 9000))
    filters = octave_filters(OCTAVE_CENTRES_HZ)

    def paths(samples):
        return Paths(samples, np.array([1.0, 0.5, 0.3]), (0, 1, 1), (0, 0, 1), (0, 1, 1))

    for digest, samples in (("a" * 40, noise), ("b" * 40, noise.astype(np.float32))):
        forms = forms_of(paths(samples), sample_rate=8000, filters=filters)
        KeptForms(cache).put(digest, forms, title="Orrin Nave: decay")
        found = KeptForms(cache).get(digest, with_samples=paths, sample_rate=8000, filters=filters)
        assert found is not None
        np.testing.assert_array_equal(found.paths.samples, samples)
        assert found.bands.keys() == forms.bands.keys()
        for look, band in forms.bands.items():
            for field in fields(band):
                np.testing.assert_array_equal(
                    getattr(found.bands[look], field.name), getattr(band, field.name)
                )


def test_energies_come_back_to_the_last_bit(cache):
    noise = np.random.default_rng(3).standard_normal((9000, 2))
    noise *= 10.0 ** (-3.0 * np.arange(9000) / 6000)[:, None]
    sounds = {
        "a" * 40: composite_energies(noise, dry=[0.5, 0.2], sample_rate=8000, frames=12_000),
        "b" * 40: composite_energies(np.zeros((500, 2)), dry=None, sample_rate=8000),
    }
    for digest, sound in sounds.items():
        KeptEnergies(cache).put(digest, sound, title="Orrin Nave: decay")
        found = KeptEnergies(cache).get(digest)
        assert found is not None
        assert (found.onset, found.problem, found.impulse) == (sound.onset, sound.problem, sound.impulse)
        np.testing.assert_array_equal(found.broadband, sound.broadband)
        assert found.bands.keys() == sound.bands.keys()
        for look, band in sound.bands.items():
            for field in fields(band):
                np.testing.assert_array_equal(
                    getattr(found.bands[look], field.name), getattr(band, field.name)
                )


def test_every_figure_of_a_band_comes_back(cache):
    values: dict[str, Any] = {field.name: 0.5 for field in fields(BandFigures)}
    values |= {
        "verdict": "doubtful",
        "reasons": {"edt_s": "why"},
        "doubt": {"edt_s": Doubt(None, float("inf"), "good", None), "d50": Doubt(0.1, 3.0, "unusable", "x")},
        "label": "mid",
        "double_slope": None,
        "absent": frozenset({"c80_db"}),
        "t30_s": None,
        "decay_range_db": float("-inf"),
    }
    band = BandFigures(**values)
    found = kept_decays.MeasuredDecay(DecayFigures((band, band), band, "good", {"a": "b"}), 1.5, None, 0.25)
    keeping = kept_decays.KeptDecays(cache, ["a" * 40], title="Ice Harbour")
    keeping.add({"b" * 40: found}, {"c" * 40: 2.5})
    read = kept_decays.KeptDecays(cache, ["a" * 40], title="Ice Harbour")
    assert read.decay("b" * 40) == found
    assert read.energy("c" * 40) == 2.5
    assert read.decay("c" * 40) is None


def test_no_damage_to_what_is_kept_ends_in_an_error(cue, content, cache):
    measure_session(cue.session(content), cache=cache)
    whole = {
        (entry.key, name): entry.document(name)
        for entry in cache.entries()
        for name in ("decays", "forms", "late")
        if entry.document(name)
    }
    assert len(whole) == 9
    session = cue.session(content)
    for seed in range(90):
        dice = random.Random(seed)
        key, name = dice.choice(list(whole))
        folder = cache.folder / "entries" / key
        document = json.loads(json.dumps(whole[key, name]))
        holder, at = document, dice.choice(list(document))
        while isinstance(holder[at], dict | list) and holder[at] and dice.random() < 0.85:
            holder = holder[at]
            at = dice.choice(list(holder)) if isinstance(holder, dict) else dice.randrange(len(holder))
        holder[at] = dice.choice([None, True, -1, 1e400, "", "inf", [], {}, [[]], 3.5])
        raw = json.dumps(document).encode()
        if name in {"forms", "late"}:  # which are asked only for what is not known
            for other, kind in whole:
                if kind == "decays":
                    cache.forget(other)
        (folder / f"{name}.json").write_bytes(raw)
        meta = json.loads((folder / "meta.json").read_text(encoding="utf-8"))
        meta["files"][f"{name}.json"] = [len(raw), zlib.crc32(raw)]
        (folder / "meta.json").write_text(json.dumps(meta), encoding="utf-8")
        found = measure_session(session, cache=cache)
        assert all(np.isfinite(bus.decay.mid.c80_db or 0.0) for bus in found.buses if bus.decay)
