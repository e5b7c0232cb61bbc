"""`roomplan share`: what it writes, and what it refuses before any work."""

from __future__ import annotations

import errno
import os

import pytest

from roomplan.api import sharing
from roomplan.errors import RoomplanError


def test_a_page_is_written_whole_and_the_command_says_where_how_large_and_how_coded(run, session):
    outcome = run("share", session / "plan.yaml", session / "page.html", "--quiet")
    assert outcome.status == 0, outcome.errors
    assert "page.html: " in outcome.output
    assert "lossless (FLAC, 24 bit)" in outcome.output
    text = (session / "page.html").read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>")
    assert text.endswith("</html>\n")
    assert not [path.name for path in session.iterdir() if "partial" in path.name]


def test_a_passage_and_a_size_can_be_asked_for(run, session):
    arguments = ("--from", "0.25", "--length", "0.5", "--size", "0.2", "--json", "--quiet")
    document = run("share", session / "plan.yaml", session / "page.html", *arguments).json
    assert (document["from_s"], document["length_s"]) == (0.25, 0.5)
    assert document["coding"] != "flac_24"
    assert document["size_bytes"] == (session / "page.html").stat().st_size <= 200_000


def test_a_page_that_is_there_is_replaced_only_on_request(run, session):
    (session / "page.html").write_text("mine", encoding="utf-8")
    outcome = run("share", session / "plan.yaml", session / "page.html", "--quiet")
    assert outcome.status == 1
    assert "page.html exists — add --replace, or name another file" in outcome.errors
    assert (session / "page.html").read_text(encoding="utf-8") == "mine"
    assert run("share", session / "plan.yaml", session / "page.html", "--replace", "--quiet").status == 0


@pytest.mark.parametrize(
    ("output", "arguments", "words"),
    [
        ("page.pdf", (), "give it the ending .html"),
        ("nowhere/page.html", (), "there is no such folder"),
        ("page.html", ("--from", "never"), "'never' is no moment of a cue"),
        ("page.html", ("--from", "99"), "is beyond the end of the cue"),
        ("page.html", ("--length", "0"), "nothing to hear"),
        ("page.html", ("--size", "0.1", "--length", "1"), "a larger --size"),
    ],
)
def test_what_cannot_be_written_is_refused_in_one_line(run, session, output, arguments, words):
    outcome = run("share", session / "plan.yaml", session / output, *arguments, "--quiet")
    assert outcome.status == 1
    assert words in outcome.errors
    assert len(outcome.errors.splitlines()) == 1
    assert not (session / output).exists()


@pytest.mark.skipif(os.name != "posix", reason="folders of POSIX")
def test_a_folder_that_may_not_be_written_to_is_refused_before_any_work(ordinary_user):
    (ordinary_user / "shut").mkdir(mode=0o555)
    with pytest.raises(RoomplanError, match=r"shut: may not be written to — allow writing there"):
        sharing.refuse_page_file(ordinary_user / "shut" / "page.html", replace=False)


def test_a_full_disk_is_reported_of_the_page_and_of_no_hidden_file(run, session, monkeypatch):
    def full(*_arguments, **_options):
        raise OSError(errno.ENOSPC, "No space left on device", str(session / ".page.html.1.partial"))

    monkeypatch.setattr(sharing, "write_whole", full)
    outcome = run("share", session / "plan.yaml", session / "page.html", "--quiet")
    assert outcome.status == 1
    assert "page.html: No space left on device" in outcome.errors
    assert "partial" not in outcome.errors


@pytest.mark.parametrize("size", ["0", "501", "nan", "much"])
def test_a_size_out_of_range_is_wrong_usage(run, session, size):
    assert run("share", session / "plan.yaml", session / "page.html", "--size", size).status == 2


def test_every_problem_of_a_plan_is_reported_and_nothing_written(run, session):
    text = (session / "plan.yaml").read_text(encoding="utf-8").replace("nave.wav", "gone.wav")
    (session / "broken.yaml").write_text(text.replace("stems: [low]", "stems: [lost]"), encoding="utf-8")
    outcome = run("share", session / "broken.yaml", session / "page.html", "--quiet")
    assert outcome.status == 1
    assert len(outcome.errors.splitlines()) >= 2
    assert not (session / "page.html").exists()
