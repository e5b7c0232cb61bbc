from __future__ import annotations

import numpy as np
import pyroomacoustics
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st

from roomplan.acoustics.room_formulas import air_attenuation, mixing_time
from roomplan.rooms.early import early_field
from roomplan.rooms.field import field_of
from roomplan.rooms.geometry import source_position
from roomplan.rooms.images import early_reflections, image_sources
from roomplan.rooms.spec import SURFACES, scale_reverberation

RATE = 48_000
SIDES = (20.0, 14.0, 9.0)
share = st.floats(0.02, 0.98).map(lambda value: round(value, 4))
inside = st.tuples(share, share.map(lambda value: value - 0.5), share)


def folded(position, sides):
    """The point a path from an image unfolds from: back through every wall, by arithmetic of reflections."""
    length, width, height = sides
    whole = position + np.array([0.0, width / 2.0, 0.0])
    back = []
    for x, side in zip(whole, (length, width, height), strict=True):
        turned = x % (2.0 * side)
        back.append(turned if turned <= side else 2.0 * side - turned)
    return np.array(back) - np.array([0.0, width / 2.0, 0.0])


@given(source=inside, receiver=inside, reach=st.floats(5.0, 45.0))
def test_every_image_unfolds_to_the_source_and_lies_within_reach(source, receiver, reach):
    source, receiver = np.array(source) * SIDES, np.array(receiver) * SIDES
    images = image_sources(SIDES, source, receiver, reach)
    np.testing.assert_allclose(images.positions_m[0], source)
    assert not np.any(images.hits[0])
    for position, hits in zip(images.positions_m[1:], images.hits[1:], strict=True):
        np.testing.assert_allclose(folded(position, SIDES), source, atol=1e-9)
        assert np.linalg.norm(position - receiver) <= reach + 1e-9
        assert np.sum(hits) > 0


def crossings(position, receiver, sides):
    """Walls that the straight way from an image to the receiver crosses, counted along each axis."""
    low = np.array([0.0, -sides[1] / 2.0, 0.0])
    counts = []
    for axis, side in enumerate(sides):
        start, end = position[axis] - low[axis], receiver[axis] - low[axis]
        first, last = sorted((start / side, end / side))
        walls = range(int(np.ceil(first)), int(np.floor(last)) + 1)
        counts += [sum(1 for wall in walls if wall % 2 == 0), sum(1 for wall in walls if wall % 2 == 1)]
    return counts


@given(source=inside, receiver=inside)
def test_the_hits_of_an_image_are_the_mirrored_walls_its_straight_way_crosses(source, receiver):
    source, receiver = np.array(source) * SIDES, np.array(receiver) * SIDES
    images = image_sources(SIDES, source, receiver, 40.0)
    for position, hits in zip(images.positions_m, images.hits, strict=True):
        assert hits.tolist() == crossings(position, receiver, SIDES)


@pytest.fixture
def reference():
    """Image sources of pyroomacoustics 0.10.1 for the same box: distances and amplitudes at a receiver."""

    def make(sides, absorption, source, receiver, order):
        shift = np.array([0.0, sides[1] / 2.0, 0.0])
        names = {
            "west": "stage_wall",
            "east": "far_wall",
            "south": "left_wall",
            "north": "right_wall",
            "floor": "floor",
            "ceiling": "ceiling",
        }
        materials = pyroomacoustics.make_materials(
            **{theirs: absorption[ours] for theirs, ours in names.items()}
        )
        room = pyroomacoustics.ShoeBox(np.array(sides), fs=RATE, materials=materials, max_order=order)
        room.add_source(source + shift)
        room.add_microphone(receiver + shift)
        room.image_source_model()
        theirs = room.sources[0]
        distance = np.linalg.norm(theirs.images - (receiver + shift)[:, None], axis=0)
        order = np.argsort(distance)
        return distance[order], (theirs.damping[0] / distance)[order]

    return make


UNEQUAL = dict(zip(SURFACES, (0.1, 0.3, 0.15, 0.2, 0.05, 0.4), strict=True))


def test_early_reflections_arrive_and_fall_as_in_an_independent_image_source_model(box, make_seat, reference):
    spec = box(materials=UNEQUAL, positions_m=((11.0, 0.7, 2.5),))
    seat = make_seat(6.3, 17.0)
    receiver = np.array([11.0, 0.7, 2.5])
    source = source_position(spec, seat)
    distance, amplitude = reference(SIDES, UNEQUAL, source, receiver, 8)
    near = distance < 30.0
    ours = early_reflections(spec, seat, "main", within_s=(30.0 - distance[0]) / spec.sound_speed)
    assert len(ours) == np.count_nonzero(near) - 1
    air = air_attenuation(
        np.array([501.187, 1000.0]), temperature_c=20.0, humidity_percent=50.0
    )  # exact mid-bands
    for index, reflection in enumerate(ours, start=1):
        extra = distance[index] - distance[0]
        # Within one sample (here: to rounding), by path length, so that both speeds of sound serve.
        assert reflection.after_direct_s * spec.sound_speed == pytest.approx(extra, abs=343.2 / RATE)
        level = 20.0 * np.log10(amplitude[index] / amplitude[0])
        level += 10.0 * np.log10(np.mean(10.0 ** (-air * extra / 10.0)))
        assert reflection.level_db == pytest.approx(level, abs=0.1)


