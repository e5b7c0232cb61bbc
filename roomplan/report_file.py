"""`report.json`, the report of a render: its name, its schema, and the one way to read it.

Conventions
-----------
A report comes from outside: it may be cut off, edited or a stranger's. It is read once, whole, and checked
here; what is handed out has the shape below and can be relied on. `document` stays the plain data of the
file, for a report is compared, kept and written as what it is. Keys that nobody here reads are not asked for
and may be anything that JSON has, so that reports of earlier versions stay readable. A key that an earlier
schema called otherwise, and the band of a margin, is handed out by the name it has now; faults name it as
the file does.

A fault has the line and column of its value and its path in the document, such as `buses[3].loudness`.
Paths of files are data like those of a plan: whoever opens one decides whether it may be opened.
"""

from __future__ import annotations

import json
import math
import os
import re
import stat
from typing import TYPE_CHECKING, Any, TypeAlias

from roomplan.documents.wording import number, quoted
from roomplan.errors import Place, Problem, ReportError
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

__all__ = ["REPORT_NAME", "REPORT_SCHEMA", "JsonPath", "Report", "find_report", "read_report"]

REPORT_NAME = "report.json"
REPORT_SCHEMA = "roomplan.render/3"

JsonPath: TypeAlias = "tuple[str | int, ...]"

_MOST_BYTES = 50_000_000  # a plan of 100 buses has a report of 1 MB
_MOST_LEVELS = 64  # a plan has 32 at most, and lies three deep
_MOST_FAULTS = 20
_EARLIER_BANDS = {"words": "speech"}  # of margins in earlier schemas
_REMEDY = "render its plan once again"
_KEYS_UP_TO_2: dict[tuple[str, ...], str] = {
    ("buses", "*", "loudness", "loudness_range_lu"): "range_lu",
    ("buses", "*", "reasons", "loudness_range_lu"): "range_lu",
    ("buses", "*", "wet_arrival_ms"): "wet_onset_ms",
    ("buses", "*", "reasons", "wet_arrival_ms"): "wet_onset_ms",
    ("buses", "*", "decay_to_minus_40_s"): "tail_to_minus_40_s",
    ("buses", "*", "reasons", "decay_to_minus_40_s"): "tail_to_minus_40_s",
    ("passages", "*", "loudness", "loudness_range_lu"): "range_lu",
    ("passages", "*", "reasons", "loudness_range_lu"): "range_lu",
    ("sections", "*", "sends", "*", "wet_arrival_ms"): "wet_onset_ms",
}
_EARLIER_KEYS: dict[str, dict[tuple[str, ...], str]] = {
    "roomplan.render/1": {
        ("excerpt",): "stretch",
        ("reproduce", "options", "excerpt"): "stretch",
        ("rooms", "*", "gain_position"): "reference",
        **_KEYS_UP_TO_2,
    },
    "roomplan.render/2": _KEYS_UP_TO_2,
}
"""Earlier schema → path of a key as it is now, "*" for every item of a list → its earlier name."""

# Text that begins like a document of this program, which a plan in braces does not.
_OURS = re.compile(r'"schema"\s*:\s*"roomplan\.')


@frozen_class
class Report:
    """A report that has the shape of one.

    Attributes
    ----------
    path : Path
        Its file.
    document : dict
        What it holds, in the schema `REPORT_SCHEMA`.
    text : str
        The file itself.
    """

    path: Path
    document: dict[str, Any]
    text: str

    def extent(self, at: JsonPath) -> tuple[int, int]:
        """Indices in `text` at which the value under a path begins and ends."""
        start = _start(self.text, at)
        return start, json.JSONDecoder().raw_decode(self.text, start)[1]

    def place(self, index: int) -> Place:
        """Place of an index of `text`."""
        return _place(self.path, self.text, index)


def read_report(place: Path) -> Report:
    """Read the report of a render.

    Parameters
    ----------
    place : Path
        The report, or the folder it is in.

    Raises
    ------
    ReportError
        There is none, it cannot be read, or it is not as renders write it: every fault with its place.
    """
    path = place / REPORT_NAME if os.path.isdir(place) else place  # noqa: PTH112 - a name too long is none
    text = _text(path, place)
    return _checked(path, text, _parsed(path, text))


def find_report(path: Path) -> Report | None:
    """Read a file that may be the report of a render.

    Returns
    -------
    Report or None
        None where the file is no document of this program: it may be a plan, or nothing at all.

    Raises
    ------
    ReportError
        It is a document of this program, and another one than a report or a damaged report.
    """
    try:
        if not path.is_file():
            return None
        with path.open("rb") as file:
            head = file.read(4096)
    except (OSError, ValueError):
        return None  # whoever reads it as a plan says what is wrong
    if not head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"):
        return None
    ours = _OURS.search(head.decode("utf-8", "replace")) is not None
    try:
        text = _text(path, path)
        data = _parsed(path, text)
    except ReportError:
        if ours:
            raise
        return None
    if not {"schema", "reproduce"} & data.keys():
        return None
    return _checked(path, text, data)


