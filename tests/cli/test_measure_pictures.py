"""What `roomplan measure --plot` draws, and that a picture that cannot be drawn costs no figure."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

RATE = 24_000


def decay(time_s: float = 0.4, *, channels: int = 1, rate: int = RATE, length_s: float = 0.6, seed: int = 1):
    """Return decaying noise behind a direct sound, (frames, channels)."""
    generator = np.random.default_rng(seed)
    clock = np.arange(round(length_s * rate)) / rate
    samples = (
        0.1 * generator.standard_normal((clock.size, channels)) * 10.0 ** (-3.0 * clock / time_s)[:, None]
    )
    samples[0] = 0.9
    return samples


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Folder the command runs in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def write(folder):
    def sound(name: str, samples, rate: int = RATE, subtype: str = "FLOAT") -> str:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, samples, rate, subtype=subtype)
        return name

    return sound


@pytest.fixture
def measure(run):
    """Run the command and check what holds for every run of it."""

    def command(*arguments):
        outcome = run("measure", "--quiet", *arguments)
        assert outcome.status in {0, 1, 2}
        assert bool(outcome.errors) == (outcome.status != 0)
        return outcome

    return command


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
        (["six.wav"], "six.png", "choose a channel"),
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
