"""The one reader of report.json: what it hands out, what it refuses, and where it says the fault is."""

from __future__ import annotations

import json
import os
from typing import Any

import pytest

from roomplan.errors import ReportError
from roomplan.report_file import REPORT_NAME, REPORT_SCHEMA, find_report, read_report

# Keys as they are now → as the second version had them.
OF_SECOND = {
    "loudness_range_lu": "range_lu",
    "wet_arrival_ms": "wet_onset_ms",
    "decay_to_minus_40_s": "tail_to_minus_40_s",
}

# What the first version that wrote reports had in them, no key more.
FIRST: dict[str, Any] = {
    "schema": "roomplan.render/1",
    "roomplan": "0.1.0",
    "plan": "/cues/ice.yaml",
    "title": "Ice Harbour",
    "sample_rate": 48000,
    "frames": 48000,
    "duration_s": 1.0,
    "rooms": [
        {
            "name": "nave",
            "gain_db": 2.5,
            "normalise": "loudness",
            "reference": "default",
            "direct": "drop",
            "direct_found": True,
        }
    ],
    "sections": [
        {
            "name": "choir",
            "group": None,
            "muted": False,
            "stems": ["choir.wav"],
            "sends": [
                {
                    "room": "nave",
                    "position": "default",
                    "level_db": -8.0,
                    "wiring": "one_source",
                    "wet_onset_ms": 12.0,
                    "wet_to_dry_db": -9.1,
                    "reason": None,
                }
            ],
        }
    ],
    "families": [],
    "files": [{"file": "mix.wav", "bus": "mix", "samples_sha256": "00"}],
    "buses": [
        {
            "name": "mix",
            "file": "mix.wav",
            "loudness": {
                "integrated_lufs": -23.0,
                "momentary_max_lufs": -20,
                "short_term_max_lufs": None,
                "sample_peak_dbfs": -3.1,
            },
            "decay": None,
            "wet_to_dry_db": None,
            "wet_onset_ms": None,
            "tail_to_minus_40_s": None,
            "reasons": {"short_term_max_lufs": "shorter than 3 s"},
        }
    ],
    "warnings": [],
    "note": "for music production",
}


@pytest.fixture
def write(tmp_path):
    def report(content, name=REPORT_NAME):
        place = tmp_path / name
        raw = content if isinstance(content, bytes | str) else json.dumps(content, indent=2)
        place.write_bytes(raw.encode() if isinstance(raw, str) else raw)
        return place

    return report


def earlier_report(part):
    """Return a report as the first version wrote it, of a part of the cue or of all."""
    return FIRST | {
        "stretch": part,
        "reproduce": {
            "roomplan": "0",
            "synthesis": 1,
            "options": {"only": [], "mute": [], "stretch": part},
            "plan": {"source": "/cues/ice.yaml", "data": {}, "paths": []},
            "inputs": [],
        },
    }


def lines_of(place):
    with pytest.raises(ReportError) as refused:
        read_report(place)
    return str(refused.value).splitlines()


def test_a_report_of_the_first_version_is_read_as_it_is_but_for_schema_and_renamed_keys(write):
    text = json.dumps(FIRST | {"schema": REPORT_SCHEMA})
    for now, then in {**OF_SECOND, "gain_position": "reference"}.items():
        text = text.replace(f'"{then}":', f'"{now}":')
    place, now = write(FIRST), json.loads(text)
    assert read_report(place).document == now
    assert read_report(place.parent).document == now
    assert read_report(write(b"\xef\xbb\xbf" + json.dumps(FIRST).encode())).document == now


