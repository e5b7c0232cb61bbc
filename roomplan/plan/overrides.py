"""Write new levels of sends and sections into the plan they belong to, and into no other file.

Conventions
-----------
Decibels and milliseconds as the plan has them. A level that several sections have from one place (an entry of
`shared_sends` or of a group's sends, the `level` of a group) is written there when all of them change alike.
Otherwise it is written at the sections that change, as an entry under `sections: NAME: sends: ROOM:`. Either
is done in the plan that was asked for (the leaf), as an override of what it extends; plans that are extended
are never touched. A section that is not heard goes along with what it shares.

An entry that replaces an inherited one says all the inherited one said (position, cuts, pre-delay, the other
sends of a list); where the entry of the extended plan at the same place is a mapping, which is merged key by
key, only the keys that differ are written, and a number stays one.

Notes
-----
How text is changed and what happens to anchors and aliases: `roomplan.documents.edits`.
"""

from __future__ import annotations

import contextlib
import dataclasses
import secrets
from dataclasses import field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.documents.edits import edited_text
from roomplan.documents.extends import EXTENDS, path_beside, read_extended
from roomplan.documents.parsing import parse_text
from roomplan.documents.rewriting import Original, read_original, write_edited
from roomplan.documents.wording import quoted
from roomplan.errors import Place, PlanError, RoomplanError
from roomplan.frozen_classes import frozen_class
from roomplan.plan.extending import SHORT_FORMS
from roomplan.plan.load import load_plan

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.plan.model import Plan, Send

__all__ = [
    "Overrides",
    "PreparedOverrides",
    "SendOverride",
    "SharedLevel",
    "prepare_overrides",
    "write_overrides",
]

_CLOSE = 1e-9  # relative and absolute: seconds of the model against milliseconds of the file


@frozen_class
class SendOverride:
    """What one send of a section shall be.

    Attributes
    ----------
    section, room : str
        Their names in the plan.
    position : str or None
        The send's position, None for one that names none. A position that no send names means the one that
        names none.
    level_db : float or None
        The send's level; None leaves it.
    pre_delay_ms : float or None
        The send's own pre-delay; None leaves it.
    """

    section: str
    room: str
    position: str | None
    level_db: float | None = None
    pre_delay_ms: float | None = None


@frozen_class
class Overrides:
    """What a plan shall say.

    Attributes
    ----------
    sends : tuple of SendOverride
        Sends the plan has; each at most once.
    levels_db : mapping
        Section → its own level, without its group's.
    trim_db : float or None
        The trim of every bus; None leaves it.
    silent : frozenset of str
        Sections that are not heard and may go along with what others change that have it from the same place.
    """

    sends: tuple[SendOverride, ...] = ()
    levels_db: Mapping[str, float] = field(default_factory=dict)
    trim_db: float | None = None
    silent: frozenset[str] = frozenset()


@frozen_class
class SharedLevel:
    """A level that is written where several sections have it from.

    Attributes
    ----------
    at : tuple
        Key path: of an entry of `shared_sends` or of a group's sends, or of a group's `level`.
    sections : tuple of str
        Whose level it is, in the order of the plan.
    """

    at: KeyPath
    sections: tuple[str, ...]


@frozen_class
class PreparedOverrides:
    """A plan's file with overrides, not written yet.

    Attributes
    ----------
    original : Original
        The file as it was read.
    text : str
        What it shall hold.
    edits : dict
        Key path → new value, the edits of the file; empty when the plan says all of it already.
    shared : tuple of SharedLevel
        Levels that are written for several sections at once.
    """

    original: Original
    text: str
    edits: dict[KeyPath, Any]
    shared: tuple[SharedLevel, ...] = ()


def write_overrides(path: Path | str, overrides: Overrides) -> Path | None:
    """Write overrides into a plan.

    Parameters
    ----------
    path : Path
        The plan; it must have no problems.
    overrides : Overrides
        What it shall say, rounded as it is to be read.

    Returns
    -------
    Path or None
        Where the old file is kept; None when the plan says all of it already.

    Raises
    ------
    RoomplanError
        As `prepare_overrides` and `roomplan.documents.rewriting.write_edited`. Nothing is written then.
    """
    prepared = prepare_overrides(path, overrides)
    return write_edited(prepared.original, prepared.text)


