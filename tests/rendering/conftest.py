"""The small cue on disk."""

from __future__ import annotations

from ensemble import ensemble
from small_cue import cue, decay, pink, shared_cue

__all__ = ["cue", "decay", "ensemble", "pink", "shared_cue"]
