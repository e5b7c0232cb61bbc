"""The document and the rows of measured responses: promised keys and digits, no figure without its doubt."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from roomplan.acoustics.differences import differences, same_room
from roomplan.acoustics.double_slope import DoubleSlope
from roomplan.acoustics.doubt import Doubt
from roomplan.acoustics.figures import FIGURES
from roomplan.acoustics.filters import octaves, thirds
from roomplan.acoustics.response import ResponseFigures, SpeechEstimate, analyse_response
from roomplan.cautions import MUSIC_ONLY
from roomplan.measuring.attempts import Unmeasured
from roomplan.measuring.responses import MeasuredFile
from roomplan.report.documents import to_text
from roomplan.report.measurements import Against, measure_csv, measure_document
from roomplan.show.measure_tables import sort_measured

RATE = 24_000
NUMBER = (int, float)
MAYBE = (int, float, type(None))
TEXT = (str,)
WORDS = (str, type(None))
DIGITS = {
    "edt_s": 4, "t10_s": 4, "t20_s": 4, "t30_s": 4, "c50_db": 3, "c80_db": 3, "d50": 4, "centre_time_s": 5,
    "decay_range_db": 2, "xi_permille": 2, "curvature_percent": 2,
}  # fmt: skip

# what the documents promise: key → types, or a nested promise
DOUBT = {"uncertainty": MAYBE, "decay_range_db": MAYBE, "verdict": TEXT, "reason": WORDS}
SLOPE = dict.fromkeys(
    ("first_decay_time_s", "second_decay_time_s", "crossing_s", "crossing_level_db"), NUMBER
)
WHOLE_BAND = {
    **dict.fromkeys(FIGURES, MAYBE),
    "decay_range_db": NUMBER,
    "xi_permille": MAYBE,
    "curvature_percent": MAYBE,
    "double_slope": (dict, type(None)),
    "verdict": TEXT,
    "reasons": (dict,),
    "doubt": dict.fromkeys(FIGURES, DOUBT),
}
BAND = {"centre_hz": NUMBER, **WHOLE_BAND}
CHANNEL = {
    "channel": (int,),
    "bands": [BAND],
    "mid": WHOLE_BAND,
    "broadband": WHOLE_BAND,
    "a_weighted": WHOLE_BAND,
    "sti": MAYBE,
    "sti_qualification": WORDS,
    "doubt": {"sti": DOUBT},
    "verdict": TEXT,
    "reasons": (dict,),
}
RESPONSE = {
    "file": TEXT,
    "sample_rate": (int,),
    "duration_s": NUMBER,
    "channels": [CHANNEL],
    "warnings": [TEXT],
}
DOCUMENT = {
    "schema": TEXT,
    "roomplan": TEXT,
    "bands_per_octave": (int,),
    "responses": [RESPONSE],
    "failed": [{"file": TEXT, "what": TEXT}],
    "note": TEXT,
    "sti_note": TEXT,
}
PART = {"lag_ms": MAYBE, "uncertainty": MAYBE, "by_chance": MAYBE, "verdict": TEXT, "reason": WORDS}


def require(promise, value, where="document"):
    """Check a value against what is promised of it, keys exactly."""
    if isinstance(promise, dict):
        assert set(value) == set(promise), where
        for key, part in promise.items():
            require(part, value[key], f"{where}.{key}")
    elif isinstance(promise, list):
        assert isinstance(value, list), where
        for index, entry in enumerate(value):
            require(promise[0], entry, f"{where}[{index}]")
    else:
        assert isinstance(value, promise), where
        assert not isinstance(value, bool), where
        assert not isinstance(value, float) or math.isfinite(value), where


def sound(*, channels: int = 1, time_s: float = 0.4, floor: float = 0.0, seed: int = 1):
    generator = np.random.default_rng(seed)
    clock = np.arange(round(0.7 * RATE)) / RATE
    noise = generator.standard_normal((2, clock.size, channels))
    return 0.1 * (noise[0] * 10.0 ** (-3.0 * clock / time_s)[:, None] + floor * noise[1])


def measured(
    samples, *, name: str = "nave.wav", filters=None, warnings: tuple[str, ...] = ()
) -> MeasuredFile:
    return MeasuredFile(
        path=Path("seats") / name,
        sample_rate=RATE,
        duration_s=len(samples) / RATE,
        channel_numbers=tuple(range(1, samples.shape[1] + 1)),
        figures=analyse_response(samples, sample_rate=RATE, filters=filters),
        warnings=warnings,
    )


def document_of(*files, failed=(), fraction=1, binaural=False, against=None):
    return measure_document(files, failed, fraction=fraction, binaural=binaural, against=against or {})


@pytest.fixture(scope="module")
def pair():
    return measured(sound(channels=2), warnings=("seats/nave.wav: channel 1 looks clipped",))


@pytest.fixture(scope="module")
def noisy():
    return measured(sound(floor=0.02), name="noisy.wav")


def altered(file: MeasuredFile, **figures) -> MeasuredFile:
    """Put other figures into the first band of the first channel."""
    channel = file.figures.channels[0]
    bands = (replace(channel.decay.bands[0], **figures), *channel.decay.bands[1:])
    channels = (replace(channel, decay=replace(channel.decay, bands=bands)), *file.figures.channels[1:])
    return replace(file, figures=ResponseFigures(channels, file.figures.correlation))


def test_the_document_keeps_its_promises(pair, noisy):
    failed = [Unmeasured(Path("a.wav"), "a.wav: is silent — give another")]
    found = json.loads(to_text(document_of(noisy, failed=failed)))
    require(DOCUMENT, found)
    assert found["schema"] == "roomplan.measure/2"
    assert found["failed"] == [{"file": "a.wav", "what": "a.wav: is silent — give another"}]
    stereo = json.loads(to_text(document_of(pair)))
    stereo["responses"][0].pop("inter_channel_correlation")
    require(DOCUMENT, stereo)
    assert stereo["responses"][0]["file"] == str(Path("seats/nave.wav"))
    assert stereo["responses"][0]["warnings"] == ["seats/nave.wav: channel 1 looks clipped"]


def test_thirds_and_nothing_measurable_keep_the_promises_too():
    files = (
        measured(sound(), filters=thirds()),
        measured(np.zeros((100, 1))),
        measured(np.zeros((0, 1))),
        measured(sound(), filters=()),
    )
    require(DOCUMENT, json.loads(to_text(document_of(*files, fraction=3))))


def test_a_document_of_nothing_is_one_too():
    require(DOCUMENT, json.loads(to_text(document_of())))


def test_null_unusable_and_a_reason_go_together(noisy):
    (response,) = document_of(noisy)["responses"]
    (channel,) = response["channels"]
    nulls = 0
    for band in channel["bands"]:
        for key in FIGURES:
            doubt = band["doubt"][key]
            assert (band[key] is None) == (doubt["verdict"] == "unusable") == (key in band["reasons"])
            assert (doubt["reason"] is None) == (doubt["verdict"] == "good")
            if band[key] is None:
                nulls += 1
                assert channel["reasons"][f"bands.{band['centre_hz']}.{key}"] == band["reasons"][key]
    assert nulls >= 10  # the floor leaves no T30, and half the rate no band of 16 kHz
    assert channel["reasons"]["bands.31.5.t30_s"]  # a centre as the document writes it


def test_values_are_rounded_to_the_promised_digits(pair):
    exact = altered(pair, **dict.fromkeys(DIGITS, 1.234567891))
    (response,) = document_of(exact)["responses"]
    band = response["channels"][0]["bands"][0]
    assert {key: band[key] for key in DIGITS} == {
        key: round(1.234567891, digits) for key, digits in DIGITS.items()
    }
    (row, *_rest) = csv.DictReader(io.StringIO(measure_csv([exact], binaural=False)))
    for key in FIGURES:
        assert float(row[key]) == round(1.234567891, DIGITS[key])


def test_an_uncertainty_has_the_digits_of_its_figure(pair):
    doubts = dict.fromkeys(FIGURES, Doubt(0.123456789, 44.4444, "good"))
    (response,) = document_of(altered(pair, doubt=doubts))["responses"]
    doubt = response["channels"][0]["bands"][0]["doubt"]
    for key in FIGURES:
        assert doubt[key] == {
            "uncertainty": round(0.123456789, DIGITS[key]),
            "decay_range_db": 44.44,
            "verdict": "good",
            "reason": None,
        }


def test_two_decays_have_their_times_and_crossing(pair):
    slope = DoubleSlope(0.456781, 2.345671, 0.345671, -23.45678, 0.01, 0.1, 30.0)
    (response,) = document_of(altered(pair, double_slope=slope))["responses"]
    first, second, *_rest = response["channels"][0]["bands"]
    require(SLOPE, first["double_slope"])
    assert first["double_slope"] == {
        "first_decay_time_s": 0.4568,
        "second_decay_time_s": 2.3457,
        "crossing_s": 0.3457,
        "crossing_level_db": -23.46,
    }
    assert second["double_slope"] is None


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_never_reaches_the_document(pair, value):
    wrong = altered(pair, t30_s=value, c80_db=value, xi_permille=value)
    text = to_text(document_of(wrong))
    band = json.loads(text)["responses"][0]["channels"][0]["bands"][0]
    assert (band["t30_s"], band["c80_db"], band["xi_permille"]) == (None, None, None)
    (row, *_rest) = csv.DictReader(io.StringIO(measure_csv([wrong], binaural=False)))
    assert (row["t30_s"], row["c80_db"], row["xi_permille"]) == ("", "", "")


def test_figures_of_numpy_become_plain_numbers(pair):
    require(DOCUMENT | {"responses": [RESPONSE | {"inter_channel_correlation": (list,)}]}, document_of(pair))


@pytest.mark.parametrize(
    ("binaural", "key", "names"),
    [(True, "iacc", {"iacc"}), (False, "inter_channel_correlation", {"coefficient", "at_lag_zero"})],
)
def test_only_declared_ears_have_iacc(pair, binaural, key, names):
    (response,) = document_of(pair, binaural=binaural)["responses"]
    assert set(response) == {*RESPONSE, key}
    part = PART | dict.fromkeys(names, MAYBE)
    require([{"centre_hz": NUMBER, "early": part, "late": part}], response[key])
    assert [band["centre_hz"] for band in response[key]] == [125, 250, 500, 1000, 2000, 4000]
    values = [band["early"]["iacc"] for band in response.get("iacc", [])]
    assert all(value is None or 0.0 <= value <= 1.0 for value in values)


def test_differences_stand_with_the_channel_they_belong_to(pair, noisy):
    mine, other = pair.figures.channels[1].decay, noisy.figures.channels[0].decay
    against = {(pair.path, 2): Against(noisy.path, differences(mine, other), same_room(mine, other))}
    (response,) = json.loads(to_text(document_of(pair, against=against)))["responses"]
    first, second = response["channels"]
    assert "against" not in first
    entry = {
        "band": (int, float, str), "figure": TEXT, "value": MAYBE, "reference": MAYBE, "difference": MAYBE,
        "steps": MAYBE, "chance": MAYBE, "text": TEXT,
    }  # fmt: skip
    flags = [difference.pop("step_in_iso_3382_1") for difference in second["against"]["differences"]]
    require(
        {
            "file": TEXT,
            "differences": [entry],
            "same_room": {"verdict": TEXT, "bands_compared": (int,), "reason": TEXT},
        },
        second["against"],
    )
    assert {type(flag) for flag in flags} == {bool}
    assert second["against"]["differences"][-1]["band"] == "mid"


def test_speech_without_an_index_has_its_reason(pair):
    channel = replace(
        pair.figures.channels[0], speech=SpeechEstimate(None, None, None, "unusable", "125 Hz: noise")
    )
    (response,) = document_of(replace(pair, channel_numbers=(2,), figures=ResponseFigures((channel,), ())))[
        "responses"
    ]
    (entry,) = response["channels"]
    assert (entry["channel"], entry["sti"], entry["sti_qualification"]) == (2, None, None)
    assert entry["reasons"]["sti"] == "125 Hz: noise"
    assert entry["doubt"]["sti"] == {
        "uncertainty": None, "decay_range_db": None, "verdict": "unusable", "reason": "125 Hz: noise",
    }  # fmt: skip


def test_speech_is_never_shown_without_its_limits(pair):
    assert document_of(pair)["sti_note"] == MUSIC_ONLY


def test_csv_has_a_row_for_each_channel_and_band(pair, noisy):
    rows = list(csv.reader(io.StringIO(measure_csv([pair, noisy], binaural=False))))
    assert {len(row) for row in rows} == {4 + len(DIGITS) + len(FIGURES) + 5}
    assert len(rows) == 1 + 3 * (len(octaves()) + 3) + 1
    assert [row[1] for row in rows[1:-1:13]] == ["1", "2", "1"]


def test_csv_keeps_names_with_commas_quotes_and_line_ends_whole():
    odd = measured(sound(), name='a, "b"\nc.wav')
    *rows, _caution = csv.DictReader(io.StringIO(measure_csv([odd], binaural=False)))
    assert {row["file"] for row in rows} == {str(odd.path)}


def test_csv_of_nothing_is_its_heading(pair):
    assert measure_csv([], binaural=False) == measure_csv([pair], binaural=False).splitlines(keepends=True)[0]


def test_names_that_are_no_text_are_exact_in_a_document_and_can_be_written():
    odd = measured(sound(), name="a\udcff.wav", warnings=("seats/a\udcff.wav: odd",))
    failed = [Unmeasured(Path("b\udcfe.wav"), "b\udcfe.wav: gone")]
    found = json.loads(to_text(document_of(odd, failed=failed)).encode("utf-8"))
    assert found["responses"][0]["file"] == str(odd.path)
    assert found["failed"][0]["file"] == "b\udcfe.wav"
    measure_csv([odd], binaural=False).encode("utf-8")


def test_sorting_keeps_all_files_and_puts_missing_figures_last(pair, noisy):
    assert noisy.figures.channels[0].decay.mid.t30_s is None
    short = measured(sound(time_s=0.2), name="short.wav")
    for key, first in (("t30", "nave.wav"), ("c80", "short.wav"), ("verdict", None), ("file", "nave.wav")):
        found = sort_measured([noisy, short, pair], key, centre_hz=None)
        assert sorted(file.path.name for file in found) == ["nave.wav", "noisy.wav", "short.wav"]
        assert first is None or found[0].path.name == first
    assert sort_measured([noisy, short, pair], "t30", centre_hz=None)[-1] is noisy
    assert sort_measured([noisy, short, pair], None, centre_hz=None) == [noisy, short, pair]
