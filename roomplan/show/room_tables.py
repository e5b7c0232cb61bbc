"""Synthetic rooms as tables for a terminal.

Conventions
-----------
Times of reflections count from the direct sound, their levels too. Left and right are those of somebody who
faces the stage.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from roomplan.cautions import MUSIC_ONLY, RESPONSE
from roomplan.report.rooms import CHANNELS, LEVEL_NOTE, SHOWN, describe_setup, metres
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES
from roomplan.show.tables import figure, figure_columns, in_ms, level, note, plain_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from roomplan.plan.model import Seat
    from roomplan.report.rooms import WrittenResponse
    from roomplan.rooms.portrait import RoomPortrait
    from roomplan.rooms.spec import Panel, RoomSpecification, Scatterers

__all__ = ["grouped", "list_table", "response_lines", "room_tables", "seat_words", "size_words"]

MOST_REFLECTIONS = 10  # of the table; the document holds all


# --- words


def grouped(value: float) -> str:
    """Whole number with its thousands apart, as the room files write it: 17 204."""
    return f"{value:,.0f}".replace(",", " ")


def size_words(spec: RoomSpecification) -> str:
    """Length × width × height in metres."""
    return " × ".join(metres(side) for side in spec.dimensions_m)


def seat_words(seat: Seat) -> str:
    """Where a seat is, seen from the main microphones: "9 m, 20° to the right"."""
    angle = round(seat.angle_deg, 1) + 0.0
    if angle == 0.0:
        return f"{metres(seat.distance_m)} m, straight ahead"
    if abs(angle) == 180.0:
        return f"{metres(seat.distance_m)} m, straight behind"
    side = "right" if angle > 0.0 else "left"
    return f"{metres(seat.distance_m)} m, {abs(angle):g}° to the {side}"


def surface_words(surfaces: Sequence[str]) -> str:
    """Names of surfaces for a reader."""
    return ", ".join(name.replace("_", " ") for name in surfaces)


def _air_words(spec: RoomSpecification) -> str:
    return f"{spec.temperature_c:g} °C, {spec.humidity_percent:g} % humidity".replace("-", "−")


def _scattering_words(spec: RoomSpecification) -> str:
    """Scattering of the surfaces, those of one value together, the most first."""
    values = list(dict.fromkeys(spec.scattering[name] for name in SURFACES))
    if len(values) == 1:
        return f"{values[0]:g} everywhere"
    by_value = {value: [name for name in SURFACES if spec.scattering[name] == value] for value in values}
    ordered = sorted(by_value.items(), key=lambda entry: len(entry[1]))
    first = [f"{surface_words(names)} {value:g}" for value, names in ordered[:-1]]
    return "; ".join([*first, f"elsewhere {ordered[-1][0]:g}"])


def _panel_words(panel: Panel) -> str:
    x, y, z = (metres(at) for at in panel.centre_m)
    across, along = (metres(side) for side in panel.size_m)
    place = f"at [{x}, {y}, {z}], looks {panel.aim_deg:g}°, {panel.tilt_deg:g}°".replace("-", "−")
    return f"{across} × {along} m {place}; scattering {panel.scattering:g}"


def _scatterers_words(bodies: Scatterers) -> str:
    low, high = (metres(height) for height in bodies.heights_m)
    along = f"{metres(bodies.from_m)} to {metres(bodies.to_m)} m from the stage wall"
    return f"{bodies.area_m2:g} m² of bodies that scatter, {along}, {low} to {high} m up"


def _stage_words(spec: RoomSpecification) -> str:
    stage = spec.stage
    if stage is None:
        return "none given"
    along = f"{metres(stage.from_m)} to {metres(stage.to_m)} m from the stage wall"
    return f"{along}, {metres(stage.width_m)} m wide"


def _milliseconds(seconds: float | None, digits: int = 1) -> str:
    return figure(in_ms(seconds), digits)


# --- tables


def list_table(rooms: Sequence[RoomSpecification]) -> Table:
    """One row for each room."""
    table = plain_table(
        "Bundled rooms",
        "RT: mean of the 500 and 1000 Hz octaves · roomplan rooms NAME shows one in full",
    )
    table.add_column("room", no_wrap=True)
    figure_columns(table, ("volume m³", "RT s", "length × width × height m"))
    table.add_column("suits", min_width=24)
    for spec in rooms:
        table.add_row(
            spec.name,
            grouped(spec.volume_m3),
            figure(spec.mid_reverberation_time_s),
            size_words(spec),
            Text(spec.character),
        )
    return table


def room_tables(portrait: RoomPortrait) -> list[Table | Text]:
    """Everything known of a room: what it is, how it decays, what a seat gets, its first reflections."""
    items: list[Table | Text] = [_facts_table(portrait), _decay_table(portrait), _reflection_table(portrait)]
    for key, reason in portrait.measured.reasons.items():
        items.append(Text(f"no {key}: {reason}"))
    if portrait.to_come is None:
        items.append(Text("these microphones pick up almost no direct sound from this seat"))
    items.append(note(MUSIC_ONLY))
    return items


def _facts_table(portrait: RoomPortrait) -> Table:
    spec, theory = portrait.spec, portrait.theory
    table = plain_table(spec.title)
    table.show_header = False
    table.add_column("", no_wrap=True)
    table.add_column("")

    def row(name: str, words: str) -> None:
        table.add_row(Text(name), Text(words))

    if spec.character:
        row("suits", spec.character)
    row(
        "size",
        f"{size_words(spec)} m, {grouped(spec.volume_m3)} m³, {grouped(spec.surface_m2)} m² of surface",
    )
    decay = "reverberation times" if spec.absorption is None else "materials"
    if spec.absorption is not None and spec.decay_scale != 1.0:
        decay += f", their decay scaled by {spec.decay_scale:g}"
    row("decay given by", f"{decay}; RT {figure(spec.mid_reverberation_time_s)} s (500 and 1000 Hz)")
    row("air", _air_words(spec))
    row("scattering", _scattering_words(spec))
    row("stage", f"{_stage_words(spec)}; sources {metres(spec.source_height_m)} m up")
    for panel in spec.panels:
        row(panel.name.replace("_", " "), _panel_words(panel))
    for bodies in spec.scatterers:
        row(bodies.name.replace("_", " "), _scatterers_words(bodies))
    row("mixing time", f"{_milliseconds(portrait.mixing_time_s, 0)} ms after the direct sound")
    row("critical distance", f"{figure(portrait.critical_distance_m, 1)} m, omnidirectional")
    row("mean free path", f"{figure(portrait.mean_free_path_m, 1)} m")
    row("Schroeder frequency", f"{figure(portrait.schroeder_frequency_hz, 0)} Hz")
    table.add_section()
    for name, setup in spec.microphones.items():
        row(name, describe_setup(setup))
    table.add_section()
    which = "reference seat" if portrait.at_reference_seat else "seat"
    away = f"{figure(portrait.distance_m, 1)} m of air to {portrait.microphones}"
    row(which, f"{seat_words(portrait.seat)}; {away}")
    row(
        "C80 there",
        f"{level(portrait.measured.c80_mid_db)} dB (revised theory, omnidirectional: "
        f"{level(theory.clarity_db)} dB)",
    )
    row("strength G there", f"{level(theory.strength_db)} dB by revised theory")
    row("first reflections", _first_words(portrait))
    return table


def _first_words(portrait: RoomPortrait) -> str:
    """First reflection and, as the floor is nearly always it, the first from elsewhere."""
    first = portrait.reflections[:1]
    others = [found for found in portrait.reflections[1:] if "floor" not in found.surfaces]
    words = [
        f"{_milliseconds(found.after_direct_s)} ms ({surface_words(found.surfaces)})"
        for found in (*first, *others[:1])
    ]
    return ", then ".join(words) + " after the direct sound; the first is the initial time delay gap (ITDG)"


def _decay_table(portrait: RoomPortrait) -> Table:
    spec = portrait.spec
    table = plain_table(
        "Decay by octave",
        "measured: T30 of the response of this seat, mean of its channels · late correlation: of the "
        f"channels of {portrait.microphones} in a diffuse field, 1 is mono",
    )
    table.add_column("Hz", no_wrap=True)
    figure_columns(table, map(str, BAND_CENTRES_HZ))
    times = [figure(spec.reverberation_time_s[centre]) for centre in BAND_CENTRES_HZ]
    table.add_row("RT asked for, s" if spec.absorption is None else "RT of the materials, s", *times)
    table.add_row(
        "measured, s",
        *(figure(portrait.measured.t30_s[centre]) for centre in BAND_CENTRES_HZ),
        end_section=True,
    )
    if spec.absorption is not None:
        for name in SURFACES:
            given = spec.absorption[name]
            table.add_row(surface_words([name]), *(figure(given[centre]) for centre in BAND_CENTRES_HZ))
    implied = "mean absorption" if spec.absorption is not None else "absorption implied"
    table.add_row(implied, *(figure(portrait.mean_absorption[centre]) for centre in BAND_CENTRES_HZ))
    if portrait.late_correlation is not None:
        alike = portrait.late_correlation
        table.add_row("late correlation", *(figure(alike[centre]) for centre in BAND_CENTRES_HZ))
    return table


def _reflection_table(portrait: RoomPortrait) -> Table:
    shown = portrait.reflections[:MOST_REFLECTIONS]
    window = _milliseconds(portrait.window_s, 0)
    table = plain_table(
        f"First reflections at {portrait.microphones}",
        f"{len(shown)} of {len(portrait.reflections)} within {window} ms · dB re the direct sound, 500 and "
        "1000 Hz, omnidirectional",
    )
    figure_columns(table, ("after direct ms", "dB"))
    table.add_column("surfaces")
    for reflection in shown:
        hits = f" ({reflection.order} hits)" if reflection.order > len(reflection.surfaces) else ""
        table.add_row(
            _milliseconds(reflection.after_direct_s),
            level(reflection.level_db),
            surface_words(reflection.surfaces) + hits,
        )
    return table


def response_lines(written: WrittenResponse) -> list[Text]:
    """Summary of a written response."""
    spec, figures = written.spec, written.figures
    channels = CHANNELS[written.channels]
    kind = {1: "mono", 2: "stereo (L, R)", 4: f"true stereo ({', '.join(channels)}: in, out)"}
    sources = "one source" if written.spread_m == 0.0 else f"two sources {metres(written.spread_m)} m apart"
    directed = "" if written.source == "even" else f" ({written.source})"
    peak = level(written.peak_dbfs)
    over = ": fine in the float file, a converter will clip" if written.peak > 1.0 else ""
    seconds = written.frames / written.sample_rate
    what = f"{kind[written.channels]}, {seconds:.2f} s at {written.sample_rate} Hz, WAV, 32-bit float"
    away = f"{written.microphones} microphones {figure(written.distance_m, 1)} m away"
    first = f"first reflection {_milliseconds(written.first_reflection_s)} ms after the direct sound"
    measured = f"T30 {figure(figures.t30_mid_s)} s, C80 {level(figures.c80_mid_db)} dB (500 and 1000 Hz)"
    lines = [
        f"{written.file}: {what}",
        f"{spec.title}, seat {seat_words(written.seat)}, {sources}{directed}, {away}",
        f"{measured}, {first}",
        f"peak {peak} dBFS{over} · {LEVEL_NOTE}",
    ]
    if not written.direct:
        lines.insert(3, "the direct sound is left out (C80 includes it): in a plan, use direct: absent")
    lines += [f"no {key}: {figures.reasons[key]}" for key in SHOWN if key in figures.reasons]
    return [Text(line) for line in (*lines, RESPONSE)]