def test_a_report_of_the_second_version_is_read_with_the_keys_of_now(write):
    bus = FIRST["buses"][0] | {"reasons": {"range_lu": "too short", "wet_onset_ms": "no send"}}
    bus |= {"wet_onset_ms": 3.5, "tail_to_minus_40_s": 1.25}
    bus["loudness"] = bus["loudness"] | {"range_lu": 6.5}
    passage = {"passage": "bridge", "bus": "mix", "loudness": bus["loudness"], "reasons": {}}
    (room,) = FIRST["rooms"]
    room = {"gain_position" if key == "reference" else key: value for key, value in room.items()}
    second = FIRST | {"schema": "roomplan.render/2", "buses": [bus], "passages": [passage], "rooms": [room]}
    document = read_report(write(second)).document
    (found,) = document["buses"]
    assert document["schema"] == REPORT_SCHEMA
    assert found["loudness"]["loudness_range_lu"] == 6.5
    assert (found["wet_arrival_ms"], found["decay_to_minus_40_s"]) == (3.5, 1.25)
    assert found["reasons"] == {"loudness_range_lu": "too short", "wet_arrival_ms": "no send"}
    assert document["passages"][0]["loudness"]["loudness_range_lu"] == 6.5
    assert document["sections"][0]["sends"][0]["wet_arrival_ms"] == 12.0
    assert document["rooms"][0]["gain_position"] == "default"
    assert not [old for old in OF_SECOND.values() if f'"{old}"' in json.dumps(document)]


def test_keys_of_an_earlier_version_are_handed_out_by_their_names_of_now(write):
    part = {"start_frame": 1, "frames": 2, "sample_rate": 48000}
    document = read_report(write(earlier_report(part))).document
    assert document["excerpt"] == part
    assert document["reproduce"]["options"]["excerpt"] == part
    assert document["rooms"][0]["gain_position"] == "default"
    assert "stretch" not in document
    assert "stretch" not in document["reproduce"]["options"]


def test_a_fault_under_a_renamed_key_has_the_name_and_the_line_of_the_file(write):
    place = write(earlier_report({"start_frame": -1, "frames": 2, "sample_rate": 0}))
    text = place.read_text(encoding="utf-8").splitlines()
    starts = [number for number, line in enumerate(text, start=1) if '"start_frame": -1' in line]
    (rate,) = [number for number, line in enumerate(text, start=1) if '"sample_rate": 0' in line][-1:]
    assert [line.removeprefix(f"{place}:") for line in lines_of(place)] == [
        f"{starts[0]}:20: stretch.start_frame is -1 — at least 0",
        f"{starts[1]}:24: reproduce.options.stretch.start_frame is -1 — at least 0",
        f"{rate}:24: reproduce.options.stretch.sample_rate is 0 — at least 1",
    ]


def test_a_key_by_its_earlier_name_is_missing_in_a_report_of_this_version(write):
    (line,) = lines_of(write(earlier_report(None) | {"schema": REPORT_SCHEMA}))
    assert "reproduce.options.excerpt is missing" in line


def test_a_margin_in_the_words_of_the_first_version_is_one_of_speech(write):
    margin = {"of": "section:a", "over": "section:b", "passage": None, "margin_db": 1.0, "reason": None}
    report = read_report(write(FIRST | {"margins": [margin | {"band": band} for band in ("words", "full")]}))
    assert [found["band"] for found in report.document["margins"]] == ["speech", "full"]


def test_keys_that_nobody_reads_may_be_anything(write):
    later = FIRST | {"schema": REPORT_SCHEMA, "mood": {"cold": [1, {"x": None}]}, "warnings": 7}
    assert read_report(write(later)).document == later


