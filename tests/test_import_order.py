"""Which package may import which: the list in DEVELOPERS.md, held against every import there is."""

from __future__ import annotations

import ast
import re
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import roomplan

PACKAGE = Path(roomplan.__file__).parent
PAGE = Path(__file__).parents[1] / "DEVELOPERS.md"
ORDER = re.findall(r"^  (\w+)(?:/|\.py) ", PAGE.read_text(encoding="utf-8"), re.MULTILINE)


def imported(source: str, module: str) -> list[tuple[int, str]]:
    """Lines and packages of roomplan that a module imports from, wherever in it; "" is roomplan itself."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            above = module.split(".")[: -node.level] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            names = [f"{base}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            # `roomplan` itself gives the names of `api`
            names = [f"{node.value.id}.{node.attr}"]
        else:
            continue
        for name in names:
            root, _, rest = name.partition(".")
            package = rest.partition(".")[0]
            if root == "roomplan":
                found.append((node.lineno, "api" if package in roomplan.__all__ else package))
    return found


def upward(source: str, module: str) -> list[str]:
    """Imports of a module from below it in the list."""
    own = ORDER.index(module.split(".")[1])
    return [
        f"{module}, line {line}: {package}"
        for line, package in imported(source, module)
        if package and ORDER.index(package) > own
    ]


def modules() -> dict[str, Path]:
    files = {file.relative_to(PACKAGE.parent): file for file in PACKAGE.rglob("*.py")}
    return {".".join(path.with_suffix("").parts): file for path, file in files.items()}


def test_the_list_names_every_package_and_module_once():
    there = {
        path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or (path / "__init__.py").is_file()
    }
    assert sorted(ORDER) == sorted(there - {"__init__"})


def test_a_package_imports_only_from_those_above_it():
    inside = {name: file for name, file in modules().items() if name != "roomplan.__init__"}
    assert len(inside) > 150
    assert [fault for name, file in inside.items() for fault in upward(file.read_text("utf-8"), name)] == []


@pytest.mark.parametrize(
    "source",
    [
        "import roomplan.show.tables",
        "import numpy, roomplan.show.tables as tables",
        "from roomplan.show.tables import level",
        "from roomplan.show import tables",
        "from roomplan import show",
        "from roomplan import render",
        "from ..show import tables",
        "from .. import show",
        "def later():\n    from roomplan.show.tables import level",
        "if TYPE_CHECKING:\n    from roomplan.show.tables import level",
        "import roomplan\nroomplan.render('plan.yaml')",
    ],
)
def test_an_import_from_below_is_seen_however_it_is_written(source):
    assert len(upward(source, "roomplan.session.buses")) == 1
    assert upward(source, "roomplan.cli.main") == []


def test_the_version_comes_from_its_own_module_and_not_from_the_face_of_the_package():
    assert upward("from roomplan._version import __version__", "roomplan.session.buses") == []
    assert len(upward("from roomplan import __version__", "roomplan.session.buses")) == 1
    assert len(upward("import roomplan\nroomplan.__version__", "roomplan.session.buses")) == 1


def imported_modules(source: str, module: str, *, is_package: bool, known: set[str]) -> set[str]:
    """Modules of roomplan that a module imports from, for the type checker too."""
    found = set()
    own = module.split(".") if is_package else module.split(".")[:-1]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            above = own[: len(own) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            names = [
                f"{base}.{alias.name}" if f"{base}.{alias.name}" in known else base for alias in node.names
            ]
        else:
            continue
        found.update(name for name in names if name in known and name != module)
    return found


def imports_of_all(files: dict[str, tuple[str, bool]]) -> dict[str, set[str]]:
    """Module → what it imports, from module → its source and whether it is a package."""
    known = set(files)
    return {
        name: imported_modules(source, name, is_package=is_package, known=known)
        for name, (source, is_package) in files.items()
    }


def test_no_module_imports_itself_by_way_of_others():
    files = {
        name.removesuffix(".__init__"): (file.read_text("utf-8"), file.name == "__init__.py")
        for name, file in modules().items()
    }
    TopologicalSorter(imports_of_all(files)).prepare()  # raises where there is a circle, and names it


def test_a_circle_that_only_the_type_checker_follows_is_one():
    files = {
        "roomplan.audio.one": ("if TYPE_CHECKING:\n    from roomplan.audio.two import Two", False),
        "roomplan.audio.two": ("from .one import One", False),
    }
    with pytest.raises(CycleError):
        TopologicalSorter(imports_of_all(files)).prepare()


# What the commands show of a use case comes from `api`, `report` and `show`; these alone are more than that.
OF_THE_COMMAND_LINE = {
    "roomplan._version": "`--version`",
    "roomplan.documents.suggest": "a slip in the name of a topic",
    "roomplan.documents.wording": "a decimal comma in an option; numbers in the help",
    "roomplan.files.resources": "the pages that the help prints are bundled files",
    "roomplan.plan.keys": "the help prints the keys of a plan from their own descriptions",
}
SHOWING = {"api", "show", "report", "errors", "cautions", "foreign_text", "cli"}


def at_run_time(source: str) -> str:
    """Source without what only the type checker sees: a command may name the type of what it hands on."""

    class Without(ast.NodeTransformer):
        def visit_If(self, node: ast.If) -> ast.AST:
            if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
                return ast.Pass()
            return self.generic_visit(node)

    return ast.unparse(Without().visit(ast.parse(source)))


def beyond_showing(source: str, module: str, known: set[str]) -> set[str]:
    """Modules that a command imports when it runs and that neither hold its use case nor show anything."""
    found = imported_modules(at_run_time(source), module, is_package=False, known=known)
    return {name for name in found if name.split(".")[1] not in SHOWING}


def test_a_command_leaves_its_use_case_to_the_library_and_shows_what_that_returns():
    files = modules()
    commands = {name: file for name, file in files.items() if name.startswith("roomplan.cli.")}
    assert len(commands) > 15
    beyond = {
        used
        for name, file in commands.items()
        for used in beyond_showing(file.read_text("utf-8"), name, set(files))
    }
    assert beyond == set(OF_THE_COMMAND_LINE)


def test_a_command_that_computes_is_seen_unless_it_only_names_a_type():
    known = {"roomplan.measuring.responses", "roomplan.api.measuring"}
    computing = "def later():\n    from roomplan.measuring.responses import measure_file"
    naming = "if TYPE_CHECKING:\n    from roomplan.measuring.responses import MeasuredFile"
    assert beyond_showing(computing, "roomplan.cli.measure", known) == {"roomplan.measuring.responses"}
    assert beyond_showing(naming, "roomplan.cli.measure", known) == set()
    assert (
        beyond_showing("from roomplan.api.measuring import measure", "roomplan.cli.measure", known) == set()
    )
