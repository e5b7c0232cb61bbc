"""Documents from outside, damaged in every cheap way: a line for each fault, never a traceback."""

from __future__ import annotations

import contextlib
import copy
import json
import math
import os
import random
import re
import shutil
import zlib
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from roomplan.api.jobs import RenderJob, render_job
from roomplan.api.opening import open_loaded
from roomplan.balance import record
from roomplan.errors import PlanError, ReportError, RoomplanError
from roomplan.files.cache import Cache
from roomplan.measuring.noise_levels import read_band_levels
from roomplan.plan.load import load_plan
from roomplan.rendering.advice import signal_advice
from roomplan.rendering.bus_layout import bus_gains
from roomplan.rendering.folder_ownership import examine_folder
from roomplan.rendering.measure import measure_session
from roomplan.rendering.parts import parts_of
from roomplan.rendering.recall import recall, record_key
from roomplan.report import reproduction, revision
from roomplan.report.comparison import Compared, ComparedCue, compare_csv, compare_document
from roomplan.report.documents import to_text
from roomplan.report_file import read_report
from roomplan.rooms import response_cache as kept_responses
from roomplan.rooms.room_file import load_room_specification
from roomplan.session.buses import build_buses, build_components
from roomplan.session.response_matrices import response_matrices
from roomplan.show import compare_tables

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

RATE = 24_000
COUNT = 5000

PLAN = """\
title: Ice Harbour, damaged
cue: 1m2
stems: stems
rooms:
  nave: {responses: nave.wav}
  booth: {synthetic: booth.yaml}
sections:
  choir: {stems: [choir], seat: {distance: 4, angle: 10}, sends: {nave: -8, booth: -14}}
  harp: {stems: [harp], sends: {nave: -12}}
groups: {players: {sections: [choir, harp]}}
passages: {first: {from: 0, to: 0.9}}
margins: [{of: choir, over: harp}]
deliveries: {all: {folder: out, write: [mix]}}
"""

ODD_VALUES: list[Any] = [
    None, True, False, 0, -1, 1, 7, 10**25, -(10**400), 0.5, -0.0, 5e-324, 1e308, -1e308, math.nan, math.inf,
    -math.inf, "", "x", "-7,4", "\0", "a\nb", "\x1b[31m", "../../x", "/", "/dev/zero", "x" * 70_000, "\ud800",
    [], {}, [[]], [None], [1, "x"], {"": None}, {"name": "mix"}, [{"name": 5}], {"a": {"b": {}}},
]  # fmt: skip


