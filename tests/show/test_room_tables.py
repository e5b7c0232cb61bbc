"""Words of room reports: set-ups, seats and surfaces as a practitioner would say them."""

from __future__ import annotations

from pathlib import Path

import pytest

from roomplan.errors import Place
from roomplan.plan.model import Seat
from roomplan.report.rooms import describe_setup
from roomplan.rooms.spec import MicrophoneSetup
from roomplan.show.room_tables import grouped, seat_words


def setup(*points, pattern="omni", aims=None, tilts=None) -> MicrophoneSetup:
    flat = (0.0,) * len(points)
    return MicrophoneSetup("main", points, pattern, aims or flat, tilts or flat)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (
            setup((17, -0.6, 3), (17, 0.6, 3)),
            "spaced omni pair, 1.2 m apart, 3 m up, 17 m from the stage wall",
        ),
        (
            setup((16, -0.085, 3.2), (16, 0.085, 3.2), pattern="cardioid", aims=(-55.0, 55.0)),
            "near-coincident cardioid pair, 0.17 m apart, aimed 55° to either side, 3.2 m up, 16 m from the stage wall",  # noqa: E501
        ),
        (
            setup((8, 0, 2), (8, 0, 2), pattern="figure_eight", aims=(-45.0, 45.0), tilts=(-20.0, -20.0)),
            "coincident figure-of-eight pair, aimed 45° to either side, tilted 20° down, 2 m up, 8 m from the stage wall",  # noqa: E501
        ),
        (
            setup((10, -1, 3), (10, 1, 3), (9, 0, 3)),
            "wide omni pair, 2 m apart, with a centre that goes to both sides at −3 dB, 3 m up, 9.7 m from the stage wall",  # noqa: E501
        ),
        (
            setup((5, 1.5, 2), pattern="wide_cardioid"),
            "one wide-cardioid microphone, aimed at the stage, 2 m up, 5 m from the stage wall, 1.5 m right of the centre line",  # noqa: E501
        ),
        (
            setup((5, -2, 2), (5, -1, 2), pattern="cardioid", aims=(180.0, 180.0)),
            "spaced cardioid pair, 1 m apart, aimed at the far wall, 2 m up, 5 m from the stage wall, 1.5 m left of the centre line",  # noqa: E501
        ),
        (
            setup((5, -0.5, 2), (5, 0.5, 2), pattern="cardioid", aims=(-30.0, 60.0)),
            "spaced cardioid pair, 1 m apart, aimed 30° left and 60° right of the stage, 2 m up, 5 m from the stage wall",  # noqa: E501
        ),
    ],
)
def test_a_set_up_is_described_by_its_kind_its_spacing_its_aims_and_its_place(given, words):
    assert describe_setup(given) == words


@pytest.mark.parametrize(
    ("angle", "words"),
    [
        (0.0, "9 m, straight ahead"),
        (-0.0, "9 m, straight ahead"),
        (20.0, "9 m, 20° to the right"),
        (-22.5, "9 m, 22.5° to the left"),
        (-180.0, "9 m, straight behind"),
    ],
)
def test_a_seat_is_named_by_its_distance_and_its_side(angle, words):
    assert seat_words(Seat(9.0, angle, Place(Path("plan.yaml")))) == words


def test_thousands_stand_apart():
    assert [grouped(value) for value in (90.4, 1000.0, 17_204.0)] == ["90", "1 000", "17 204"]
