"""Measuring many response files: which ones, in which order, through which executor, and what goes wrong."""

from __future__ import annotations

import os
import pickle
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

from roomplan.acoustics.filters import octaves, thirds
from roomplan.acoustics.speech import SpeechSpectrum
from roomplan.errors import AudioError, RoomplanError
from roomplan.files.folders import find_sounds
from roomplan.measuring import responses as measuring
from roomplan.measuring.attempts import Unmeasured
from roomplan.measuring.responses import (
    MeasuredFile,
    MeasuringChoice,
    all_cores,
    curves_of_file,
    measure_file,
    measure_files,
)

FEW = MeasuringChoice(filters=octaves(lowest_hz=500, highest_hz=1000))


@pytest.fixture
def response(write_sound, decaying_noise):
    """Write a response with a decay of 0.4 s, as short as its octaves allow."""

    def make(name: str, *, channels: int = 1, seed: int = 1, time_s: float = 0.4) -> Path:
        path = Path(name)
        samples = decaying_noise(time_s, length_s=0.5, channels=channels, sample_rate=24_000, seed=seed)
        return write_sound(str(path), samples, sample_rate=24_000, subtype="FLOAT")

    return make


@pytest.fixture
def folder(tmp_path):
    """Make empty files by their names; returns the folder."""

    def make(*names: str) -> Path:
        for name in names:
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch()
        return tmp_path

    return make


class LazyExecutor(Executor):
    """Works only when a result is asked for, and counts what waits."""

    def __init__(self) -> None:
        self.most_waiting = self.waiting = self.worked = 0
        self.futures: list[LazyFuture] = []

    def submit(self, fn, /, *args, **kwargs):
        self.waiting += 1
        self.most_waiting = max(self.most_waiting, self.waiting)
        future = LazyFuture(self, lambda: fn(*args, **kwargs))
        self.futures.append(future)
        return future


class LazyFuture(Future):
    def __init__(self, executor: LazyExecutor, work) -> None:
        super().__init__()
        self._executor, self._work = executor, work

    def result(self, timeout=None):
        del timeout
        self._executor.waiting -= 1
        self._executor.worked += 1
        return self._work()


class BreakingExecutor(Executor):
    """Loses its process at the second bundle and takes no more work afterwards, as process pools do."""

    def __init__(self) -> None:
        self.count = 0

    def submit(self, fn, /, *args, **kwargs):
        self.count += 1
        if self.count > 3:
            raise BrokenProcessPool
        future: Future = Future()
        if self.count > 1:
            future.set_exception(BrokenProcessPool())
        else:
            future.set_result(fn(*args, **kwargs))
        return future


def names(paths, root):
    return [path.relative_to(root).as_posix() for path in paths]


# --- which files


def test_a_folder_gives_the_sound_files_in_and_under_it_in_natural_order(folder):
    root = folder(
        "seat 10.wav", "seat 2.WAV", "Seat 1.flac", "balcony/b.aiff", "balcony/deep/c.ogg", "notes.txt", "x"
    )
    assert names(find_sounds([root]), root) == [
        "Seat 1.flac",
        "seat 2.WAV",
        "seat 10.wav",
        "balcony/b.aiff",
        "balcony/deep/c.ogg",
    ]


def test_hidden_files_folders_and_resource_forks_are_passed_over(folder):
    root = folder("a.wav", "._a.wav", ".b.wav", ".trash/c.wav", "sub/._d.wav", "sub/d.wav")
    assert names(find_sounds([root]), root) == ["a.wav", "sub/d.wav"]


def test_a_folder_may_be_called_like_a_sound_file(folder):
    root = folder("nave.wav/front.wav")
    assert names(find_sounds([root]), root) == ["nave.wav/front.wav"]


def test_files_stay_in_the_order_given_and_are_not_judged_by_their_name(folder):
    root = folder("b.wav", "a.dat")
    given = [root / "b.wav", root / "a.dat", root / "missing.wav"]
    assert find_sounds(given) == given


def test_a_file_given_twice_counts_once_where_it_stood_first(folder, monkeypatch):
    root = folder("b.wav", "a.wav", "sub/c.wav")
    monkeypatch.chdir(root)
    found = find_sounds([Path("b.wav"), root, root / "sub", root / "sub/../a.wav", Path("./b.wav")])
    assert found == [Path("b.wav"), root / "a.wav", root / "sub/c.wav"]


