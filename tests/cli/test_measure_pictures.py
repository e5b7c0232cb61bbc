"""What `roomplan measure --plot` draws, and that a picture that cannot be drawn costs no figure."""

from __future__ import annotations

import numpy as np
import pytest
from measured_documents import decay


@pytest.mark.parametrize(("suffix", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("PDF", b"%PDF")])
def test_a_picture_is_written_beside_the_table(measure, write, folder, suffix, start):
    outcome = measure(write("nave.wav", decay()), "--band", "1000", "--plot", f"nave.{suffix}")
    assert outcome.status == 0
    assert "1 kHz" in outcome.output
    assert (folder / f"nave.{suffix}").read_bytes().startswith(start)


def test_many_responses_are_pages_of_one_pdf(measure, write, folder):
    names = [write(f"{name}.wav", decay()) for name in "ab"]
    assert measure(*names, "--band", "1000", "--plot", "lot.pdf").status == 0
    assert (folder / "lot.pdf").read_bytes().count(b"/Type /Page ") == 2


@pytest.mark.parametrize(
    ("files", "plot", "words"),
    [
        (["a.wav", "b.wav"], "lot.png", ".pdf"),
        (["a.wav"], "a.jpg", ".png, .svg or .pdf"),
        (["a.wav"], "a", ".png, .svg or .pdf"),
        (["a.wav"], "a.wav", ".png, .svg or .pdf"),
        (["a.wav"], "nowhere/a.png", "no folder"),
        (["six.wav"], "six.png", "choose fewer channels"),
    ],
)
def test_a_picture_that_cannot_be_drawn_costs_no_figure(measure, write, folder, files, plot, words):
    write("a.wav", decay())
    write("b.wav", decay())
    write("six.wav", decay(channels=6))
    before = sorted(folder.iterdir())
    outcome = measure(*files, "--band", "1000", "--plot", plot, "--json")
    assert outcome.status == 1
    assert [response["file"] for response in outcome.json["responses"]] == files
    assert outcome.errors.count("\n") == 1
    assert words in outcome.errors
    assert sorted(folder.iterdir()) == before


def test_a_response_without_a_decay_has_a_picture_too(measure, write, folder):
    write("one.wav", np.array([[0.5]]))
    assert measure("one.wav", "--plot", "one.png").status == 0
    assert (folder / "one.png").stat().st_size > 0
