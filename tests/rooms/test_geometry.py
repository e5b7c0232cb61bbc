from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomplan.rooms.geometry import seat_fault, source_positions
from roomplan.rooms.spec import scale_reverberation

SIDES = (30.0, 20.0, 10.0)
MAIN = ((15.0, -0.5, 3.0), (15.0, 0.5, 3.0))


@pytest.fixture
def spec(box):
    return box(dimensions_m=SIDES, positions_m=MAIN, time_s=1.4, title="Larkmere Annexe")


def test_a_seat_is_counted_along_the_floor_from_the_middle_of_main_to_the_right(spec, make_seat):
    # (15 − 8 cos 30°, 8 sin 30°, 1.5): by the definition, worked by hand.
    (source,) = source_positions(spec, make_seat(8.0, 30.0), 1)
    np.testing.assert_allclose(source, [15.0 - 8.0 * np.cos(np.pi / 6.0), 4.0, 1.5])


@pytest.mark.parametrize("angle", [0.0, 30.0, -40.0])
def test_two_sources_stand_left_and_right_of_the_seat_across_the_line_of_sight(spec, make_seat, angle):
    seat = replace(make_seat(8.0, angle), spread_m=3.0)
    left, right = source_positions(spec, seat, 2)
    (middle,) = source_positions(spec, seat, 1)
    np.testing.assert_allclose((left + right) / 2.0, middle)
    assert np.linalg.norm(right - left) == pytest.approx(3.0)
    assert right[1] > left[1]  # right of somebody who faces the stage
    assert np.dot(right - left, middle - [15.0, 0.0, 1.5]) == pytest.approx(0.0, abs=1e-9)


def test_seats_in_a_wall_or_in_a_microphone_are_refused(box, spec, make_seat):
    assert seat_fault(spec, make_seat(8.0, 45.0)) is None
    what, remedy = seat_fault(spec, make_seat(12.0, 90.0)) or ("", "")
    assert "outside the walls" in what
    assert "ends 9.7 m" in remedy
    low = box(dimensions_m=SIDES, positions_m=((15.0, -0.5, 1.5), (15.0, 0.5, 1.5)))
    what, _remedy = seat_fault(low, make_seat(0.5, 90.0)) or ("", "")
    assert "0.00 m from a microphone of main" in what


def test_a_spread_that_reaches_through_a_wall_is_refused_for_two_sources_only(spec, make_seat):
    seat = replace(make_seat(9.0, 80.0), spread_m=3.0)
    seat = replace(seat, distance_m=14.0, angle_deg=0.0)  # 1 m from the stage wall: the spread runs along it
    assert seat_fault(spec, seat, 2) is None
    near_side = replace(seat, distance_m=9.2, angle_deg=-85.0, spread_m=18.0)
    assert seat_fault(spec, near_side, 1) is None
    wide = replace(seat, distance_m=4.0, spread_m=20.0)
    what, remedy = seat_fault(spec, wide, 2) or ("", "")
    assert "spread 20 m" in what
    assert "left source" in what
    assert "smaller `spread`" in remedy
    assert seat_fault(spec, wide, 1) is None


def test_the_mid_time_is_the_mean_of_500_and_1000_hz(spec):
    times = {**spec.reverberation_time_s, 500: 1.5}
    bent = replace(spec, reverberation_time_s=times)
    assert bent.mid_reverberation_time_s == pytest.approx(1.45)
    assert scale_reverberation(bent, 0.5).mid_reverberation_time_s == pytest.approx(0.725)
