from __future__ import annotations

import numpy as np
import pytest
import soundfile

from roomplan.demo.cues import CUE_PLANS, CUES, write_cues
from roomplan.demo.ice_harbour import STEMS
from roomplan.files.resources import bundled_folder
from roomplan.plan.load import load_plan
from roomplan.session.session import open_session

SECTIONS = {
    "2m1": {"choir", "woodwinds", "brass", "percussion", "low_strings", "melody_strings"},
    "2m2": {"woodwinds", "brass", "low_strings", "melody_strings"},
    "2m3": {"choir", "low_strings"},
}


@pytest.fixture
def session_folder(tmp_path):
    """Three cue plans beside their base, and stems of the demo's names with a second of noise each."""
    stems = tmp_path / "stems"
    stems.mkdir()
    generator = np.random.default_rng(1)
    for stem in STEMS.values():
        for file in stem.files:
            channels = 1 if len(stem.files) == 2 or "percussion" in file or "woodwinds" in file else 2
            soundfile.write(stems / file, 0.05 * generator.standard_normal((24_000, channels)), 48_000)
    write_cues(stems, tmp_path / "cues")
    for name in CUE_PLANS:
        (tmp_path / name).write_bytes((bundled_folder("configs") / name).read_bytes())
    return tmp_path


def test_every_stem_of_a_cue_is_one_of_the_demo():
    known = {file for stem in STEMS.values() for file in stem.files}
    assert {stem for files in CUES.values() for stem in files.values()} <= known


@pytest.mark.parametrize("cue", sorted(CUES))
def test_one_house_set_up_serves_three_differently_named_cues(cue, session_folder):
    loaded = load_plan(session_folder / f"ice_harbour_{cue}.yaml")
    assert not loaded.problems
    assert loaded.plan is not None
    session, problems = open_session(loaded.plan)
    assert not problems
    assert session is not None
    assert {section.name for section in session.sections} == SECTIONS[cue]
    assert loaded.plan.cue == cue
    folders = {delivery.folder for delivery in loaded.plan.deliveries.values()}
    assert all(f"{cue}_v{loaded.plan.version}" in str(folder) for folder in folders)


def test_files_that_are_there_are_kept(session_folder):
    edited = session_folder / "cues" / "2m3" / "2m3 SATB tk2.wav"
    edited.unlink()
    edited.write_bytes(b"mine")
    write_cues(session_folder / "stems", session_folder / "cues")
    assert edited.read_bytes() == b"mine"
