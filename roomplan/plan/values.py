"""The kinds of single values a plan file holds: what is accepted, what is said otherwise, and their schema.

Conventions
-----------
Each kind is a small frozen object that is in the metadata of an `Annotated` type. It checks a value of
the document and describes itself for editors, so the two cannot drift apart. A refusal is a
`PydanticCustomError` whose context holds `what` (what was found) and `remedy` (what would be right).

Notes
-----
A number is a number and a text is a text: nothing is converted, because `off`, `1/8` and `-6` would
otherwise each have several ways of being written.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from pydantic_core import PydanticCustomError, core_schema

from roomplan.documents.suggest import did_you_mean
from roomplan.documents.wording import decimal_comma, describe, number, quoted
from roomplan.errors import RoomplanError
from roomplan.frozen_classes import frozen_class
from roomplan.plan.times import CLOCK, LIKE_TIMECODE, TIMECODE, clock_seconds
from roomplan.timecode import FRAME_RATES, FrameRate, frame_rate

if TYPE_CHECKING:
    from typing import LiteralString

    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler

__all__ = [
    "EMPTY",
    "NOTE",
    "OTHERWISE",
    "REFUSED",
    "Choice",
    "Label",
    "ListOf",
    "MappingOf",
    "Moment",
    "Number",
    "Otherwise",
    "PictureRate",
    "Start",
    "Text",
    "Thinned",
    "Truth",
    "ValueKind",
    "one_of",
    "refusal",
]

REFUSED = "refused"  # the error type of every refusal here …
EMPTY = "refused_empty"  # … except of a list or mapping without entries, which may have lost them before

# Key of a field's JSON schema for what happens without it; plans' schemas have it in their descriptions.
OTHERWISE = "otherwise"

# A note value: the whole note over a power of two, dotted (half as long again) or triplet (two thirds).
NOTE = r"(?:dotted |triplet )?1/(?:1|2|4|8|16|32|64|128)"

_NUMBER = r"[-+\u2212]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_LATEST_S = 86_400  # a day, above any cue
# A text that was meant as a moment → how it would have been one.
_CLOCK_SLIPS = (
    (re.compile(r"[0-9]+(?::[0-9]+){1,2}(?:\.[0-9]+)?"), "two digits from 00 to 59 after each colon"),
)
# A text that was meant as a number → how it would have been one.
_SLIPS = (
    (re.compile(_NUMBER), "without quotes"),
    (re.compile(r"[-+\u2212]?[0-9][0-9_]*(?:\.[0-9_]*)?"), "without underscores"),
    (re.compile(r"[\u2010-\u2015][0-9.]+.*"), "with a minus instead of a dash"),
    (re.compile(_NUMBER + r"\s*(?:dB|m?s|k?Hz|m|%|°|[A-Za-z]+)"), "without the unit"),
)


def _slip(text: str, slips: tuple[tuple[re.Pattern[str], str], ...]) -> str | None:
    """Return how a text would have been what was probably meant."""
    known = next((how for form, how in slips if form.fullmatch(text.strip())), None)
    return decimal_comma(text) or known


def refusal(what: str, remedy: str, *, kind: LiteralString = REFUSED) -> PydanticCustomError:
    """Return the error to raise for a value that is not accepted."""
    return PydanticCustomError(kind, "{what} — {remedy}", {"what": what, "remedy": remedy})


def one_of(words: tuple[str | int, ...], *, ticks: bool = False) -> str:
    """Return `a, b or c`."""
    shown = [f"`{word}`" if ticks else str(word) for word in words]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} or {shown[-1]}"


class ValueKind:
    """What all kinds of single values share: they replace the schema of the type they annotate."""

    def check(self, value: Any) -> Any:
        """Return the value as the plan uses it, or raise a refusal."""
        raise NotImplementedError

    def accepted(self) -> str:
        """Return what is accepted, for a reader: the kind of value, its range and unit, an example."""
        raise NotImplementedError

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(
        self, _source: Any, _handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.check)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return self.describe_to_editors()


@frozen_class
class Number(ValueKind):
    """A finite number between two limits, or one of a few words, or a text of some pattern."""

    unit: str
    low: float
    high: float
    example: str
    above: bool = False  # the lower limit itself is not accepted
    whole: bool = False
    words: tuple[str, ...] = ()
    pattern: str | None = None
    also: str = ""  # other forms that are accepted in the same place, for the remedy

    def accepted(self) -> str:
        """Return the range with its unit, an example, and what else is accepted."""
        start = "a whole number" if self.whole else "a number"
        if self.above:
            limits = f"above {number(self.low)} and up to {number(self.high)}"
        else:
            limits = f"from {number(self.low)} to {number(self.high)}"
        unit = f" {self.unit}" if self.unit else ""
        others = [f"`{word}`" for word in self.words] + ([self.also] if self.also else [])
        tail = f", or {' or '.join(others)}" if others else ""
        return f"{start} {limits}{unit}, such as {self.example}{tail}"

    def check(self, value: Any) -> Any:
        """Return a float (an int for whole numbers) or the word."""
        if isinstance(value, str):
            if value in self.words or (self.pattern is not None and re.fullmatch(self.pattern, value)):
                return value
            slip = _slip(value, _SLIPS)
            raise refusal(describe(value), self.accepted() + (f"; {slip}" if slip else ""))
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refusal(describe(value), self.accepted())
        unit = f" {self.unit}" if self.unit else ""
        if value < self.low or (self.above and value == self.low):
            relation = "is not above" if self.above else "is below"
            raise refusal(f"{number(value)} {relation} {number(self.low)}{unit}", self.accepted())
        if value > self.high:
            raise refusal(f"{number(value)} is above {number(self.high)}{unit}", self.accepted())
        if self.whole:
            if value != int(value):
                raise refusal(f"{number(value)} is not a whole number", self.accepted())
            return int(value)
        return float(value)

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        numeric: dict[str, Any] = {
            "type": "integer" if self.whole else "number",
            "exclusiveMinimum" if self.above else "minimum": self.low,
            "maximum": self.high,
        }
        forms = [numeric]
        if self.words:
            forms.append({"enum": list(self.words)})
        if self.pattern is not None:
            forms.append({"type": "string", "pattern": f"^{self.pattern}$"})
        return numeric if len(forms) == 1 else {"anyOf": forms}


@frozen_class
class Moment(ValueKind):
    """A moment from the start of the sound: seconds, minutes and seconds with a colon, or timecode."""

    def check(self, value: Any) -> float | str:
        """Return seconds, or a timecode as it is written: what it means depends on the plan."""
        remedy = self.accepted()
        if isinstance(value, str):
            seconds = clock_seconds(value)
            if seconds is None:
                if re.fullmatch(LIKE_TIMECODE, value.strip()):
                    return value
                slip = _slip(value, (*_CLOCK_SLIPS, *_SLIPS))
                raise refusal(describe(value), remedy + (f"; {slip}" if slip else ""))
            shown = value
        elif isinstance(value, bool) or not isinstance(value, int | float):
            raise refusal(describe(value), remedy)
        else:
            seconds, shown = value, f"{number(value)} s"
        if seconds < 0:
            raise refusal(f"{shown} is before the start of the sound", remedy)
        if seconds > _LATEST_S:
            raise refusal(f"{shown} is more than {_LATEST_S // 3600} hours", remedy)
        return float(seconds)

    def accepted(self) -> str:
        """Return the three ways of writing a moment."""
        return (
            'seconds such as 12.5, minutes and seconds such as "0:12.5" or "1:02:03.5", '
            'or timecode such as "01:02:03:04"'
        )

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        return {
            "anyOf": [
                {"type": "number", "minimum": 0, "maximum": _LATEST_S},
                {"type": "string", "pattern": f"^{CLOCK}$"},
                {"type": "string", "pattern": f"^{TIMECODE}$"},
            ]
        }


@frozen_class
class Start(ValueKind):
    """A timecode as it is written; whether there is such a frame depends on the frame rate."""

    def check(self, value: Any) -> str:
        """Return the text."""
        if isinstance(value, str):
            return value
        raise refusal(describe(value), self.accepted())

    def accepted(self) -> str:
        """Return an example."""
        return 'timecode such as "01:02:03:04"'

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        return {"type": "string", "pattern": f"^{TIMECODE}$"}


@frozen_class
class PictureRate(ValueKind):
    """One of the frame rates, as a number or by its name."""

    def check(self, value: Any) -> FrameRate:
        """Return the frame rate."""
        try:
            return frame_rate(value)
        except RoomplanError as error:
            problem = error.problems[0]
            alike = isinstance(value, int | float | str) and not isinstance(value, bool)
            what = problem.what if alike else describe(value)
            raise refusal(what, problem.remedy or "") from None

    def accepted(self) -> str:
        """Return the frame rates."""
        return one_of(tuple(rate.name for rate in FRAME_RATES))

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        names = [rate.name for rate in FRAME_RATES]
        plain = [float(rate.name) for rate in FRAME_RATES if not rate.drop]
        return {"enum": [*names, *(int(rate) if rate.is_integer() else rate for rate in plain)]}


@frozen_class
class Label(ValueKind):
    """A short text for names of files, or a whole number as text."""

    what: str
    example: str
    longest: int = 60

    def check(self, value: Any) -> str:
        """Return the text."""
        if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 10**self.longest:
            return str(value)
        if isinstance(value, float):
            # 1.10 and 1.1 are one number and two versions.
            raise refusal(describe(value), f"{self.what} in quotes, such as {self.example}")
        return Text(self.what, self.example, self.longest).check(value)

    def accepted(self) -> str:
        """Return what it names, and an example."""
        return f"{self.what}, such as {self.example}"

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        text = Text(self.what, self.example, self.longest).describe_to_editors()
        return {"anyOf": [text, {"type": "integer", "minimum": 0}]}


@frozen_class
class Text(ValueKind):
    """A text on one line."""

    what: str
    example: str
    longest: int = 1000

    def check(self, value: Any) -> str:
        """Return the text."""
        remedy = self.accepted()
        if isinstance(value, bool | int | float):
            shown = str(value).lower() if isinstance(value, bool) else number(value)
            raise refusal(describe(value), f'{self.what}; in quotes ("{shown}") if that is meant')
        if not isinstance(value, str):
            raise refusal(describe(value), remedy)
        if not value.strip():
            raise refusal("is an empty text", remedy)
        if "\n" in value.rstrip("\n") or "\t" in value:
            raise refusal(f"{quoted(value)} has line breaks or tabs", f"{self.what} on one line")
        if len(value) > self.longest:
            raise refusal(f"{len(value)} characters are too many", f"{self.what} of at most {self.longest}")
        return value.rstrip("\n")

    def accepted(self) -> str:
        """Return what it names, and an example."""
        return f"{self.what}, such as {self.example}"

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        return {"type": "string", "minLength": 1, "maxLength": self.longest}


@frozen_class
class Choice(ValueKind):
    """One of a few words or numbers.

    `also` names other forms that are accepted in the same place; `names` says what the words are, where
    somebody may think of others.
    """

    words: tuple[str | int, ...]
    also: str = ""
    names: str = ""

    def check(self, value: Any) -> str | int:
        """Return the word as it is spelt here."""
        if not isinstance(value, bool):
            for word in self.words:
                if value == word:
                    return word
        allowed = self.accepted()
        wanted = f"give one {self.names}: {allowed}" if self.names else f"give one: {allowed}"
        if isinstance(value, str) and value:
            near = did_you_mean(value, [word for word in self.words if isinstance(word, str)])
            other = f"give one: {allowed}" if self.names else allowed
            raise refusal(
                f"{quoted(value)} is no {self.names}" if self.names else f"{quoted(value)} is not known",
                f"did you mean {quoted(near)}? ({allowed})" if near else other,
            )
        named = isinstance(value, int | float)  # the message says which value it is
        raise refusal(describe(value), allowed if named else wanted)

    def accepted(self) -> str:
        """Return the words."""
        return one_of(self.words) + (f", or {self.also}" if self.also else "")

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        return {"enum": list(self.words)}


@frozen_class
class Truth(ValueKind):
    """`true` or `false`, and no other word for them."""

    def check(self, value: Any) -> bool:
        """Return the truth value."""
        if isinstance(value, bool):
            return value
        raise refusal(describe(value), self.accepted())

    def accepted(self) -> str:
        """Return the two words."""
        return "true or false"

    def describe_to_editors(self) -> dict[str, Any]:
        """Return the JSON schema."""
        return {"type": "boolean"}


@frozen_class
class Otherwise:
    """What happens where a key is left out, for keys whose default is no value of the file."""

    text: str

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {**handler(schema), OTHERWISE: self.text}


class _Container:
    """What lists and mappings share: a check of their own before the type they annotate looks inside."""

    def check(self, value: Any) -> Any:
        """Return the value unchanged, or raise a refusal."""
        raise NotImplementedError

    def limits(self) -> dict[str, Any]:
        """Return what to add to the JSON schema."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_before_validator_function(self.check, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {**handler(schema), **self.limits()}


