"""A session with every kind of way from stem to component, and its components as a whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from roomplan.plan.load import load_plan
from roomplan.rendering.component_stream import ComponentStream
from roomplan.session.buses import build_components
from roomplan.session.response_matrices import response_matrices
from roomplan.session.session import open_session

RATE = 48_000
ENSEMBLE = """\
title: Ice Harbour
sample_rate: 48000
stems: stems
rooms:
  hall: {responses: {front: hall.wav}, wiring: one_source, pre_delay: 21}
  stage: {responses: stage.wav, wiring: per_channel, low_cut: 200}
  nave: {responses: nave.wav, wiring: true_stereo}
sections:
  choir: {stems: [choir], sends: {hall: -3, nave: -6}}
  solo: {stems: [solo], delay: 250, sends: {hall: -3}}
  strings: {stems: [strings], sends: {stage: -5, hall: -9}}
  brass: {stems: [brass_L, brass_R], dry: off, sends: {nave: -4}}
  winds: {stems: [winds], delay: 13}
"""


def heard(session, store=None):
    """All components of a session, (components, 2, frames), its matrices made anew."""
    components = build_components(session)
    with ComponentStream(session, components, response_matrices(session), store=store) as stream:
        blocks = [block.copy() for block in stream.blocks()]
    return np.concatenate([np.zeros((len(components), 2, 0), np.float32), *blocks], axis=2)


@pytest.fixture(scope="module")
def ensemble(tmp_path_factory):
    """Return a session with every kind of way from stem to component, its stems placed all over 3 s.

    Mono into one source, stereo into one source, per channel and true stereo; a stem at another rate, one
    FLAC, a pair; delays, pre-delays, cuts, and offsets before and after the start of the cue.
    """
    folder = tmp_path_factory.mktemp("ensemble")
    (folder / "stems").mkdir()

    def write(name, seconds, channels, seed, rate=RATE, decay_s=None, subtype="FLOAT"):
        samples = np.random.default_rng(seed).uniform(-0.3, 0.3, (round(seconds * rate), channels))
        if decay_s is not None:  # a response: −60 dB after `decay_s`
            samples *= 10.0 ** (-3.0 * np.arange(len(samples)) / (decay_s * rate))[:, None]
        soundfile.write(folder / name, samples, rate, subtype=subtype)

    write("stems/choir.wav", 2, 2, 1)
    write("stems/solo.wav", 1, 1, 2)
    write("stems/strings.wav", 2, 2, 3, rate=44_100)
    write("stems/brass_L.wav", 1.016, 1, 4)
    write("stems/brass_R.wav", 1, 1, 5)
    write("stems/winds.flac", 1, 2, 6, subtype="PCM_24")
    write("hall.wav", 0.7, 2, 11, decay_s=0.9)
    write("stage.wav", 0.2, 2, 12, decay_s=0.3)
    write("nave.wav", 1.1, 4, 13, decay_s=1.4)
    plan = folder / "plan.yaml"
    plan.write_text(ENSEMBLE, encoding="utf-8")
    loaded = load_plan(plan)
    assert loaded.plan is not None, loaded.problems
    session, problems = open_session(loaded.plan)
    assert session is not None, problems
    offsets = {"choir": 12_345, "solo": 60_000, "strings": -4000, "brass": 1, "winds": 90_001}
    return replace(
        session,
        sections=tuple(
            replace(
                section,
                stems=tuple(replace(path, offset_frames=offsets[section.name]) for path in section.stems),
            )
            for section in session.sections
        ),
    )
