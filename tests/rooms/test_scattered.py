from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomplan.rooms.geometry import setup_middle, source_position
from roomplan.rooms.scattered import scattered_energy, scattered_points, scattered_sound
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES, Panel, Scatterers
from roomplan.rooms.synthesis import synthesise

RATE = 24_000
NOTHING = dict.fromkeys(SURFACES, 0.0)
HARD = dict.fromkeys(SURFACES, 1e-9)
LOW_HZ = np.array([100.0])  # air takes next to nothing


def always(emitted_s):
    return np.ones_like(emitted_s)


def points_of(spec, source, middle, seed=5):
    return scattered_points(spec, source, middle, np.random.default_rng(seed))


def level_db(energy):
    return 10.0 * np.log10(energy)


@pytest.mark.parametrize("surface", ["floor", "left_wall", "far_wall"])
def test_what_a_surface_scatters_is_the_integral_of_lamberts_law_over_it(box, make_seat, surface):
    # 100 s cos θ₁ cos θ₂ / (π r₁² r₂²) summed over squares of 4 cm; by rays, the mean of 20 draws.
    spec = box(materials=HARD, scattering=0.0, positions_m=((11.0, 0.7, 2.5),))
    spec = replace(spec, scattering=NOTHING | {surface: 0.6})
    source, middle = source_position(spec, make_seat(6.0, 20.0)), setup_middle(spec, "main")
    axis = {"far_wall": 0, "left_wall": 1, "floor": 2}[surface]
    at = {"far_wall": 20.0, "left_wall": -7.0, "floor": 0.0}[surface]
    ranges = [np.arange(0.02, 20.0, 0.04), np.arange(-6.98, 7.0, 0.04), np.arange(0.02, 9.0, 0.04)]
    ranges[axis] = np.array([at])
    grid = np.stack(np.meshgrid(*ranges, indexing="ij"), axis=-1).reshape(-1, 3)
    ways = [np.linalg.norm(grid - end, axis=1) for end in (source, middle)]
    heights = [abs(end[axis] - at) for end in (source, middle)]
    law = 60.0 * heights[0] * heights[1] / (np.pi * ways[0] ** 3 * ways[1] ** 3) * 0.04**2
    found = [
        scattered_energy(spec, points_of(spec, source, middle, seed), middle, LOW_HZ, always)[0]
        for seed in range(20)
    ]
    assert np.mean(found) == pytest.approx(np.sum(law), rel=0.03)
    assert np.std(found) < 0.1 * np.mean(found)  # one draw is near enough


def test_bodies_scatter_a_quarter_of_their_surface_to_all_sides(box, make_seat):
    # 100 (A/4) / (4π r₁² r₂²) for bodies in one place.
    spec = box(materials=HARD, positions_m=((11.0, 0.0, 2.5),))
    bodies = Scatterers("column", 12.0, 7.99, 8.01, 0.02, 0.0, (3.0, 3.01))
    spec = replace(spec, scatterers=(bodies,))
    source, middle = source_position(spec, make_seat(6.0, 0.0)), setup_middle(spec, "main")
    found = scattered_energy(spec, points_of(spec, source, middle), middle, LOW_HZ, always)[0]
    squares = (3.0**2 + 1.5**2) * (3.0**2 + 0.5**2)
    assert found == pytest.approx(100.0 * 3.0 / (4.0 * np.pi * squares), rel=0.02)


def test_a_panel_scatters_on_the_side_of_the_source_and_hides_what_is_behind_it(box, make_seat):
    spec = box(materials=HARD, scattering=0.0, positions_m=((11.0, 0.0, 2.5),))
    spec = replace(spec, scattering=NOTHING | {"ceiling": 0.6})
    source, middle = source_position(spec, make_seat(6.0, 0.0)), setup_middle(spec, "main")
    lid = Panel("lid", (10.0, 0.0, 6.0), (14.0, 20.0), 0.0, -90.0, dict.fromkeys(BAND_CENTRES_HZ, 0.0), 0.0)
    bare, hidden, rough = (
        points_of(replace(spec, panels=panels), source, middle)
        for panels in ((), (lid,), (replace(lid, scattering=0.5),))
    )
    assert len(bare.ways_m) > 300
    assert len(hidden.ways_m) == 0  # all of the ceiling is behind the lid
    np.testing.assert_allclose(rough.points_m[:, 2], 6.0, atol=1e-9)
    assert np.all(rough.normals[:, 2] == pytest.approx(-1.0))
    over = replace(lid, centre_m=(10.0, 0.0, 2.0), scattering=0.5)  # between source and microphone
    between = points_of(replace(spec, panels=(over,), scattering=NOTHING), source, middle)
    assert np.sum(between.at(middle)[0]) == 0.0


