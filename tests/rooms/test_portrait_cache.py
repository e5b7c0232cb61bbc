from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from roomplan.files.cache import Cache
from roomplan.plan.model import Seat
from roomplan.rooms import portrait
from roomplan.rooms.portrait import portrait_of
from roomplan.rooms.portrait_cache import KeptPortraits
from roomplan.rooms.room_file import load_room_specification
from roomplan.rooms.spectrogram import Spectrogram


@pytest.fixture(scope="module")
def chamber():
    spec, _problems = load_room_specification("wrenfold_chamber")
    assert spec is not None
    return spec


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


def made_anew(monkeypatch):
    """Seats that a response is synthesised for from now on."""
    made = []
    really = portrait._heard_of_response

    def heard(spec, seat, *rest):
        made.append(seat)
        return really(spec, seat, *rest)

    monkeypatch.setattr(portrait, "_heard_of_response", heard)
    return made


def same(first, second):
    assert first.measured == second.measured
    for name in ("centres_hz", "step_s", "level_db", "t30_s"):
        one, other = getattr(first.spectrogram, name), getattr(second.spectrogram, name)
        np.testing.assert_array_equal(one, other, strict=True)
    if first.to_come is None:
        return second.to_come is None
    np.testing.assert_array_equal(first.to_come.times_s, second.to_come.times_s, strict=True)
    np.testing.assert_array_equal(first.to_come.level_db, second.to_come.level_db, strict=True)
    return True


def test_a_portrait_is_measured_once_and_the_same_to_the_last_bit_afterwards(chamber, cache, monkeypatch):
    made = made_anew(monkeypatch)
    seat = chamber.reference_seat
    alone = portrait_of(chamber, seat, "main")
    first = portrait_of(chamber, seat, "main", store=KeptPortraits(cache))
    assert len(made) == 2
    again = portrait_of(chamber, seat, "main", store=KeptPortraits(Cache(cache.folder)))
    assert len(made) == 2
    assert same(alone, first)
    assert same(first, again)


def test_a_figure_that_there_is_not_comes_back_with_its_reason(chamber, cache, monkeypatch):
    none = portrait.HeardOfResponse(
        portrait.PortraitFigures(
            dict.fromkeys(portrait.BAND_CENTRES_HZ), None, None, {"t30_mid_s": "too short"}
        ),
        None,
        Spectrogram(np.array([700.0, 800.0]), 0.01, np.array([[0.0], [-9.5]]), np.array([np.nan, 1.0])),
    )
    monkeypatch.setattr(portrait, "_heard_of_response", lambda *_arguments: none)
    for _time in range(2):
        found = portrait_of(chamber, chamber.reference_seat, "main", store=KeptPortraits(cache))
        assert (found.measured, found.to_come) == (none.measured, None)
        monkeypatch.setattr(portrait, "_heard_of_response", lambda *_arguments: pytest.fail("made anew"))


def test_whatever_is_heard_differently_is_measured_anew_and_nothing_else(chamber, cache, monkeypatch):
    store, seat = KeptPortraits(cache), chamber.reference_seat
    portrait_of(chamber, seat, "main", store=store)
    made = made_anew(monkeypatch)
    portrait_of(replace(chamber, title="Another name", stage=None), seat, "main", store=store)
    assert made == []
    other = Seat(seat.distance_m - 1.0, seat.angle_deg, seat.place)
    portrait_of(chamber, other, "main", store=store)
    portrait_of(chamber, seat, "rear", store=store)
    slower = {centre: 1.1 * time for centre, time in chamber.reverberation_time_s.items()}
    portrait_of(replace(chamber, reverberation_time_s=slower), seat, "main", store=store)
    assert made == [other, seat, seat]


def nothing(_document):
    return None


def without_figures(document):
    return {name: value for name, value in document.items() if name != "t30_s"}


def with_fewer_bands(document):
    return document | {"t30_s": document["t30_s"][:-1]}


def with_words_for_figures(document):
    return document | {"c80_mid_db": "loud"}


def with_an_endless_figure(document):
    return document | {"t30_mid_s": "inf"}


def with_levels_of_another_length(document):
    return document | {"to_come": [document["to_come"][0], document["to_come"][1][:-1]]}


def with_levels_that_are_none(document):
    return document | {"to_come": [document["to_come"][0]]}


def with_reasons_that_are_none(document):
    return document | {"reasons": 3}


def with_a_band_without_a_level(document):
    seen = document["spectrogram"]
    return document | {"spectrogram": seen | {"level_db": seen["level_db"][:-1]}}


def with_columns_that_take_no_time(document):
    return document | {"spectrogram": document["spectrogram"] | {"step_s": 0.0}}


@pytest.mark.parametrize(
    "damage",
    [
        nothing,
        without_figures,
        with_fewer_bands,
        with_words_for_figures,
        with_an_endless_figure,
        with_levels_of_another_length,
        with_levels_that_are_none,
        with_reasons_that_are_none,
        with_a_band_without_a_level,
        with_columns_that_take_no_time,
    ],
)
def test_an_entry_that_says_something_else_is_measured_anew_and_replaced(chamber, cache, monkeypatch, damage):
    store, seat = KeptPortraits(cache), chamber.reference_seat
    first = portrait_of(chamber, seat, "main", store=store)
    (entry,) = cache.entries()
    document = json.loads((entry.folder / "heard.json").read_text("utf-8"))
    cache.forget(entry.key)
    with cache.writing(entry.key, title="damaged") as new:
        new.save_document("heard", damage(document))
    made = made_anew(monkeypatch)
    for _time in range(2):
        assert same(portrait_of(chamber, seat, "main", store=store), first)
    assert made == [seat]
