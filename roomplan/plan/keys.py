"""The keys of a plan, one by one, for the pages that list them.

Notes
-----
Everything is read off the shapes, so a list of keys is as true as the reader of plans itself.
"""

from __future__ import annotations

import inspect
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, get_args, get_origin

from roomplan.documents.wording import number
from roomplan.plan.base_shape import Shape
from roomplan.plan.shape import PlanShape
from roomplan.plan.target_shape import TargetShape
from roomplan.plan.targets import WISHES, Wish
from roomplan.plan.values import ListOf, MappingOf, Otherwise, ValueKind

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pydantic.fields import FieldInfo

__all__ = ["Key", "keys_of", "plan_shapes", "shapes_of"]


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a mapping.

    Attributes
    ----------
    name : str
        As a plan writes it.
    accepted : str
        The kind of value, with its range, unit and an example.
    default : str
        What holds where the key is left out; empty where nothing does, `required` where it must be written.
    meaning : str
        Sentences, with their full stops.
    """

    name: str
    accepted: str
    default: str
    meaning: str


def plan_shapes() -> dict[str, type[Shape]]:
    """Return every mapping that a plan may hold, by the name of its class, the plan itself first."""
    return shapes_of(PlanShape)


def shapes_of(document: type[Shape]) -> dict[str, type[Shape]]:
    """Return every mapping that a document may hold, by the name of its class, the document itself first."""
    found: dict[str, type[Shape]] = {}
    waiting: list[type[Shape]] = [document]
    while waiting:
        shape = waiting.pop(0)
        if shape.__name__ in found:
            continue
        found[shape.__name__] = shape
        for field in shape.model_fields.values():
            waiting.extend(_shapes_in(field.annotation))
    return found


def _shapes_in(annotation: Any) -> Iterator[type[Shape]]:
    if inspect.isclass(annotation) and issubclass(annotation, Shape):
        yield annotation
    for inner in get_args(annotation):
        yield from _shapes_in(inner)


def keys_of(shape: type[Shape]) -> tuple[Key, ...]:
    """Return the keys of a mapping, in the order of its class."""
    return tuple(
        Key(
            name=field.alias or name,
            accepted=_accepted(field.annotation, field.metadata),
            default=_default(field),
            meaning=_meaning(shape, name, field),
        )
        for name, field in shape.model_fields.items()
    )


def _meaning(shape: type[Shape], name: str, field: FieldInfo) -> str:
    sentence = field.description or ""
    wish = WISHES.get(name) if shape is TargetShape else None  # pyright: ignore[reportArgumentType]
    return sentence if wish is None else f"{sentence} Tolerance: {_tolerance(wish)}."


def _tolerance(wish: Wish) -> str:
    if wish.relative:
        return f"{number(100.0 * wish.tolerance)} %"
    unit = "dB" if wish.unit == "dBTP" else "LU" if wish.unit == "LUFS" else wish.unit
    return f"{number(wish.tolerance / wish.scale)} {unit}".rstrip()


def _default(field: FieldInfo) -> str:
    otherwise = next((known.text for known in field.metadata if isinstance(known, Otherwise)), None)
    if otherwise is not None:
        return otherwise
    if field.is_required():
        return "required"
    if field.default is None:
        return ""
    if isinstance(field.default, bool):
        return "true" if field.default else "false"
    if isinstance(field.default, int | float):
        return number(field.default)
    if isinstance(field.default, str):
        return field.default
    return f"[{', '.join(field.default)}]" if field.default else "none"


def _accepted(annotation: Any, metadata: Sequence[Any]) -> str:
    """Return what a key accepts, as its kinds say it; empty for a mapping with keys of its own."""
    for known in metadata:
        if isinstance(known, ValueKind):
            return known.accepted()
        if isinstance(known, ListOf):
            return known.on_page or known.what
        if isinstance(known, MappingOf):
            each = _each(annotation)
            return f"{known.what}; each {each}" if each else known.what
    forms: list[str] = []
    for inner in get_args(annotation):
        form = _form(inner)
        if form and not any(form.partition("; each ")[0] in other for other in forms):
            forms.append(form)
    return ", or ".join(forms)


def _form(annotation: Any) -> str:
    return _accepted(*_taken_apart(annotation)) if get_origin(annotation) is Annotated else ""


def _each(annotation: Any) -> str:
    """Return what each value of a mapping of the user's names accepts, where that has no keys of its own."""
    kinds = [one for one in (annotation, *get_args(annotation)) if get_origin(one) is dict]
    if not kinds:
        return ""
    value = get_args(kinds[0])[1]
    return _accepted(*_taken_apart(value))


def _taken_apart(annotation: Any) -> tuple[Any, Sequence[Any]]:
    """Return a type without what annotates it, and that."""
    if get_origin(annotation) is Annotated:
        plain, *metadata = get_args(annotation)
        return plain, metadata
    return annotation, ()
