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

from roomplan.acoustics.doubt import Doubt
from roomplan.acoustics.figures import BandFigures, DecayFigures
from roomplan.files.cache import Cache
from roomplan.rendering import bus_figures, kept_decays
from roomplan.rendering.render import measure_session

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


@pytest.fixture
def measured(monkeypatch):
    """Count the composites that are measured."""
    counted = []
    measure = bus_figures.composite_energies

    def counting(*arguments, **options):
        counted.append(1)
        return measure(*arguments, **options)

    monkeypatch.setattr(bus_figures, "composite_energies", counting)
    return counted


def decays(rendering):
    of_decay = ("decay", "wet_arrival_ms", "decay_to_minus_40_s")
    return {
        bus.name: (
            bus.decay,
            bus.wet_onset_s,
            bus.decay_to_minus_40_s,
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


def test_one_send_that_moved_has_its_section_measured_and_its_room(cue, content, cache, measured):
    measure_session(cue.session(content), cache=cache)
    measured.clear()
    plan = copy.deepcopy(content)
    plan["sections"]["strings"]["sends"]["nave"] = -3
    measure_session(cue.session(plan), cache=cache)
    # the group and the mix are sums, for which the other sections' energies are needed once more
    assert len(measured) <= 4


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
    found = kept_decays.MeasuredDecay(DecayFigures((band, band), band, "good", {"a": "b"}), 1.5, None)
    keeping = kept_decays.KeptDecays(cache, ["a" * 40], title="Ice Harbour")
    keeping.add({"b" * 40: found}, {"c" * 40: 2.5})
    read = kept_decays.KeptDecays(cache, ["a" * 40], title="Ice Harbour")
    assert read.decay("b" * 40) == found
    assert read.energy("c" * 40) == 2.5
    assert read.decay("c" * 40) is None


def test_no_damage_to_what_is_kept_ends_in_an_error(cue, content, cache):
    measure_session(cue.session(content), cache=cache)
    (entry,) = [entry for entry in cache.entries() if entry.document("decays")]
    whole = json.loads((entry.folder / "decays.json").read_text(encoding="utf-8"))
    session = cue.session(content)
    for seed in range(60):
        dice = random.Random(seed)
        document = json.loads(json.dumps(whole))
        holder, key = document, dice.choice(list(document))
        while isinstance(holder[key], dict | list) and holder[key] and dice.random() < 0.85:
            holder = holder[key]
            key = dice.choice(list(holder)) if isinstance(holder, dict) else dice.randrange(len(holder))
        holder[key] = dice.choice([None, True, -1, 1e400, "", "inf", [], {}, [[]], 3.5])
        raw = json.dumps(document).encode()
        entry.folder.mkdir(exist_ok=True)
        (entry.folder / "decays.json").write_bytes(raw)
        meta = json.loads((entry.folder / "meta.json").read_text(encoding="utf-8"))
        meta["files"]["decays.json"] = [len(raw), zlib.crc32(raw)]
        (entry.folder / "meta.json").write_text(json.dumps(meta), encoding="utf-8")
        found = measure_session(session, cache=cache)
        assert all(np.isfinite(bus.decay.mid.c80_db or 0.0) for bus in found.buses if bus.decay)
