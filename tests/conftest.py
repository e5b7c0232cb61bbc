"""What all tests share: a fixed hypothesis profile, plain terminals, versions in the header."""

from __future__ import annotations

import gc
import importlib.metadata
import os
import shutil
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

# As the command does for itself, before numpy is there: threads of BLAS wait for one another in a busy loop;
# beside those of a pass, or of another process, they cost a test of two seconds ten minutes.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
import soundfile
from hypothesis import HealthCheck, settings

import roomplan
from roomplan.audio.bext import bext_chunk, reserve_bext, write_bext

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

settings.register_profile(
    "roomplan",
    derandomize=True,
    deadline=None,
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
settings.load_profile("roomplan")


def pytest_report_header() -> list[str]:
    """Name the code under test and the libraries that decide its figures."""
    libraries = (
        "numpy",
        "scipy",
        "soundfile",
        "soxr",
        "pyloudnorm",
        "pydantic",
        "ruamel.yaml",
        "typer",
        "rich",
    )
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in libraries)
    return [f"roomplan {roomplan.__version__} from {roomplan.__file__}", versions]


@pytest.fixture(scope="session")
def state_time() -> Callable[[Path, int], None]:
    """Give a finished WAV a time reference: the file is written anew, with room for it."""

    def state(path: Path, samples: int) -> None:
        with soundfile.SoundFile(path) as sound:
            frames, rate, subtype, form = (
                sound.read(always_2d=True),
                sound.samplerate,
                sound.subtype,
                sound.format,
            )
        with soundfile.SoundFile(path, "w", rate, frames.shape[1], subtype, format=form) as sound:
            reserve_bext(sound)
            sound.write(frames)
        write_bext(path, bext_chunk(samples=samples))

    return state


@pytest.fixture(scope="session", autouse=True)
def state_of_nobody(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """One folder of state for all processes of all tests, which is not the user's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(autouse=True)
def plain_terminal(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """No colour, a fixed width, and a home and a cache that are nobody's."""
    for name in ("FORCE_COLOR", "CLICOLOR_FORCE", "PY_COLORS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "dumb")
    monkeypatch.setenv("COLUMNS", "110")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("ROOMPLAN_CACHE", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture
def tenfold_cost() -> Callable[[Callable[[], object], Callable[[], object]], float]:
    """How many times the processor time of some work ten times the work takes, in one run.

    The least of five each, taken in turn, since a busy machine only ever adds. About 10 where the work grows
    with what there is (10.3 to 11.7 measured), towards 100 where a part of it grows with its square. A limit
    of 15 finds such a part once it takes two fifths of the whole.
    """

    def cost(work: Callable[[], object]) -> float:
        gc.collect()
        gc.disable()  # its passes cost what all tests before have left on the heap
        try:
            begun = time.process_time()
            work()
            return time.process_time() - begun
        finally:
            gc.enable()

    def tenfold(some: Callable[[], object], ten_times: Callable[[], object]) -> float:
        pairs = [(cost(some), cost(ten_times)) for _turn in range(5)]
        return min(many for _few, many in pairs) / min(few for few, _many in pairs)

    return tenfold


@pytest.fixture
def ordinary_user():
    """Act as a user who is not root, in a folder that is theirs."""
    place = Path(tempfile.mkdtemp())
    is_root = os.geteuid() == 0
    if is_root:
        os.chown(place, 65534, 65534)
        os.seteuid(65534)
    yield place
    if is_root:
        os.seteuid(0)
    for path in [place, *place.rglob("*")]:
        path.chmod(0o755)
    shutil.rmtree(place)