def places(data: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Path of every value of plain data."""
    yield at
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for step, item in items:
        yield from places(item, (*at, step))


def nested(depth: int) -> Any:
    value: Any = 1
    for _ in range(depth):
        value = [value]
    return value


def changed(data: Any, dice: random.Random) -> str:
    """JSON text of data of which one value is another one, gone, doubled, or nested without need."""
    data = copy.deepcopy(data)
    at = dice.choice(list(places(data))[1:])
    holder = data
    for step in at[:-1]:
        holder = holder[step]
    kind = dice.randrange(8)
    if kind == 0:
        del holder[at[-1]]
    elif kind == 1 and isinstance(holder, list):
        holder.extend(holder * 2)
    elif kind == 2:
        holder[at[-1]] = [holder[at[-1]]]
    elif kind == 3:
        holder[at[-1]] = nested(dice.choice([2, 70, 500]))
    elif kind == 4 and isinstance(holder, dict):  # a key given twice
        text = json.dumps(data)
        key = json.dumps(at[-1]) + ": "
        return text.replace(key, key + json.dumps(dice.choice(ODD_VALUES)) + ", " + key, 1)
    else:
        holder[at[-1]] = dice.choice(ODD_VALUES)
    return json.dumps(data)


def spoiled(raw: bytes, dice: random.Random) -> bytes:
    """Bytes with flipped bits, cut off, with foreign ones in between, or in another encoding."""
    at = dice.randrange(len(raw))
    kind = dice.randrange(7)
    if kind == 0:
        return raw[:at]
    if kind == 1:
        return raw[:at] + dice.randbytes(dice.randrange(1, 9)) + raw[at:]
    if kind == 2:
        return raw[:at] + raw[at + dice.randrange(1, 200) :]
    if kind == 3 and at % 7 == 0:
        return raw.decode(errors="replace").encode(dice.choice(["utf-16", "utf-32", "utf-8-sig"]))
    flipped = bytearray(raw)
    for _ in range(dice.choice([1, 1, 1, 4, 40])):
        flipped[dice.randrange(len(raw))] ^= 1 << dice.randrange(8)
    return bytes(flipped)


def mutants(raw: bytes, count: int) -> Iterator[bytes]:
    """Damaged copies of a JSON document, in a fixed order."""
    data = json.loads(raw)
    for seed in range(count):
        dice = random.Random(seed)
        yield spoiled(raw, dice) if seed % 4 == 0 else changed(data, dice).encode()


def assert_printable(error: RoomplanError) -> None:
    for problem in error.problems:
        assert str(problem).isprintable(), str(problem)


def assert_lines(error: RoomplanError) -> None:
    """Each problem of an error is one line, can be printed, has a place, and says what would be right."""
    assert_printable(error)
    for problem in error.problems:
        line = str(problem)
        assert problem.remedy, line
        assert problem.place, line
        line.encode()


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    """A folder with a session of two short stems, its plan rendered once."""
    folder = tmp_path_factory.mktemp("session")
    dice = np.random.default_rng(1)
    (folder / "stems").mkdir()
    for name in ("choir", "harp"):
        soundfile.write(folder / "stems" / f"{name}.wav", 0.1 * dice.standard_normal((RATE, 2)), RATE)
    time = np.arange(RATE // 2) / RATE
    response = 0.05 * dice.standard_normal((len(time), 2)) * 10.0 ** (-3.0 * time / 0.3)[:, None]
    response[0] = 1.0
    soundfile.write(folder / "nave.wav", response, RATE, subtype="FLOAT")
    from roomplan.files.resources import bundled_folder

    booth = (bundled_folder("irs_synthetic") / "tallowyard_stage.yaml").read_bytes()
    (folder / "booth.yaml").write_bytes(booth)
    (folder / "plan.yaml").write_text(PLAN, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("ROOMPLAN_CACHE", str(tmp_path_factory.mktemp("cache")))
        render_job(RenderJob(folder / "plan.yaml"))
    return folder


def use_of_figures(good: dict[str, Any], place: Path) -> None:
    """Everything that is done with the figures of a report; refusals are refusals of the reader."""
    document = read_report(place).document
    for pair in ((good, document), (document, good)):
        compared = [Compared(str(number), one, "report") for number, one in enumerate(pair)]
        json.dumps(compare_document(compared, passages=True), allow_nan=False)
        revision.comparable(*pair)
        json.dumps(revision.revision_document(*pair), allow_nan=False)
        revision.revision_lines(*pair)
    cue = ComparedCue("", tuple(compared))
    compare_csv([cue]).encode()
    compare_tables.change_lines(compared)
    compare_tables.comparison_table(*compared)
    compare_tables.summary_table([cue], "mix")
    compare_tables.margin_table(compared)
    compare_tables.passage_table(compared)


def few(report: dict[str, Any]) -> dict[str, Any]:
    """A report with everything that a report has, but not so much of it."""
    buses = [bus for bus in report["buses"] if bus["name"] in {"mix", "section:choir", "room:nave"}]
    for bus in buses:
        bus["decay"] = bus["decay"] and bus["decay"] | {"bands": bus["decay"]["bands"][:2]}
        bus["reasons"] = dict(list(bus["reasons"].items())[:2])
    return report | {"buses": buses, "passages": report["passages"][:2]}


def test_none_of_5000_damaged_reports_ends_in_a_traceback(rendered, tmp_path):
    good = few(json.loads((rendered / "out/report.json").read_bytes()))
    assert all(good[key] for key in ("buses", "margins", "passages", "files", "reproduce"))
    raw = json.dumps(good, indent=1).encode()
    session, problems = open_loaded(load_plan(rendered / "plan.yaml"))
    assert session is not None, problems
    place = tmp_path / "out/report.json"
    place.parent.mkdir()
    refused = 0
    for number, mutant in enumerate(mutants(raw, COUNT)):
        place.write_bytes(mutant)
        try:
            use_of_figures(good, place.parent)
        except ReportError as error:
            refused += 1
            assert_lines(error)
            if (
                number % 4
            ):  # the others who read it do so by the same reader, so some of the refused are enough
                continue
        loaded = load_plan(place)
        if loaded.problems:
            assert_lines(PlanError(loaded.problems))
        elif loaded.written is not None and loaded.written.report is not None:
            report = loaded.written.report
            reproduction.options_of(report)
            inputs = reproduction.check_reproduction(report, stems_now={"choir": []})
            to_text(reproduction.reproduction_check_document(report, inputs))
        with contextlib.suppress(RoomplanError):
            examine_folder(session, place.parent, ["x"], digest=None, complete=True, replace=False)
    assert 0.5 < refused / COUNT < 0.9  # the rest is harmless: a title, a level within reason


# The cache -----------------------------------------------------------------------------------------------


def with_checksums(folder: Path) -> None:
    """Make an entry whole again as far as its checksums tell, whatever its files say."""
    meta = json.loads((folder / "meta.json").read_bytes())
    for name in meta["files"]:
        raw = (folder / name).read_bytes()
        meta["files"][name] = [len(raw), zlib.crc32(raw)]
    (folder / "meta.json").write_text(json.dumps(meta), encoding="utf-8")


def test_a_damaged_cache_is_a_miss_and_never_an_error(rendered, tmp_path):
    cache = Cache(tmp_path / "cache")
    session, _problems = open_loaded(load_plan(rendered / "plan.yaml"), cache=cache)
    assert session is not None
    heard = measure_session(session, cache=cache)
    components = build_components(session)
    buses = build_buses(session, components)
    parts = parts_of(session, components, response_matrices(session), digest=cache.files.digest)
    gains = bus_gains(buses, len(components))
    keys = [record_key(session, parts, speech_band=False)]
    for entry in cache.entries():
        keys += [entry.key] if entry.key not in keys else []
    whole = tmp_path / "whole"
    shutil.copytree(cache.folder, whole)
    files = sorted(path.relative_to(whole) for path in whole.rglob("*") if path.is_file())
    assert {file.name for file in files} >= {"record.json", "cross.npy", "direct.npy", "meta.json"}
    misses = 0
    for seed in range(COUNT // 12):
        dice = random.Random(seed)
        shutil.rmtree(cache.folder)
        shutil.copytree(whole, cache.folder)
        file = cache.folder / dice.choice(files)
        raw = file.read_bytes()
        if file.suffix == ".json" and dice.random() < 0.7:
            file.write_text(changed(json.loads(raw), dice), encoding="utf-8")
        else:
            file.write_bytes(spoiled(raw[:400], dice) + raw[400:] if dice.random() < 0.7 else raw[:50])
        if file.name != "meta.json" and file.parent != cache.folder:
            with_checksums(file.parent)
        cache.entries()
        cache.files.digest(rendered / "nave.wav")
        for key in keys:
            entry = cache.entry(key)
            misses += entry is None
            if entry is None:
                continue
            found = recall(entry, parts, buses, gains, speech_band=False)
            misses += found is None and key == keys[0]
            if found is not None:
                assert np.isfinite([found.powers.sums(row) for row in range(len(buses))]).all()
                assert math.isfinite(found.frames / RATE)
                assert signal_advice(session, found.statistics) is not None
            stored = record._read(entry, components, parts, speech_band=False)
            assert stored is None or (stored.true_peak(session) or 0.0) >= 0.0
            kept = kept_responses._read(entry, RATE)
            assert kept is None or np.isfinite(kept.reflected).all()
    assert misses > COUNT // 60
    (cache.folder / "files.json").unlink(missing_ok=True)
    (cache.folder / "files.json").mkdir()
    for key in keys:
        shutil.rmtree(cache.folder / "entries" / key, ignore_errors=True)
        (cache.folder / "entries" / key / "meta.json").mkdir(parents=True)
    again = measure_session(session, cache=cache)
    assert not again.recalled
    assert again.bus("mix").loudness == heard.bus("mix").loudness


# Room files and levels of noise --------------------------------------------------------------------------


def spoiled_text(raw: bytes, dice: random.Random) -> bytes:
    """A text file with flipped bits, or with a word of it another one."""
    if dice.random() < 0.4:
        return spoiled(raw, dice)
    words = [found.span() for found in re.finditer(rb"[^\s,\[\]{}:]+", raw)]
    start, end = dice.choice(words)
    odd = dice.choice([".nan", "1e999", "-1", "9" * 400, "7,4", "~", "[]", "{}", "&a [*a]", "'", "²", "x: y"])
    return raw[:start] + odd.encode() + raw[end:]


def test_no_damaged_room_file_ends_in_a_traceback(rendered, tmp_path):
    raw = (rendered / "booth.yaml").read_bytes()
    room = tmp_path / "room.yaml"
    for seed in range(COUNT // 10):
        room.write_bytes(spoiled_text(raw, random.Random(seed)))
        found, problems = load_room_specification(room)
        assert (found is None) == bool(problems)
        if problems:
            assert_lines(PlanError(problems))


def test_no_damaged_file_of_noise_levels_ends_in_a_traceback(tmp_path):
    centres = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
    raw = "".join(f"{centre:g} {60 - number}.5 62\n" for number, centre in enumerate(centres)).encode()
    noise = tmp_path / "noise.txt"
    for seed in range(COUNT // 2):
        noise.write_bytes(spoiled_text(raw, random.Random(seed)))
        try:
            levels, _speech = read_band_levels(noise, centres_hz=centres)
        except RoomplanError as error:
            assert_printable(error)
        else:
            assert len(levels) == 7
            assert all(map(math.isfinite, levels))


def test_a_pipe_in_place_of_noise_levels_is_refused_without_waiting(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(RoomplanError, match="not a regular file"):
        read_band_levels(tmp_path / "pipe", centres_hz=(125.0,))