def test_an_empty_folder_is_refused_by_name(folder, tmp_path):
    folder("texts/readme.txt")
    with pytest.raises(RoomplanError, match="texts: no sound file"):
        find_sounds([tmp_path / "texts"])


def test_a_folder_that_may_not_be_read_is_refused_by_name(folder, monkeypatch):
    root = folder("open.wav", "locked/a.wav")
    scandir = os.scandir

    def locked(path):
        if Path(path).name == "locked":
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", locked)  # a test may run as one who may read everything
    with pytest.raises(RoomplanError, match="locked: Permission denied"):
        find_sounds([root])


def test_a_name_no_system_can_have_is_left_to_the_measuring():
    path = Path("n" * 5000 + ".wav")
    assert find_sounds([path]) == [path]
    (result,) = measure_files([path], FEW)
    assert isinstance(result, Unmeasured)


# --- one file


def test_every_channel_is_measured_with_its_number(response):
    found = measure_file(response("three.wav", channels=3), FEW)
    assert found.channel_numbers == (1, 2, 3)
    assert len(found.figures.channels) == 3
    assert (found.sample_rate, found.duration_s) == (24_000, 0.5)


def test_a_chosen_channel_has_the_figures_it_has_among_all(response):
    path = response("three.wav", channels=3)
    every = measure_file(path, FEW)
    one = measure_file(path, MeasuringChoice(FEW.filters, channel=2))
    assert one.channel_numbers == (2,)
    assert one.figures.channels == (every.figures.channels[1],)


def test_a_channel_a_file_does_not_have_is_an_error_that_counts_its_channels(response):
    path = response("pair.wav", channels=2)
    with pytest.raises(AudioError, match=r"no channel 3 — its channels are 1 to 2"):
        measure_file(path, MeasuringChoice(channel=3))
    (result,) = measure_files([path], MeasuringChoice(channel=3))
    assert isinstance(result, Unmeasured)
    assert "1 to 2" in result.what


def test_curves_are_those_of_the_chosen_channels_and_bands(response):
    path = response("pair.wav", channels=2)
    every = curves_of_file(path, FEW)
    assert [[curve.centre_hz for curve in channel] for channel in every] == [[500, 1000]] * 2
    (second,) = curves_of_file(path, MeasuringChoice(FEW.filters, channel=2))
    np.testing.assert_array_equal(second[0].level_db, every[1][0].level_db)


def test_what_looks_wrong_is_a_warning_beside_the_figures(write_sound, decaying_noise):
    samples = decaying_noise(0.4, length_s=0.5, channels=2, sample_rate=24_000)
    samples[:, 1] = 0.0
    found = measure_file(write_sound("half.wav", samples, sample_rate=24_000), FEW)
    assert any("channel 2 is silent" in warning for warning in found.warnings)
    silent = found.figures.channels[1].decay
    assert silent.verdict == "unusable"
    assert silent.bands[0].edt_s is None


# --- many files


@pytest.fixture
def lot(response, write_sound):
    """Twenty files in order: every seventh is none, every other has another decay."""
    paths = []
    for number in range(20):
        if number % 7 == 3:
            paths.append(write_sound(f"{number}.wav", np.zeros((100, 1)), sample_rate=24_000))
        else:
            paths.append(response(f"{number}.wav", seed=number, time_s=0.2 + 0.01 * number))
    return paths


def test_one_bad_file_never_stops_the_rest(lot, tmp_path):
    (tmp_path / "text.wav").write_text("no sound at all", encoding="utf-8")
    (tmp_path / "empty.wav").touch()
    paths = [
        tmp_path / "missing.wav",
        lot[0],
        tmp_path / "text.wav",
        tmp_path,
        tmp_path / "empty.wav",
        *lot[1:],
    ]
    results = list(measure_files(paths, FEW))
    assert [result.path for result in results] == paths
    bad = [result for result in results if isinstance(result, Unmeasured)]
    assert len(bad) == 4 + 3
    for result in bad:
        assert str(result.path) in result.what
        assert "\n" not in result.what


@pytest.mark.skipif(os.name == "nt", reason="names are text there")
def test_a_name_that_is_no_text_is_no_end_either(response):
    path = response("nave.wav")
    odd = Path(os.fsdecode(os.fsencode(path.with_name("a")) + b"\xff.wav"))
    path.rename(odd)
    (result,) = measure_files([odd], FEW)
    assert result.path == odd


