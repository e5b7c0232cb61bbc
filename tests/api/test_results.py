"""Results: the dataclasses of the program, with a face for a prompt and a notebook."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from pathlib import Path
from typing import assert_type

import numpy as np
import pytest
from rich.table import Table
from rich.text import Text

import roomplan
from roomplan.acoustics.response import ResponseFigures
from roomplan.api.faces import html_of
from roomplan.loudness.programme import ProgrammeLoudness
from roomplan.rendering.result import Rendering
from roomplan.report.documents import check_document
from roomplan.rooms.spec import RoomSpecification
from roomplan.show.tables import section_table

HOSTILE = "<script>alert('1')</script> & [b]choir[/i]"


class Reader(HTMLParser):
    """What stands in the cells, whether every element is closed, and what tags there are."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.words: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        assert {name for name, _value in attrs} <= {"style"}
        if tag != "br":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def read(source: str) -> Reader:
    reader = Reader()
    reader.feed(source)
    reader.close()
    assert reader.open == []
    assert reader.tags <= {
        "div", "table", "caption", "b", "thead", "tbody", "tr", "th", "td", "p", "small", "br",
    }  # fmt: skip
    return reader


@pytest.fixture
def results(folder):
    hall = roomplan.room("wrenfold_chamber")
    rendered = roomplan.render("plan.yaml", "out")
    return {
        "plan": roomplan.load(folder / "plan.yaml"),
        "checked": roomplan.check("plan.yaml"),
        "rendered": rendered,
        "measured": roomplan.measure("nave.wav"),
        "metered": roomplan.measure_loudness("nave.wav"),
        "comparison": roomplan.compare("plan.yaml", "wetter.yaml", rendered, "out"),
        "room": hall,
    }


def test_every_result_is_one_line_at_a_prompt_and_tables_in_a_notebook(results):
    for result in results.values():
        assert repr(result).startswith(f"<{type(result).__name__} ")
        assert "\n" not in repr(result)
        reader = read(result._repr_html_())
        assert "table" in reader.tags
        assert len(reader.words) > 10


def test_a_notebook_has_the_words_of_the_terminal(results):
    table = section_table(results["checked"])
    words = read(results["checked"]._repr_html_()).words
    for column in table.columns:
        for cell in column.cells:
            assert str(cell) in words or not str(cell)
        assert set(str(column.header).split("\n")) <= set(words)  # a line of a heading is a word
    assert str(table.title) in words


def test_results_are_the_dataclasses_of_the_program(results):
    assert isinstance(results["checked"], Rendering)
    assert isinstance(results["rendered"], roomplan.Checked)
    assert isinstance(results["measured"], ResponseFigures)
    assert isinstance(results["metered"], ProgrammeLoudness)
    assert isinstance(results["room"], RoomSpecification)
    document = check_document(results["checked"], [])
    assert document["title"] == "Ice Harbour"
    assert json.dumps(results["comparison"].document(), allow_nan=False)


def test_names_are_escaped_wherever_they_stand(folder):
    text = (folder / "plan.yaml").read_text(encoding="utf-8")
    name = "<i>choir & co.<b>"
    text = text.replace("  choir:\n", f"  '{name}':\n").replace("Ice Harbour", "'<script>alert(1)<b>'")
    text = text.replace("  nave:", "  '<u>nave':").replace("{nave:", "{'<u>nave':")
    (folder / "plan.yaml").write_text(text, encoding="utf-8")
    (folder / "wetter.yaml").write_text(f"extends: plan.yaml\nsections: {{'{name}': {{level: -3}}}}", "utf-8")
    (folder / "stems" / "choir.wav").rename(folder / "stems" / "<q>choir.wav")
    (folder / "plan.yaml").write_text(text.replace("[choir]", "['<q>choir']"), encoding="utf-8")
    results = (
        roomplan.load("plan.yaml"),
        roomplan.check("plan.yaml"),
        roomplan.render("plan.yaml", "<out>"),
        roomplan.measure_loudness("stems/<q>choir.wav"),
        roomplan.compare("plan.yaml", "wetter.yaml"),
    )
    for result in results:
        reader = read(result._repr_html_())  # an unescaped name would be an element that is not allowed
        assert any("<" in words for words in reader.words)


def test_cells_of_every_kind_are_escaped_and_lines_kept():
    table = Table(title=HOSTILE, caption="one\ntwo")
    table.add_column(HOSTILE, justify="right")
    table.add_column("second")
    table.add_row(HOSTILE, Text(HOSTILE), end_section=True)
    table.add_row("choir [b]", "choir [a]")
    source = html_of([table, HOSTILE, Text(HOSTILE)])
    reader = read(source)
    assert reader.words.count(HOSTILE) == 6
    assert "choir [b]" in reader.words
    assert "choir [a]" in reader.words
    assert "one<br>two" in source
    assert source.count("<tbody>") == 2


