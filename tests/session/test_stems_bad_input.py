"""Folders and files as they come: missing, empty, damaged, enormous, spelt otherwise."""

from __future__ import annotations

import os
import unicodedata

import numpy as np
import pytest
import soundfile

from roomplan.errors import AudioError
from roomplan.plan.load import load_plan
from roomplan.rendering.measure import measure_session
from roomplan.session import stems as stems_module
from roomplan.session.stems import claim_stems

MONO = np.full((4800, 1), 0.1)


@pytest.fixture
def folder(cue):
    cue.response("ir.wav", np.random.default_rng(1).standard_normal((500, 1)))
    return cue


def plan_for(stems_folder="stems", /, **sections):
    return {
        "stems": stems_folder,
        "rooms": {"orrin_nave": {"responses": "ir.wav"}},
        "sections": {name: {"stems": stems} for name, stems in sections.items()},
    }


def test_a_folder_on_a_disk_that_is_not_there_is_one_problem_that_names_where_the_path_ends(folder):
    content = plan_for("/nowhere_mounted/reel_2/stems", choir=["choir"], brass=["brass"])
    (problem,) = folder.problems(content)
    assert "plan.yaml:1:8: the stems folder /nowhere_mounted/reel_2/stems does not exist" in problem
    assert "there is no /nowhere_mounted — check the path, and that its disk is connected" in problem


def test_a_file_for_a_folder_is_one_problem(folder):
    folder.stem("choir.wav", MONO)
    (problem,) = folder.problems(plan_for("stems/choir.wav", choir=["choir"]))
    assert "is a file" in problem


def test_an_empty_folder_is_one_problem_and_not_one_per_stem(folder):
    (problem,) = folder.problems(plan_for(choir=["choir"], brass=["brass"], harp=["*harp*"]))
    assert "plan.yaml:1:8: the stems folder" in problem
    assert "holds no sound files — put the stems there, or connect its disk" in problem


def test_a_folder_with_sound_only_below_it_serves_stems_that_say_so(folder):
    folder.stem("takes/choir.wav", MONO)
    assert folder.problems(plan_for(choir=["takes/choir.wav"])) == []


@pytest.mark.skipif(os.name == "nt" or getattr(os, "geteuid", lambda: 1)() == 0, reason="root may read all")
def test_a_folder_that_may_not_be_read_is_one_problem(folder):
    folder.stem("choir.wav", MONO)
    (folder.folder / "stems").chmod(0)
    try:
        (problem,) = folder.problems(plan_for(choir=["choir"]))
    finally:
        (folder.folder / "stems").chmod(0o700)
    assert "cannot be read" in problem


def test_a_folder_that_goes_away_while_it_is_claimed_is_one_problem(folder, monkeypatch):
    for name in ("choir.wav", "brass.wav", "harp.wav"):
        folder.stem(name, MONO)
    loaded = load_plan(folder.plan(plan_for(choir=["choir"], brass=["brass"], harp=["harp"])))
    inspect = stems_module.inspect_sound

    def unmounted(path):
        if path.name == "brass.wav":
            (folder.folder / "stems").rename(folder.folder / "elsewhere")
        return inspect(path)

    monkeypatch.setattr(stems_module, "inspect_sound", unmounted)
    assert loaded.plan is not None
    _stems, problems, _warnings = claim_stems(loaded.plan)
    (problem,) = problems
    assert "has disappeared — keep it and its disk connected, and start again" in str(problem)
    assert problem.place is not None
    assert problem.place.line == 1


def test_an_empty_file_is_a_problem_at_the_stem_that_names_it(folder):
    folder.stem("choir.wav", np.zeros((0, 1)))
    folder.stem("brass.wav", MONO)
    (problem,) = folder.problems(plan_for(brass=["brass"], choir=["choir"]))
    assert "choir.wav: holds no sound (0 frames)" in problem
    assert "plan.yaml:11:7:" in problem


def test_a_file_of_no_bytes_is_a_problem_that_names_it(folder):
    (folder.folder / "stems" / "choir.wav").touch()
    (problem,) = folder.problems(plan_for(choir=["choir"]))
    assert "choir.wav" in problem


def test_a_value_that_is_not_a_number_ends_the_pass_with_file_channel_and_time(folder):
    samples = np.full((48_000, 2), 0.1)
    samples[36_000, 1] = np.nan
    folder.stem("choir.wav", samples)
    session = folder.session(plan_for(choir=["choir"]))
    with pytest.raises(AudioError) as raised:
        measure_session(session)
    line = str(raised.value)
    assert "choir.wav: holds a value that is not a number (NaN) in channel 2 at 0.750 s (frame 36000)" in line


def test_a_file_that_no_section_claims_is_not_opened_and_may_be_damaged(folder):
    folder.stem("choir.wav", MONO)
    (folder.folder / "stems" / "notes.wav").write_bytes(b"RIFF and nothing else")
    session = folder.session(plan_for(choir=["choir"]))
    assert [w.what for w in session.warnings if "notes.wav" in w.what] == [
        "stem notes.wav belongs to no section and will not play"
    ]