def prepare_overrides(path: Path | str, overrides: Overrides) -> PreparedOverrides:
    """Return a plan's file as it would be with overrides.

    Parameters
    ----------
    path, overrides
        As `write_overrides`.

    Raises
    ------
    PlanError
        The plan has problems.
    RoomplanError
        It is a report and not a plan; it has no such section or send, or two overrides of one send; or the
        new text, loaded from a file beside the plan, is not exactly the plan that was asked for.
    """
    path = Path(path)
    loaded = load_plan(path)
    if loaded.plan is None or loaded.problems:
        raise PlanError(loaded.problems)
    if loaded.written is not None and loaded.written.report is not None:
        what = "is a report; only a plan itself can be changed"
        raise RoomplanError(
            what, remedy=f"the plan it was made from, {loaded.plan.source}", place=Place(path)
        )
    original = read_original(path)
    document, _ = read_extended(path, short_forms=SHORT_FORMS)
    whole = document.data if document is not None else {}
    wanted = _intended(loaded.plan, overrides)
    levels, moved = _group_levels(whole, loaded.plan, overrides)
    entries = _entries(whole, loaded.plan, overrides)
    for name in set(overrides.levels_db) - set(levels):
        level = loaded.plan.sections[name].level_db  # as it is, or moved with its group
        sections = {**wanted.sections, name: dataclasses.replace(wanted.sections[name], level_db=level)}
        wanted = dataclasses.replace(wanted, sections=sections)
    wanted = _going_along(wanted, entries, moved)
    edits = _edits(original, loaded.plan, overrides, entries, levels, moved)
    text = edited_text(original.text, edits, file=path)
    if text != original.text:
        _verify(original, text, loaded.plan, wanted)
    groups = loaded.plan.groups
    shared = [SharedLevel(("groups", name, "level"), groups[name].sections) for name in moved]
    shared += [SharedLevel(entry.at, entry.sections) for entry in entries if entry.at[0] != "sections"]
    return PreparedOverrides(original, text, edits, tuple(shared))


# --- What the plan shall be -----------------------------------------------------------------------------


def _intended(plan: Plan, overrides: Overrides) -> Plan:
    """Return the plan with overrides applied to what it means."""
    sections = dict(plan.sections)
    for name in (*overrides.levels_db, *(wish.section for wish in overrides.sends)):
        if name not in sections:
            what = f"there is no section {quoted(name)}"
            raise RoomplanError(what, remedy="a section of the plan", place=Place(plan.source))
    for name, level in overrides.levels_db.items():
        sections[name] = dataclasses.replace(sections[name], level_db=float(level))
    seen: set[tuple[str, int]] = set()
    for wish in overrides.sends:
        section = sections[wish.section]
        index = _send_index(plan, section.sends, wish)
        if (wish.section, index) in seen:
            what = f"{wish.section}: two values for one send to {wish.room}"
            raise RoomplanError(what, remedy="one of them", place=section.sends[index].place)
        seen.add((wish.section, index))
        sends = list(section.sends)
        sends[index] = _with_wish(sends[index], wish)
        sections[wish.section] = dataclasses.replace(section, sends=tuple(sends))
    trim = plan.trim_db if overrides.trim_db is None else float(overrides.trim_db)
    return dataclasses.replace(plan, sections=sections, trim_db=trim)


def _with_wish(send: Send, wish: SendOverride) -> Send:
    if wish.level_db is not None:
        send = dataclasses.replace(send, level_db=float(wish.level_db))
    if wish.pre_delay_ms is not None:
        send = dataclasses.replace(send, pre_delay_s=float(wish.pre_delay_ms) / 1000.0)
    return send


def _send_index(plan: Plan, sends: tuple[Send, ...], wish: SendOverride) -> int:
    """Return which of a section's sends an override means."""
    there = {send.position: index for index, send in enumerate(sends) if send.room == wish.room}
    if wish.position in there:
        return there[wish.position]
    if None in there:
        return there[None]
    where = "" if wish.position is None else f" at {quoted(wish.position)}"
    what = f"{wish.section}: there is no send to {wish.room}{where}"
    raise RoomplanError(what, remedy="a send the plan has", place=plan.sections[wish.section].place)


# --- What the file shall say ----------------------------------------------------------------------------


@frozen_class
class _Entry:
    """An entry of sends to be changed: where it is written, whose it is, and what one section wants of it."""

    at: KeyPath
    sections: tuple[str, ...]
    before: Any
    wishes: tuple[SendOverride, ...]


def _entries(whole: Mapping[str, Any], plan: Plan, overrides: Overrides) -> list[_Entry]:
    """Return the entries to be changed, each for all sections that have it or for one of them."""
    by_entry: dict[tuple[str, str], list[SendOverride]] = {}
    for wish in overrides.sends:
        if _differs(plan, wish):
            by_entry.setdefault((wish.section, wish.room), []).append(wish)
    found: dict[KeyPath, _Entry] = {}
    for (name, room), wishes in by_entry.items():
        owner = _owner(whole, plan, name, room)
        before = _at(whole, (*owner, room))
        sections = tuple(other for other in plan.sections if _owner(whole, plan, other, room) == owner)
        after = _changed_entry(before, wishes)
        if all(
            _changed_entry(before, by_entry[other, room]) == after
            if (other, room) in by_entry
            else other in overrides.silent
            for other in sections
        ):
            at: KeyPath = (*owner, room)
            found.setdefault(at, _Entry(at, sections, before, tuple(wishes)))
        else:
            at = ("sections", name, "sends", room)
            found[at] = _Entry(at, (name,), before, tuple(wishes))
    return list(found.values())