def test_a_muted_section_is_said_to_be_muted(folder):
    plan = roomplan.load(folder / "plan.yaml", mute="choir")
    assert "choir (muted)" in read(plan._repr_html_()).words
    checked = roomplan.check(plan)
    assert checked.bus("section:choir").reasons["wet_to_dry_db"] == "muted"
    assert (
        roomplan.check(roomplan.load(folder / "plan.yaml", mute=["choir", "low_strings"]))
        .bus("mix")
        .loudness.integrated_lufs
        is None
    )


@pytest.mark.usefixtures("folder")
def test_a_plan_is_read_from_its_file_or_taken_as_it_was_loaded():
    plan = roomplan.load("plan.yaml")
    taken, read_anew = roomplan.check(plan), roomplan.check("plan.yaml")
    assert taken.frames == read_anew.frames
    # the second answer comes from the cross powers of the first: the same to their rounding
    assert taken.bus("mix").loudness.integrated_lufs == pytest.approx(
        read_anew.bus("mix").loudness.integrated_lufs, abs=1e-5
    )


@pytest.mark.usefixtures("folder")
def test_the_same_plan_at_other_levels_is_answered_without_its_peaks_and_says_so():
    assert not roomplan.check("plan.yaml").recalled
    wetter = roomplan.check("wetter.yaml")
    assert wetter.recalled
    assert wetter.bus("mix").true_peak_dbtp is None
    assert "need a new pass" in wetter.bus("mix").reasons["true_peak_dbtp"]


def test_a_comparison_asks_both_plans_for_the_margins_of_either(folder):
    with (folder / "wetter.yaml").open("a", encoding="utf-8") as file:
        file.write("margins: [{of: choir, over: low_strings}]\n")
    comparison = roomplan.compare("plan.yaml", "wetter.yaml")
    assert [len(plan["margins"]) for plan in comparison.document()["plans"]] == [1, 1]
    assert "Margins, dB" in read(comparison._repr_html_()).words


def test_a_comparison_says_what_each_plan_reaches_of_its_targets(folder):
    with (folder / "wetter.yaml").open("a", encoding="utf-8") as file:
        file.write("targets: [{of: choir, wet_to_dry: 20}]\n")
    comparison = roomplan.compare("plan.yaml", "wetter.yaml")
    assert [
        [target["met"] for target in plan.get("targets", [])] for plan in comparison.document()["plans"]
    ] == [
        [],
        [False],
    ]
    assert any("missed by" in words for words in read(comparison._repr_html_()).words)


def test_a_comparison_raises_the_problems_of_all_plans_at_once(folder):
    (folder / "other.yaml").write_text("extends: broken.yaml\ntitel: Other\n", encoding="utf-8")
    with pytest.raises(roomplan.PlanError) as caught:
        roomplan.compare("broken.yaml", "plan.yaml", "other.yaml")
    whats = [problem.what for problem in caught.value.problems]
    assert "unknown key 'dyr' in choir" in whats
    assert "unknown key 'titel'" in whats


@pytest.mark.usefixtures("folder")
def test_a_comparison_tells_two_results_of_one_plan_apart():
    checked = roomplan.check("plan.yaml")
    comparison = roomplan.compare(checked, checked)
    assert comparison.labels == ("plan", "plan (2)")
    assert comparison.changes["plan (2)"] == []
    assert comparison.differences["plan (2)"]["mix"]["integrated_lu"] == 0.0


@pytest.mark.usefixtures("folder")
def test_a_rendered_result_knows_where_its_files_are():
    rendered = roomplan.render("plan.yaml", "out")
    assert all(path.is_file() for paths in rendered.files.values() for path in paths)
    assert set(rendered.files) == {"mix", "section:choir", "section:low_strings"}
    assert roomplan.render("plan.yaml").files["mix"][0].parent.name == "render"


@pytest.mark.usefixtures("folder")
def test_several_deliveries_have_their_files_in_folders_of_their_own():
    with Path("plan.yaml").open("a", encoding="utf-8") as file:
        file.write("  listening: {folder: listen, format: flac, bit_depth: 24, write: [mix]}\n")
    together = roomplan.render("plan.yaml", "out")
    assert [path.relative_to(Path.cwd()).as_posix() for path in together.files["mix"]] == [
        "out/session/mix.wav",
        "out/listening/mix.flac",
    ]
    apart = roomplan.render("plan.yaml")
    assert [path.parent.name for path in apart.files["mix"]] == ["render", "listen"]
    for path in (*together.files["mix"], *apart.files["mix"]):
        assert path.is_file()
    assert "listen" in apart._repr_html_()


