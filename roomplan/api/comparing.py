"""Plans, results and rendered folders side by side.

Conventions
-----------
The first is the reference; a difference is the other minus the first, in LU, dB and seconds, audible ones in
JND too. A plan is measured (or answered from the cache), a result is taken as it is, a folder
is read from its report.json.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.api.faces import html_of
from roomplan.api.plans import OpenPlan
from roomplan.api.rendering import Checked
from roomplan.api.side_by_side import compared_sides
from roomplan.report.comparison import compare_document, differences_of_bus, labels_of, plan_changes
from roomplan.show.balance_tables import speech_lines, targets_of_plans
from roomplan.show.compare_tables import change_lines, comparison_table, margin_table

if TYPE_CHECKING:
    from rich.table import Table
    from rich.text import Text

    from roomplan.api.plans import PathLike
    from roomplan.api.side_by_side import Side
    from roomplan.report.comparison import Compared
    from roomplan.report.documents import Document

    Comparable = OpenPlan | Checked | PathLike

__all__ = ["Comparison", "compare"]


@dataclass(frozen=True, repr=False, eq=False)
class Comparison:
    """What differs between plans, and by how much.

    Attributes
    ----------
    sides : tuple of Side
        The first is the reference; `results` of each are what it reaches of its own targets.

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

    sides: tuple[Side, ...]

    @property
    def compared(self) -> tuple[Compared, ...]:
        """Each with its figures, as report.json has them, in its `document`."""
        return tuple(side.compared for side in self.sides)

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
        """Everything as plain values: what `roomplan compare --passages --json` prints."""
        return compare_document(self.compared, passages=True)

    def __repr__(self) -> str:
        return f"<{type(self).__name__} of {', '.join(self.labels)}>"

    def _repr_html_(self) -> str:
        first = self.compared[0]
        items: list[Table | Text] = [*change_lines(self.compared)]
        items += [comparison_table(first, other) for other in self.compared[1:]]
        results = {side.label: side.results for side in self.sides if side.results}
        more = margin_table(self.compared), targets_of_plans(results)
        asked = [result.target for found in results.values() for result in found]
        return html_of([*items, *(table for table in more if table is not None), *speech_lines(asked)])


def compare(first: Comparable, other: Comparable, *more: Comparable) -> Comparison:
    """Compare plans with a first one: what they say differently, and what one would hear of it.

    Parameters
    ----------
    first, other, *more : OpenPlan, Checked, Rendered, str or path
        A path is that of a plan, of a folder that was rendered into, or of the report.json in it.

    Raises
    ------
    PlanError
        All problems of all plans.
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
    given = [_given(side) for side in (first, other, *more)]
    places = [one if isinstance(one, Path) else one.session.plan.source for one in given]
    sides = [one.session if isinstance(one, OpenPlan) else one for one in given]
    return Comparison(tuple(compared_sides(sides, labels_of(places))))


def _given(side: Comparable) -> OpenPlan | Checked | Path:
    return side if isinstance(side, OpenPlan | Checked) else Path(side)
