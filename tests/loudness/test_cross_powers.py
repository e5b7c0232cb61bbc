"""Cross powers read back from disk against metering the summed audio, and against the direct projection."""

from __future__ import annotations

import os
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.errors import RoomplanError
from roomplan.loudness import BusPowers, loudness_of_hops
from roomplan.loudness.cross_powers import CrossPowers, CrossPowerWriter, size_bytes
from roomplan.loudness.factors import count_pairs

# Off, or −60 to +6 dB of either sign.
GAINS = st.one_of(st.just(0.0), st.floats(0.001, 2.0), st.floats(-2.0, -0.001))

# The stated error: amplitude, as a share of the in-phase amplitude.
STATED = 2.5e-7

FIGURES = ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "loudness_range_lu")


def correlated(components, frames, *, channels=2, likeness=0.95, seed=0):
    """Level-shaped noise of which each component shares `likeness` (amplitude) with all others."""
    rng = np.random.default_rng(seed)
    shared = rng.standard_normal((1, channels, frames))
    own = rng.standard_normal((components, channels, frames))
    shape = 0.02 + np.abs(np.sin(np.linspace(0, 9, frames))) ** 4
    mixed = likeness * shared + np.sqrt(1 - likeness**2) * own
    return (0.1 * shape * mixed).astype(np.float32)


def kept(path, components, gains=None, *, sample_rate=8_000, cuts=(), **options):
    """Direct powers of the buses, and cross powers by way of the disk."""
    gains = np.ones((1, len(components))) if gains is None else np.asarray(gains)
    writer = CrossPowerWriter(path, components=len(components))
    direct = BusPowers(gains, sample_rate=sample_rate, channels=components.shape[1], keep=writer, **options)
    for start, stop in pairwise((0, *sorted(cuts), components.shape[2])):
        direct.feed(components[:, :, start:stop])
    direct.finish()
    assert writer.finish() is None
    return direct, CrossPowers.open(path)


def in_phase(direct, gains):
    """Amplitude of the components of a bus if none cancelled another, per hop."""
    return sum(abs(gain) * np.sqrt(direct.component_sums(index)) for index, gain in enumerate(gains))


def filled(path, cross, *, sizes=None):
    """Write rows of cross powers in chunks of the given sizes."""
    components = int(np.sqrt(2 * cross.shape[1]))
    writer = CrossPowerWriter(path, components=components)
    for start, stop in pairwise((0, *np.cumsum(sizes or [len(cross)]))):
        writer.append(cross[start:stop])
    assert writer.finish() is None
    return path


def some_cross_powers(hops, components, *, seed=0):
    sound = np.random.default_rng(seed).standard_normal((hops, components, 40))
    whole = sound @ sound.transpose(0, 2, 1)
    first, second = np.triu_indices(components)
    return whole[:, first, second], whole


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("cross_powers")


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    sample_rate=st.sampled_from([8_000, 11_025, 44_100]),
    gains=st.lists(st.lists(GAINS, min_size=4, max_size=4), min_size=1, max_size=4),
    likeness=st.floats(0.0, 0.999999),
    cuts=st.lists(st.integers(0, 35_000), max_size=4),
    seed=st.integers(0, 99),
)
def test_kept_powers_are_the_direct_projection_within_the_stated_error(
    sample_rate, gains, likeness, cuts, seed, folder
):
    components = correlated(4, 35_000, likeness=likeness, seed=seed)
    direct, powers = kept(folder / "a.npy", components, gains, sample_rate=sample_rate, cuts=cuts)
    found = powers.sums_many(gains)
    for bus, row in enumerate(gains):
        difference = np.abs(np.sqrt(found[bus]) - np.sqrt(direct.sums(bus)))
        # twice: what is just above −130 dB in one may be called silence in the other
        assert (difference <= 2 * STATED * in_phase(direct, row)).all()


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    gains=st.lists(st.floats(0.0, 2.0), min_size=4, max_size=4).filter(lambda row: max(row) > 0.01),
    likeness=st.floats(0.0, 1.0),
    seed=st.integers(0, 99),
)
def test_kept_powers_of_components_that_add_are_right_to_a_millionth(gains, likeness, seed, folder):
    components = correlated(4, 16_000, likeness=likeness, seed=seed)
    direct, powers = kept(folder / "b.npy", components, [gains])
    assert powers.sums(gains) == pytest.approx(direct.sums(0), rel=1e-6)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    gains=st.lists(GAINS, min_size=5, max_size=5),
    likeness=st.floats(0.9, 0.999999),
    seed=st.integers(0, 99),
)
def test_loudness_of_strongly_correlated_components_is_that_of_their_sum(gains, likeness, seed, folder, read):
    components = correlated(5, 35_000, likeness=likeness, seed=seed)
    _direct, powers = kept(folder / "c.npy", components)
    summed = np.einsum("c,cht->th", gains, components.astype(np.float64))
    expected = read(summed, sample_rate=8_000).loudness
    found = loudness_of_hops(powers.sums(gains), sample_rate=8_000)
    for figure in FIGURES:
        want = getattr(expected, figure)
        if want is None:
            assert getattr(found, figure) is None
        else:
            assert getattr(found, figure) == pytest.approx(want, abs=0.005)