def test_every_damaged_stem_is_reported_at_once(folder):
    for name in ("choir", "brass"):
        (folder.folder / "stems" / f"{name}.wav").write_bytes(b"RIFF and nothing else")
    folder.stem("harp.wav", MONO)
    assert len(folder.problems(plan_for(choir=["choir"], brass=["brass"], harp=["harp"]))) == 2


@pytest.mark.parametrize(("in_plan", "on_disk"), [("NFC", "NFD"), ("NFD", "NFC"), ("NFD", "NFD")])
@pytest.mark.parametrize("pattern", ["Flöte", "flöte.wav", "*FLÖTE*", "takes/Flöte.wav"])
def test_names_match_whichever_way_their_accents_are_written(folder, in_plan, on_disk, pattern):
    name = unicodedata.normalize(on_disk, "Flöte.wav")
    folder.stem(f"takes/{name}" if "/" in pattern else name, MONO)
    (path,) = folder.session(plan_for(all=[unicodedata.normalize(in_plan, pattern)])).section("all").stems
    assert path.stem.files[0].name == name


def test_folders_match_whichever_way_their_accents_are_written(folder):
    folder.stem(unicodedata.normalize("NFD", "../Größe/Übung/choir.wav"), MONO)
    content = plan_for(unicodedata.normalize("NFC", "Größe/Übung"), choir=["choir"])
    session = folder.session(content)
    assert session.plan.stems_folder.is_dir()


def test_two_files_spelt_alike_are_told_apart_by_the_bytes_of_the_plan(folder):
    names = [unicodedata.normalize(form, "Flöte.wav") for form in ("NFC", "NFD")]
    for name in names:
        folder.stem(name, MONO)
    if len(list((folder.folder / "stems").iterdir())) == 1:
        pytest.skip("this file system holds one name in one form")
    (path,) = folder.session(plan_for(flute=[names[1]])).section("flute").stems
    assert path.stem.files[0].name == names[1]
    (problem,) = folder.problems(plan_for(flute=[unicodedata.normalize("NFC", "flöte")]))
    assert "fits several files" in problem
    assert "rename one of them: their names differ only in case or accents" in problem


@pytest.fixture(scope="module")
def crowded(tmp_path_factory):
    """Folders of a thousand and ten thousand tiny stems (one file, linked)."""
    root = tmp_path_factory.mktemp("many")
    soundfile.write(root / "one.wav", MONO, 48_000)
    for count in (1_000, 10_000):
        (root / str(count) / "stems").mkdir(parents=True)
        for index in range(count):
            os.link(root / "one.wav", root / str(count) / "stems" / f"take_{index:05}_Gerät.wav")
    return root


def claiming(folder, stems):
    path = folder / "plan.yaml"
    listed = "".join(f"  s{i}: {{stems: ['{stem}']}}\n" for i, stem in enumerate(stems))
    path.write_text(f"stems: stems\nrooms: {{hall: {{synthetic: larkmere_hall}}}}\nsections:\n{listed}")
    plan = load_plan(path).plan
    assert plan is not None
    return lambda: claim_stems(plan)


def test_the_work_of_claiming_grows_with_the_files_in_the_folder_and_not_their_square(crowded, tenfold_cost):
    patterns = [f"*_{index:04}?_gerät*" for index in range(0, 900, 25)]
    few, many = (claiming(crowded / str(count), patterns) for count in (1_000, 10_000))
    stems, problems, warnings = many()
    assert problems == []
    assert sum(len(group) for group in stems.values()) == 360
    (line,) = [str(w) for w in warnings]
    assert "9640 stems belong to no section and will not play: take_00010_Gerät.wav, " in line
    assert " and 9632 more" in line
    assert tenfold_cost(few, many) < 15.0


def test_the_work_of_telling_wrong_names_grows_with_the_files_in_the_folder_and_not_their_square(
    crowded, tenfold_cost
):
    wrong = [f"tkae_{i}" for i in range(30)]
    few, many = (claiming(crowded / str(count), wrong) for count in (1_000, 10_000))
    assert len(many()[1]) == 30
    assert tenfold_cost(few, many) < 15.0


def test_a_sweep_taken_for_a_response_is_a_problem_at_its_line_of_the_plan(cue):
    cue.stem("choir.wav", np.ones((4800, 1)) * 0.1)
    time_s = np.arange(4 * 48_000)[:, None] / 48_000
    cue.response("nave.wav", 0.5 * np.sin(2.0 * np.pi * 20.0 * 0.7 * 2.0 ** (time_s / 0.5)))
    (problem,) = cue.problems(
        {
            "rooms": {"orrin_nave": {"responses": "nave.wav"}},
            "sections": {"choir": {"stems": ["choir"], "sends": {"orrin_nave": -6}}},
        }
    )
    assert "plan.yaml:4:" in problem
    assert "nave.wav: is a sweep" in problem
    assert "--force" not in problem
