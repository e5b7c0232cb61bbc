"""Words of a plan that have new names: the old ones are read for one version, with a note.

One line here is all that a rename needs: reading, notes and `roomplan check --update` follow from it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.documents.renames import RenamedKey, RenamedValue, Renames
from roomplan.documents.wording import quoted
from roomplan.errors import Problem

if TYPE_CHECKING:
    from roomplan.documents.renames import NewWord

__all__ = ["OLD_WORDS", "note_of"]

_NOTE = r"(1/(?:1|2|4|8|16|32|64|128))"
_PRE_DELAYS = (
    ("rooms", "*"),
    ("shared_sends", "*"),
    ("shared_sends", "*", "*"),
    ("groups", "*", "sends", "*"),
    ("groups", "*", "sends", "*", "*"),
    ("sections", "*", "sends", "*"),
    ("sections", "*", "sends", "*", "*"),
)

OLD_WORDS = Renames(
    keys=(
        RenamedKey(("anchor",), "reference_section"),
        RenamedKey(("balance", "common"), "linked"),
        RenamedKey(("rooms", "*", "reference"), "gain_position"),
    ),
    values=(
        RenamedValue(("margins", "*", "band"), "words", "speech"),
        RenamedValue(("targets", "*", "band"), "words", "speech"),
        *(
            RenamedValue((*way, "pre_delay"), _NOTE + letter, rf"{word} \1")
            for way in _PRE_DELAYS
            for letter, word in (("d", "dotted"), ("t", "triplet"))
        ),
    ),
)


def note_of(word: NewWord) -> Problem:
    """What is said of an old word in a plan."""
    what = (
        f"`{word.old}` is now `{word.new}`"
        if word.is_key
        else f"{word.old} is now written {quoted(word.new)}"
    )
    remedy = "`roomplan check --update` rewrites it; the next version does not read it"
    return Problem(what, word.place, remedy)
