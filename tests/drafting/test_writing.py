"""The text of a plan: loads whatever the names, means exactly the files, written whole or not at all."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from roomplan.documents.scalars import forbidden_character
from roomplan.drafting.arranging import propose
from roomplan.drafting.listening import StemFile
from roomplan.drafting.patterns import StemTexts
from roomplan.drafting.writing import path_text, plan_text, scalar, shown, write_plan
from roomplan.errors import RoomplanError
from roomplan.plan.load import load_plan
from roomplan.session.stems import StemsFolder

NASTY = [
    "a: b #c.wav",
    "# not a comment.wav",
    "- dash.wav",
    "007.wav",
    "12e4.wav",
    "2026-02-03.wav",
    "true.wav",
    "off.wav",
    "~.wav",
    "null.wav",
    "Vln 1 .wav",
    " .wav",
    "{curly}.wav",
    "[square] Vla.wav",
    "star*.wav",
    "what?.wav",
    'quote".wav',
    "it's.wav",
    "back\\slash.wav",
    "%percent.wav",
    "@at.wav",
    "`tick`.wav",
    "&anchor.wav",
    "!tag.wav",
    "<<.wav",
    "emoji 🎻.wav",
    "עברית.wav",
    "zero\u200bwidth.wav",
    "no\u00a0break.wav",
    "wide\u3000space.wav",
    "Vln.wav",
    "vln.WAV",
    "VLN.wav",
    "e\u0301te\u0301.wav",
    "\u00e9t\u00e9.wav",
    "tab\there.wav",
    "line\nfeed.wav",
    "bell\u0007.wav",
    "bad\udcff.wav",
    "Vln.flac",
    "Vln.wav.flac",
    "x" * 200 + ".wav",
]
LETTERS = st.characters(codec=None, exclude_characters="/\x00")
NAMES = st.lists(
    st.one_of(
        st.sampled_from(NASTY), st.text(LETTERS, min_size=1, max_size=20).map(lambda text: f"{text}.wav")
    ),
    min_size=1,
    max_size=10,
    unique=True,
)


def stem(name: str) -> StemFile:
    return StemFile(name, 2, 48_000, 10.0, -23.0, -6.0, (0.0, 10.0))


@given(names=NAMES, title=st.one_of(st.just("stems"), st.text(max_size=30)))
@example(names=NASTY, title="cue")
@settings(max_examples=200)
def test_a_plan_for_any_names_loads_and_means_exactly_the_files_it_should(tmp_path, names, title):
    folder = tmp_path / "place" / "stems"
    proposal = propose(
        folder.parent / (title.replace("/", "").replace("\0", "").strip(".") or "x"), [stem(n) for n in names]
    )
    if not proposal.sections:
        return
    if forbidden_character(proposal.folder.name) is not None or set("\t\n") & set(proposal.folder.name):
        with pytest.raises(RoomplanError, match="cannot be written in a plan"):
            plan_text(proposal, tmp_path / "cue.yaml")
        return
    text = plan_text(proposal, tmp_path / "cue.yaml")
    (tmp_path / "cue.yaml").write_bytes(text.encode())
    loaded = load_plan(tmp_path / "cue.yaml")
    assert loaded.problems == ()
    assert loaded.plan is not None
    listed = StemsFolder(folder, [folder / name for name in names])
    for section in proposal.sections:
        entries = loaded.plan.sections[section.name].stems
        found = {
            path.name
            for entry in entries
            # a path is looked up on the disk, where nothing stands here
            for path in (
                [Path(entry.pattern)] if entry.pattern.startswith("./") else listed.matching(entry.pattern)
            )
        }
        assert found == {file.name for file in section.files}
    assert loaded.plan.stems_folder == proposal.folder


def test_two_names_that_differ_only_in_case_are_told_apart_on_the_disk(tmp_path):
    for name in ("Vln.wav", "vln.wav"):
        (tmp_path / name).touch()
    if len(list(tmp_path.iterdir())) < 2:
        pytest.skip("this disk ignores case")
    texts = StemTexts(["Vln.wav", "vln.wav"])
    listed = StemsFolder(tmp_path, sorted(tmp_path.iterdir()))
    assert [path.name for path in listed.matching(texts.exact("vln.wav"))] == ["vln.wav"]


def test_a_pattern_is_proposed_only_where_it_fits_no_other_file():
    texts = StemTexts(["IH_Vln1_v4.wav", "IH_Vln10_v4.wav", "IH_Harp_v4.wav", "IH_Cl_v4.wav"])
    assert [entry.text for entry in texts.naming(["IH_Harp_v4.wav"], ["Harp"], {})] == ["*Harp*"]
    assert [entry.text for entry in texts.naming(["IH_Vln1_v4.wav"], ["Vln1"], {})] == ["IH_Vln1_v4"]
    assert [entry.text for entry in texts.naming(["IH_Cl_v4.wav"], ["Cl"], {})] == ["IH_Cl_v4"]


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("choir", "choir"),
        ("Low Strings 2", "Low Strings 2"),
        ("*choir*", '"*choir*"'),
        ("off", '"off"'),
        ("No", '"No"'),
        ("12", '"12"'),
        ("a: b", '"a: b"'),
        ("trailing ", '"trailing "'),
        ('say "hi"\\', '"say \\"hi\\"\\\\"'),
        ("flûte", '"flûte"'),
        ("zero\u200bwidth", '"zero\\u200bwidth"'),
    ],
)
def test_a_text_is_quoted_where_yaml_would_take_it_for_something_else(text, written):
    assert scalar(text) == written


def test_a_name_in_a_comment_never_breaks_its_line():
    assert "\n" not in shown("a\nb\u2028c\x85d")
    assert len(shown("x" * 500)) <= 72


def test_paths_are_relative_to_the_plan_and_never_mean_home(tmp_path):
    assert path_text(tmp_path / "stems", tmp_path / "cue.yaml") == "stems"
    assert path_text(tmp_path / "stems", tmp_path / "plans" / "cue.yaml") == "../stems"
    assert path_text(tmp_path / "~me", tmp_path / "cue.yaml") == "./~me"
    assert path_text(tmp_path, tmp_path / "cue.yaml") == "."


def test_a_plan_behind_a_link_finds_its_stems(tmp_path):
    (tmp_path / "far" / "plans").mkdir(parents=True)
    (tmp_path / "stems").mkdir()
    (tmp_path / "near").symlink_to(tmp_path / "far" / "plans", target_is_directory=True)
    text = path_text(tmp_path / "stems", tmp_path / "near" / "cue.yaml")
    assert (tmp_path / "near" / text).samefile(tmp_path / "stems")


def test_an_existing_plan_is_kept_unless_it_may_be_replaced(tmp_path):
    target = tmp_path / "cue.yaml"
    write_plan("old\n", target, replace=False)
    with pytest.raises(RoomplanError, match="exists already"):
        write_plan("new\n", target, replace=False)
    assert target.read_text() == "old\n"
    write_plan("new\n", target, replace=True)
    assert target.read_text() == "new\n"
    assert [path.name for path in tmp_path.iterdir()] == ["cue.yaml"]


def test_of_two_writers_at_once_one_is_refused(tmp_path):
    target, results = tmp_path / "cue.yaml", []
    barrier = threading.Barrier(8)

    def write(number: int) -> None:
        barrier.wait()
        try:
            write_plan(f"{number}\n", target, replace=False)
            results.append(number)
        except RoomplanError:
            results.append(None)

    writers = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    (winner,) = [number for number in results if number is not None]
    assert target.read_text() == f"{winner}\n"


@pytest.mark.parametrize("place", ["missing/cue.yaml", "folder"])
def test_a_place_that_cannot_hold_a_plan_is_refused_in_one_line(tmp_path, place):
    (tmp_path / "folder").mkdir()
    with pytest.raises(RoomplanError) as refused:
        write_plan("x\n", tmp_path / place, replace=True)
    assert "\n" not in str(refused.value)


def test_what_is_not_sure_is_marked_with_its_alternative(imagined, tmp_path):
    text = plan_text(imagined("Br.wav", "Vl 1.wav", "Fl.wav", "Kazoo.wav"), tmp_path / "cue.yaml")
    assert "# ? taken for violas by “br”; could be brass" in text
    assert "# ? no instrument in its name" in text
    assert "in comments (2 sections)" in text


def test_lines_stay_short_enough_to_read(imagined, tmp_path):
    names = [f"{'long ' * 30}{word}.wav" for word in ("Vln", "Vc", "Br", "Choir", "click", "Kazoo")]
    text = plan_text(imagined(*names), tmp_path / "cue.yaml")
    assert max(len(line) for line in text.splitlines() if line.lstrip().startswith("#")) <= 110


def test_more_files_than_a_plan_can_name_are_refused_in_one_line(tmp_path):
    files = [stem(f"{number:06d} {'kazoo' * 20}.wav") for number in range(6000)] + [stem("Vln.wav")]
    with pytest.raises(RoomplanError, match="more files than one plan can name"):
        plan_text(propose(tmp_path / "stems", files), tmp_path / "cue.yaml")


def test_a_pattern_that_would_play_the_next_version_too_says_newest(imagined, tmp_path):
    text = plan_text(imagined("1m4_Vla_v3.wav", "1m4_Harp.wav", "1m4_Vc_v2.wav"), tmp_path / "cue.yaml")
    (tmp_path / "cue.yaml").write_text(text, encoding="utf-8")
    loaded = load_plan(tmp_path / "cue.yaml")
    assert loaded.plan is not None
    chosen = {name: section.versions for name, section in loaded.plan.sections.items()}
    assert chosen["violas"] == "newest"
    assert chosen["harp"] is None


def test_the_text_names_the_source_of_a_section_unless_it_is_even(imagined, tmp_path):
    plan = tmp_path / "cue.yaml"
    write_plan(plan_text(imagined("Trumpets.wav", "Harp.wav"), plan), plan, replace=False)
    loaded = load_plan(plan)
    assert loaded.plan is not None
    assert {name: section.source for name, section in loaded.plan.sections.items()} == {
        "trumpets": "brass",
        "harp": "even",
    }
    assert "source: even" not in plan.read_text("utf-8")