@pytest.mark.parametrize("depth_db", [20, 40, 60, 80, 100])
def test_bus_that_nearly_cancels_keeps_its_loudness(depth_db, folder, read):
    # two components that differ by a sound `depth_db` under them: of G in float32 nothing is left from 70 on
    first, other = correlated(2, 40_000, likeness=0.0).astype(np.float64)
    second = first + 10 ** (-depth_db / 20) * other
    _direct, powers = kept(folder / "d.npy", np.stack([first, second]))
    expected = read((second - first).T, sample_rate=8_000).loudness.short_term_max_lufs
    found = loudness_of_hops(powers.sums([-1.0, 1.0]), sample_rate=8_000).short_term_max_lufs
    bound_lu = 20 * np.log10(1 + STATED * 2 * 10 ** (depth_db / 20)) + 1e-6
    assert bound_lu < 0.005 or depth_db > 60
    assert found == pytest.approx(expected, abs=bound_lu)


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_components_made_of_others_spoil_nothing(scale, folder):
    # rounding decides what is left of the third and the fifth component; it must not pass for sound
    rng = np.random.default_rng(8)
    sound = scale * rng.standard_normal((20_000, 6, 12))
    sound[:, 2] = 0.3 * sound[:, 0] + 0.7 * sound[:, 1]
    sound[:, 4] = sound[:, 3] - sound[:, 2]
    first, second = np.triu_indices(6)
    powers = CrossPowers.open(filled(folder / "a0.npy", (sound @ sound.transpose(0, 2, 1))[:, first, second]))
    for gains in rng.standard_normal((20, 6)):
        amplitude = np.linalg.norm(np.einsum("hct,c->ht", sound, gains), axis=1)
        in_phase_amplitude = np.linalg.norm(sound, axis=2) @ np.abs(gains)
        assert (np.abs(np.sqrt(powers.sums(gains)) - amplitude) <= STATED * in_phase_amplitude).all()


def test_stored_rows_multiply_out_to_the_cross_powers(folder):
    cross, whole = some_cross_powers(600, 7)
    powers = CrossPowers.open(filled(folder / "e.npy", cross))
    for i in range(7):
        for j in range(i, 7):
            gains = np.eye(7)[[i, j]]
            together = powers.sums_many([gains.sum(axis=0), gains[0], gains[1]])
            found = (together[0] - together[1] - together[2]) / 2 if i != j else together[1]
            scale = np.sqrt(whole[:, i, i] * whole[:, j, j])
            assert (np.abs(found - whole[:, i, j]) < 1e-6 * scale).all()


def test_many_buses_at_once_are_each_bus_alone(folder):
    powers = CrossPowers.open(filled(folder / "f.npy", some_cross_powers(2_000, 6)[0]))
    gains = np.random.default_rng(1).standard_normal((9, 6))
    together = powers.sums_many(gains)
    assert together.shape == (9, 2_000)
    for row, gain in zip(together, gains, strict=True):
        assert powers.sums(gain) == pytest.approx(row, rel=1e-12)
    assert powers.sums_many(np.empty((0, 6))).shape == (0, 2_000)


def test_muted_components_are_nothing(folder):
    components = correlated(3, 16_000)
    direct, powers = kept(folder / "g.npy", components, [[0.0, 0.0, 0.0], [0.0, 0.8, 0.0]])
    assert not powers.sums([0.0, 0.0, 0.0]).any()
    assert powers.sums([0.0, 0.8, 0.0]) == pytest.approx(direct.sums(1), rel=2e-7)
    for index in range(3):
        assert powers.component_sums(index) == pytest.approx(direct.component_sums(index), rel=2e-7)


