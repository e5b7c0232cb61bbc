"""What `roomplan measure` prints, writes and ends with, for good files, bad files and tired hands."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from measured_documents import DOUBT_KEYS, RATE, all_bands, decay, require_honest

from roomplan.acoustics.figures import FIGURES
from roomplan.cautions import MUSIC_ONLY, sentence
from roomplan.measuring import responses as measuring

OCTAVES = [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000]
NOISE = "".join(
    f"{centre} {level}\n" for centre, level in zip(OCTAVES[2:9], (50, 48, 45, 42, 39, 36, 33), strict=True)
)

# the documented keys
BAND_KEYS = {
    "centre_hz", "edt_s", "t10_s", "t20_s", "t30_s", "c50_db", "c80_db", "d50", "centre_time_s",
    "decay_range_db", "xi_permille", "curvature_percent", "doubt", "verdict", "reasons", "double_slope",
}  # fmt: skip
CHANNEL_KEYS = {
    "channel", "bands", "mid", "broadband", "a_weighted", "sti", "sti_qualification", "doubt", "verdict",
    "reasons",
}  # fmt: skip
MIDS = ("--band", "500", "--band", "1000")  # few bands where any do: for speed


# --- help and streams


def test_iacc_of_one_channel_is_refused_in_words(measure, write):
    output = measure(write("nave.wav", decay(channels=1)), *MIDS, "--binaural").output
    assert "no IACC: it needs both ears" in output


def test_measuring_help_carries_the_cautions_and_an_example(run):
    text = " ".join(run("measure", "--help").output.split())
    for words in (
        "Hearing caution",
        sentence(MUSIC_ONLY),
        "local codes and licensed practice decide",
        "cannot come from an ordinary sound file",
        "Example: roomplan measure",
    ):
        assert words in text


def test_no_file_is_a_usage_error(run):
    assert run("measure").status == 2


def test_progress_goes_to_standard_error_and_figures_to_standard_output(run, write):
    loud = run("measure", write("nave.wav", decay()), "--json")
    assert json.loads(loud.output)["schema"] == "roomplan.measure/2"
    assert "measuring" in loud.errors
    assert "measuring" not in run("measure", "nave.wav").output
    assert run("measure", "nave.wav", "--json", "--quiet").errors == ""


def test_a_reader_that_leaves_early_ends_it_quietly(write, folder):
    write("nave.wav", decay())
    command = f"{sys.executable} -m roomplan.cli.main measure nave.wav --json --quiet | head -1"
    environment = {**os.environ, "PYTHONPATH": str(Path(measuring.__file__).parents[2])}
    done = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, check=False, cwd=folder, env=environment
    )
    assert (done.stdout, done.stderr) == ("{\n", "")


# --- tables


def test_one_file_gets_a_row_for_each_band(measure, write):
    output = measure(write("nave.wav", decay())).output
    for label in ("31.5 Hz", "125 Hz", "8 kHz", "16 kHz", "mid", "broadband", "A-weighted"):
        assert any(line.strip().startswith(label) for line in output.splitlines()), label
    assert MUSIC_ONLY in output


def test_a_row_with_doubtful_figures_is_not_plainly_good_and_names_them(measure, write):
    rows = measure(write("short.wav", decay()[:, :1])).output.splitlines()
    marked = [row for row in rows if "?" in row and row.split()[1:2] in (["Hz"], ["kHz"])]
    assert marked
    assert not [row for row in marked if row.rstrip().endswith(" good")]
    assert [row for row in marked if "good but for EDT" in row]


def test_a_row_without_decay_times_is_not_called_unusable_where_it_has_clarity(measure, write):
    samples = decay(2.0, length_s=3.0)
    noise = 0.006 * np.random.default_rng(4).standard_normal(samples.shape)
    (row,) = [
        row for row in measure(write("pop.wav", samples + noise), *MIDS).output.splitlines() if " mid " in row
    ]
    assert "no decay time: " in row
    assert re.search(r"[+−]\d+\.\d", row)
    assert "unusable" in measure(write("noise.wav", noise), *MIDS, "--force").output


def test_tables_in_a_pipe_are_120_columns_wide_or_as_wide_as_their_names_and_cut_nothing(measure, write):
    write("nave.wav", decay())
    lines = measure("nave.wav").output.splitlines()
    assert 80 < max(map(len, lines)) <= 120
    far = "/".join(["far away"] * 20) + "/nave.wav"
    output = measure("nave.wav", write(far, decay())).output
    assert any(far in line for line in output.splitlines())
    assert "xi: how far the decay is from a straight line, in per mille" in output
    assert "…" not in output


def test_several_files_get_a_row_for_each_channel(measure, write):
    output = measure(write("one.wav", decay()), write("pair.wav", decay(channels=2))).output
    rows = [line.split()[:2] for line in output.splitlines() if line.strip().startswith(("one", "pair"))]
    assert rows == [["one.wav", "1"], ["pair.wav", "1"], ["pair.wav", "2"]]


def test_files_of_several_folders_are_told_apart(measure, write):
    output = measure(write("north/nave.wav", decay()), write("south/nave.wav", decay())).output
    assert "north/nave.wav" in output
    assert "south/nave.wav" in output


@pytest.mark.parametrize(
    "name", ["[far] nave.wav", "nave [bold].wav", "a[/far]/seat.wav", "[link=x]nave.wav", "x\\[y].wav"]
)
def test_square_brackets_in_a_name_are_printed_as_they_are(measure, write, name):
    clipped = decay()
    clipped[100:110] = 1.0
    write(name, clipped)
    write("other/plain.wav", decay(channels=2))
    assert measure(name, *MIDS).output.startswith(f"{Path(name).name} · {RATE} Hz")
    summary = measure(name, "other/plain.wav", *MIDS).output
    assert name in summary
    assert f"note: {name}: channel 1 looks clipped" in summary
    assert (
        f"plain.wav · channel 1 against {Path(name).name}"
        in measure("other/plain.wav", "--against", name).output
    )


def test_a_warning_about_the_file_is_a_note_and_no_error(measure, write):
    outcome = measure(write("dc.wav", decay() + 0.2))
    assert outcome.status == 0
    assert "note: dc.wav: channel 1 has a constant offset of 0.2" in outcome.output


# --- options


def test_json_has_exactly_the_documented_keys(document, write):
    found = document(write("pair.wav", decay(channels=2)))
    assert set(found) == {"schema", "roomplan", "bands_per_octave", "responses", "failed", "note", "sti_note"}
    (response,) = found["responses"]
    assert set(response) == {
        "file", "sample_rate", "duration_s", "channels", "warnings", "inter_channel_correlation",
    }  # fmt: skip
    assert (response["file"], response["sample_rate"], response["duration_s"]) == ("pair.wav", RATE, 0.6)
    assert [channel["channel"] for channel in response["channels"]] == [1, 2]
    for channel in response["channels"]:
        assert set(channel) == CHANNEL_KEYS
        assert [band["centre_hz"] for band in channel["bands"]] == OCTAVES
        assert set(channel["doubt"]) == {"sti"}
        assert set(channel["doubt"]["sti"]) == DOUBT_KEYS
    for _channel, band in all_bands(found):
        assert set(band) | {"centre_hz"} == BAND_KEYS
        assert set(band["doubt"]) == set(FIGURES)
    require_honest(found)


def test_json_tells_the_decay_that_is_in_the_file(document, write):
    (response,) = document(write("nave.wav", decay(0.4)))["responses"]
    (channel,) = response["channels"]
    band = next(band for band in channel["bands"] if band["centre_hz"] == 4000)
    # one decay scatters by 0.59 / √(B T) = 1.7 % (ISO 3382-1:2009, clause 7)
    assert band["t30_s"] == pytest.approx(0.4, rel=0.06)
    assert band["verdict"] == "good"


def test_third_octaves_have_their_own_centres(document, write):
    found = document(write("nave.wav", decay()), "--band-width", "third_octave")
    assert found["bands_per_octave"] == 3
    centres = [band["centre_hz"] for band in found["responses"][0]["channels"][0]["bands"]]
    assert len(centres) == 30
    assert (centres[0], centres[-1], 31.5 in centres, 1250 in centres) == (25, 20000, True, True)


def test_chosen_bands_are_given_once_and_in_order(document, write):
    found = document(write("nave.wav", decay()), "--band", "2000", "--band", "500", "--band", "2000")
    channel = found["responses"][0]["channels"][0]
    assert [band["centre_hz"] for band in channel["bands"]] == [500, 2000]
    assert channel["mid"]["t30_s"] is None
    assert "500 and the 1000 Hz" in channel["mid"]["reasons"]["t30_s"]
    assert channel["sti"] is not None


@pytest.mark.parametrize("band", ["440", "nan", "-1", "1e3000"])
def test_an_unknown_band_is_a_usage_error_that_names_the_bands(measure, write, band):
    outcome = measure(write("nave.wav", decay()), "--band", band)
    assert outcome.status == 2
    assert "31.5, 63, 125" in outcome.errors


def test_a_third_is_no_octave(measure, write):
    write("nave.wav", decay())
    assert measure("nave.wav", "--band", "630").status == 2
    assert measure("nave.wav", "--band", "630", "--band-width", "third_octave").status == 0


@pytest.mark.parametrize(
    ("bands", "title"),
    [
        ((), "mean of the 500 and 1000 Hz octaves"),
        ((500, 1000), "mean of the 500 and 1000 Hz octaves"),
        ((4000,), "octave at 4000 Hz"),
        ((4000, 2000), "octave at 2000 Hz"),
        ((500, 500), "octave at 500 Hz"),
    ],
)
def test_a_summary_shows_a_band_that_was_measured(measure, write, bands, title):
    names = write("a.wav", decay()), write("b.wav", decay(0.3))
    output = measure(*names, *(part for band in bands for part in ("--band", band))).output
    assert title in output
    row = next(line for line in output.splitlines() if line.strip().startswith("a.wav"))
    assert "–" not in row


def test_one_channel_is_measured_where_one_is_asked_for(document, write):
    write("pair.wav", decay(channels=2))
    (response,) = document("pair.wav", "--channel", "2")["responses"]
    (second,) = response["channels"]
    assert second == document("pair.wav")["responses"][0]["channels"][1]


def test_a_channel_out_of_range_is_one_line_and_does_not_stop_the_rest(document, measure, write):
    names = write("mono.wav", decay()), write("pair.wav", decay(channels=2))
    found = document(*names, "--channel", "2", status=1)
    assert [response["file"] for response in found["responses"]] == ["pair.wav"]
    (failed,) = found["failed"]
    assert set(failed) == {"file", "what"}
    assert "no channel 2 — its channels are 1 to 1" in failed["what"]
    assert measure("mono.wav", "--channel", "0").status == 2
    assert measure("mono.wav", "--channel", "left").status == 2


def test_only_a_file_declared_binaural_has_iacc(document, measure, write):
    write("pair.wav", decay(channels=2))
    (plain,) = document("pair.wav")["responses"]
    (declared,) = document("pair.wav", "--binaural")["responses"]
    assert "iacc" not in plain
    assert "inter_channel_correlation" not in declared
    assert [band["centre_hz"] for band in declared["iacc"]] == [125, 250, 500, 1000, 2000, 4000]
    for band, other in zip(declared["iacc"], plain["inter_channel_correlation"], strict=True):
        for part in ("early", "late"):
            value, signed = band[part]["iacc"], other[part]["coefficient"]
            assert value is None if signed is None else value == abs(signed)
            assert (value is None) == (band[part]["verdict"] == "unusable") == (signed is None)
    assert "Interaural correlation (IACC), early" in measure("pair.wav", "--binaural").output
    assert "no IACC" in measure("pair.wav").output


def test_noise_lowers_the_speech_index(document, write, folder):
    (folder / "hall.txt").write_text(NOISE, encoding="utf-8")
    loud = "".join(f"{line.split()[0]} 80\n" for line in NOISE.splitlines())
    (folder / "stage.txt").write_text(loud, encoding="utf-8")
    write("nave.wav", decay())

    def index(*options):
        return document("nave.wav", *options)["responses"][0]["channels"][0]["sti"]

    alone, hall, stage = index(), index("--noise", "hall.txt"), index("--noise", "stage.txt")
    assert alone > hall > stage
    assert stage == pytest.approx(0.0, abs=1e-3)  # 20 dB and more over the speech in every band: m < 0.01


def test_faults_of_a_noise_file_all_come_with_their_lines(measure, write, folder):
    (folder / "hall.txt").write_text(
        NOISE.replace("250 48", "250 x").replace("2000 39", "2500 39"), encoding="utf-8"
    )
    outcome = measure(write("nave.wav", decay()), "--noise", "hall.txt")
    assert (outcome.status, outcome.output) == (1, "")
    assert [line.split(" ")[0] for line in outcome.errors.splitlines()] == [
        "hall.txt:2:",
        "hall.txt:5:",
        "hall.txt:",
    ]
    assert "no level for 2000 Hz" in outcome.errors


def test_a_missing_noise_file_is_one_line(measure, write):
    outcome = measure(write("nave.wav", decay()), "--noise", "nowhere.txt")
    assert (outcome.status, outcome.output, outcome.errors.count("\n")) == (1, "", 1)
    assert "nowhere.txt" in outcome.errors


def test_sorting_puts_the_largest_first_and_what_has_no_figure_last(document, write):
    for name, time_s in (("a.wav", 0.2), ("b.wav", 0.5), ("c.wav", 0.35)):
        write(name, decay(time_s))
    write("d.wav", decay(5.0, length_s=0.3))  # T30 needs 45 dB: there are 4
    names = ["d.wav", "a.wav", "b.wav", "c.wav"]

    def order(key):
        return [response["file"][0] for response in document(*names, "--sort", key, *MIDS)["responses"]]

    assert order("t30") == ["b", "c", "a", "d"]
    assert order("c80")[:3] == ["a", "c", "b"]
    assert order("verdict")[-1] == "d"
    assert order("file") == ["a", "b", "c", "d"]
    assert order("sti")[:2] == ["a", "c"]
    for key in ("edt", "t20", "c50", "d50", "ts", "decay_range"):
        assert sorted(order(key)) == ["a", "b", "c", "d"]


def test_sorting_by_file_counts_as_people_do(document, write):
    names = [write(f"seat {number}.wav", decay()) for number in (10, 2, 1)]
    found = document(*names, "--sort", "file", *MIDS)
    assert [response["file"] for response in found["responses"]] == [
        "seat 1.wav",
        "seat 2.wav",
        "seat 10.wav",
    ]


def test_an_unknown_sort_key_and_width_are_usage_errors(measure, write):
    write("nave.wav", decay())
    assert measure("nave.wav", "--sort", "beauty").status == 2
    assert measure("nave.wav", "--band-width", "half").status == 2


# --- differences


def test_a_response_against_itself_differs_by_nothing(document, measure, write):
    write("nave.wav", decay())
    (response,) = document("nave.wav", "--against", "nave.wav")["responses"]
    against = response["channels"][0]["against"]
    assert set(against) == {"file", "differences", "same_room"}
    assert against["file"] == "nave.wav"
    assert set(against["same_room"]) == {"verdict", "bands_compared", "reason"}
    assert against["same_room"]["verdict"] != "unlikely"
    for entry in against["differences"]:
        assert set(entry) == {
            "band", "figure", "value", "reference", "difference", "steps", "chance",
            "step_in_iso_3382_1", "text",
        }  # fmt: skip
        assert entry["steps"] in {0.0, None}
    assert "no difference reaches one JND" in measure("nave.wav", "--against", "nave.wav").output


def test_a_longer_room_is_so_many_steps_longer(document, measure, write):
    names = write("rear.wav", decay(0.6, length_s=0.9)), write("front.wav", decay(0.3))
    (response,) = document(names[0], "--against", names[1])["responses"]
    entries = {(e["band"], e["figure"]): e for e in response["channels"][0]["against"]["differences"]}
    steps = entries[4000, "t30_s"]["steps"]
    # ln 2 / ln 1.05 = 14.2 steps of 5 %; scatter of each time 1.5 to 2 % is half a step
    assert steps == pytest.approx(14.2, abs=1.5)
    assert entries[4000, "t30_s"]["text"] == f"T30 at 4 kHz is {steps:.1f} JND longer (by the JND of EDT)"
    output = measure(names[0], "--against", names[1]).output
    assert "rear.wav against front.wav, in just-noticeable differences (JND)" in output
    assert "JND longer" in output
    assert "one room: unlikely" in output


def test_a_mono_reference_serves_every_channel(document, write):
    (response,) = document(write("pair.wav", decay(channels=2)), "--against", write("mono.wav", decay()))[
        "responses"
    ]
    assert all("against" in channel for channel in response["channels"])


def test_a_channel_without_a_partner_is_one_line_and_the_figures_stay(document, measure, write):
    names = write("six.wav", decay(channels=6)), write("pair.wav", decay(channels=2))
    found = document(names[0], "--against", names[1], status=1)
    channels = found["responses"][0]["channels"]
    assert ["against" in channel for channel in channels] == [True, True, False, False, False, False]
    outcome = measure(names[0], "--against", names[1])
    assert outcome.errors.count("\n") == 1
    assert "pair.wav: has no channel 3, 4, 5, 6 to compare with six.wav" in outcome.errors
    assert measure(names[0], "--against", names[1], "--channel", "2").status == 0


@pytest.mark.parametrize("reference", ["nowhere.wav", "text.wav"])
def test_a_reference_that_cannot_be_read_is_said_before_the_work(
    measure, write, folder, monkeypatch, reference
):
    (folder / "text.wav").write_text("no sound", encoding="utf-8")
    write("nave.wav", decay())
    monkeypatch.setattr(measuring, "measure_files", lambda *_: pytest.fail("measured first"))
    outcome = measure("nave.wav", "--against", reference)
    assert (outcome.status, outcome.output, outcome.errors.count("\n")) == (1, "", 1)
    assert reference in outcome.errors


# --- CSV


def test_csv_is_a_table_of_the_documented_columns(measure, write):
    output = measure(write("pair, one.wav", decay(channels=2)), write("mono.wav", decay()), "--csv").output
    *rows, caution = csv.DictReader(io.StringIO(output))
    assert caution["file"] == MUSIC_ONLY
    assert list(rows[0]) == [
        "file", "channel", "sample_rate", "band", *FIGURES, "decay_range_db", "xi_permille",
        "curvature_percent", *(f"{key}_uncertainty" for key in FIGURES), "sti", "correlation_early",
        "correlation_late", "verdict", "reason",
    ]  # fmt: skip
    assert len(rows) == 3 * (10 + 3)
    assert [row["band"] for row in rows[:13]] == [
        "31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000", "mid", "broadband",
        "A-weighted",
    ]  # fmt: skip
    assert {(row["file"], row["channel"]) for row in rows} == {
        ("pair, one.wav", "1"), ("pair, one.wav", "2"), ("mono.wav", "1"),
    }  # fmt: skip
    for row in rows:
        assert None not in row
        assert None not in row.values()
        assert bool(row["sti"]) == (row["band"] == "mid")
    assert float(next(row for row in rows if row["band"] == "4000")["t30_s"]) == pytest.approx(0.4, rel=0.06)


def test_csv_and_json_tell_the_same(measure, document, write):
    write("pair.wav", decay(channels=2))
    *rows, _caution = csv.DictReader(io.StringIO(measure("pair.wav", "--csv", "--binaural").output))
    (response,) = document("pair.wav", "--binaural")["responses"]
    bands = [
        b for c in response["channels"] for b in (*c["bands"], c["mid"], c["broadband"], c["a_weighted"])
    ]
    for row, band in zip(rows, bands, strict=True):
        for key in (*FIGURES, "decay_range_db", "xi_permille", "curvature_percent"):
            if band[key] is None:
                assert row[key] == ""
            else:  # rounded to another digit at most
                assert float(row[key]) == pytest.approx(band[key], abs=0.0051)
        for key in FIGURES:
            cell = row[f"{key}_uncertainty"]
            assert (float(cell) if cell else None) == band["doubt"][key]["uncertainty"]
        assert row["verdict"] == band["verdict"]
    early = {f"{band['centre_hz']}": band["early"]["iacc"] for band in response["iacc"]}
    for row in rows:
        cell = row["iacc_early"]
        assert (float(cell) if cell else None) == early.get(row["band"])


def test_csv_and_json_together_are_a_usage_error(measure, write):
    outcome = measure(write("nave.wav", decay()), "--csv", "--json")
    assert (outcome.status, outcome.output) == (2, "")
    assert "choose one" in outcome.errors
