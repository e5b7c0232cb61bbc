"""What a plan that extends another one means where it says something else than that one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.documents.extends import ShortForm
from roomplan.errors import Problem

if TYPE_CHECKING:
    from roomplan.documents.source import ReplacedList

__all__ = ["SHORT_FORMS", "note_of_list"]

_SENDS = (("shared_sends", "*"), ("groups", "*", "sends", "*"), ("sections", "*", "sends", "*"))

SHORT_FORMS = tuple(ShortForm(way, "level") for way in _SENDS)
"""A send written as a number is its level: what else the extended plan says of the send stays."""

_ADDED_TO = (("targets",), ("balance", "locked"), ("balance", "linked"))
"""Lists that one may think are added to. Others (stems, what to write) say all by nature."""


def note_of_list(replaced: ReplacedList) -> Problem | None:
    """What is said of a list that a plan replaces; None where nothing is lost, or nobody expects else."""
    is_send = any(form.holds_at(replaced.at) for form in SHORT_FORMS)
    if not replaced.lost or not (is_send or replaced.at in _ADDED_TO):
        return None
    name = ".".join(map(str, replaced.at))
    kind = "send" if is_send else "target" if replaced.at == ("targets",) else "entry"
    many = {"send": "sends", "target": "targets", "entry": "entries"}[kind] if replaced.entries != 1 else kind
    lost = f", of which {replaced.lost} {'is' if replaced.lost == 1 else 'are'} not repeated"
    what = f"`{name}` replaces the {replaced.entries} {many} of {replaced.before}"
    remedy = "a list is not added to: repeat here what is to stay"
    return Problem(what + (lost if replaced.lost < replaced.entries else ""), replaced.place, remedy)
