from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.special
from hypothesis import assume, given
from hypothesis import strategies as st

from roomplan.rooms.early import early_field
from roomplan.rooms.geometry import setup_middle, source_position
from roomplan.rooms.images import early_reflections, emission_cosines, image_sources, with_panels
from roomplan.rooms.panels import (
    corners,
    crossed,
    fresnel_integrals,
    kept_back,
    mirror_image,
    on_one_side,
    panel_axes,
    sent_on,
    times_crossed,
)
from roomplan.rooms.spec import BAND_CENTRES_HZ, Panel
from roomplan.rooms.synthesis import synthesise

RATE = 48_000
SPEED = 343.2
SIDES = (20.0, 14.0, 9.0)


def panel(centre, size, *, aim=0.0, tilt=0.0, absorbed=0.0, scattering=0.0):
    absorption: dict[int, float] = dict.fromkeys(BAND_CENTRES_HZ, absorbed)
    return Panel("board", centre, size, aim, tilt, absorption, scattering)


def level_db(energy):
    return 10.0 * np.log10(energy)


def test_fresnel_integrals_are_those_of_scipy():
    v = np.linspace(-9.0, 9.0, 4001)
    sines, cosines = scipy.special.fresnel(v)
    ours = fresnel_integrals(v)
    assert np.max(np.abs(ours[0] - cosines)) < 0.0025
    assert np.max(np.abs(ours[1] - sines)) < 0.0025


@pytest.mark.parametrize(
    ("aim", "tilt", "normal"),
    [(0, 0, (-1, 0, 0)), (90, 0, (0, 1, 0)), (180, 0, (1, 0, 0)), (0, -90, (0, 0, -1)), (0, 90, (0, 0, 1))],
)
def test_a_panel_looks_where_a_microphone_of_its_angles_would(aim, tilt, normal):
    board = panel((9.0, 1.0, 4.0), (3.0, 2.0), aim=aim, tilt=tilt)
    axes = panel_axes(board)
    np.testing.assert_allclose(axes[2], normal, atol=1e-12)
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
    assert axes[0][2] == pytest.approx(0.0)  # across is horizontal
    np.testing.assert_allclose(np.mean(corners(board), axis=0), board.centre_m)


def kirchhoff(board, source, receiver, frequency):
    """Energy against the mirror image's: the Kirchhoff integral over the panel, summed point by point."""
    axes = panel_axes(board)
    steps = [np.linspace(-0.5, 0.5, 601) * side for side in board.size_m]
    across, along = np.meshgrid(*(0.5 * (s[1:] + s[:-1]) for s in steps), indexing="ij")
    points = np.array(board.centre_m) + across[..., None] * axes[0] + along[..., None] * axes[1]
    there, on = points - source, receiver - points
    ways = np.linalg.norm(there, axis=-1), np.linalg.norm(on, axis=-1)
    wave = 2.0 * np.pi * frequency / SPEED
    cosines = np.abs(there @ axes[2]) / ways[0] + np.abs(on @ axes[2]) / ways[1]
    area = np.prod(board.size_m) / across.size
    sound = (
        wave / (4.0 * np.pi) * np.sum(np.exp(1j * wave * (ways[0] + ways[1])) * cosines / ways[0] / ways[1])
    )
    whole = np.linalg.norm(mirror_image(board, source) - receiver)
    return np.abs(sound * area * whole) ** 2


@pytest.mark.parametrize("off", [0.0, 0.6, 1.5])
def test_a_small_panel_sends_on_what_the_kirchhoff_integral_says(off):
    # Hanging 5 m over a source and a microphone 4 m apart; the reflection falls into it, near its edge, and
    # beside it. Both are capped at 1: on the axis of a rectangle the integral itself rises over the image.
    board = panel((8.0 + off, 0.0, 6.5), (2.0, 3.0), tilt=-90.0)
    source, receiver = np.array([6.0, 0.0, 1.5]), np.array([10.0, 0.3, 1.5])
    frequencies = np.array([63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0])
    ours = sent_on(board, source, receiver, frequencies, sound_speed=SPEED)
    theirs = np.array([kirchhoff(board, source, receiver, f) for f in frequencies])
    np.testing.assert_allclose(level_db(ours), level_db(np.minimum(theirs, 1.0)), atol=1.5)