# Reading -----------------------------------------------------------------------------------------------


class _Repeated(dict[str, Any]):
    """An object in which a key is given twice."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        names = [name for name, _value in pairs]
        self.key = next(name for number, name in enumerate(names) if name in names[:number])


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    return found if len(found) == len(pairs) else _Repeated(pairs)


def _text(path: Path, named: Path) -> str:
    """Text of a report; `named` is what the user named."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would be waited for
            raise _refused(
                path, "is not a regular file", "a folder that was rendered into, or the report in it"
            )
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except FileNotFoundError as error:
        what = f"no {REPORT_NAME} in this folder" if named != path else "there is no such file or folder"
        raise _refused(named, what, "name a plan, or a folder that was rendered into") from error
    except (OSError, ValueError) as error:  # ValueError: a path with a null character
        raise _refused(path, f"cannot be read ({_reason(error)})", "allow reading it") from error
    if len(raw) > _MOST_BYTES:
        raise _refused(path, f"no report of a render is larger than {_MOST_BYTES // 10**6} MB", _REMEDY)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8-sig", "replace")
        what = f"no report of a render: byte 0x{raw[error.start]:02x} is not UTF-8"
        raise ReportError([Problem(what, _place(path, before, len(before)), _REMEDY)]) from error


def _parsed(path: Path, text: str) -> dict[str, Any]:
    """Data of a text, an object."""
    try:
        data = json.loads(text, object_pairs_hook=_object)
    except json.JSONDecodeError as error:
        what = f"no report of a render: not JSON from here on ({error.msg})"
        raise ReportError([Problem(what, _place(path, text, error.pos), _REMEDY)]) from error
    except RecursionError as error:
        raise _refused(path, "no report of a render: nested without end", _REMEDY) from error
    except ValueError as error:  # a whole number of thousands of digits
        raise _refused(path, "no report of a render: a number has too many digits", _REMEDY) from error
    if not isinstance(data, dict):
        raise _refused(path, f"no report of a render: {_shown(data)}", _REMEDY)
    return data


def _checked(path: Path, text: str, data: dict[str, Any]) -> Report:
    from pydantic import ValidationError

    from roomplan.report_shape import ReportShape

    schema = data.get("schema")
    earlier = _EARLIER_KEYS.get(schema) if isinstance(schema, str) else None
    if schema != REPORT_SCHEMA and earlier is None:
        what = f"is a document {quoted(schema)}" if isinstance(schema, str) else "does not say its `schema`"
        raise _refused(path, f"no report of a render: {what}", f"a plan, or the {REPORT_NAME} of a render")
    faults: dict[JsonPath, tuple[str, str]] = {}
    for at, what, remedy in _unfit(data):
        faults.setdefault(at, (what, remedy))
    if earlier is not None:
        _rename(data, earlier)
    try:
        ReportShape.model_validate(data)
    except ValidationError as failure:
        for error in failure.errors(include_url=False):
            at = _as_written(tuple(error["loc"]), earlier or {})
            if error["type"] == "missing":
                faults.setdefault(at, ("is missing", _REMEDY))
            else:
                faults.setdefault(at, _misfit(error))
    except RecursionError:  # of a document that is refused as too deep anyway
        pass
    if faults:
        raise ReportError(_problems(path, text, faults))
    for margin in data.get("margins", ()) if earlier is not None else ():
        margin["band"] = _EARLIER_BANDS.get(margin["band"], margin["band"])
    return Report(path, data, text)


def _rename(data: dict[str, Any], earlier: Mapping[tuple[str, ...], str]) -> None:
    """Bring a document of an earlier schema to this one: its keys get the names that they have now."""
    for (*way, now), then in earlier.items():
        holders: list[Any] = [data]
        for step in way:
            holders = [inner for holder in holders for inner in _inner(holder, step)]
        for holder in holders:
            if isinstance(holder, dict):
                holder.pop(now, None)  # what the earlier schema did not know by that name
                if then in holder:
                    holder[now] = holder.pop(then)
    data["schema"] = REPORT_SCHEMA


def _inner(holder: Any, step: str) -> list[Any]:
    if step == "*":
        return holder if isinstance(holder, list) else []
    return [holder[step]] if isinstance(holder, dict) and step in holder else []


def _as_written(at: JsonPath, earlier: Mapping[tuple[str, ...], str]) -> JsonPath:
    """Path in the file of a path in the document."""
    for way, then in earlier.items():
        named = at[: len(way)]
        if len(named) == len(way) and all(
            isinstance(step, int) if key == "*" else step == key for step, key in zip(named, way, strict=True)
        ):
            return (*named[:-1], then, *at[len(way) :])
    return at


