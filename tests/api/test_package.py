"""The package itself: quick to import, complete to look at, one way to fail."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import roomplan
import roomplan.acoustics
import roomplan.loudness

ROOT = Path(roomplan.__file__).parent


def in_a_new_process(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_importing_takes_less_than_50_ms_of_the_processor():
    code = "import time; start = time.process_time(); import roomplan; print(time.process_time() - start)"
    assert min(float(in_a_new_process(code)) for _attempt in range(3)) < 0.05


def test_importing_loads_no_numpy_and_of_the_program_what_fetches_names_alone():
    heavy = ("numpy", "scipy", "rich", "pydantic", "soundfile", "ruamel", "matplotlib", "typer")
    code = (
        "import sys, roomplan; roomplan.__version__; dir(roomplan);"
        "print(' '.join(m for m in sys.modules"
        f" if m.split('.')[0] in {heavy!r} or m.startswith('roomplan.')))"
    )
    assert in_a_new_process(code).split() == ["roomplan._version", "roomplan.late_names"]


def test_every_public_name_can_be_fetched_from_a_fresh_package_and_is_listed():
    code = "import roomplan\nfor name in roomplan.__all__: getattr(roomplan, name)\nprint(*dir(roomplan))"
    assert set(roomplan.__all__) <= set(in_a_new_process(code).split())


def test_all_from_star_is_what_is_public():
    code = "from roomplan import *\nprint(load.__name__, PlanError.__name__)"
    assert in_a_new_process(code).split() == ["load", "PlanError"]


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'laod'"):
        roomplan.laod  # noqa: B018  # pyright: ignore[reportAttributeAccessIssue]


def test_no_public_name_is_that_of_a_package_which_would_take_its_place_when_imported():
    packages = {
        path.stem for path in ROOT.iterdir() if path.suffix == ".py" or (path / "__init__.py").is_file()
    }
    assert {"loudness", "rooms", "plan"} <= packages
    assert not packages & set(roomplan.__all__)


@pytest.mark.parametrize("package", [roomplan, roomplan.acoustics, roomplan.loudness])
def test_the_stubs_the_table_and_the_list_of_names_agree(package):
    tree = ast.parse(Path(package.__file__).read_text(encoding="utf-8"))
    at_once = names_imported(tree.body)
    (stubs,) = (names_imported(node.body) for node in tree.body if isinstance(node, ast.If))
    assert stubs == {f"{package.__name__}.{module}": set(names) for module, names in package._NAMES.items()}
    now = {name for names in at_once.values() for name in names} - {
        "TYPE_CHECKING",
        "late_names",
        "annotations",
    }
    assert now | {name for names in stubs.values() for name in names} == set(package.__all__)


def names_imported(body):
    return {
        node.module: {name.name for name in node.names} for node in body if isinstance(node, ast.ImportFrom)
    }


@pytest.mark.parametrize("package", [roomplan, roomplan.acoustics, roomplan.loudness])
def test_a_name_is_itself_also_after_all_modules_of_its_package_were_imported(package):
    code = (
        "import pkgutil, types, importlib\n"
        f"package = importlib.import_module({package.__name__!r})\n"
        "for module in pkgutil.iter_modules(package.__path__):\n"
        "    importlib.import_module(f'{package.__name__}.{module.name}')\n"
        "print(*(n for n in package.__all__ if isinstance(getattr(package, n), types.ModuleType)))"
    )
    assert in_a_new_process(code).split() == []


@pytest.mark.parametrize(
    "call",
    [
        lambda: roomplan.load("no_plan.yaml"),
        lambda: roomplan.check("no_plan.yaml"),
        lambda: roomplan.render("no_plan.yaml"),
        lambda: roomplan.render_arrays("no_plan.yaml"),
        lambda: roomplan.render_blocks("no_plan.yaml"),
        lambda: roomplan.compare("no_plan.yaml", "plan.yaml"),
        lambda: roomplan.compare("stems", "plan.yaml"),
        lambda: roomplan.load("plan.yaml", mute=["chior"]),
        lambda: roomplan.render("plan.yaml", "out", only=["section:chior"]),
        lambda: roomplan.render("plan.yaml", "stems"),
        lambda: roomplan.render_arrays("plan.yaml", ["section:chior"]),
        lambda: roomplan.measure("no.wav"),
        lambda: roomplan.measure("plan.yaml"),
        lambda: roomplan.measure("nave.wav", bands="fifth"),  # pyright: ignore[reportArgumentType, reportCallIssue]
        lambda: roomplan.measure_loudness("no.wav"),
        lambda: roomplan.measure_loudness("nave.wav", roles="left,rihgt"),
        lambda: roomplan.room("no_such_room"),
        lambda: roomplan.room("no_such_room.yaml"),
    ],
)
@pytest.mark.usefixtures("folder")
def test_whatever_is_wrong_with_what_is_handed_in_is_an_error_of_the_family(call):
    with pytest.raises(roomplan.RoomplanError):
        call()


@pytest.mark.usefixtures("folder")
def test_all_problems_of_a_plan_come_at_once():
    found = roomplan.problems("broken.yaml")
    with pytest.raises(roomplan.PlanError) as caught:
        roomplan.load("broken.yaml")
    assert list(caught.value.problems) == found
    assert len(found) == 2


def test_the_earlier_name_of_third_octaves_measures_the_same_with_a_warning(folder):
    path = next(folder.rglob("nave.wav"))
    with pytest.deprecated_call(match="third_octave"):
        before = roomplan.measure(path, bands="third")  # pyright: ignore[reportArgumentType, reportCallIssue]
    assert before.channels == roomplan.measure(path, bands="third_octave").channels
