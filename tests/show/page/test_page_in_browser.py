"""The page in a browser: its figures against the program's, its sound against a render, a job by keys."""

from __future__ import annotations

import base64
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from browser import MODULES, serve_modules

import roomplan
from roomplan.api.checking import check_file
from roomplan.api.jobs import render_job
from roomplan.api.render_job import RenderJob
from roomplan.rendering.progress import silent_progress

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page
    from shared_page import Shared

FIGURES = """async ({plan, moves}) => {
  const { Figures } = await import("./figures.js");
  const { withValue, planFile, differences } = await import("./state.js");
  const figures = new Figures(plan);
  let levels = figures.written;
  for (const [of, at, key, value] of moves) levels = withValue(levels, { of, at, key }, value);
  const found = figures.at(levels);
  delete found.gains;
  return { found, file: planFile(plan, levels), lines: differences(plan, levels) };
}"""
SOUND = """async ({plan, sounds, moves, loop, start}) => {
  const { Figures } = await import("./figures.js");
  const { withValue } = await import("./state.js");
  const { decodeAll, gainNodes, startAll } = await import("./sound.js");
  const figures = new Figures(plan);
  let levels = figures.written;
  for (const [of, at, key, value] of moves) levels = withValue(levels, { of, at, key }, value);
  const context = new OfflineAudioContext(2, plan.sound.frames, plan.sample_rate);
  const buffers = await decodeAll(context, plan.sound, (i) => sounds[i] ?? null);
  const nodes = gainNodes(context, plan.sound, figures.gains(levels), context.destination);
  startAll(context, buffers, nodes, 0, start, loop);
  const made = await context.startRendering();
  const packed = (channel) => {
    const bytes = new Uint8Array(made.getChannelData(channel).buffer);
    let text = "";
    for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
    return btoa(text);
  };
  return [packed(0), packed(1)];
}"""


@pytest.fixture
def modules(browser: Browser) -> Iterator[Page]:
    page = browser.new_page()
    serve_modules(page)
    yield page
    page.close()


