"""What has become of the inputs of a render since."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.errors import PlanError, RoomplanError
from roomplan.files.cache import Cache
from roomplan.files.digests import file_digest
from roomplan.plan.load import load_plan
from roomplan.rendering.progress import silent_progress
from roomplan.report.reproduction import check_reproduction
from roomplan.session.stems import claim_stems

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path
    from typing import Any

    from roomplan.rendering.progress import Progress
    from roomplan.report.reproduction import Input

__all__ = ["ReportInputs", "report_inputs"]


@dataclass(frozen=True)
class ReportInputs:
    """A report of a render, and every input of it with its state now."""

    report: Mapping[str, Any]
    inputs: Sequence[Input]

    @property
    def changed(self) -> int:
        """How many are not what they were."""
        return sum(one.state != "same" for one in self.inputs)


def report_inputs(path: Path, *, progress: Progress = silent_progress) -> ReportInputs:
    """Compare the inputs that a report lists with what is there now, by their content.

    Parameters
    ----------
    progress : callable
        Gets "comparing inputs" once the report is read: a damaged one is the first thing to be said.

    Raises
    ------
    PlanError
        The report cannot be read.
    RoomplanError
        It is a plan.
    """
    loaded = load_plan(path)
    if loaded.plan is None or loaded.written is None:
        raise PlanError(loaded.problems)
    report = loaded.written.report
    if report is None:
        raise RoomplanError(
            f"{path}: is a plan: --check works on the report.json of a render",
            remedy=f"roomplan check {path} checks a plan",
        )
    progress("comparing inputs", 0, 1)
    cache = Cache.open()
    stems = claim_stems(loaded.plan, ignore=loaded.plan.documents)[0]  # its problems show as missing
    inputs = check_reproduction(
        report,
        stems_now={name: [file for one in found for file in one.files] for name, found in stems.items()},
        digest=file_digest if cache is None else cache.files.digest,
    )
    return ReportInputs(report, inputs)
