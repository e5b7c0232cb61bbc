"""roomplan as a library: load, check, render, measure, compare; numpy arrays in and out.

Everything here is a name of `roomplan` itself: write `roomplan.load`, not `roomplan.api.plans.load`.

    load, load_with_arrays, problems     a plan with its files, or with arrays in place of its stems
    check, render                        the figures of every bus; the files of the deliveries
    render_arrays, render_blocks         the sound of buses as arrays, whole or block by block
    compare                              plans, results and rendered folders side by side
    measure, measure_loudness            a response or any sound, from a file or an array
    room, room_names                     synthetic rooms and their responses
    sweep, capture_responses             what to play in a room, and what a recording of it gives

Conventions
-----------
Sound is (frames, channels), full scale ±1.0; an array of one axis is one channel. Integers are refused: what
their full scale is cannot be seen. Rates are integers in hertz, times seconds, levels decibels.

A result is the dataclass that the rest of the program works with: a `Checked` is a `Rendering`, a `Measured`
holds `ResponseFigures`, a `Metered` `ProgrammeLoudness`. It may be handed to anything that takes those. What
it adds is a name, one line for a prompt, and the tables of the terminal for a notebook.

Whatever can be wrong with what is handed in is a `RoomplanError`, which prints as one line for each problem;
of a plan it is a `PlanError` with all of them, of a sound file an `AudioError`:

    >>> try:
    ...     roomplan.measure("missing.wav")
    ... except roomplan.AudioError as error:
    ...     print(error.path)
    missing.wav
    >>> issubclass(roomplan.AudioError, roomplan.RoomplanError)
    True

As with the command, what has been computed once is kept in the user's cache, and a plan that differs only in
levels and mutes from one that was rendered is answered from it; the environment variable ROOMPLAN_CACHE=off
switches that off.

Hearing caution: levels can jump between renders; turn the monitors down before you listen. All figures are
for music production; not for voice-alarm or building-code use: there, local codes and licensed practice
decide.

Notes
-----
The examples run in a folder that holds `plan.yaml`, `wetter.yaml` and `broken.yaml`, two stems in `stems/`
and two responses, `nave.wav` and `hall.wav`, and so do the tests.

Not here: the building blocks. `roomplan.acoustics`, `roomplan.loudness` and `roomplan.convolution` work on
arrays and know nothing of plans; `roomplan.measuring.responses.measure_files` measures thousands of files
through any `concurrent.futures` executor, `roomplan.api.jobs` renders many plans so.
"""

from __future__ import annotations
