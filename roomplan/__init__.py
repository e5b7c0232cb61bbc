"""roomplan: reverb send-matrix planner and impulse-response convolver."""

from __future__ import annotations

__version__ = "0.1.0"

__all__ = ["__version__"]