def test_scattered_sound_begins_with_the_mirrored_one_and_comes_from_its_surface(box, make_seat):
    # Only the left wall scatters, all it gets: heard by cardioids that look to the left and to the right.
    spec = box(time_s=1.0, positions_m=((11.0, 0.0, 2.5),))
    spec = replace(spec, scattering=NOTHING | {"left_wall": 0.999})
    middle, source = setup_middle(spec, "main"), source_position(spec, make_seat(6.0, 0.0))
    _energies, ways = points_of(spec, source, middle).at(middle)
    assert np.min(ways) == pytest.approx(np.linalg.norm([6.0, 14.0, 1.0]), rel=2e-3)
    assert np.max(ways) > np.min(ways) + 3.0
    origin_s = float(np.linalg.norm(source - middle)) / spec.sound_speed
    heard = []
    for aim in (-90.0, 90.0):
        setup = replace(spec.microphones["main"], pattern="cardioid", aims_deg=(aim,))
        lines = scattered_sound(
            spec,
            setup,
            [points_of(spec, source, middle)],
            always,
            origin_s=origin_s,
            frames=8192,
            sample_rate=RATE,
        )
        sound = np.fft.irfft(lines[0], 8192)
        start = round((np.min(ways) / spec.sound_speed - origin_s) * RATE)
        assert np.max(np.abs(sound[: start - 8])) < 0.02 * np.max(np.abs(sound))
        heard.append(np.sum(sound**2))
    assert level_db(heard[0] / heard[1]) > 10.0


def test_bodies_move_energy_forward_and_add_none(box, make_seat):
    # Energy of the reflected sound up to 80 ms and of all of it, the mean over seats: within 0.3 dB. In the
    # first 25 ms there is more.
    plain = box(time_s=1.2, scattering=0.3, positions_m=((11.0, 0.0, 2.5),))
    filled = replace(
        plain, scatterers=(Scatterers("players", 120.0, 3.0, 10.0, 9.0, 0.0, (0.3, 1.5)),), seed=plain.seed
    )
    sums = np.zeros((2, 3))
    for distance in (4.0, 6.0, 8.0):
        for angle in (-30.0, 3.0, 24.0):
            for row, spec in enumerate((plain, filled)):
                made = synthesise(
                    spec, seat=make_seat(distance, angle), microphones="main", sources=1, sample_rate=RATE
                )
                for column, end_s in enumerate((0.025, 0.08, 9.0)):
                    sums[row, column] += np.sum(made.reflected[: round(end_s * RATE)] ** 2)
    change = level_db(sums[1] / sums[0])
    assert change[0] > 0.15
    assert abs(change[1]) < 0.3
    assert abs(change[2]) < 0.3


def test_panels_give_back_what_they_hide(box, make_seat):
    # A canopy over the stage, a wall beside it: reflected energy, mean over seats, within 0.5 dB of none.
    plain = box(time_s=1.2, scattering=0.3, positions_m=((11.0, 0.0, 2.5),))
    hard: dict[int, float] = dict.fromkeys(BAND_CENTRES_HZ, 0.02)
    panels = (
        Panel("canopy", (7.0, 0.0, 6.0), (8.0, 7.0), 0.0, -90.0, hard, 0.3),
        Panel("side", (7.0, -5.0, 2.0), (6.0, 4.0), 90.0, 0.0, hard, 0.3),
    )
    sums = np.zeros(2)
    for distance in (4.0, 6.0, 8.0):
        for angle in (-24.0, 3.0, 30.0):
            for row, spec in enumerate((plain, replace(plain, panels=panels))):
                made = synthesise(
                    spec, seat=make_seat(distance, angle), microphones="main", sources=1, sample_rate=RATE
                )
                sums[row] += np.sum(made.reflected**2) / np.sum(made.direct**2)
    assert abs(level_db(sums[1] / sums[0])) < 0.5
