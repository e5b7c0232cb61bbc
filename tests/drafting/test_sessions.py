"""Differently named folders of stems: each gives a plan that opens, with the sections one expects."""

from __future__ import annotations

import unicodedata

import pytest

from roomplan.drafting.arranging import propose
from roomplan.drafting.listening import list_stems, listen
from roomplan.drafting.writing import plan_text, write_plan
from roomplan.files.cache import Cache
from roomplan.plan.load import load_plan
from roomplan.session.session import open_session

# folder → file: channels, section (None: left out); what a practitioner expects
FOLDERS = {
    "english, cue, take and version": {
        "3m12_IceHarbour_Fl_v4 tk3.wav": (2, "woodwinds"),
        "3m12_IceHarbour_WW_v4 tk3.wav": (2, "woodwinds"),
        "3m12_IceHarbour_Hns_v4 tk3.wav": (2, "horns"),
        "3m12_IceHarbour_LoBrass_v4 tk3.wav": (2, "low_brass"),
        "3m12_IceHarbour_Timp_v4 tk3.wav": (2, "timpani"),
        "3m12_IceHarbour_Choir_v4 tk3.wav": (2, "choir"),
        "3m12_IceHarbour_Vln1_v4 tk3.wav": (2, "violins_1"),
        "3m12_IceHarbour_Vln2_v4 tk3.wav": (2, "violins_2"),
        "3m12_IceHarbour_Vla_v4 tk3.wav": (2, "violas"),
        "3m12_IceHarbour_Vc_v4 tk3.wav": (2, "cellos"),
        "3m12_IceHarbour_Cb_v4 tk3.wav": (2, "basses"),
        "3m12_IceHarbour_SoloCello_v4 tk3.wav": (2, "solo_cello"),
        "3m12_IceHarbour_Vln1_v3 tk1.wav": (2, None),
    },
    "german abbreviations, numbered": {
        "01 - Fl.wav": (2, "woodwinds"),
        "02 - Klar.wav": (2, "woodwinds"),
        "03 - Fg.wav": (2, "woodwinds"),
        "04 - Hr.wav": (2, "horns"),
        "05 - Trp.wav": (2, "trumpets"),
        "06 - Pos.wav": (2, "low_brass"),
        "07 - Pk.wav": (2, "timpani"),
        "08 - Schlgz.wav": (2, "percussion"),
        "09 - Vl 1.wav": (2, "violins_1"),
        "10 - Vl 2.wav": (2, "violins_2"),
        "11 - Br.wav": (2, "violas"),
        "12 - Vc.wav": (2, "cellos"),
        "13 - Kb.wav": (2, "basses"),
        "14 - Chor.wav": (2, "choir"),
    },
    "italian score names": {
        "Flauti.wav": (2, "woodwinds"),
        "Corno inglese.wav": (2, "woodwinds"),
        "Corni in Fa.wav": (2, "horns"),
        "Trombe.wav": (2, "trumpets"),
        "Tromboni.wav": (2, "low_brass"),
        "Gran Cassa.wav": (2, "percussion"),
        "Arpa.wav": (2, "harp"),
        "Coro.wav": (2, "choir"),
        "Violini I.wav": (2, "violins_1"),
        "Violini II.wav": (2, "violins_2"),
        "Viole.wav": (2, "violas"),
        "Violoncelli.wav": (2, "cellos"),
        "Contrabbassi.wav": (2, "basses"),
    },
    "numbers alone": {f"Audio {number:02d}.wav": (2, f"audio_0{number}") for number in range(1, 5)},
    "mock-up exports in camel case": {
        "IHStringsHigh.wav": (2, "high_strings"),
        "IHStringsLow.wav": (2, "low_strings"),
        "IHBrassHorns.wav": (2, "horns"),
        "IHBrassLow.wav": (2, "low_brass"),
        "IHPercDeep.wav": (2, "percussion"),
        "IHChoirWomen.wav": (2, "womens_choir"),
        "IHSynthPad.wav": (2, "synths"),
        "IHFXHits.wav": (2, "effects"),
    },
    "mono pairs of several kinds": {
        "Strings_L.wav": (1, "strings"),
        "Strings_R.wav": (1, "strings"),
        "Brass L.wav": (1, "brass"),
        "Brass R.wav": (1, "brass"),
        "Harp.wav": (1, "harp"),
        "Timp-L.wav": (1, "timpani"),
    },
    "french, decomposed accents": {
        unicodedata.normalize("NFD", name): (2, section)
        for name, section in {
            "Flûtes.wav": "woodwinds",
            "Hautbois.wav": "woodwinds",
            "Cors.wav": "horns",
            "Timbales.wav": "timpani",
            "Chœur mélangé.wav": "choir",
            "Violons 1.wav": "violins_1",
            "Violons 2.wav": "violins_2",
            "Altos.wav": "violas",
            "Violoncelles.wav": "cellos",
        }.items()
    },
    "spanish": {
        "Maderas.wav": (2, "woodwinds"),
        "Trompas.wav": (2, "horns"),
        "Metales.wav": (2, "brass"),
        "Percusión.wav": (2, "percussion"),
        "Coro.wav": (2, "choir"),
        "Cuerdas graves.wav": (2, "low_strings"),
        "Violines.wav": (2, "violins"),
        "Órgano.wav": (2, "organ"),
    },
    "a choir by its letters": {
        "Session_S_close.wav": (1, "sopranos"),
        "Session_A_close.wav": (1, "altos"),
        "Session_T_close.wav": (1, "tenors"),
        "Session_B_close.wav": (1, "choir_basses"),
        "Session_Solo Soprano.wav": (1, "voice"),
    },
    "a stray mix and a click": {
        "IH_Tutti Strings.wav": (2, "tutti_strings"),
        "IH_Low Str.wav": (2, "low_strings"),
        "IH_Brass.wav": (2, "brass"),
        "IH_WW.wav": (2, "woodwinds"),
        "Ice Harbour MIX v4.wav": (2, None),
        "click.wav": (2, None),
        "IH_ref.wav": (2, None),
    },
}


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """One cache for all folders: seats repeat, and a synthetic response is made once."""
    return tmp_path_factory.mktemp("responses")