def test_below_its_limit_a_panel_loses_6_db_an_octave_and_reaches_the_image_there():
    # f = c a* / (2 (side cos θ)²), a* = 2 a₁ a₂ / (a₁ + a₂): 858 Hz for 1 m square, 5 m to either side.
    board = panel((8.0, 0.0, 6.5), (1.0, 1.0), tilt=-90.0)
    source, receiver = np.array([8.0, 0.0, 1.5]), np.array([8.0, 0.01, 1.5])
    limit = SPEED * 5.0 / 2.0
    shares = sent_on(board, source, receiver, limit * np.array([1 / 16, 1 / 8, 1.0]), sound_speed=SPEED)
    np.testing.assert_allclose(level_db(shares[:2]), [-24.0, -18.0], atol=0.3)
    assert level_db(shares[2]) > -1.5
    behind = kept_back(
        board, source, np.array([8.0, 0.0, 11.5]), limit * np.array([0.25, 4.0]), sound_speed=SPEED
    )
    np.testing.assert_allclose(behind, [1 / 16, 0.999], rtol=0.01)


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("centre", ["microphones", "source"])
def test_a_panel_may_have_its_middle_where_that_of_a_set_up_or_a_source_is(box, make_seat, axis, centre):
    # A baffle between two microphones, or a board that a player sits in: ways of no length.
    spec = box(time_s=0.6)
    source = source_position(spec, make_seat(6.0, 0.0))
    at = setup_middle(spec, "main") if centre == "microphones" else source
    board = panel(tuple(at.tolist()), (1.0, 0.8), aim=90.0 * axis)
    made = synthesise(
        replace(spec, panels=(board,)),
        seat=make_seat(6.0, 0.0),
        microphones="main",
        sources=1,
        sample_rate=16_000,
    )
    assert np.all(np.isfinite(made.direct + made.reflected))
    assert np.sum(made.reflected**2) > 0.0


@pytest.mark.parametrize("off_m", [0.0, 1e-16, -1e-16, 1e-9, -1e-9])
def test_a_point_in_the_plane_of_a_panel_is_on_neither_side_whatever_rounding_says(off_m):
    board = panel((8.0, 0.0, 4.0), (9.0, 9.0), aim=33.0, tilt=90.0)
    source, receiver = np.array([6.0, 0.0, 1.0]), np.array([9.0, 1.0, 4.0 + off_m])
    assert not on_one_side(board, source, receiver)
    assert not crossed(board, source, receiver)
    assert np.all(sent_on(board, source, receiver, np.array([63.0, 4000.0]), sound_speed=SPEED) == 0.0)


def test_a_panel_mirrors_nothing_to_its_other_side():
    board = panel((8.0, 0.0, 4.0), (9.0, 9.0), tilt=-90.0)
    shares = sent_on(
        board, np.array([8.0, 0.0, 1.0]), np.array([8.0, 1.0, 6.0]), np.array([500.0]), sound_speed=SPEED
    )
    assert shares[0] == 0.0


inside = st.tuples(*(st.floats(0.03, 0.97) for _axis in range(3)))


@given(
    source=inside,
    receiver=inside,
    centre=st.tuples(*(st.floats(0.3, 0.7) for _axis in range(3))),
    aim=st.floats(-180.0, 180.0),
    tilt=st.floats(-90.0, 90.0),
)
def test_an_image_goes_through_a_panel_as_often_as_its_folded_way_does(source, receiver, centre, aim, tilt):
    low = np.array([0.0, SIDES[1] / 2.0, 0.0])
    source, receiver, centre = (np.array(point) * SIDES - low for point in (source, receiver, centre))
    board = panel(tuple(centre.tolist()), (5.0, 4.0), aim=aim, tilt=tilt)
    for point in (source, receiver):  # neither of them in the panel's plane
        assume(abs(float((point - centre) @ panel_axes(board)[2])) > 0.02)
    images = image_sources(SIDES, source, receiver, 30.0)
    counts = times_crossed([board], SIDES, images.positions_m, images.hits, receiver)[:, 0]
    axes = panel_axes(board)
    # Followed in steps of a centimetre, by arithmetic of reflections.
    for image, count in list(zip(images.positions_m, counts, strict=True))[:12]:
        steps = np.linspace(0.0, 1.0, 3 + int(100.0 * np.linalg.norm(image - receiver)))[:, None]
        way = np.mod(receiver + low + steps * (image - receiver), 2.0 * np.array(SIDES))
        way = np.where(way > SIDES, 2.0 * np.array(SIDES) - way, way) - low
        local = (way - centre) @ axes.T
        through = (local[1:, 2] > 0.0) != (local[:-1, 2] > 0.0)
        middle = 0.5 * (local[1:] + local[:-1])[through]
        edges = np.array([2.5, 2.0]) - np.abs(middle[:, :2])
        if np.any(np.abs(edges) < 0.02):
            continue  # along an edge: a centimetre decides
        assert count == np.count_nonzero(np.all(edges > 0.0, axis=1))


