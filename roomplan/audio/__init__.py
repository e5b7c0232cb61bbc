"""Streams of sound files: inspect, read, resample, quantise, write.

Conventions
-----------
Sound is `(frames, channels)`, full scale is ±1.0; streams are float32, whole responses float64. Rates are
integers in hertz, positions are frames counted from 0. Every failure a user can cause is a `RoomplanError`
of one line; where a file is to blame it is an `AudioError` that names it.

Modules
-------
info       what a file is, and a whole short file in memory
riff       the chunks of a file, and what its header promises against what it holds
bext       the time that a file states for itself
comments   the text that a file carries
readers    stems as streams, at the rate of the plan
resample   impulse responses at another rate, with their level
quantise   float to 16 or 24 bit: dither, round, limit
writers    the files of a delivery
"""
