"""What `roomplan render` says against the render that stood there before; an excerpt; watching."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from roomplan.cautions import LEVELS
from roomplan.report.revision import all_the_same, revision_lines, same_samples

RATE = 48_000


def edit(session, old, new):
    plan = session / "plan.yaml"
    text = plan.read_text(encoding="utf-8")
    assert old in text
    plan.write_text(text.replace(old, new), encoding="utf-8")


def test_a_first_render_is_compared_with_nothing(run, session):
    outcome = run("render", session / "plan.yaml")
    assert "compared with" not in outcome.output


def test_a_second_render_says_which_send_moved_and_what_is_heard_of_it(run, session):
    first = run("render", session / "plan.yaml", "--json").json
    assert "against" not in first
    edit(session, "orrin_nave: -8", "orrin_nave: -2")
    outcome = run("render", session / "plan.yaml")
    lines = outcome.output.splitlines()
    (start,) = [number for number, line in enumerate(lines) if line.startswith("compared with ")]
    assert f"the earlier render in {session / 'render'}:" in "".join(lines[start : start + 2])
    told = "\n".join(lines[start:])
    assert "send choir → orrin_nave: level −8.0 dB → −2.0 dB" in told
    assert "choir: " in told
    assert "low_strings" not in told  # nothing of it has moved
    assert "LUFS" in told
    assert "dBTP" in told
    assert "(+6.0) dB wet/dry" in told


def test_the_same_again_says_in_one_line_that_the_samples_are_the_same(run, session):
    run("render", session / "plan.yaml")
    lines = run("render", session / "plan.yaml").output.splitlines()
    (start,) = (number for number, line in enumerate(lines) if line.startswith("compared with"))
    assert lines[start + 1] == "  the same samples in every file"
    assert lines[start + 2].startswith("5 files")
    against = run("render", session / "plan.yaml", "--json").json["against"]
    assert (against["same_samples"], against["changes"]) == (True, [])
    edit(session, "orrin_nave: -8", "orrin_nave: -7.999")
    against = run("render", session / "plan.yaml", "--json").json["against"]
    assert against["same_samples"] is False


def test_the_document_has_every_difference_to_the_earlier_render(run, session):
    before = run("render", session / "plan.yaml", "--json").json
    edit(session, "title: Ice Harbour, test", "title: Ice Harbour, test\nversion: v2\ntrim: -3")
    after = run("render", session / "plan.yaml", "--json").json
    against = after["against"]
    assert against["report"] == str(session / "render/report.json")
    assert against["changes"] == ["trim: +0.0 dB → −3.0 dB"]
    assert [entry["bus"] for entry in against["differences"]] == [bus["name"] for bus in before["buses"]]
    for entry in against["differences"]:
        assert entry["integrated_lu"] == pytest.approx(-3.0, abs=2e-3)
        assert entry["true_peak_db"] == pytest.approx(-3.0, abs=2e-3)
    # what is kept in the folder is the report alone
    assert "against" not in json.loads((session / "render/report.json").read_text(encoding="utf-8"))


def test_another_version_is_named_and_may_lie_anywhere(run, session):
    edit(session, "title: Ice Harbour, test", "title: Ice Harbour, test\ncue: 2m1\nversion: v1")
    assert run("render", session / "plan.yaml", "--output", session / "v1").status == 0
    edit(session, "version: v1", "version: v2\ntrim: -1")
    for place in (session / "v1", session / "v1/report.json"):
        outcome = run("render", session / "plan.yaml", "--output", session / "v2", "--against", place)
        assert f"compared with version v1, {place}" in outcome.output.replace("\n", "")
        assert "trim: +0.0 dB → −1.0 dB" in outcome.output


def test_a_render_that_is_not_there_or_broken_is_refused_before_any_work(run, session):
    (session / "broken").mkdir()
    (session / "broken/report.json").write_text('{"schema": "roomplan.render/3", "buses": [{}]}')
    for place, words in (
        (session / "nowhere", "there is no such file or folder"),
        (session / "broken", "report.json:1:"),
    ):
        outcome = run("render", session / "plan.yaml", "--against", place, "--quiet")
        assert (outcome.status, words in outcome.errors) == (1, True)
        assert not (session / "render").exists()


def test_another_cue_is_not_compared_unless_asked(run, session):
    edit(session, "title: Ice Harbour, test", "title: One\ncue: 2m1")
    assert run("render", session / "plan.yaml").status == 0
    edit(session, "title: One\ncue: 2m1", "title: Two\ncue: 2m2")
    outcome = run("render", session / "plan.yaml", "--replace")
    assert (outcome.status, "compared with" in outcome.output) == (0, False)
    edit(session, "title: Two\ncue: 2m2", "title: Three\ncue: 2m3")
    outcome = run("render", session / "plan.yaml", "--replace", "--against", session / "render")
    assert "another cue: Two" in outcome.output


def bus(name, loudness: float | None = -20.0, peak=-3.0):
    return {
        "name": name,
        "loudness": {"integrated_lufs": loudness, "true_peak_dbtp": peak, "loudness_range_lu": None},
        "wet_to_dry_db": None,
    }


def report(*buses, duration=10.0):
    return {"buses": list(buses), "rooms": [], "sections": [], "duration_s": duration}


def files(**digests):
    return {
        "files": [
            {
                "delivery": "session",
                "bus": "section:choir",
                "file": f"{family}/choir.wav",
                "samples_sha256": digest,
            }
            for family, digest in digests.items()
        ]
    }


def test_files_of_one_bus_in_two_families_are_each_compared():
    rendered = files(prints="a", groups="b")
    assert same_samples(rendered, files(prints="a", groups="b")) == (2, 2)
    assert all_the_same(rendered, files(prints="a", groups="b"))
    assert same_samples(rendered, files(prints="a", groups="c")) == (1, 2)
    assert same_samples(rendered, files(prints="a")) == (1, 1)
    assert not all_the_same(rendered, files(prints="a"))


def test_files_whose_samples_no_report_knows_are_not_called_the_same():
    assert same_samples(files(prints=None), files(prints=None)) == (0, 1)


def test_what_a_table_of_tenths_would_not_show_is_not_reported():
    assert revision_lines(report(bus("mix")), report(bus("mix", -20.04, -3.04))) == [
        "every figure within 0.1 of the earlier render"
    ]
    assert revision_lines(report(bus("mix")), report(bus("mix", -20.06))) == [
        "mix: −20.0 → −20.1 (−0.1) LUFS"
    ]


def test_a_bus_that_falls_silent_and_another_length_are_reported():
    assert revision_lines(report(bus("mix")), report(bus("mix", None), duration=12.5)) == [
        "duration: 10.00 → 12.50 s",
        "mix: −20.0 → none LUFS",
    ]


def test_only_whole_buses_are_reported_and_a_dozen_of_them():
    names = ["mix", "wet", "section:a:wet", *(f"section:s{number}" for number in range(20))]
    lines = revision_lines(report(*map(bus, names)), report(*(bus(name, -10.0) for name in names)))
    assert lines[0].startswith("mix: ")
    assert [line.split(":")[0] for line in lines[1:12]] == [f"s{number}" for number in range(11)]
    assert lines[12:] == ["and 9 more buses"]


@pytest.fixture
def longer(session):
    """Four seconds, so that an excerpt lies inside."""
    generator = np.random.default_rng(6)
    for name, channels in (("choir", 2), ("low", 1)):
        soundfile.write(
            session / f"stems/{name}.wav", 0.05 * generator.standard_normal((4 * RATE, channels)), RATE
        )
    return session


def test_an_excerpt_has_the_samples_of_the_whole_and_replaces_no_delivery(run, longer):
    assert run("render", longer / "plan.yaml").status == 0
    before = (longer / "render/report.json").read_bytes()
    outcome = run("render", longer / "plan.yaml", "--from", "0:01.5", "--length", "1", "--json")
    assert outcome.status == 0
    assert (longer / "render/report.json").read_bytes() == before
    assert outcome.json["excerpt"]["from_s"] == 1.5
    whole, _rate = soundfile.read(longer / "render/mix.wav")
    part, _rate = soundfile.read(longer / "render_excerpt/mix.wav")
    assert part.shape == (RATE, 2)
    assert np.abs(part - whole[72_000 : 72_000 + RATE]).max() < 1e-6


def test_the_report_of_an_excerpt_renders_the_same_excerpt(run, longer):
    assert run("render", longer / "plan.yaml", "--from", "1", "--length", "0.5", "--only", "mix").status == 0
    report_file = longer / "render_excerpt/report.json"
    outcome = run("render", report_file, "--output", longer / "again")
    assert "1 of 1 files have the same samples as in the report" in outcome.output
    kept = json.loads(report_file.read_text(encoding="utf-8"))["reproduce"]["options"]["excerpt"]
    assert kept == {"start_frame": RATE, "frames": RATE // 2, "sample_rate": RATE}
    earlier = json.loads(report_file.read_text(encoding="utf-8")) | {"schema": "roomplan.render/1"}
    for holder in (earlier, earlier["reproduce"]["options"]):
        holder["stretch"] = holder.pop("excerpt")
    (longer / "earlier.json").write_text(json.dumps(earlier), encoding="utf-8")
    outcome = run("render", longer / "earlier.json", "--output", longer / "from_earlier")
    assert "1 of 1 files have the same samples as in the report" in outcome.output
    # another excerpt of it is asked for: it is another part, so nothing is compared
    other = ("--from", "2", "--length", "0.5")
    outcome = run("render", report_file, "--output", longer / "other", *other)
    assert (outcome.status, "against" in outcome.output) == (0, False)
    outcome = run("render", longer / "plan.yaml", "--against", report_file, *other)
    assert "another part of the cue: not compared" in outcome.output


def test_moments_that_are_none_and_lengths_that_are_nothing_are_one_line(run, longer):
    for arguments, words in (
        (("--from", "late"), "no moment of a cue"),
        (("--from", "1:00"), "beyond the end of the cue"),
        (("--length", "0"), "nothing to hear"),
    ):
        outcome = run("render", longer / "plan.yaml", *arguments, "--quiet")
        assert (outcome.status, len(outcome.errors.strip().splitlines())) == (1, 1)
        assert words in outcome.errors


def test_watching_renders_again_and_says_what_moved(run, longer, monkeypatch):
    from roomplan.cli import watching

    read = []

    def watch(plan, render_once):
        assert plan == longer / "plan.yaml"
        read.append(set(render_once()))
        edit(longer, "orrin_nave: -8", "orrin_nave: -2")
        read.append(set(render_once()))

    monkeypatch.setattr(watching, "watch", watch)
    outcome = run("render", longer / "plan.yaml", "--from", "1", "--length", "1", "--watch", "--quiet")
    assert (outcome.status, outcome.errors) == (0, f"{LEVELS}\n")
    assert outcome.output.count("and report.json in") == 2
    assert "send choir → orrin_nave: level −8.0 dB → −2.0 dB" in outcome.output
    assert read[0] == read[1]
    assert {path.name for path in read[0]} == {"plan.yaml", "choir.wav", "low.wav", "nave.wav"}


def test_a_report_is_not_watched(run, session):
    assert run("render", session / "plan.yaml").status == 0
    assert run("render", session / "render/report.json", "--watch").status == 2
