from __future__ import annotations

import numpy as np
import pyroomacoustics
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.acoustics.room_formulas import eyring_reverberation_time
from roomplan.rooms.field import FieldDecay, decay_times_of_materials, expected_t30, field_of
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES
from roomplan.rooms.walls import wall_losses

UNEQUAL = {
    "floor": 0.6,
    "ceiling": 0.6,
    "stage_wall": 0.05,
    "far_wall": 0.05,
    "left_wall": 0.05,
    "right_wall": 0.05,
}
MIXED = dict(zip(SURFACES, (0.08, 0.3, 0.05, 0.05, 0.3, 0.5), strict=True))
EQUAL = dict.fromkeys(SURFACES, 0.2)
DRY_AIR_LOSS = 1.318e-3  # dB/m at 250 Hz, 20 °C, 50 % (check values, section 6)


@pytest.mark.parametrize(
    ("sides", "absorption"),
    [
        ((10.0, 7.0, 3.0), UNEQUAL),
        ((12.0, 8.0, 6.0), MIXED),
        ((10.0, 8.0, 6.0), EQUAL),
    ],
)
def test_without_scattering_the_decay_is_the_mean_of_an_independent_image_source_model(
    box, sides, absorption
):
    # pyroomacoustics 0.10.1, images up to order 70, no air, four random pairs of places.
    spec = box(dimensions_m=sides, materials=absorption, positions_m=((5.0, 0.0, 1.5),))
    decay = field_of(spec).decays[250]
    decay = FieldDecay(decay.weights, decay.rates - DRY_AIR_LOSS / 4.343 * spec.sound_speed)
    materials = pyroomacoustics.make_materials(
        west=absorption["stage_wall"],
        east=absorption["far_wall"],
        south=absorption["left_wall"],
        north=absorption["right_wall"],
        floor=absorption["floor"],
        ceiling=absorption["ceiling"],
    )
    generator = np.random.default_rng(1)
    step_s = 0.01
    edges = np.arange(0.0, 0.6 * 70.0 * min(sides) / 343.0, step_s)
    energy = np.zeros(len(edges) - 1)
    for _pair in range(4):
        room = pyroomacoustics.ShoeBox(np.array(sides), fs=16_000, materials=materials, max_order=70)
        source, microphone = generator.uniform(0.15, 0.85, (2, 3)) * sides
        room.add_source(source)
        room.add_microphone(microphone)
        room.image_source_model()
        images = room.sources[0]
        distance = np.linalg.norm(images.images - microphone[:, None], axis=0)
        energy += np.histogram(distance / room.c, edges, weights=(images.damping[0] / distance) ** 2)[0] / 4.0
    middle = (edges[1:] + edges[:-1]) / 2.0
    model = decay.at(middle) * 4.0 * np.pi * 343.0 / np.prod(sides) * step_s
    # 0.05 s are some hundred images: their number alone scatters by about 0.3 dB.
    level = 10.0 * np.log10(
        [
            np.sum(energy[(middle >= t) & (middle < t + 0.05)])
            / np.sum(model[(middle >= t) & (middle < t + 0.05)])
            for t in np.arange(0.05, edges[-1] - 0.05, 0.05)
        ]
    )
    assert len(level) > 5
    assert np.max(np.abs(level)) < 0.9
    assert abs(np.mean(level)) < 0.3


def test_unequal_walls_bend_the_decay_and_scattering_straightens_it(box):
    def curvature(scattering):
        spec = box(dimensions_m=(10.0, 7.0, 3.0), materials=UNEQUAL, scattering=scattering)
        decay = field_of(spec).decays[500]
        clock = np.linspace(0.0, 3.0, 4000)
        level = 10.0 * np.log10(decay.remaining(clock) / decay.remaining(np.zeros(1)))
        t20, t30 = (
            -60.0 / np.polyfit(clock[inside], level[inside], 1)[0]
            for inside in ((level < -5) & (level > -25), (level < -5) & (level > -35))
        )
        return 100.0 * (t30 / t20 - 1.0)

    # ISO 3382-2:2008, Annex B: above 10 % a decay is not straight, up to 5 % is usual.
    assert curvature(0.0) > 10.0
    assert curvature(0.7) < 5.0
    assert curvature(0.0) > curvature(0.3) > curvature(0.7)


@given(
    absorption=st.floats(0.02, 0.6),
    scattering=st.floats(0.0, 1.0),
    sides=st.tuples(st.floats(4.0, 40.0), st.floats(4.0, 40.0), st.floats(3.0, 20.0)),
)
def test_a_room_of_equal_walls_begins_as_eyring_says_and_stays_so_if_all_is_scattered(
    box, absorption, scattering, sides
):
    spec = box(dimensions_m=sides, materials=dict.fromkeys(SURFACES, absorption), scattering=scattering)
    air = wall_losses(spec).air_per_m[500] * 4.343
    eyring = eyring_reverberation_time(
        spec.volume_m3, spec.surface_m2, absorption, air_db_per_m=air, sound_speed=spec.sound_speed
    )
    start = field_of(spec).decays[500]
    # The first slope is Eyring's whatever is scattered; later one too when everything is.
    assert np.sum(start.weights * start.rates) == pytest.approx(6.0 * np.log(10.0) / eyring, rel=2e-3)
    assert np.sum(start.weights) == pytest.approx(1.0)
    if scattering > 0.95:
        assert decay_times_of_materials(spec)[500] == pytest.approx(eyring, rel=0.03)


def test_scattering_loses_no_energy(box):
    # Without absorption and air all that is taken from the images is in the diffuse field.
    spec = box(materials=dict.fromkeys(SURFACES, 1e-9), scattering=0.4)
    decay = field_of(spec).decays[63]
    air = wall_losses(spec).air_per_m[63] * spec.sound_speed
    clock = np.linspace(0.0, 2.0, 50)
    assert decay.at(clock) * np.exp(air * clock) == pytest.approx(np.ones(50), abs=1e-6)


def test_times_asked_for_are_the_decay_and_scattering_only_moves_the_mirrored_share(box):
    for scattering in (0.0, 0.5):
        field = field_of(box(time_s=1.7, scattering=scattering))
        for centre in BAND_CENTRES_HZ:
            assert expected_t30(field.decays[centre]) == pytest.approx(1.7, rel=1e-6)
        share = field.mirrored[500].at(np.array([0.05])) / field.decays[500].at(np.array([0.05]))
        assert share == (pytest.approx(1.0) if scattering == 0.0 else pytest.approx(0.4, abs=0.25))


def test_t30_of_two_decays_is_that_of_their_sum():
    # Check values, section 3.4: 1 s and 3 s, the second 20 dB down in the curve: T30 1.3393 s.
    rates = 6.0 * np.log(10.0) / np.array([1.0, 3.0])
    assert expected_t30(FieldDecay(np.array([1.0, 0.01]) * rates, rates)) == pytest.approx(1.3393, abs=0.003)