@pytest.mark.usefixtures("folder")
def test_a_render_can_be_loaded_again_from_its_report_as_it_was_muted():
    first = roomplan.render(roomplan.load("plan.yaml", mute=["choir"]), "out", only=["mix"])
    Path("plan.yaml").unlink()
    again = roomplan.load("out/report.json")
    assert again.session.section("choir").muted
    with pytest.raises(roomplan.RoomplanError, match="already holds a render"):
        roomplan.render(again, "out")
    second = roomplan.render(again, "again")
    assert set(second.files) == {"mix"}
    assert second.files["mix"][0].read_bytes() == first.files["mix"][0].read_bytes()
    assert not roomplan.load("out/report.json", mute=[]).session.section("choir").muted


@pytest.mark.usefixtures("folder")
def test_an_excerpt_is_written_beside_the_delivery_and_replaces_nothing():
    whole = roomplan.render("plan.yaml", only=["mix"]).files["mix"][0]
    before = whole.read_bytes()
    part = roomplan.render(roomplan.load("plan.yaml").excerpt(0.2, 0.3), only=["mix"]).files["mix"][0]
    assert part.parent.name == "render_excerpt"
    assert whole.read_bytes() == before


@pytest.mark.usefixtures("folder")
def test_a_render_over_arrays_does_not_promise_that_it_can_be_repeated():
    stems = {"choir": np.ones((2400, 2)) / 4, "low": np.ones(2400) / 4}
    roomplan.render(roomplan.load_with_arrays("plan.yaml", stems, sample_rate=24_000), "out")
    assert "reproduce" not in json.loads(Path("out/report.json").read_text(encoding="utf-8"))


@pytest.mark.usefixtures("folder")
def test_files_of_another_plan_are_only_replaced_when_that_is_asked_for():
    Path("other.yaml").write_text(Path("plan.yaml").read_text().replace("Ice Harbour", "Tarn Reach"))
    roomplan.render("plan.yaml", "out")
    before = Path("out/report.json").read_bytes()
    with pytest.raises(roomplan.RoomplanError):
        roomplan.render("other.yaml", "out")
    assert Path("out/report.json").read_bytes() == before
    assert roomplan.render("other.yaml", "out", replace=True).title == "Tarn Reach"


@pytest.mark.usefixtures("folder")
def test_an_excerpt_is_that_part_of_the_whole_however_it_is_said():
    plan = roomplan.load("plan.yaml")
    whole = roomplan.render_arrays(plan, ["wet"])["wet"]
    for part in (plan.excerpt(0.25, 0.5), plan.excerpt("0.25", "0.5")):
        heard = roomplan.render_arrays(part, ["wet"])["wet"]
        assert heard.shape == (12_000, 2)
        np.testing.assert_allclose(heard, whole[6_000:18_000], atol=1e-6)
    for start, length in ((-1.0, None), (999.0, None), (0.0, 0.0), ("soon", None), (float("nan"), None)):
        with pytest.raises(roomplan.RoomplanError):
            plan.excerpt(start, length)


@pytest.mark.usefixtures("folder")
def test_the_earlier_name_of_an_excerpt_works_and_says_so():
    plan = roomplan.load("plan.yaml")
    with pytest.warns(DeprecationWarning, match="is now OpenPlan.excerpt"):
        part = plan.stretch(0.25, 0.5)
    assert part.session.excerpt == plan.excerpt(0.25, 0.5).session.excerpt


@pytest.mark.usefixtures("folder")
def test_type_checkers_see_what_a_consumer_gets():
    """Pyright reads the `assert_type` lines as a consumer's; here they only run."""
    plan = assert_type(roomplan.load("plan.yaml"), roomplan.OpenPlan)
    checked = assert_type(roomplan.check(plan), roomplan.Checked)
    assert_type(checked.bus("mix").true_peak_dbtp, float | None)
    assert_type(roomplan.measure("nave.wav"), roomplan.Measured)
    assert_type(roomplan.measure([0.0, 1.0], sample_rate=48_000), roomplan.Measured)
    assert_type(roomplan.measure_loudness("nave.wav").integrated_lufs, float | None)
    assert_type(roomplan.compare(plan, "wetter.yaml").changes, dict[str, list[str]])
    assert_type(roomplan.problems("plan.yaml"), list[roomplan.Problem])