def test_the_samples_themselves_hold_those_reflections_within_a_sample_and_a_tenth_of_a_decibel(
    box, make_seat, reference
):
    # The response is fitted, by least squares up to 12 kHz, with pulses at the arrivals of the reference.
    spec = box(materials=UNEQUAL, positions_m=((11.0, 0.7, 2.5),))
    seat, receiver = make_seat(6.3, 17.0), np.array([11.0, 0.7, 2.5])
    source = source_position(spec, seat)
    distance, amplitude = reference(SIDES, UNEQUAL, source, receiver, 6)
    origin_s = distance[0] / spec.sound_speed
    early = early_field(spec, spec.microphones["main"], source[None, :], origin_s=origin_s, sample_rate=RATE)
    whole = (early.direct + early.reflected)[:, 0]
    # Those that stand alone for 0.2 ms: nearer ones share their levels in such a fit.
    apart = np.diff(distance, prepend=0.0, append=99.0) > 2e-4 * spec.sound_speed
    chosen = (distance < 24.0) & apart[1:] & apart[:-1]
    padded = np.zeros(1 << 14)
    padded[: len(whole)] = whole
    lines = np.fft.rfftfreq(len(padded), 1.0 / RATE)
    band = (lines > 300.0) & (lines < 12_000.0)
    spectrum = np.fft.rfft(padded)[band]
    # Air in nepers per metre, its phase the Hilbert transform of its magnitude (it is causal).
    grid = np.asarray(lines, dtype=np.float64)
    air = -air_attenuation(grid, temperature_c=20.0, humidity_percent=50.0) / 8.686
    both = np.concatenate([air, air[-2:0:-1]])
    air = np.conj(np.asarray(scipy.signal.hilbert(both)))[: len(air)][band]
    delays = distance / spec.sound_speed - origin_s
    pulses = np.exp(np.outer(-2j * np.pi * lines[band], delays) + np.outer(air, distance))
    fit, *_ = np.linalg.lstsq(pulses, spectrum, rcond=None)
    expected = 10.0 * amplitude
    assert np.count_nonzero(chosen) > 12
    level = 20.0 * np.log10(np.abs(fit[chosen]) / expected[chosen])
    assert np.max(np.abs(level)) < 0.1
    # A sample of error at 6 kHz would turn the phase by 0.8.
    assert np.max(np.abs(np.angle(fit[chosen]))) < 0.2


def test_echo_density_grows_with_the_square_of_time_up_to_the_mixing_time():
    # Number of images up to t: 4π c³ t³ / 3V (check values, section 6); the mean over places in the room.
    sides = (44.0, 23.0, 17.0)
    volume, surface = 44.0 * 23.0 * 17.0, 2.0 * (44.0 * 23.0 + 44.0 * 17.0 + 23.0 * 17.0)
    mixed_m = mixing_time(volume, surface) * 343.2
    generator = np.random.default_rng(3)
    ways = []
    for _pair in range(150):
        source, receiver = generator.uniform(size=(2, 3)) * sides - [0.0, 11.5, 0.0]
        images = image_sources(sides, source, receiver, mixed_m)
        ways.append(np.linalg.norm(images.positions_m - receiver, axis=1))
    for share in (0.4, 0.55, 0.7, 0.85, 1.0):
        count = np.mean([np.count_nonzero(way <= share * mixed_m) for way in ways])
        assert count == pytest.approx(4.0 / 3.0 * np.pi * (share * mixed_m) ** 3 / volume, rel=0.1), share


def test_scattering_takes_its_share_from_every_hit_of_a_reflection(box, make_seat):
    plain, rough = (box(time_s=1.2, scattering=s) for s in (0.0, 0.3))
    pairs = zip(
        *(early_reflections(spec, make_seat(6.0, 10.0), "main", within_s=0.06) for spec in (plain, rough)),
        strict=True,
    )
    for one, other in pairs:
        assert other.level_db - one.level_db == pytest.approx(one.order * 10.0 * np.log10(0.7), abs=1e-6)