@pytest.fixture
def opened(folder, monkeypatch, kept):
    """Draft a plan for a folder, open it, and give back the proposal, the plan's text and the session."""

    def draft(files, name="cue"):
        monkeypatch.setenv("ROOMPLAN_CACHE", str(kept))
        place = folder(files, name)
        proposal = propose(place, listen(list_stems(place)))
        plan = place.parent / "cue.yaml"
        write_plan(plan_text(proposal, plan), plan, replace=False)
        loaded = load_plan(plan)
        assert loaded.plan is not None
        assert loaded.problems == ()
        session, problems = open_session(loaded.plan, cache=Cache.open())
        assert session is not None
        assert problems == []
        return proposal, plan.read_text(encoding="utf-8"), session

    return draft


@pytest.mark.parametrize("kind", FOLDERS)
def test_a_folder_gives_a_plan_that_opens_with_the_sections_one_expects(opened, kind):
    expected = FOLDERS[kind]
    proposal, text, session = opened({name: channels for name, (channels, _section) in expected.items()})
    found = {
        file.name: section.name
        for section in session.sections
        for path in section.stems
        for file in path.stem.files
    }
    assert {name: found.get(name) for name in expected} == {name: s for name, (_c, s) in expected.items()}
    for left in proposal.left_out:
        assert left.file.name in text


def test_the_halves_of_a_pair_are_heard_on_their_sides(opened):
    _proposal, text, session = opened(
        {"Strings_L.wav": 1, "Strings_R.wav": 1, "Brass L.wav": 1, "Brass R.wav": 1}
    )
    strings, brass = session.section("strings"), session.section("brass")
    assert [path.stem.channels for path in strings.stems] == [2]
    assert {path.stem.name: path.stem.pan for path in brass.stems} == {"Brass L": -100.0, "Brass R": 100.0}
    assert "pan: 100" in text


def test_files_that_would_stop_the_render_are_named_and_left_out(opened, folder):
    import numpy as np

    bad = np.full((2000, 1), np.nan)
    place = folder({"Vln.wav": 2, "Surround.wav": 6})
    (place / "Vc.wav").write_bytes(b"no sound at all")
    import soundfile

    soundfile.write(place / "Harp.wav", bad, 8_000, subtype="FLOAT")
    soundfile.write(place / "Choir.wav", 0.01 * np.ones((4000, 2)), 44_100)
    soundfile.write(place / "Oboe.wav", np.zeros((4000, 1)), 8_000)
    proposal, text, session = opened({})
    assert {left.file.name for left in proposal.left_out} == {"Surround.wav", "Vc.wav", "Harp.wav"}
    assert all(name in text for name in ("Surround.wav", "Vc.wav", "Harp.wav", "Oboe.wav is silent"))
    assert "sample_rate: 8000" in text
    assert session.sample_rate == 8_000
