"""Plans, results and rendered folders side by side.

Conventions
-----------
The first is the reference; a difference is the other minus the first, in LU, dB and seconds, audible ones in
JND too. A plan is rendered (or answered from the cache), a result is taken as it is, a folder
speaks through its report.json.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.api.faces import html_of
from roomplan.api.plans import OpenPlan, opened
from roomplan.api.rendering import Checked, check
from roomplan.api.side_by_side import asking_alike
from roomplan.report.comparison import (
    Compared,
    compare_document,
    differences_of_bus,
    labels_of,
    plan_changes,
)
from roomplan.report.documents import session_part, sound_part
from roomplan.report_file import read_report
from roomplan.show.compare_tables import change_lines, comparison_table, margin_table

if TYPE_CHECKING:
    from rich.table import Table
    from rich.text import Text

    from roomplan.api.plans import PathLike
    from roomplan.report.documents import Document

    Comparable = OpenPlan | Checked | PathLike

__all__ = ["Comparison", "compare"]


@dataclass(frozen=True, repr=False, eq=False)
class Comparison:
    """What differs between plans, and by how much.

    Attributes
    ----------
    compared : tuple of Compared
        The first is the reference; `document` of each holds its figures as report.json does.

    Examples
    --------
    >>> comparison = roomplan.compare("plan.yaml", "wetter.yaml")
    >>> isinstance(comparison, roomplan.Comparison)
    True
    >>> comparison
    <Comparison of plan, wetter>
    >>> sorted(comparison.document())
    ['differences', 'hearing_note', 'note', 'plans', 'roomplan', 'schema']
    """

    compared: tuple[Compared, ...]

    @property
    def labels(self) -> tuple[str, ...]:
        """What tells them apart, the reference first."""
        return tuple(one.label for one in self.compared)

    @property
    def changes(self) -> dict[str, list[str]]:
        """Label → what that plan says differently from the first, one line each."""
        first = self.compared[0].document
        return {one.label: plan_changes(first, one.document) for one in self.compared[1:]}

    @property
    def differences(self) -> dict[str, dict[str, Document]]:
        """Label → bus → figures minus those of the first; buses that both have."""
        first = {bus["name"]: bus for bus in self.compared[0].document["buses"]}
        return {
            one.label: {
                bus["name"]: differences_of_bus(first[bus["name"]], bus)
                for bus in one.document["buses"]
                if bus["name"] in first
            }
            for one in self.compared[1:]
        }

    def document(self) -> Document:
        """Everything as plain values: what `roomplan compare --passages --json` prints, without targets."""
        return compare_document(self.compared, passages=True)

    def __repr__(self) -> str:
        return f"<{type(self).__name__} of {', '.join(self.labels)}>"

    def _repr_html_(self) -> str:
        first = self.compared[0]
        items: list[Table | Text] = [*change_lines(self.compared)]
        items += [comparison_table(first, other) for other in self.compared[1:]]
        margins = margin_table(self.compared)
        return html_of([*items, *([] if margins is None else [margins])])


def compare(first: Comparable, other: Comparable, *more: Comparable) -> Comparison:
    """Compare plans with a first one: what they say differently, and what one would hear of it.

    Parameters
    ----------
    first, other, *more : OpenPlan, Checked, Rendered, str or path
        A path is that of a plan, of a folder that was rendered into, or of the report.json in it.

    Raises
    ------
    PlanError
        As `load`.
    RoomplanError
        A folder without a report of a render.

    Notes
    -----
    Plans are asked for the margins and passages of each other, so that both have them; results and folders
    have those that they have. What is answered from the cache has no peaks.

    Examples
    --------
    >>> comparison = roomplan.compare("plan.yaml", "wetter.yaml")
    >>> comparison.changes["wetter"]
    ['send choir → nave: level −8.0 dB → −5.0 dB']
    >>> round(comparison.differences["wetter"]["section:choir:wet"]["integrated_lu"], 1)
    3.0

    A result against what is on the disk:

    >>> rendered = roomplan.render("plan.yaml", "before", only=["mix"])
    >>> roomplan.compare("before", roomplan.check("wetter.yaml")).labels
    ('before', 'wetter')
    """
    sides = [_prepared(side) for side in (first, other, *more)]
    asking = iter(asking_alike([side.session for side in sides if isinstance(side, OpenPlan)]))
    compared = []
    for side, label in zip(sides, labels_of([_source(side) for side in sides]), strict=True):
        if isinstance(side, Path):
            compared.append(Compared(label, read_report(side).document, "report"))
            continue
        found = side if isinstance(side, Checked) else check(replace(side, session=next(asking)))
        document = session_part(found) | sound_part(found)
        compared.append(Compared(label, document, document["answered_from"]))
    return Comparison(tuple(compared))


def _prepared(side: Comparable) -> OpenPlan | Checked | Path:
    """A plan from its file; folders and reports stay paths."""
    if isinstance(side, OpenPlan | Checked):
        return side
    path = Path(side)
    return path if path.is_dir() or path.suffix.lower() == ".json" else opened(path)


def _source(side: OpenPlan | Checked | Path) -> Path:
    return side if isinstance(side, Path) else side.session.plan.source
