"""Rooms: responses read, conditioned and normalised; synthetic rooms made from a text file.

Conventions
-----------
Responses are (frames, channels), float64; four channels are LL, LR, RL, RR (input, output). Frame 0 of a
prepared response is the arrival of the dry sound.

Modules
-------
spec, geometry, diffuse, synthesis : synthetic rooms, from their file to a response
responses, conditioning, decay_scaling, recorded : recorded rooms, from their files to a response
wiring : how a response is fed, and the gain that makes 0 dB of send mean something
preparation : a room of a plan made ready; what the rest of the program calls
"""

from __future__ import annotations