@pytest.mark.parametrize("error", [MemoryError(), OSError(5, "Input/output error")])
def test_a_machine_at_its_limits_is_a_line_for_that_file(lot, monkeypatch, error):
    def fail(_path, *, force):  # noqa: ARG001 - as the function it stands in for
        raise error

    monkeypatch.setattr(measuring, "read_for_measuring", fail)
    results = list(measure_files(lot[:2], FEW))
    assert all(isinstance(result, Unmeasured) and str(result.path) in result.what for result in results)


def test_results_are_equal_and_in_order_through_threads(lot):
    here = list(measure_files(lot, FEW))
    with ThreadPoolExecutor(2) as executor:
        assert list(measure_files(lot, FEW, executor=executor)) == here


def test_results_are_equal_and_in_order_through_processes(lot):
    choice = MeasuringChoice(
        filters=thirds(lowest_hz=1000, highest_hz=1250), spectrum=SpeechSpectrum(noise_db=(30.0,) * 7)
    )
    here = list(measure_files(lot[:9], choice))
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as executor:
        assert list(measure_files(lot[:9], choice, executor=executor)) == here


def test_results_and_choices_survive_pickling(response):
    found = measure_file(response("pair.wav", channels=2), FEW)
    assert pickle.loads(pickle.dumps(found)) == found  # noqa: S301 - our own bytes
    choice = MeasuringChoice(thirds(), 2, SpeechSpectrum())
    assert pickle.loads(pickle.dumps(choice)) == choice  # noqa: S301


def fake_results(monkeypatch):
    monkeypatch.setattr(measuring, "_try_file", lambda path, _choice: Unmeasured(path, "fake"))


def test_only_a_few_bundles_wait_however_many_files_there_are(monkeypatch):
    fake_results(monkeypatch)
    monkeypatch.setattr(measuring.os, "cpu_count", lambda: 2)
    paths = [Path(f"{number}.wav") for number in range(1003)]
    executor = LazyExecutor()
    results = list(measure_files(paths, FEW, executor=executor))
    assert [result.path for result in results] == paths
    assert executor.worked == len(executor.futures) == 126  # 1003 files, eight to a bundle
    assert 2 <= executor.most_waiting <= 6  # three for each core


def test_the_first_results_come_before_the_last_files_are_handed_over(monkeypatch):
    fake_results(monkeypatch)
    monkeypatch.setattr(measuring.os, "cpu_count", lambda: 2)
    executor = LazyExecutor()
    results = measure_files([Path(f"{number}.wav") for number in range(800)], FEW, executor=executor)
    next(results)
    assert len(executor.futures) <= 6


def test_stopping_early_cancels_what_has_not_begun(monkeypatch):
    fake_results(monkeypatch)
    executor = LazyExecutor()
    results = measure_files([Path(f"{number}.wav") for number in range(400)], FEW, executor=executor)
    next(results)
    results.close()  # pyright: ignore[reportAttributeAccessIssue] - it is a generator
    assert executor.worked == 1
    assert [future.cancelled() for future in executor.futures] == [
        False,
        *[True] * (len(executor.futures) - 1),
    ]
    assert len(executor.futures) > 1


def test_a_process_that_dies_costs_its_files_and_no_traceback(monkeypatch):
    fake_results(monkeypatch)
    monkeypatch.setattr(measuring.os, "cpu_count", lambda: 1)
    paths = [Path(f"{number}.wav") for number in range(50)]
    results = list(measure_files(paths, FEW, executor=BreakingExecutor()))
    assert [result.path for result in results] == paths
    assert [result.what for result in results if isinstance(result, Unmeasured)][:8] == ["fake"] * 8
    assert all(isinstance(result, Unmeasured) and "has died" in result.what for result in results[8:])


def test_no_files_give_no_results():
    assert list(measure_files([], FEW)) == []
    assert list(measure_files([], FEW, executor=LazyExecutor())) == []


def test_processes_are_started_only_where_many_files_pay_for_them(monkeypatch):
    monkeypatch.setattr(measuring.os, "cpu_count", lambda: 2)
    assert all_cores(10) is None
    executor = all_cores(1000)
    assert isinstance(executor, ProcessPoolExecutor)
    executor.shutdown()
    monkeypatch.setattr(measuring.os, "cpu_count", lambda: 1)
    assert all_cores(1000) is None


def test_a_measured_file_says_what_it_is(response):
    path = response("nave.wav")
    (result,) = measure_files([path], FEW)
    assert isinstance(result, MeasuredFile)
    assert result.figures.channels[0].decay.mid.t30_s == pytest.approx(
        0.4, rel=0.15
    )  # one seed's scatter: 4 %