@pytest.fixture
def opened(browser: Browser, shared: Shared) -> Iterator[Page]:
    """The page from the disk; whatever it asks for or complains of fails the test."""
    page = browser.new_page(viewport={"width": 1300, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.on(
        "request",
        lambda request: None if request.url.startswith(("file:", "blob:")) else faults.append(request.url),
    )
    page.goto(shared.page.as_uri())
    page.wait_for_selector("#mix-loudness:not(:empty)")
    yield page
    page.close()
    assert faults == []


@pytest.fixture(scope="module")
def moves(shared: Shared) -> list[list[Any]]:
    send = shared.component
    return [
        ["section", 0, "level", -2.5],
        ["section", 0, "dry", -4.0],
        ["section", 4, "mute", False],
        ["send", send("choir", "larkmere_hall", "rear"), "level", -5.3],
        ["send", send("choir", "orrin_nave"), "level", -3.0],
        ["send", send("melody_strings", "larkmere_hall"), "level", -2.2],
        ["room", 1, "level", 2.0],
        ["room", 0, "level", -3.7],
    ]


def found_by_page(modules: Page, shared: Shared, moves: list[list[Any]]) -> dict[str, Any]:
    return modules.evaluate(FIGURES, {"plan": shared.document, "moves": moves})


def require_same_figures(shared: Shared, found: dict[str, Any], plan: str) -> None:
    """Hold everything the page says against what `compare` says of a plan beside the one that was shared."""
    document = roomplan.compare(shared.folder / "plan.yaml", shared.folder / plan).document()["plans"][-1]
    buses = {bus["name"]: bus for bus in document["buses"]}
    page = shared.document

    def loudness(name: str) -> float | None:
        return buses[name]["loudness"]["integrated_lufs"]

    same = lambda one, other, within: one == other or one == pytest.approx(other, abs=within)  # noqa: E731 - short
    count = 0
    rows = [("mix", found["mix"])]
    rows += [
        (f"section:{s['name']}", one) for s, one in zip(page["sections"], found["sections"], strict=True)
    ]
    rows += [(f"group:{g['name']}", one) for g, one in zip(page["groups"], found["groups"], strict=True)]
    for name, one in rows:
        assert same(one["loudness"]["value"], loudness(name), 0.001), name
        assert same(one["ratio"]["value"], buses[name]["wet_to_dry_db"], 0.001), name
        count += one["ratio"]["value"] is not None
    rooms = [f"room:{room['name']}" for room in page["rooms"]]
    rooms += [f"alternate:{one['name']}" for one in page["alternates"]]
    for name, one in zip(rooms, [*found["rooms"], *found["alternates"]], strict=True):
        assert same(one["value"], loudness(name), 0.001), name
    for passage, one in zip(page["passages"], found["passages"], strict=True):
        (mix,) = [p for p in document["passages"] if (p["passage"], p["bus"]) == (passage["name"], "mix")]
        assert one["value"] == pytest.approx(mix["loudness"]["integrated_lufs"], abs=0.001)
    margins = {
        (m["of"], m["over"], m["band"]): m["margin_db"] for m in document["margins"] if m["passage"] is None
    }
    owners = [("section", page["sections"], found["sections"]), ("group", page["groups"], found["groups"])]
    for kind, names, figures in owners:
        for owner, one in zip(names, figures, strict=True):
            for margin in one["margins"]:
                key = f"{kind}:{owner['name']}", margin["over"], margin["band"]
                assert margin["value"] == pytest.approx(margins.pop(key), abs=0.001)
    assert not margins
    assert count >= 4


def test_figures_of_the_page_as_written_are_those_of_compare(modules, shared):
    require_same_figures(shared, found_by_page(modules, shared, [])["found"], "plan.yaml")


def test_figures_of_moved_levels_are_those_that_compare_has_of_the_plan_file_handed_back(
    modules, shared, moves
):
    answer = found_by_page(modules, shared, moves)
    (shared.folder / "moved.yaml").write_text(answer["file"], encoding="utf-8")
    require_same_figures(shared, answer["found"], "moved.yaml")
    assert len(answer["lines"]) == len(moves)


def test_clarity_and_decay_of_moved_levels_are_near_the_full_measurement(modules, shared, moves):
    answer = found_by_page(modules, shared, moves)
    (shared.folder / "moved.yaml").write_text(answer["file"], encoding="utf-8")
    checked = roomplan.check(shared.folder / "moved.yaml")
    compared = 0
    for section, one in zip(shared.document["sections"], answer["found"]["sections"], strict=True):
        bus = checked.bus(f"section:{section['name']}")
        if section["mute"]:  # as written: nothing was measured that its forms could be brought to
            assert one["c80"]["value"] is None
            continue
        assert bus.decay is not None
        assert one["c80"]["value"] == pytest.approx(bus.decay.mid.c80_db, abs=0.1)
        if bus.decay_to_minus_40_s is not None:
            assert one["decay"]["value"] == pytest.approx(bus.decay_to_minus_40_s, abs=0.01)
            compared += 1
    assert compared >= 3


def test_targets_turn_as_check_judges_the_moved_plan(modules, shared, moves):
    answer = found_by_page(modules, shared, moves)
    (shared.folder / "moved.yaml").write_text(answer["file"], encoding="utf-8")
    results = check_file(shared.folder / "moved.yaml", progress=silent_progress).results
    within = {"least_c80": 0.1, "least_d50": 0.005, "longest_centre_time": 0.001}
    known = 0
    for result, one in zip(results, answer["found"]["targets"], strict=True):
        if not one["known"]:
            assert result.target.kind in {"true_peak", "longest_wet_decay"}
            assert one["met"] is None
            continue
        known += 1
        assert one["value"] == pytest.approx(result.value, abs=within.get(result.target.kind, 0.001))
        assert one["met"] == result.met
    assert known == 7


def test_targets_as_written_are_those_of_check(modules, shared):
    found = found_by_page(modules, shared, [])["found"]["targets"]
    results = check_file(shared.folder / "plan.yaml", progress=silent_progress).results
    assert [one["met"] for one in found] == [result.met for result in results]


def page_sound(modules: Page, shared: Shared, moves, loop=None, start=0) -> np.ndarray:
    content = {"plan": shared.document, "sounds": shared.sounds, "moves": moves, "loop": loop, "start": start}
    channels = modules.evaluate(SOUND, content)
    return np.stack([np.frombuffer(base64.b64decode(one), "<f4") for one in channels], axis=1).astype(
        np.float64
    )


def level_db(difference: np.ndarray) -> float:
    return 10.0 * np.log10(float(np.mean(difference**2)))


def test_the_sum_of_the_page_is_the_rendered_passage_at_moved_levels(modules, shared, moves):
    answer = found_by_page(modules, shared, moves)
    (shared.folder / "moved.yaml").write_text(answer["file"], encoding="utf-8")
    assert shared.document["sound"]["coding"] == "flac_24"
    out = shared.folder / "out"
    render_job(
        RenderJob(shared.folder / "moved.yaml", output=out, only=("mix",), mute=(), start="1.25", length="4")
    )
    rendered, _rate = soundfile.read(out / "mix.wav", always_2d=True)
    played = page_sound(modules, shared, moves)
    assert played.shape == rendered.shape
    assert level_db(rendered) > -60.0
    assert level_db(played - rendered) <= -115.0


def test_a_loop_meets_its_start_on_the_sample(modules, shared):
    whole = page_sound(modules, shared, [])
    first, last = 12_345, 60_001
    looped = page_sound(modules, shared, [], loop=[first, last], start=first)
    expected = np.resize(whole[first:last], whole.shape)
    assert level_db(looped - expected) < -140.0


def test_a_job_is_done_by_keys_alone(opened, shared):
    page, send = opened, f"#level-send-{shared.component('choir', 'orrin_nave')}-level"
    before = page.text_content("#section-0-loudness")
    for _press in range(200):
        page.keyboard.press("Tab")
        if page.evaluate("s => document.activeElement === document.querySelector(s)", send):
            break
    for key in ("PageUp", "PageUp", "PageUp", "ArrowUp", "Shift+ArrowDown"):
        page.keyboard.press(key)
    assert page.input_value(send) == "-4.6"
    page.wait_for_function("b => document.querySelector('#section-0-loudness').textContent !== b", arg=before)
    assert "orrin_nave: −14.0 dB → −4.6 dB" in (page.text_content("#differences") or "")
    page.keyboard.press("Control+z")
    page.wait_for_function("s => document.querySelector(s).value === '-14'", arg=send)
    page.keyboard.press("Control+Shift+z")
    page.wait_for_function("s => document.querySelector(s).value === '-4.6'", arg=send)
    page.focus("#plan-part summary")
    page.keyboard.press("Enter")
    assert "level: -4.6, pre_delay: 21, low_cut: 150" in page.inner_text("#plan-text")
    with page.expect_download() as saved:
        page.focus("#save")
        page.keyboard.press("Enter")
    saved.value.save_as(shared.folder / saved.value.suggested_filename)
    assert saved.value.suggested_filename == "plan_moved.yaml"
    assert not roomplan.problems(shared.folder / "plan_moved.yaml")
    page.focus("#written")
    page.keyboard.press("Enter")
    page.wait_for_selector("#written[aria-pressed=true]")


def test_space_plays_only_where_no_field_has_the_focus_and_a_level_is_stopped_before_it_jumps(opened):
    page = opened
    page.focus("#level-section-0-level")
    page.keyboard.press("Space")
    assert page.get_attribute("#play", "aria-pressed") == "false"
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Space")
    page.wait_for_selector("#play[aria-pressed=true]", timeout=20_000)
    page.wait_for_function("() => Number(document.querySelector('#position').value) > 1.5")
    page.fill("#level-section-0-level", "20")
    page.keyboard.press("Enter")
    page.wait_for_selector("#alarm:not(:empty)")
    assert "LU louder" in (page.text_content("#alarm") or "")
    assert page.get_attribute("#play", "aria-pressed") == "false"


def test_words_of_a_plan_are_shown_as_words(opened, shared):
    title = shared.document["title"]
    assert "</script>" in title
    assert opened.text_content("h1") == title
    assert opened.title() == title
    name = shared.document["sections"][3]["name"]
    assert name in opened.locator("#sections tbody th bdi").all_text_contents()
    assert opened.locator("b, #sections i").count() == 0


def test_the_policy_stops_scripts_styles_and_requests_that_are_not_the_pages_own(browser, shared):
    page = browser.new_page()
    page.goto(shared.page.as_uri())
    sent: list[str] = []
    page.on("response", lambda response: sent.append(response.url))
    failed: dict[str, str | None] = {}
    page.on("requestfailed", lambda request: failed.update({request.url: request.failure}))
    stopped = page.evaluate("""async () => {
      const stopped = [];
      document.addEventListener("securitypolicyviolation", (one) => stopped.push(one.effectiveDirective));
      const script = document.createElement("script");
      script.textContent = "window.taken = true";
      document.body.append(script);
      const style = document.createElement("style");
      style.textContent = "body { display: none }";
      document.head.append(style);
      const image = new Image();
      image.src = "http://elsewhere.test/a.png";
      await fetch("http://elsewhere.test/").catch(() => {});
      await new Promise((done) => setTimeout(done, 200));
      return [window.taken === undefined, stopped.sort()];
    }""")
    assert stopped == [True, ["connect-src", "img-src", "script-src-elem", "style-src-elem"]]
    assert sent == []
    assert set(failed.values()) <= {"csp"}
    page.close()


def test_a_dash_has_its_reason_below_the_sheet(opened):
    reasons = opened.locator("#reasons li").all_text_contents()
    assert "– C80 of drums, to −40 dB of drums: muted" in reasons
    assert any(line.endswith("wet/dry of drums: dry is off or muted") for line in reasons)


def test_the_sheet_is_printed_on_two_pages(browser, shared):
    page = browser.new_page()
    page.goto(shared.page.as_uri())
    page.wait_for_selector("#mix-loudness:not(:empty)")
    assert len(re.findall(rb"/Type /Page\b", page.pdf(prefer_css_page_size=True))) <= 2
    page.close()


def test_boxes_are_printed_as_on_white_paper_where_the_screen_is_dark(browser, shared):
    # what is dark by itself is an empty box that looks ticked
    page = browser.new_page(color_scheme="dark")
    page.goto(shared.page.as_uri())
    scheme = "getComputedStyle(document.documentElement).colorScheme"
    assert page.evaluate(scheme) == "light dark"
    page.emulate_media(media="print")
    assert page.evaluate(scheme) == "light"
    page.close()


@pytest.mark.parametrize("width", [360, 1300, 3840])
def test_the_page_is_as_wide_as_the_window(browser, shared, width):
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto(shared.page.as_uri())
    page.wait_for_selector("#mix-loudness:not(:empty)")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_have_a_contrast_of_4_5_and_controls_of_3(browser, shared, scheme):
    # WCAG 2.2, 1.4.3 and 1.4.11; relative luminance as defined there (from memory)
    page = browser.new_page(color_scheme=scheme)
    page.goto(shared.page.as_uri())
    colours = page.evaluate("""() => {
      const style = getComputedStyle(document.documentElement);
      const names = ["paper", "ink", "grey", "control", "shade", "accent", "missed"];
      return Object.fromEntries(names.map((one) => {
        const probe = document.body.appendChild(document.createElement("i"));
        probe.style.color = style.getPropertyValue(`--${one}`);
        return [one, getComputedStyle(probe).color.match(/[0-9]+/g).map(Number)];
      }));
    }""")

    def luminance(rgb: list[int]) -> float:
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in rgb)]
        return float(np.dot([0.2126, 0.7152, 0.0722], linear))

    def contrast(one: str, other: str) -> float:
        high, low = sorted((luminance(colours[one]), luminance(colours[other])), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for ground in ("paper", "shade"):
        for words in ("ink", "grey", "accent", "missed"):
            assert contrast(words, ground) >= 4.5, (words, ground)
    assert contrast("control", "paper") >= 3.0
    page.close()


def test_modules_are_served_to_the_tests_alone(modules):
    assert modules.url == MODULES