def _unfit(data: dict[str, Any]) -> Iterator[tuple[JsonPath, str, str]]:
    """Values that no document of ours has, wherever they are; without recursion."""
    from roomplan.report_shape import LARGEST

    waiting: list[tuple[JsonPath, Any]] = [((), data)]
    while waiting:
        at, value = waiting.pop()
        if isinstance(value, str):
            if _is_unfit(value):
                yield at, "holds a character that is not text", _REMEDY
        elif isinstance(value, float):
            if not math.isfinite(value):
                yield at, f"is {value}, which is not a finite number", "a number, or null"
        elif isinstance(value, int):
            if abs(value) > LARGEST:
                yield at, "is too large a number", "at most 19 digits"
        elif isinstance(value, dict | list):
            if len(at) >= _MOST_LEVELS:
                yield at, f"is nested more than {_MOST_LEVELS} deep", _REMEDY
                continue
            if isinstance(value, _Repeated):
                yield at, f"has the key {quoted(value.key)} twice", "once"
            if isinstance(value, dict):
                if any(_is_unfit(key) for key in value):
                    yield at, "has a key with a character that is not text", _REMEDY
                waiting += [((*at, key), item) for key, item in value.items()]
            else:
                waiting += [((*at, number), item) for number, item in enumerate(value)]


def _is_unfit(text: str) -> bool:
    """Tell whether a text holds what no file and no path can: a null character, half a surrogate pair.

    Some halves stand for the bytes of file names that no encoding explains: these may be there.
    """
    if "\0" in text:
        return True
    if text.isascii():
        return False
    try:
        text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return True
    return False


_WANTED = {
    "string_type": "a text",
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "an object",
    "model_type": "an object",
    "model_attributes_type": "an object",
    "finite_number": "a finite number",
}


def _misfit(error: Mapping[str, Any]) -> tuple[str, str]:
    """What a value is, and what would be right."""
    context = error.get("ctx", {})
    kind = error["type"]
    if "remedy" in context:
        what = error["msg"] if kind == "room" else _shown(error["input"])
        return what, context["remedy"]
    if kind == "greater_than_equal":
        wanted = f"at least {number(context['ge'])}"
    elif kind == "less_than_equal":
        wanted = f"at most {number(context['le'])}"
    elif kind == "literal_error":
        wanted = f"one of {context['expected']}"
    else:
        wanted = _WANTED.get(kind, "what renders write")
    return _shown(error["input"]), wanted


def _shown(value: Any) -> str:
    from roomplan.report_shape import LARGEST

    if value is None:
        return "is null"
    if isinstance(value, bool):
        return f"is {'true' if value else 'false'}"
    if isinstance(value, int | float):
        huge = isinstance(value, int) and abs(value) > LARGEST  # which no float may hold
        return "is too large a number" if huge else f"is {number(value)}"
    if isinstance(value, str):
        return f"is the text {quoted(value)}"
    return "is an object" if isinstance(value, dict) else "is a list"


def _problems(path: Path, text: str, faults: Mapping[JsonPath, tuple[str, str]]) -> list[Problem]:
    """Faults in the order of the file; of very many the first."""
    found = []
    for at, (what, remedy) in faults.items():
        index = _start(text, at)
        found.append((index, Problem(f"{_named(at)} {what}", _place(path, text, index), remedy)))
        if len(found) == 10 * _MOST_FAULTS:  # each is looked for from the beginning
            break
    ordered = [problem for _index, problem in sorted(found, key=lambda one: one[0])]
    more = len(faults) - _MOST_FAULTS
    if more > 0:
        ordered[_MOST_FAULTS:] = [Problem(f"and {more} more faults", Place(path), _REMEDY)]
    return ordered


def _named(at: JsonPath) -> str:
    """Path as a person reads it: `buses[3].loudness["a key"]`."""
    shown = "".join(
        f"[{step}]" if isinstance(step, int) else f".{step}" if step.isidentifier() else f"[{quoted(step)}]"
        for step in at
    ).removeprefix(".")
    if len(shown) > 100:
        shown = f"{shown[:60]}…{shown[-30:]}"
    return shown or "the document"


def _start(text: str, at: JsonPath) -> int:
    """Index at which the value under a path begins; of what is not there, where it should be."""
    decoder = json.JSONDecoder()

    def after_space(index: int) -> int:
        while text[index] in " \t\r\n":
            index += 1
        return index

    index = after_space(0)
    try:
        for step in at:
            holder, index = index, after_space(index + 1)  # behind the brace or bracket
            position = 0
            while text[index] not in "}]":
                key: str | int = position
                if isinstance(step, str):
                    key, index = decoder.raw_decode(text, index)
                    index = after_space(after_space(index) + 1)  # behind the colon
                if key == step:
                    break
                _value, index = decoder.raw_decode(text, index)
                index = after_space(index)
                index = after_space(index + 1) if text[index] == "," else index
                position += 1
            else:
                return holder
    except (IndexError, ValueError, RecursionError):
        return 0
    return index


def _place(path: Path, text: str, index: int) -> Place:
    return Place(path, text.count("\n", 0, index) + 1, index - text.rfind("\n", 0, index))


def _refused(path: Path, what: str, remedy: str) -> ReportError:
    return ReportError([Problem(what, Place(path), remedy)])


def _reason(error: OSError | ValueError) -> str:
    return getattr(error, "strerror", None) or str(error)