def _entries(count: int) -> str:
    return f"has {count} {'entry' if count == 1 else 'entries'}"


class Thinned(list[Any]):
    """A list that has lost all its entries to refusals, which is not the same as an empty one."""


@frozen_class
class ListOf(_Container):
    """A list with at least one entry; `what` names it in messages, `on_page` where keys are described."""

    what: str
    fewest: int = 1
    most: int | None = None
    on_page: str = ""  # where it is not `what`

    def check(self, value: Any) -> list[Any]:
        """Return the list."""
        if not isinstance(value, list):
            raise refusal(describe(value), self.what)
        if not value and not isinstance(value, Thinned):
            raise refusal("is an empty list", self.what, kind=EMPTY)
        if len(value) < self.fewest and not isinstance(value, Thinned):
            # it may have had more, which were refused
            raise refusal(_entries(len(value)), self.what, kind=EMPTY)
        if self.most is not None and len(value) > self.most:
            raise refusal(_entries(len(value)), self.what)
        return value

    def limits(self) -> dict[str, Any]:
        """Return what to add to the JSON schema."""
        most = {} if self.most is None else {"maxItems": self.most}
        return {"minItems": self.fewest, **most}


@frozen_class
class MappingOf(_Container):
    """A mapping whose keys are names the user chooses; `what` names it in messages."""

    what: str
    filled: bool = False  # at least one entry

    def check(self, value: Any) -> dict[str, Any]:
        """Return the mapping."""
        if not isinstance(value, dict):
            raise refusal(describe(value), self.what)
        if self.filled and not value:
            raise refusal("is an empty mapping", self.what, kind=EMPTY)
        return value

    def limits(self) -> dict[str, Any]:
        """Return what to add to the JSON schema."""
        return {"minProperties": 1} if self.filled else {}