def _owner(whole: Mapping[str, Any], plan: Plan, name: str, room: str) -> KeyPath:
    """Return the key path of the sends that a section's entry for a room is in; () where it has none."""
    group = plan.sections[name].group
    owners: list[KeyPath] = [("sections", name, "sends"), ("shared_sends",)]
    if group is not None:
        owners.insert(1, ("groups", group, "sends"))
    return next((owner for owner in owners if _has(whole, (*owner, room))), ())


def _group_levels(
    whole: Mapping[str, Any], plan: Plan, overrides: Overrides
) -> tuple[dict[str, float], dict[str, float]]:
    """Return section → level that is written there, and group → change of the level it gives its sections."""
    changes = {
        name: level - plan.sections[name].level_db
        for name, level in overrides.levels_db.items()
        if level != plan.sections[name].level_db
    }
    moved: dict[str, float] = {}
    for group in plan.groups.values():
        own = {
            changes.get(name) for name in group.sections if name in changes or name not in overrides.silent
        }
        first = next(iter(own), None)
        if first is None or None in own or not _has(whole, ("groups", group.name, "level")):
            continue
        if all(change is not None and _close(change, first) for change in own):
            moved[group.name] = first
    return {
        name: overrides.levels_db[name] for name in changes if plan.sections[name].group not in moved
    }, moved


def _going_along(wanted: Plan, entries: list[_Entry], moved: Mapping[str, float]) -> Plan:
    """Return the intended plan with what silent sections get besides, and with levels at their groups."""
    sections = dict(wanted.sections)
    for entry in entries:
        for name in entry.sections:
            sends = list(sections[name].sends)
            for wish in entry.wishes:
                index = _send_index(wanted, sections[name].sends, wish)
                sends[index] = _with_wish(sends[index], wish)
            sections[name] = dataclasses.replace(sections[name], sends=tuple(sends))
    groups = dict(wanted.groups)
    for group, change in moved.items():
        groups[group] = dataclasses.replace(groups[group], level_db=groups[group].level_db + change)
    return dataclasses.replace(wanted, sections=sections, groups=groups)


def _edits(
    original: Original,
    plan: Plan,
    overrides: Overrides,
    entries: list[_Entry],
    levels: Mapping[str, float],
    moved: Mapping[str, float],
) -> dict[KeyPath, Any]:
    """Return the edits of the leaf that make it say what is asked for, where it does not yet."""
    leaf, base = _leaf_and_base(original)
    edits: dict[KeyPath, Any] = {}
    if overrides.trim_db is not None and overrides.trim_db != plan.trim_db:
        edits["trim",] = float(overrides.trim_db)
    for name, level in levels.items():
        edits["sections", name, "level"] = float(level)
    for name, change in moved.items():
        edits["groups", name, "level"] = round(plan.groups[name].level_db + change, 6)
    cleared: set[KeyPath] = set()
    for entry in entries:
        before, at = entry.before, entry.at
        after = _changed_entry(before, list(entry.wishes))
        below = _at(base, at)
        sends = _at(leaf, at[:-1])
        if sends is None and _has(leaf, at[:-1]) and at[:-1] not in cleared:
            # `sends: null` took away all the extended plan has there: that is said room by room now.
            cleared.add(at[:-1])
            for other in _at(base, at[:-1]) or {}:
                edits[(*at[:-1], other)] = None
        written = _at(leaf, at)
        gone = (written is None and _has(leaf, at)) or (sends is None and _has(leaf, at[:-1]))
        if isinstance(written, dict) and isinstance(after, dict):
            edits |= {(*at, key): value for key, value in after.items() if before.get(key) != value}
        elif gone and isinstance(below, dict) and not isinstance(after, list):
            edits[at] = [after]  # it would get back what the leaf has done away with
        elif isinstance(below, dict) and isinstance(after, dict):
            differing = {key: value for key, value in after.items() if below.get(key) != value}
            only_level = _has(leaf, at) and not differing.keys() - {"level"}
            edits[at] = after["level"] if only_level else differing
        else:
            edits[at] = after
    return edits