def test_every_fault_is_a_line_with_its_line_column_and_path_in_the_order_of_the_file(write):
    bus = FIRST["buses"][0] | {"loudness": {"integrated_lufs": "loud"}, "decay": {"mid": {"t30_s": -1}}}
    del bus["file"]
    place = write(FIRST | {"sample_rate": 0, "buses": [bus], "title": None})
    text = place.read_text(encoding="utf-8").splitlines()

    def spot(key):
        what = f'"{key}": '
        (line,) = [number for number, one in enumerate(text, start=1) if what in one]
        return f"{place}:{line}:{text[line - 1].index(what) + len(what) + 1}"

    buses = text.index('  "buses": [') + 2
    assert lines_of(place) == [
        f"{spot('title')}: title is null — a text",
        f"{spot('sample_rate')}: sample_rate is 0 — at least 1",
        f"{place}:{buses}:5: buses[0].file is missing — render its plan once again",
        f"{spot('integrated_lufs')}: buses[0].loudness.integrated_lufs is the text 'loud' — a number",
        f"{spot('t30_s')}: buses[0].decay.mid.t30_s is -1 — at least 0",
    ]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("-23.0", "NaN", "buses[0].loudness.integrated_lufs is nan, which is not a finite number"),
        ("-23.0", "-Infinity", "is -inf, which is not a finite number"),
        ("-23.0", "1e999", "is inf, which is not a finite number"),
        ("-23.0", "1e300", "is 1e+300 — at most 1000000"),
        ("-23.0", "9" * 400, "is too large a number"),
        ("-23.0", "9" * 5000, "a number has too many digits"),
        ("-23.0", "[" * 40000 + "]" * 40000, "nested without end"),
        ("-23.0", "[" * 100 + "]" * 100, "is nested more than 64 deep"),
        ('"cold"', "NaN", "note is nan, which is not a finite number"),
        ('"cold"', '"\\ud800"', "holds a character that is not text"),
        ('"cold"', '"\\u0000"', "holds a character that is not text"),
        ('"note"', '"title"', "the document has the key 'title' twice"),
        ('"cold"', "cold", "not JSON from here on"),
        ('"cold"', "", "not JSON from here on"),
        ('"schema"', '"schemata"', "does not say its `schema`"),
        ("roomplan.render/1", "roomplan.check/3", "is a document 'roomplan.check/3'"),
    ],
)
def test_what_no_render_writes_is_refused_wherever_it_is(write, old, new, words):
    text = json.dumps(FIRST | {"note": "cold"})
    assert text.count(old) == 1
    lines = lines_of(write(text.replace(old, new)))
    assert len(lines) <= 2  # a value may be wrong and its key too
    assert any(words in line for line in lines), lines


def test_a_fault_of_syntax_has_the_line_and_column_where_reading_ends(write):
    text = json.dumps(FIRST, indent=2).splitlines()
    text[4] += "oops"
    (line,) = lines_of(place := write("\n".join(text)))
    assert line.startswith(f"{place}:5:{len(text[4]) - 3}: no report of a render: not JSON from here on")


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "not JSON from here on"),
        (b"[]", "is a list"),
        (b"7", "is 7"),
        (json.dumps(FIRST).encode("utf-16"), "byte 0xff is not UTF-8"),
        (b'{\n "a": "\xe9"}', ":2:8: no report of a render: byte 0xe9 is not UTF-8"),
        (b"\0" * 1000, "not JSON from here on"),
    ],
)
def test_a_file_that_is_no_json_is_refused_in_one_line(write, raw, words):
    (line,) = lines_of(write(raw))
    assert words in line


def test_of_very_many_faults_the_first_are_named_and_the_others_counted(write):
    lines = lines_of(write(FIRST | {"files": [{"file": 5}] * 1000}))
    assert len(lines) == 21
    assert "files[0].file is 5 — a text" in lines[0]
    assert "and 980 more faults" in lines[-1]


def test_a_folder_a_pipe_and_nothing_in_its_place_are_refused_without_waiting(tmp_path):
    (line,) = lines_of(tmp_path)
    assert "no report.json in this folder" in line
    (line,) = lines_of(tmp_path / "nowhere")
    assert "there is no such file or folder" in line
    os.mkfifo(tmp_path / "pipe")
    (line,) = lines_of(tmp_path / "pipe")
    assert "is not a regular file" in line
    assert find_report(tmp_path / "pipe") is None
    (tmp_path / REPORT_NAME).mkdir()
    (line,) = lines_of(tmp_path)
    assert "is not a regular file" in line


def test_a_damaged_report_is_never_taken_for_a_plan(write):
    whole = json.dumps(FIRST, indent=2)
    for text in (whole[:-9], whole.replace("-23.0", "NaN"), whole.replace('"plan"', '"pl\x01an"')):
        with pytest.raises(ReportError):
            find_report(write(text))


def test_what_is_no_document_of_ours_is_left_to_others(write):
    for text in ("rooms: {}", '{"rooms": {}}', "{rooms: {}}", "", "{", '{"rooms": "\xff"'):
        assert find_report(write(text, "plan.json")) is None
