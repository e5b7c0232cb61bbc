"""What the last render read is known from its report, whether that was read now or before."""

from __future__ import annotations

import json

import numpy as np
import pytest

from roomplan.files.cache import Cache
from roomplan.rendering import earlier_stems as module
from roomplan.rendering.earlier_stems import earlier_stems, plan_digest

RATE = 8_000


@pytest.fixture
def rendered(cue):
    """A session of one stem that was delivered, its folder, and a cache."""
    noise = np.random.default_rng(1).standard_normal((RATE, 1))
    cue.response("ir.wav", 0.1 * noise[:800], RATE)
    cue.stem("choir.wav", 0.1 * noise, RATE)
    cue.content = {
        "rooms": {"orrin_nave": {"responses": "ir.wav"}},
        "sections": {"choir": {"stems": ["choir"], "sends": {"orrin_nave": -12}}},
        "deliveries": {"session": {"folder": "out", "write": ["mix"]}},
    }
    session = cue.session(cue.content)
    cue.deliver(session)
    return session, cue.folder / "out", Cache(cue.folder / "kept")


def asked(rendered, cache=None):
    session, folder, _cache = rendered
    return earlier_stems(session, folder, digest=plan_digest(session), cache=cache)


def test_stems_of_the_last_render_are_known_without_reading_its_report_again(rendered, monkeypatch):
    cache = rendered[2]
    read = asked(rendered)
    assert len(read) == 1
    assert asked(rendered, cache) == read
    monkeypatch.setattr(module, "read_report", None)  # nobody may ask
    assert asked(rendered, cache) == read


def test_a_report_that_has_changed_is_read_again(rendered):
    _session, folder, cache = rendered
    (before,) = asked(rendered, cache).values()
    report = json.loads((folder / "report.json").read_text("utf-8"))
    report["stems"][0]["blake2b_160"] = "0" * 40
    (folder / "report.json").write_text(json.dumps(report), encoding="utf-8")
    (after,) = asked(rendered, cache).values()
    assert (after.digest, before.digest == after.digest) == ("0" * 40, False)


def test_the_stems_of_another_plan_are_nobodys_though_they_are_kept(rendered, monkeypatch):
    session, folder, cache = rendered
    assert asked(rendered, cache)
    monkeypatch.setattr(module.PlanIdentity, "is_at", lambda _self, _session: False)
    assert earlier_stems(session, folder, digest="another", cache=cache) == {}


def test_a_damaged_report_and_a_folder_without_one_have_no_stems_and_are_not_kept(rendered):
    session, folder, cache = rendered
    assert earlier_stems(session, folder / "nowhere", digest=None, cache=cache) == {}
    (folder / "report.json").write_text("{", encoding="utf-8")
    assert asked(rendered, cache) == {}
    assert cache.entries() == []


@pytest.mark.parametrize(
    "kept", [[], None, {"plan": 1}, {"plan": "", "digest": None, "cue": None, "stems": [["a", 1, None]]}]
)
def test_damage_to_what_is_kept_is_a_miss(rendered, monkeypatch, kept):
    cache = rendered[2]
    read = asked(rendered, cache)
    monkeypatch.setattr("roomplan.files.cache.CacheEntry.document", lambda _self, _name: kept)
    assert asked(rendered, cache) == read