def _leaf_and_base(original: Original) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what the leaf alone says, and what it extends says, both without problems."""
    text = original.text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    parsed, _ = parse_text(text, original.path)
    leaf = parsed.data if parsed is not None else {}
    if EXTENDS not in leaf:
        return leaf, {}
    base, _ = read_extended(path_beside(leaf[EXTENDS], original.path), short_forms=SHORT_FORMS)
    return leaf, base.data if base is not None else {}


def _differs(plan: Plan, wish: SendOverride) -> bool:
    sends = plan.sections[wish.section].sends
    send = sends[_send_index(plan, sends, wish)]
    if wish.level_db is not None and wish.level_db != send.level_db:
        return True
    return wish.pre_delay_ms is not None and (
        send.pre_delay_s is None or not _close(wish.pre_delay_ms / 1000.0, send.pre_delay_s)
    )


def _changed_entry(entry: Any, wishes: list[SendOverride]) -> Any:
    """Return an entry of sends with some of them changed."""
    if not isinstance(entry, list):
        return _changed_send(entry, wishes[0]) if wishes else entry
    positions = [item.get("position") if isinstance(item, dict) else None for item in entry]
    changed = list(entry)
    for wish in wishes:
        index = positions.index(wish.position if wish.position in positions else None)
        changed[index] = _changed_send(entry[index], wish)
    return changed


def _changed_send(send: Any, wish: SendOverride) -> Any:
    keys: dict[str, Any] = {}
    if wish.level_db is not None:
        keys["level"] = float(wish.level_db)
    if wish.pre_delay_ms is not None:
        keys["pre_delay"] = float(wish.pre_delay_ms)
    if isinstance(send, dict):
        return {**send, **keys}
    return {"level": send, **keys} if "pre_delay" in keys else keys.get("level", send)


def _at(data: Any, path: KeyPath) -> Any:
    for step in path:
        data = data.get(step) if isinstance(data, dict) else None
    return data


def _has(data: Any, path: KeyPath) -> bool:
    """Tell whether there is a key at a path, be its value None."""
    above = _at(data, path[:-1])
    return isinstance(above, dict) and path[-1] in above


# --- Whether it does -----------------------------------------------------------------------------------


def _verify(original: Original, text: str, before: Plan, wanted: Plan) -> None:
    """Raise unless the new text loads as the plan that is wanted.

    Both texts are loaded from one file beside the plan, which therefore has the same base, the same relative
    paths and the same names.
    """
    folder = original.path.absolute().parent
    trial = folder / f".{original.path.stem}.{secrets.token_hex(4)}{original.path.suffix}"
    try:
        trial.write_bytes(original.text.encode("utf-8"))
        old = load_plan(trial)
        trial.write_bytes(text.encode("utf-8"))
        new = load_plan(trial)
    except OSError as error:
        what = f"no file can be written beside it: {error.strerror or error}"
        place = Place(original.path)
        raise RoomplanError(what, remedy="a folder that may be written to", place=place) from error
    finally:
        with contextlib.suppress(OSError):
            trial.unlink(missing_ok=True)
    if old.plan is None or new.plan is None or new.problems:
        problem = next(iter(new.problems), None)
        line = problem.place.line if problem is not None and problem.place is not None else None
        said = problem.what if problem is not None else "it cannot be read"
        what = f"the changed plan would have a problem: {said}"
        raise RoomplanError(what, remedy="edit this line by hand", place=Place(original.path, line))
    # What the trial file's name makes different is taken over, then nothing may differ.
    expected = dataclasses.replace(
        old.plan,
        sections=wanted.sections,
        groups=wanted.groups,
        trim_db=wanted.trim_db,
        unused_sends=new.plan.unused_sends,  # what sections no longer have from their group
    )
    different = next(_differences(expected, new.plan, ()), None)
    if different is not None:
        steps = [step for step in different if step in before.sections]
        place = before.sections[steps[0]].place if steps else before.place
        what = f"{'.'.join(different)} of the changed plan would not come out as asked"
        raise RoomplanError(what, remedy="edit this line by hand", place=place)


def _close(one: float, other: float) -> bool:
    return abs(one - other) <= _CLOSE * max(1.0, abs(one), abs(other))


def _without_places(mapping: dict[Any, Any]) -> dict[Any, Any]:
    return {key: value for key, value in mapping.items() if not isinstance(value, Place)}


def _differences(one: Any, other: Any, at: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Yield where two plans differ, places in files apart."""
    if isinstance(one, Place) and isinstance(other, Place):
        return
    if dataclasses.is_dataclass(one) and not isinstance(one, type) and type(one) is type(other):
        for part in dataclasses.fields(one):
            yield from _differences(getattr(one, part.name), getattr(other, part.name), (*at, part.name))
    elif isinstance(one, dict) and isinstance(other, dict):
        left, right = _without_places(one), _without_places(other)
        if list(left) != list(right):
            yield at
            return
        for key, value in left.items():
            yield from _differences(value, right[key], (*at, str(key)))
    elif isinstance(one, tuple) and isinstance(other, tuple) and len(one) == len(other):
        for index, value in enumerate(one):
            yield from _differences(value, other[index], (*at, str(index)))
    elif isinstance(one, float) and isinstance(other, float):
        if not _close(one, other):
            yield at
    elif one != other:
        yield at
