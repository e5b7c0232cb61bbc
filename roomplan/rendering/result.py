"""What a render or a measurement found."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.errors import Problem
    from roomplan.rendering.bus_figures import BusFigures
    from roomplan.rendering.folder_ownership import LeftOver
    from roomplan.rendering.heard import Output
    from roomplan.rendering.pass_figures import SendFigures
    from roomplan.rendering.passages import MarginOfBuses, PassageOfBus
    from roomplan.rendering.stem_survey import SurveyedFile
    from roomplan.session.buses import BusFamily
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.session import Session

__all__ = ["Rendering"]


@frozen_class
class Rendering:
    """Everything a render or a measurement found; `outputs` is empty when nothing was written.

    `hop_sums` holds the K-weighted power of each bus per 20 ms; `recalled` says that the answers came from
    the cross powers of an earlier pass over the same sounds at other levels. `outputs` has the files of a
    bus in the order of `targets`; `families` are those that are complete in one of them. `folder` is the one
    folder that holds everything, None where deliveries lie apart. `left_over` has, by delivery, what an
    earlier render of the plan wrote and this one did not; `plan_sha256` digests the plan's files as they
    were at the start. `stems` holds what is in the files of the stems; of an excerpt nothing.
    `refused` is, of a measurement, what a render of the plan's deliveries would not be made for.
    `fresh` has the folders in which no finished delivery of this version had been.
    """

    session: Session
    frames: int
    buses: tuple[BusFigures, ...]
    sends: tuple[SendFigures, ...]
    families: tuple[BusFamily, ...]
    outputs: Mapping[str, tuple[Output, ...]]
    folder: Path | None
    warnings: tuple[Problem, ...]
    margins: tuple[MarginOfBuses, ...]
    passages: tuple[PassageOfBus, ...]
    hop_sums: Mapping[str, NDArray[np.float64]]
    recalled: bool
    targets: tuple[DeliveryTarget, ...] = ()
    left_over: Mapping[str, tuple[LeftOver, ...]] = field(default_factory=dict)
    plan_sha256: str | None = None
    stems: tuple[SurveyedFile, ...] = ()
    refused: tuple[Problem, ...] = ()
    fresh: tuple[Path, ...] = ()

    def bus(self, name: str) -> BusFigures:
        """Look a bus up by name."""
        return next(bus for bus in self.buses if bus.name == name)
