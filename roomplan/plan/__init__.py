"""The plan: its model, and a loader that finds every problem at once.

Import `roomplan.plan.model` for the frozen dataclasses and `roomplan.plan.load` for `load_plan` and
`plan_schema`; neither is imported here, so that the model stays free of the cost of the loader.
"""

from __future__ import annotations

__all__: list[str] = []
