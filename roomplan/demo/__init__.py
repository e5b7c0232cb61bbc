"""The demo: *Ice Harbour*, an invented cue of six dry sections, composed and synthesised here.

`ice_harbour` writes the stems; the plan that seats them in rooms is `configs/ice_harbour.yaml`.
"""

from __future__ import annotations

from roomplan.demo.ice_harbour import CUE_SECONDS, STEMS, write_stems

__all__ = ["CUE_SECONDS", "STEMS", "write_stems"]
