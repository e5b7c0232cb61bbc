"""Responses from recordings: sweeps and what a room makes of them, claps and other bangs.

Conventions
-----------
Samples are (frames, channels), float64 inside, float32 in a result. Times are in seconds of the recorder's
clock from the first frame of the recording, frequencies in hertz, levels in decibels. A clock error is a
ratio: at 0.0001 (100 ppm) the recorder takes 1.0001 samples where the player gave one.

`sweep` and `sequence` are what is played, `result` is what comes of it; `bangs` needs none of them.
"""