def test_a_surface_that_scatters_all_mirrors_as_little_to_images_as_to_the_field(box, make_seat):
    at, seat = (11.0, 0.7, 2.5), make_seat(6.3, 17.0)
    plain, rough = (box(time_s=1.2, scattering=s, positions_m=(at,)) for s in (0.0, 1.0))
    pairs = list(
        zip(*(early_reflections(spec, seat, "main", within_s=0.08) for spec in (plain, rough)), strict=True)
    )
    a_hit = [(one.level_db - other.level_db) / one.order for one, other in pairs]
    assert a_hit == pytest.approx(np.full(len(a_hit), a_hit[0]))
    # Up to the first image of two hits every sample has met one wall, whichever it is.
    twice_s = min(one.after_direct_s for one, _other in pairs if one.order > 1)
    source = source_position(plain, seat)
    origin_s = float(np.linalg.norm(source - np.array(at))) / plain.sound_speed
    smooth, scattered = (
        early_field(spec, spec.microphones["main"], source[None, :], origin_s=origin_s, sample_rate=RATE)
        for spec in (plain, rough)
    )
    once = slice(0, int(twice_s * RATE) - 2)
    energies = [np.sum(early.reflected[once] ** 2) for early in (smooth, scattered)]
    assert 10.0 * np.log10(energies[0] / energies[1]) == pytest.approx(a_hit[0], abs=0.1)
    # A direction meets cS/4V walls a second, averaged over all of them (Kosten 1960, from memory).
    field = field_of(rough)
    scattering = field.mirrored[1000].rates - field.decays[1000].rates
    hits = rough.sound_speed * rough.surface_m2 / (4.0 * rough.volume_m3)
    loss_db = 10.0 * np.log10(np.e) * field.mirrored[1000].weights @ scattering / hits
    assert loss_db == pytest.approx(a_hit[0], rel=1e-3)


def test_a_stretched_decay_of_materials_holds_for_the_air_too_and_spares_the_direct_sound(box, make_seat):
    # Walls that take nothing: what is left is air, and of a moment's sound it has taken m c t.
    at, seat, scale = (24.0, 1.3, 6.0), make_seat(9.0, 20.0), 0.5
    plain = box(dimensions_m=(40.0, 28.0, 18.0), materials=dict.fromkeys(SURFACES, 1e-9), positions_m=(at,))
    stretched = scale_reverberation(plain, scale)
    source = source_position(plain, seat)
    direct_m = float(np.linalg.norm(source - np.array(at)))
    origin_s = direct_m / plain.sound_speed
    normal, halved = (
        early_field(spec, spec.microphones["main"], source[None, :], origin_s=origin_s, sample_rate=RATE)
        for spec in (plain, stretched)
    )
    np.testing.assert_array_equal(normal.direct, halved.direct)
    exact_hz = np.array([501.187, 1000.0, 7943.282])  # exact mid-bands
    air = air_attenuation(exact_hz, temperature_c=20.0, humidity_percent=50.0)
    lines = np.fft.rfftfreq(len(normal.reflected), 1.0 / RATE)
    band = np.abs(lines / exact_hz[2] - 1.0) < 0.03
    ours, theirs = (
        np.fft.irfft(np.fft.rfft(early.reflected[:, 0]) * band, len(normal.reflected)) ** 2
        for early in (normal, halved)
    )
    for emitted_s in (0.07, 0.11, 0.15):
        start = round((emitted_s - origin_s - 0.005) * RATE)
        stretch = slice(start, start + round(0.01 * RATE))
        expected_db = -air[2] * (1.0 / scale - 1.0) * plain.sound_speed * emitted_s
        images_db = 10.0 * np.log10(np.sum(theirs[stretch]) / np.sum(ours[stretch]))
        energies = [field_of(s).mirrored[8000].at(np.array([emitted_s]))[0] for s in (plain, stretched)]
        assert images_db == pytest.approx(expected_db, abs=0.25)
        assert 10.0 * np.log10(energies[1] / energies[0]) == pytest.approx(expected_db, abs=0.01)
    # And in the list of reflections, whose levels count from a direct sound that is what it was.
    pairs = zip(
        *(early_reflections(spec, seat, "main", within_s=0.1) for spec in (plain, stretched)), strict=True
    )
    for one, other in pairs:
        way = direct_m + one.after_direct_s * plain.sound_speed
        levels = [np.mean(10.0 ** (-air[:2] * (way / s - direct_m) / 10.0)) for s in (1.0, scale)]
        assert other.level_db - one.level_db == pytest.approx(
            10.0 * np.log10(levels[1] / levels[0]), abs=1e-3
        )


def test_reflections_name_the_walls_they_met(box, make_seat):
    spec = box(positions_m=((11.0, 0.0, 2.5),))
    found = early_reflections(spec, make_seat(6.0, 0.0), "main", within_s=0.08)
    firsts = {r.surfaces: r for r in found if r.order == 1}
    assert set(firsts) == {(name,) for name in SURFACES}
    # Source (5, 0, 1.5), microphone (11, 0, 2.5): floor image at z = −1.5, worked by hand.
    way = np.hypot(6.0, 4.0) - np.hypot(6.0, 1.0)
    assert firsts[("floor",)].after_direct_s == pytest.approx(way / 343.2, abs=1e-6)
    times = [r.after_direct_s for r in found]
    assert times == sorted(times)