def test_copies_that_cancel_are_silence(folder):
    components = correlated(3, 40_000)
    components[1:] = components[0]
    _direct, powers = kept(folder / "h.npy", components)
    cancelled = powers.sums([0.1, 0.2, -0.3])  # in floating point 0.1 + 0.2 is not 0.3
    assert not cancelled.any()
    assert loudness_of_hops(cancelled, sample_rate=8_000).reasons["integrated_lufs"] == "digital silence"
    assert powers.sums([0.1, 0.2, 0.3]) == pytest.approx(0.36 * powers.component_sums(0), rel=1e-6)


def test_component_that_enters_late_or_stays_silent_is_as_in_the_sum(folder):
    components = correlated(4, 60_000)
    components[0, :, :33_333] = 0.0
    components[1] = 0.0
    components[2, 0] = 0.0
    gains = [0.7, 1.0, -0.4, 0.9]
    direct, powers = kept(folder / "i.npy", components, [gains], cuts=[20_000, 40_000])
    assert powers.sums(gains) == pytest.approx(direct.sums(0), rel=2e-6)
    assert not powers.component_sums(1).any()


def test_channel_weights_are_in_the_kept_powers(folder):
    components = correlated(2, 30_000, channels=3)
    gains = [1.0, -0.5]
    direct, powers = kept(folder / "j.npy", components, [gains], weights=[1.0, 1.41, 0.0])
    assert powers.sums(gains) == pytest.approx(direct.sums(0), rel=1e-6)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(sizes=st.lists(st.integers(0, 400), min_size=1, max_size=8))
def test_how_hops_come_never_changes_the_file(sizes, folder):
    cross, _whole = some_cross_powers(1_000, 4)
    sizes = [*sizes, max(0, 1_000 - sum(sizes))]
    whole = filled(folder / "k.npy", cross[: sum(sizes)]).read_bytes()
    assert filled(folder / "l.npy", cross, sizes=sizes).read_bytes() == whole


@settings(max_examples=15, deadline=None, derandomize=True)
@given(sample_rate=st.sampled_from([8_000, 11_025]), cuts=st.lists(st.integers(0, 50_000), max_size=12))
def test_block_split_never_changes_the_kept_powers(sample_rate, cuts, folder):
    components = correlated(3, 50_000)
    _direct, whole = kept(folder / "m.npy", components, sample_rate=sample_rate)
    _direct, split = kept(folder / "n.npy", components, sample_rate=sample_rate, cuts=cuts)
    gains = [[1.0, 0.5, 0.2], [1.0, 1.0, -2.0], [0.0, 0.0, 1.0]]
    assert np.array_equal(whole.sums_many(gains), split.sums_many(gains))


def test_bad_sample_spoils_every_bus_from_its_hop_on_and_is_reported(folder):
    components = correlated(2, 40_000)
    components[1, 0, 20_000] = np.nan
    _direct, powers = kept(folder / "o.npy", components)
    for gains in ([1.0, 0.0], [1.0, 1.0], [0.0, 0.0]):
        sums = powers.sums(gains)
        assert np.isfinite(sums[:125]).all()
        assert np.isnan(sums[125:]).all()
        reading = loudness_of_hops(sums, sample_rate=8_000)
        assert reading.reasons["integrated_lufs"] == "not a finite number from 2.50 s on"


@pytest.mark.parametrize("value", [np.inf, np.nan, 1e80])
def test_hop_that_is_no_sound_is_not_a_number(value, folder):
    cross, _whole = some_cross_powers(10, 3)
    cross[4, 2] = value
    sums = CrossPowers.open(filled(folder / "p.npy", cross)).sums([1.0, 1.0, 1.0])
    assert np.flatnonzero(np.isnan(sums)).tolist() == [4]


def test_very_quiet_hops_keep_their_precision_beside_loud_ones(folder):
    cross, _whole = some_cross_powers(300, 3)
    quiet = cross * 1e-40  # −400 dB: G itself would be nothing in float32
    powers = CrossPowers.open(filled(folder / "q.npy", np.concatenate([cross, quiet])))
    sums = powers.sums([1.0, -0.5, 0.2])
    assert sums[300:] == pytest.approx(1e-40 * sums[:300], rel=1e-6)


def test_size_is_what_is_said(folder):
    path = filled(folder / "r.npy", some_cross_powers(750, 5)[0])
    header = path.stat().st_size - size_bytes(5, 15.0)
    assert 0 < header <= 256
    assert size_bytes(16, 300.0) == 4 * 15_000 * 136
    assert count_pairs(1) == 1


