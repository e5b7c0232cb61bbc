"""A short text file of octave band levels: one line for each band, in any of the usual notations.

Conventions
-----------
A line holds the nominal mid-band frequency in hertz, the level of the noise and, if wanted, the level of the
speech, both in dB SPL: `125 41.5`, `125,41.5`, `125; 41,5; 62`, `125 41,5` or `125: 41.5`. A comma between
two digits is a decimal one where something else parts the fields of its line. `#` starts a comment; lines of
words ahead of the first number are a heading. All problems are reported at once, each with its line.

Levels of noise alone may also be bare, from the lowest band up, or under a line of the bands; quotation
marks and brackets count as space, so a mapping of another notation is read too.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from roomplan.errors import Place, PlanError, Problem, RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["read_band_levels"]

_LARGEST_FILE = 65_536  # bytes: seven lines and many comments
_HIGHEST_DB = 200.0  # above any sound in air that is one


def read_band_levels(
    path: Path, *, centres_hz: Sequence[float]
) -> tuple[tuple[float, ...], tuple[float, ...] | None]:
    """Read the levels of noise, and of speech if the file has them, for each band.

    Parameters
    ----------
    centres_hz : sequence of float
        Bands the file must hold, each once.

    Returns
    -------
    tuple of (noise_db, speech_db or None)
        Levels in dB SPL in the order of `centres_hz`.

    Raises
    ------
    RoomplanError
        The file is missing or no text.
    PlanError
        All that is wrong with its lines.
    """
    lines = _lines(path)
    problems: list[Problem] = []
    rows: dict[float, tuple[int, list[float]]] = {}
    named: set[float] = set()  # bands a faulty line means: they are not missing besides
    nameless = False  # a line that does not say which band it means: what is missing is not known
    names = ", ".join(f"{centre:g}" for centre in centres_hz)
    for number, text in enumerate(lines, start=1):
        fields = _fields(text)
        if not fields or (not rows and not problems and not any(c.isdigit() for c in text)):
            continue
        place = Place(path, number)
        values = [_number(field) for field in fields]
        if values[0] is None or values[0] not in centres_hz:
            nameless = nameless or values[0] is None
        else:
            named.add(values[0])
        if any(value is None for value in values) or len(values) not in {2, 3}:
            problems.append(
                Problem(
                    f"{text.strip()[:60]!r} is not a line of band levels",
                    place,
                    "write hertz, noise in dB and, if wanted, speech in dB: 125 41.5 62",
                )
            )
            continue
        centre, *levels = [value for value in values if value is not None]
        if centre not in centres_hz:
            problems.append(Problem(f"there is no speech band at {centre:g} Hz", place, f"bands: {names}"))
        elif centre in rows:
            problems.append(Problem(f"the band at {centre:g} Hz is in line {rows[centre][0]} already", place))
        elif any(abs(level) > _HIGHEST_DB for level in levels):
            problems.append(Problem(f"a level beyond ±{_HIGHEST_DB:g} dB", place, "levels are dB SPL"))
        else:
            rows[centre] = (number, levels)
    missing = [centre for centre in centres_hz if centre not in named]
    if missing and not nameless:
        text = ", ".join(f"{centre:g}" for centre in missing)
        problems.append(Problem(f"no level for {text} Hz", Place(path), f"one line for each of {names} Hz"))
    widths = {len(levels) for _number_of_line, levels in rows.values()}
    if len(widths) > 1:
        problems.append(
            Problem(
                "some lines give the speech level and some do not", Place(path), "give it in all or in none"
            )
        )
    if problems:
        bare = _bare_levels(lines, centres_hz)
        if bare is not None:
            return bare, None
        raise PlanError(problems)
    noise = tuple(rows[centre][1][0] for centre in centres_hz)
    speech = tuple(rows[centre][1][1] for centre in centres_hz) if widths == {2} else None
    return noise, speech


def _bare_levels(lines: Sequence[str], centres_hz: Sequence[float]) -> tuple[float, ...] | None:
    """Levels of a file that holds nothing else, or the bands and their levels one after the other."""
    values = [_number(field) for text in lines for field in _fields(text)]
    numbers = [value for value in values if value is not None and abs(value) <= _HIGHEST_DB * 1000.0]
    count, centres = len(centres_hz), list(centres_hz)
    if len(numbers) != len(values):
        return None
    if len(numbers) == 2 * count and numbers[:count] == centres:
        numbers = numbers[count:]
    elif len(numbers) == 2 * count and numbers[::2] == centres:
        numbers = numbers[1::2]
    if len(numbers) != count or any(abs(value) > _HIGHEST_DB for value in numbers):
        return None
    return tuple(numbers)


def _lines(path: Path) -> list[str]:
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):  # a pipe would be waited for
            raise RoomplanError(f"{path}: not a regular file", remedy="name a text file of band levels")
        with path.open("rb") as stream:
            data = stream.read(_LARGEST_FILE + 1)
    except OSError as error:
        raise RoomplanError(
            f"{path}: {error.strerror or error}", remedy="name a text file of band levels"
        ) from error
    if len(data) > _LARGEST_FILE or b"\0" in data:
        raise RoomplanError(
            f"{path}: not a text file of band levels", remedy="one line for each band: 125 41.5"
        )
    try:
        return data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        raise RoomplanError(f"{path}: not UTF-8 text", remedy="save it as UTF-8") from error


def _fields(text: str) -> list[str]:
    text = text.split("#", 1)[0].replace("\N{MINUS SIGN}", "-")
    text = re.sub(r"[\"'{}\[\]]", " ", text).strip()
    if ";" in text or "\t" in text:
        text = text.replace(",", ".")
    elif re.search(r"[^\s,:][\s:]+[^\s,:]", text) and not re.search(r",\s|\s,", text):
        text = re.sub(r"(?<=\d),(?=\d)", ".", text)
    return [field for field in re.split(r"[\s;,:]+", text) if field]


def _number(field: str) -> float | None:
    try:
        value = float(field)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