def test_a_canopy_is_among_the_reflections_at_its_time_and_hides_the_ceiling(box, make_seat):
    spec = box(time_s=1.5, positions_m=((11.0, 0.0, 2.5),))
    board = replace(panel((8.0, 0.0, 6.0), (6.0, 8.0), tilt=-90.0), name="canopy")
    seat = make_seat(6.0, 0.0)
    bare = {r.surfaces: r for r in early_reflections(spec, seat, "main", within_s=0.06)}
    found = {
        r.surfaces: r for r in early_reflections(replace(spec, panels=(board,)), seat, "main", within_s=0.06)
    }
    # Source (5, 0, 1.5), microphone (11, 0, 2.5): image of the source at z = 10.5.
    direct, way = np.hypot(6.0, 1.0), np.hypot(6.0, 8.0)
    assert found["canopy",].after_direct_s == pytest.approx((way - direct) / spec.sound_speed, abs=1e-6)
    assert found["canopy",].level_db == pytest.approx(20.0 * np.log10(direct / way), abs=0.3)
    assert found["canopy",].order == 1
    assert found["ceiling",].level_db < bare["ceiling",].level_db - 20.0
    assert found["left_wall",] == bare["left_wall",]


def test_the_samples_hold_what_clouds_mirror_and_the_low_part_of_what_they_hide(box, make_seat):
    # 1.2 m square: one at the point of reflection, one in the way up to the ceiling. At 4 kHz all of the
    # ceiling is gone, at 63 Hz nearly none. The walls are far.
    plain = box(dimensions_m=(40.0, 30.0, 9.0), time_s=1.5, positions_m=((21.0, 0.0, 2.5),))
    clouds = tuple(
        replace(panel((x, 0.0, 5.5), (1.2, 1.2), tilt=-90.0), name=name)
        for name, x in (("over", 18.4), ("before", 16.7))
    )
    source = source_position(plain, make_seat(6.0, 0.0))
    receiver = setup_middle(plain, "main")
    origin_s = float(np.linalg.norm(source - receiver)) / plain.sound_speed
    bare, fitted = (
        early_field(spec, spec.microphones["main"], source[None], origin_s=origin_s, sample_rate=RATE)
        for spec in (plain, replace(plain, panels=clouds))
    )

    def at(way_m):
        start = round((way_m / plain.sound_speed - origin_s - 0.0002) * RATE)
        return slice(start, start + round(0.004 * RATE))

    canopy, ceiling = at(np.hypot(6.0, 7.0)), at(np.hypot(6.0, 14.0))
    lines = np.fft.rfftfreq(1 << 14, 1.0 / RATE)
    spectra = [np.abs(np.fft.rfft(one.reflected[ceiling, 0], 1 << 14)) ** 2 for one in (bare, fitted)]
    low, high = lines < 100.0, (lines > 3000.0) & (lines < 5000.0)
    assert level_db(np.sum(spectra[1][low]) / np.sum(spectra[0][low])) > -2.0
    assert level_db(np.sum(spectra[1][high]) / np.sum(spectra[0][high])) < -15.0
    assert np.sum(fitted.reflected[canopy] ** 2) > 10.0 * np.sum(bare.reflected[canopy] ** 2)


def test_what_a_panel_mirrors_has_left_the_source_towards_it():
    board = panel((8.0, 0.0, 5.0), (6.0, 6.0), tilt=-90.0)
    source, receiver = np.array([6.0, 0.0, 1.0]), np.array([10.0, 0.0, 1.0])

    class Room:
        panels = (board,)
        dimensions_m = SIDES

    images = with_panels(Room, image_sources(SIDES, source, receiver, 4.5), receiver)  # type: ignore[arg-type]
    upwards = emission_cosines(images, receiver, np.array([0.0, 0.0, 1.0]), Room.panels)
    assert upwards[0] == pytest.approx(0.0, abs=1e-12)
    assert upwards[-1] == pytest.approx(4.0 / np.hypot(2.0, 4.0))
