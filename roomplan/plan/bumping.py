"""The next version of a plan, written in the place of the one it has.

Conventions
-----------
A version is a text that ends in a number, which is counted up: `3`, `v3`, `1.9` and `02` are followed by `4`,
`v4`, `1.10` and `03`. A whole number stays one, a text stays a text. It is written in the plan itself, also
when it comes from a plan that this one extends.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from roomplan.documents.edits import edited_text
from roomplan.documents.rewriting import read_original, write_edited
from roomplan.documents.wording import quoted
from roomplan.errors import Place, PlanError, RoomplanError
from roomplan.plan.load import load_plan
from roomplan.plan.templates import fields_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from roomplan.plan.load import LoadedPlan

__all__ = ["bump_version", "next_version", "require_version_in_names"]

_NUMBER_AT_END = re.compile(r"[0-9]+\Z")


def next_version(version: str) -> str | None:
    """Return the version after one; None for a text that ends in no number."""
    found = _NUMBER_AT_END.search(version)
    if found is None:
        return None
    return version[: found.start()] + str(int(found[0]) + 1).zfill(len(found[0]))


def require_version_in_names(loaded: LoadedPlan, deliveries: Iterable[str], *, in_own_folders: bool) -> None:
    """Refuse deliveries whose next version would replace this one, for want of `{version}` in their names.

    Parameters
    ----------
    loaded : LoadedPlan
        Without problems.
    in_own_folders : bool
        Whether they go to the folders that the plan gives them.

    Raises
    ------
    RoomplanError
        Names the first of them.
    """
    written = loaded.written.data.get("deliveries", {}) if loaded.written is not None else {}
    for name in deliveries:
        words = written.get(name, {})
        templates = [words.get("file_name", ""), words.get("folder", "") if in_own_folders else ""]
        if not any("version" in fields_of(template) for template in templates):
            raise RoomplanError(
                f"delivery {name}: its next version would replace this one: its names hold no {{version}}",
                remedy="put {version} into its `folder` or `file_name`, or give `--replace`",
            )


def bump_version(path: Path) -> tuple[str, str, Path | None]:
    """Write the next version into a plan.

    Parameters
    ----------
    path : Path
        A plan with a version, and no report.

    Returns
    -------
    tuple of str, str and Path
        The version before, the one it has now, and where the old file is kept.

    Raises
    ------
    PlanError
        The plan has problems.
    RoomplanError
        Its version ends in no number; the file cannot be changed (`edited_text`, `write_edited`). Nothing is
        written then.
    """
    loaded = load_plan(path)
    if loaded.plan is None or loaded.problems or loaded.written is None:
        raise PlanError(loaded.problems)
    before = loaded.plan.version or ""
    after = next_version(before)
    if after is None:
        raise RoomplanError(
            f"version {quoted(before)} does not end in a number",
            remedy="write the next one yourself",
            place=Place(path),
        )
    value = int(after) if isinstance(loaded.written.data["version"], int) else after
    original = read_original(path)
    kept = write_edited(original, edited_text(original.text, {("version",): value}, file=path))
    return before, after, kept
