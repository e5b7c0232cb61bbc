"""Names of a package that are fetched from its modules when they are first asked for (PEP 562).

So importing one module of a package does not load all the others.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from typing import Any

__all__ = ["late_names"]


def late_names(package: str, modules: Mapping[str, tuple[str, ...]]) -> Callable[[str], Any]:
    """Return the `__getattr__` of a package.

    Parameters
    ----------
    package : str
        Its `__name__`.
    modules : mapping of str to tuple of str
        Module, relative to the package → the names it gives. None may be that of a module of the package,
        which would take its place.
    """
    module_of = {name: module for module, names in modules.items() for name in names}

    def fetch(name: str) -> Any:
        if name not in module_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(f"{package}.{module_of[name]}"), name)
        setattr(sys.modules[package], name, value)  # asked for once
        return value

    return fetch
