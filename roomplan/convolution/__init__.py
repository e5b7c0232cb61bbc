"""Convolution of many inputs with many responses, block by block, in flat memory.

`convolve` is the one-call form for arrays in memory, `Convolver` the streaming form. Sound arrays are
(frames, channels) at every public call but `Convolver.process_planar`, the kernel, which is planar.
"""

from __future__ import annotations

from roomplan.convolution.engine import Convolver, ConvolverState, Route, convolve

__all__ = ["Convolver", "ConvolverState", "Route", "convolve"]
