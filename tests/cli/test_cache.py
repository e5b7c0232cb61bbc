"""What `roomplan cache` prints and removes."""

from __future__ import annotations

import json

import pytest
import typer
from typer.testing import CliRunner

from roomplan.cli import cache as command
from roomplan.files.cache import Cache
from roomplan.files.digests import digest_of
from roomplan.show.cache_tables import age_words


@pytest.fixture
def kept(tmp_path, monkeypatch):
    monkeypatch.setenv("ROOMPLAN_CACHE", str(tmp_path / "kept"))
    monkeypatch.delenv("ROOMPLAN_CACHE_SIZE", raising=False)
    return Cache(tmp_path / "kept")


@pytest.fixture
def ask():
    app = typer.Typer(rich_markup_mode="rich")
    app.callback()(lambda: None)  # with a callback, a single command keeps its name
    command.register(app)

    def run(*arguments):
        outcome = CliRunner().invoke(app, ["cache", *arguments])
        assert outcome.exit_code == 0, outcome.output
        return outcome.stdout  # without the progress

    return run


def put(cache, number, *, title="Ice Harbour, reel 2", plan="cues/ice_harbour.yaml", kind="levels"):
    parts = {"rate": 48_000} if kind == "levels" else {"kind": kind}
    with cache.writing(digest_of(number), title=title, source=plan, parts=parts) as new:
        new.save_document("levels", "x" * 60_000)


def test_entries_are_listed_with_their_plan_and_size(ask, kept):
    put(kept, 1)
    put(kept, 2, title="Sedgewater [red]take[/red]")
    output = ask()
    assert str(kept.folder) in output
    assert "2 entries, 121 kB of at most 2.0 GB" in output
    assert "Ice Harbour, reel 2" in output
    assert "Sedgewater [red]take[/red]" in output  # no markup
    assert output.count("cues/ice_harbour.yaml") == 2
    assert output.count("now") == 2


def test_the_sound_of_a_plan_is_one_row_with_the_size_of_all(ask, kept):
    for number, plan in enumerate(["cues/1m4.yaml", "cues/1m4.yaml", "cues/1m5.yaml", "cues/1m4.yaml"]):
        put(kept, number, title=f"sound of send {number}", plan=plan, kind="sound")
    rows = [line.split("  ") for line in ask().splitlines() if "sound of" in line]
    cells = sorted([cell.strip() for cell in row if cell.strip()] for row in rows)
    assert cells == [
        ["sound of 3 sends", "cues/1m4.yaml", "now", "181 kB"],
        ["sound of send 2", "cues/1m5.yaml", "now", "60 kB"],
    ]
    assert len(json.loads(ask("--json"))["entries"]) == 4


def test_json_carries_the_documented_keys(ask, kept):
    put(kept, 1)
    document = json.loads(ask("--json"))
    assert document["schema"] == "roomplan.cache/1"
    assert document["folder"] == str(kept.folder)
    (entry,) = document["entries"]
    assert set(entry) == {"key", "title", "plan", "created", "unused_s", "size_bytes", "parts"}
    assert entry["parts"] == {"rate": 48_000}
    assert document["size_bytes"] == entry["size_bytes"] > 60_000
    assert document["removed"] is None


def test_clearing_says_how_much_is_gone(ask, kept):
    put(kept, 1)
    put(kept, 2)
    assert ask("--clear") == "removed 2 entries, 121 kB\n"
    assert ask("--clear") == "removed 0 entries, 0 kB\n"
    assert "0 entries" in ask()
    put(kept, 1)
    document = json.loads(ask("--clear", "--json"))
    assert document["entries"] == []
    assert document["removed"]["entries"] == 1


def test_cache_that_is_off_is_said_to_be(ask, monkeypatch):
    monkeypatch.setenv("ROOMPLAN_CACHE", "off")
    assert ask() == "the cache is off (ROOMPLAN_CACHE)\n"
    assert ask("--clear") == "the cache is off (ROOMPLAN_CACHE)\n"
    document = json.loads(ask("--json"))
    assert (document["folder"], document["entries"], document["size_bytes"]) == (None, [], 0)


def test_help_has_an_example(ask):
    assert "Example: roomplan cache" in ask("--help")


@pytest.mark.parametrize(
    ("seconds", "age"),
    [(0, "now"), (59, "now"), (60, "1 minute ago"), (7_300, "2 hours ago"), (86_400, "1 day ago")],
)
def test_age_is_in_the_largest_unit_that_fits(seconds, age):
    assert age_words(seconds) == age
