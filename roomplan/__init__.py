"""roomplan: reverb send-matrix planner and impulse-response convolver, as a command and as a library.

    >>> import roomplan
    >>> plan = roomplan.load("plan.yaml")                   # or every problem of it, as one error
    >>> round(roomplan.check(plan).bus("section:choir").wet_to_dry_db, 1)
    -7.9
    >>> rendered = roomplan.render(plan, "render", only=["mix"])
    >>> mix = roomplan.render_arrays(plan)["mix"]           # numpy, (frames, 2)
    >>> roomplan.measure("nave.wav").channels[0].decay.verdict
    'good'

`roomplan.api` says what there is and how it fits together. Importing the package loads nothing else, not
even numpy: each name is fetched from its module when it is first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.late_names import late_names

if TYPE_CHECKING:
    from roomplan.api.capturing import Captured, capture_responses
    from roomplan.api.comparing import Comparison, compare
    from roomplan.api.measuring import Measured, Metered, measure, measure_loudness
    from roomplan.api.plans import OpenPlan, load, load_with_arrays, problems
    from roomplan.api.rendering import Checked, Rendered, check, render, render_arrays, render_blocks
    from roomplan.api.sweeps import PlayedSweep, sweep
    from roomplan.api.synthetic_rooms import SyntheticRoom, room, room_names
    from roomplan.errors import AudioError, Place, PlanError, Problem, RoomplanError

__all__ = [
    "AudioError",
    "Captured",
    "Checked",
    "Comparison",
    "Measured",
    "Metered",
    "OpenPlan",
    "Place",
    "PlanError",
    "PlayedSweep",
    "Problem",
    "Rendered",
    "RoomplanError",
    "SyntheticRoom",
    "__version__",
    "capture_responses",
    "check",
    "compare",
    "load",
    "load_with_arrays",
    "measure",
    "measure_loudness",
    "problems",
    "render",
    "render_arrays",
    "render_blocks",
    "room",
    "room_names",
    "sweep",
]

# module → the names it gives to the package
_NAMES = {
    "errors": ("AudioError", "Place", "PlanError", "Problem", "RoomplanError"),
    "api.capturing": ("Captured", "capture_responses"),
    "api.comparing": ("Comparison", "compare"),
    "api.measuring": ("Measured", "Metered", "measure", "measure_loudness"),
    "api.plans": ("OpenPlan", "load", "load_with_arrays", "problems"),
    "api.rendering": ("Checked", "Rendered", "check", "render", "render_arrays", "render_blocks"),
    "api.sweeps": ("PlayedSweep", "sweep"),
    "api.synthetic_rooms": ("SyntheticRoom", "room", "room_names"),
}
__getattr__ = late_names(__name__, _NAMES)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