def test_file_above_the_limit_is_not_kept(folder):
    path = folder / "s.npy"
    writer = CrossPowerWriter(path, components=3, limit_bytes=4 * 6 * 500)
    cross, _whole = some_cross_powers(800, 3)
    writer.append(cross)
    writer.append(cross)
    assert writer.finish() == writer.reason == "s.npy would be larger than 0 MB"
    assert not path.exists()


def test_place_that_cannot_be_written_stops_nothing(folder):
    writer = CrossPowerWriter(folder / "missing" / "t.npy", components=3)
    writer.append(some_cross_powers(800, 3)[0])
    assert writer.finish() == "t.npy cannot be written (No such file or directory)"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")  # noqa: PTH110
def test_full_disk_stops_nothing(folder):
    path = folder / "u.npy"
    path.symlink_to("/dev/full")
    writer = CrossPowerWriter(path, components=3)
    writer.append(some_cross_powers(5_000, 3)[0])
    assert writer.finish() == "u.npy cannot be written (No space left on device)"
    assert not path.is_symlink()


def test_nothing_to_keep_is_no_file(folder):
    writer = CrossPowerWriter(folder / "v.npy", components=3)
    writer.append(np.empty((0, 6)))
    assert writer.finish() == "v.npy would hold no whole hop"
    assert not (folder / "v.npy").exists()


def test_interruption_leaves_no_file(folder):
    path = folder / "w.npy"
    writer = CrossPowerWriter(path, components=3)

    def interrupted():
        with writer:
            writer.append(some_cross_powers(800, 3)[0])
            assert path.exists()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert not path.exists()
    assert writer.reason == "w.npy was not finished"


def test_file_that_is_not_finished_is_refused(folder):
    path = folder / "x.npy"
    writer = CrossPowerWriter(path, components=3)
    writer.append(some_cross_powers(2000, 3)[0])
    with pytest.raises(RoomplanError, match="not finished"):
        CrossPowers.open(path)
    assert writer.finish() is None
    assert CrossPowers.open(path).hops == 2000


def _cut(path):
    path.write_bytes(path.read_bytes()[:-4])


def _grown(path):
    path.write_bytes(path.read_bytes() + b"\0" * 4)


def _no_header(path):
    path.write_bytes(b"RIFF" + path.read_bytes()[4:])


def _header_only(path):
    path.write_bytes(path.read_bytes()[:40])


def _nonsense_header(path):
    path.write_bytes(path.read_bytes().replace(b"'descr'", b"('descr"))


def _empty(path):
    path.write_bytes(b"")


def _other_type(path):
    np.save(path, np.ones((10, 6)))


def _pickled(path):
    np.save(path, np.array([[{}]], dtype=object), allow_pickle=True)


def _no_pairs(path):
    np.save(path, np.ones((10, 7), dtype=np.float32))


def _one_axis(path):
    np.save(path, np.ones(10, dtype=np.float32))


def _gone(path):
    path.unlink()


@pytest.mark.parametrize(
    "damage",
    [
        _cut,
        _grown,
        _no_header,
        _header_only,
        _nonsense_header,
        _empty,
        _other_type,
        _pickled,
        _no_pairs,
        _one_axis,
        _gone,
    ],
)
def test_damaged_file_is_refused_in_one_line(damage, folder):
    path = filled(folder / "y.npy", some_cross_powers(50, 3)[0])
    assert CrossPowers.open(path).components == 3
    damage(path)
    with pytest.raises(RoomplanError, match="no finished cross powers") as caught:
        CrossPowers.open(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("gains", [[[1.0, 2.0]], [[1.0, np.nan, 0.0]], [1.0, 1.0, 1.0]])
def test_gains_that_do_not_fit_are_refused(gains, folder):
    powers = CrossPowers.open(filled(folder / "z.npy", some_cross_powers(50, 3)[0]))
    with pytest.raises(RoomplanError, match="finite gains"):
        powers.sums_many(gains)
    with pytest.raises(IndexError):
        powers.component_sums(3)


def test_writer_takes_only_what_it_was_made_for(folder):
    writer = CrossPowerWriter(folder / "0.npy", components=3)
    with pytest.raises(ValueError, match=r"expected \(hops, 6\)"):
        writer.append(np.zeros((10, 5)))
    with pytest.raises(ValueError, match="3 components, gains for 2"):
        BusPowers(np.ones((1, 2)), sample_rate=48_000, keep=writer)
    writer.append(some_cross_powers(10, 3)[0])
    assert writer.finish() is None
    with pytest.raises(ValueError, match="finish"):
        writer.append(np.zeros((10, 6)))
    with pytest.raises(ValueError, match="0 components"):
        CrossPowerWriter(folder / "1.npy", components=0)
