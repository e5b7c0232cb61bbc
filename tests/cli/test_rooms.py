"""What `roomplan rooms` lists, shows, draws and refuses."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import pytest

from roomplan.cautions import MUSIC_ONLY, sentence
from roomplan.rooms.room_file import bundled_rooms, load_room_specification

BUNDLED = tuple(bundled_rooms())
ROOM = "tallowyard_stage"


def spec_of(name: str = ROOM):
    spec, problems = load_room_specification(name)
    assert spec is not None, problems
    return spec


def words_of(text: str) -> str:
    return " ".join(text.replace("│", " ").split())


@pytest.fixture
def own_file(folder):
    """A copy of a bundled room under another name, in the folder the command runs in."""
    path = folder / "mine.yaml"
    path.write_bytes(bundled_rooms()[ROOM].read_bytes())
    return path


@pytest.fixture
def rooms(run, folder):  # noqa: ARG001 — the command runs in the folder
    def command(*arguments):
        outcome = run("rooms", "--quiet", *arguments)
        assert bool(outcome.errors) == (outcome.status != 0)
        return outcome

    return command


def test_help_has_examples_and_says_what_the_figures_are_not_for(run):
    outcome = run("rooms", "--help")
    text = words_of(outcome.output)
    assert outcome.status == 0
    for words in ("Example: roomplan rooms", sentence(MUSIC_ONLY), "--seat", "--plot", "--microphones"):
        assert words in text


# --- the list


def test_the_list_has_every_bundled_room_with_volume_reverberation_time_and_character(rooms):
    outcome = rooms()
    assert outcome.status == 0
    for name in BUNDLED:
        spec = spec_of(name)
        (row,) = [line for line in outcome.output.splitlines() if line.split()[:1] == [name]]
        assert f"{spec.volume_m3:,.0f}".replace(",", " ") in row
        assert f"{spec.mid_reverberation_time_s:.2f}" in row
        assert spec.character[:20] in row


def test_the_list_as_json_carries_the_documented_keys(rooms):
    document = rooms("--json").json
    assert document["schema"] == "roomplan.rooms/1"
    assert [entry["name"] for entry in document["rooms"]] == list(BUNDLED)
    for entry in document["rooms"]:
        assert set(entry) == {
            "name", "title", "character", "file", "length_m", "width_m", "height_m", "volume_m3",
            "reverberation_time_mid_s",
        }  # fmt: skip
        assert entry["volume_m3"] == pytest.approx(
            entry["length_m"] * entry["width_m"] * entry["height_m"], abs=0.01
        )


def test_the_list_synthesises_nothing(rooms, monkeypatch):
    def refuse(*_arguments, **_options):
        raise AssertionError("a list needs no response")

    monkeypatch.setattr("roomplan.rooms.synthesis.synthesise", refuse)
    assert rooms().status == 0


@pytest.mark.parametrize("option", [("--seat", "6,0"), ("--microphones", "rear"), ("--plot", "a.png")])
def test_options_about_one_room_without_a_room_are_a_usage_error(rooms, folder, option):
    outcome = rooms(*option)
    assert (outcome.status, outcome.output) == (2, "")
    assert f"{option[0]}: is about one room: name it" in words_of(outcome.errors)
    assert not list(folder.iterdir())


# --- one room


@pytest.mark.parametrize("name", BUNDLED)
def test_every_bundled_room_is_shown_in_full(rooms, name):
    outcome = rooms(name)
    spec = spec_of(name)
    text = words_of(outcome.output)
    assert outcome.status == 0
    for words in (
        spec.title, spec.character, "critical distance", "Schroeder frequency", "mixing time", "scattering",
        "reference seat", "C80 there", "°C", "decay given by", "First reflections at main",
        MUSIC_ONLY,
    ):  # fmt: skip
        assert words in text, words
    for setup in spec.microphones:
        assert f"{setup} " in text


def test_one_room_as_json_carries_the_documented_keys(rooms):
    document = rooms(ROOM, "--json").json
    spec = spec_of()
    assert document["schema"] == "roomplan.room/1"
    assert set(document) == {
        "schema", "roomplan", "name", "title", "character", "file", "length_m", "width_m", "height_m",
        "volume_m3", "reverberation_time_mid_s", "surface_m2", "decay_from", "decay_scale", "bands",
        "scattering", "panels", "scatterers", "temperature_c", "humidity_percent", "stage", "source_height_m",
        "mixing_time_ms",
        "critical_distance_m", "mean_free_path_m", "schroeder_frequency_hz", "microphones", "seat", "reasons",
        "note",
    }  # fmt: skip
    assert [band["centre_hz"] for band in document["bands"]] == [63, 125, 250, 500, 1000, 2000, 4000, 8000]
    for band in document["bands"]:
        assert band["reverberation_time_s"] == pytest.approx(
            spec.reverberation_time_s[band["centre_hz"]], abs=1e-4
        )
        assert band["t30_s"] == pytest.approx(band["reverberation_time_s"], rel=0.06)
        assert 0.0 <= band["mean_absorption"] <= 1.0
    seat = document["seat"]
    assert set(seat) == {
        "distance_m", "angle_deg", "reference", "microphones", "direct_path_m", "t30_mid_s", "c80_mid_db",
        "theory_c80_db", "theory_strength_db", "first_reflection_ms", "window_ms", "reflections",
    }  # fmt: skip
    assert seat["reference"] is True
    times = [reflection["after_direct_ms"] for reflection in seat["reflections"]]
    assert times == sorted(times)
    assert times[0] == seat["first_reflection_ms"]
    assert {"after_direct_ms", "level_db", "order", "surfaces"} == set(seat["reflections"][0])
    setup = document["microphones"][0]
    assert setup["name"] == "main"
    assert set(setup) == {"name", "description", "pattern", "positions_m", "aims_deg", "tilts_deg"}
    assert document["note"] == MUSIC_ONLY


def test_the_tables_show_what_the_document_holds(rooms):
    document = rooms(ROOM, "--json").json
    lines = rooms(ROOM).output.splitlines()
    (row,) = [line for line in lines if line.strip().startswith("measured, s")]
    assert row.split()[2:] == [f"{band['t30_s']:.2f}" for band in document["bands"]]
    start = next(i for i, line in enumerate(lines) if "after direct ms" in line) + 2
    for line, reflection in zip(lines[start:], document["seat"]["reflections"][:10], strict=False):
        cells = line.split()
        assert cells[0] == f"{reflection['after_direct_ms']:.1f}"
        assert cells[1] == f"{reflection['level_db']:+.1f}".replace("-", "−")
        assert reflection["surfaces"][0].replace("_", " ") in line


def test_another_seat_and_other_microphones_give_other_figures(rooms):
    near = rooms(ROOM, "--json").json["seat"]
    seat = rooms(ROOM, "--seat", "9.5,-25", "--microphones", "rear", "--json").json["seat"]
    assert (seat["distance_m"], seat["angle_deg"], seat["reference"]) == (9.5, -25.0, False)
    assert seat["microphones"] == "rear"
    assert seat["direct_path_m"] > near["direct_path_m"]
    assert seat["c80_mid_db"] != near["c80_mid_db"]
    text = words_of(rooms(ROOM, "--seat", "9.5,-25").output)
    assert "9.5 m, 25° to the left" in text
    assert "reference seat" not in text


@pytest.mark.parametrize("form", ["mine.yaml", "./mine.yaml"])
@pytest.mark.usefixtures("own_file")
def test_a_room_file_is_shown_by_its_path(rooms, form):
    outcome = rooms(form, "--json")
    assert outcome.status == 0
    assert outcome.json["name"] == "mine"
    assert outcome.json["title"] == spec_of().title


def test_materials_are_shown_with_their_coefficients(rooms, own_file):
    text = own_file.read_text(encoding="utf-8")
    text = re.sub(r"reverberation_time: *\{[^}]*\}", "MATERIALS", text)
    walls = ("floor", "ceiling", "stage_wall", "far_wall", "left_wall", "right_wall")
    bands = '{"125": 0.21, "250": 0.22, "500": 0.23, "1000": 0.24, "2000": 0.26, "4000": 0.27}'
    own = "materials:\n" + "".join(f"  {wall}: {bands}\n" for wall in walls)
    assert "MATERIALS" in text
    own_file.write_text(re.sub(r"MATERIALS.*\n", lambda _found: own, text), encoding="utf-8")
    outcome = rooms("mine.yaml")
    assert outcome.status == 0, outcome.errors
    shown = words_of(outcome.output)
    assert "decay given by materials" in shown
    assert "left wall 0.21 0.21 0.22 0.23 0.24 0.26 0.27 0.27" in shown
    document = rooms("mine.yaml", "--json").json
    assert document["decay_from"] == "materials"
    assert document["bands"][3]["absorption"]["ceiling"] == 0.23


# --- what goes wrong


def test_an_unknown_room_is_one_line_with_the_nearest_name(rooms):
    outcome = rooms("tallowyard_stge")
    assert (outcome.status, outcome.output) == (1, "")
    assert outcome.errors.count("\n") == 1
    assert f"did you mean {ROOM}?" in outcome.errors


def test_every_problem_of_a_room_file_is_printed_with_its_line(rooms, own_file):
    text = own_file.read_text(encoding="utf-8")
    text = text.replace("title:", "titel:", 1).replace("seed:", "sede:", 1)
    own_file.write_text(text, encoding="utf-8")
    outcome = rooms("mine.yaml")
    assert (outcome.status, outcome.output) == (1, "")
    for word in ("titel", "sede"):
        line = next(i for i, row in enumerate(text.splitlines(), start=1) if row.startswith(word))
        assert any(f"mine.yaml:{line}:" in row and word in row for row in outcome.errors.splitlines())


def test_a_file_that_is_not_there_is_one_line(rooms):
    outcome = rooms("nowhere/hall.yaml")
    assert outcome.status == 1
    assert outcome.errors.count("\n") == 1
    assert "hall.yaml" in outcome.errors


@pytest.mark.parametrize(
    ("seat", "words"),
    [
        ("9", "'9' is not a seat: give metres and degrees, such as 9,-20"),
        ("near,left", "is not a seat"),
        ("9,0,2", "is not a seat"),
        ("", "is not a seat"),
        ("nan,0", "a distance of nan m: give 0.5 to 200 m"),
        ("-3,0", "a distance of -3 m"),
        ("0,0", "a distance of 0 m"),
        ("6,300", "an angle of 300°: give −180 to 180°"),
        ("6,nan", "an angle of nan°"),
    ],
)
def test_a_seat_that_is_none_is_a_usage_error(rooms, seat, words):
    outcome = rooms(ROOM, "--seat", seat)
    assert (outcome.status, outcome.output) == (2, "")
    text = words_of(outcome.errors)
    assert words in text
    assert "--seat" in text


def test_a_seat_may_be_copied_with_the_minus_sign_of_a_table(rooms):
    document = rooms(ROOM, "--seat", "6,\u221220", "--json").json
    assert document["seat"]["angle_deg"] == -20.0


def test_a_seat_outside_the_walls_says_how_far_the_room_reaches(rooms):
    outcome = rooms(ROOM, "--seat", "60,0")
    assert (outcome.status, outcome.output) == (1, "")
    assert outcome.errors.count("\n") == 1
    assert "outside the walls" in outcome.errors
    reach = float(outcome.errors.split("the room ends ")[1].split()[0])
    assert rooms(ROOM, "--seat", f"{reach:g},0", "--json").status == 0


def test_unknown_microphones_name_the_nearest_and_all_there_are(rooms):
    outcome = rooms(ROOM, "--microphones", "raer")
    assert outcome.status == 1
    assert "did you mean rear? it has main, wide, rear" in outcome.errors


# --- streams and pictures


@pytest.mark.usefixtures("folder")
def test_progress_goes_to_standard_error_and_figures_to_standard_output(run):
    loud = run("rooms", ROOM, "--json", "--plot", "a.svg")
    assert json.loads(loud.output)["name"] == ROOM
    assert loud.errors.splitlines() == ["measuring…", "drawing…"]


@pytest.mark.parametrize(("suffix", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("PDF", b"%PDF")])
def test_a_picture_is_written_beside_the_tables(rooms, folder, suffix, start):
    outcome = rooms(ROOM, "--plot", f"room.{suffix}")
    assert outcome.status == 0
    assert spec_of().title in outcome.output
    assert (folder / f"room.{suffix}").read_bytes().startswith(start)


@pytest.mark.parametrize(
    ("plot", "words"), [("room.jpg", ".png, .svg or .pdf"), ("nowhere/room.png", "no folder")]
)
def test_a_picture_that_cannot_be_drawn_costs_no_figure(rooms, folder, plot, words):
    outcome = rooms(ROOM, "--plot", plot, "--json")
    assert outcome.status == 1
    assert outcome.json["name"] == ROOM
    assert outcome.errors.count("\n") == 1
    assert words in outcome.errors
    assert not list(folder.iterdir())


def test_the_list_does_not_load_the_drawing_library():
    code = (
        "import sys; from roomplan.cli.main import build; build()(['rooms'], standalone_mode=False); "
        "sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, capture_output=True).returncode == 0
