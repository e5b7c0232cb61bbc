"""Targets and what was found for them, as plain values: the `roomplan.balance/2` document.

Conventions
-----------
As in `documents`; why a target has no figure is in its `reason`. Centre times are in milliseconds, as in a
plan.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.cautions import MUSIC_ONLY
from roomplan.report.documents import Document, problem_entry, rounded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.balance.answer import Balance, LevelChange, Outcome
    from roomplan.balance.verifying import TargetResult
    from roomplan.documents.places import KeyPath
    from roomplan.plan.overrides import SharedLevel
    from roomplan.plan.targets import Target

__all__ = ["BALANCE_SCHEMA", "balance_document", "key_words", "result_entries"]

BALANCE_SCHEMA = "roomplan.balance/2"


def balance_document(
    balance: Balance, *, written: str | None = None, shared: Sequence[SharedLevel] = ()
) -> Document:
    """Result of a balance (`roomplan.balance/2`).

    Parameters
    ----------
    written : str, optional
        Where the old plan is kept, when the new levels were written.
    shared : sequence of SharedLevel
        What of that was written for several sections at once.
    """
    plan = balance.session.plan
    return {
        "schema": BALANCE_SCHEMA,
        "roomplan": __version__,
        "plan": str(plan.source),
        "title": plan.title,
        "met": balance.met,
        "settled": balance.settled,
        "targets": [_outcome_entry(outcome) for outcome in balance.outcomes],
        "changes": [_change_entry(change) for change in balance.changes],
        "trim_db": {
            "before": rounded(balance.trim_before_db, 3),
            "after": rounded(balance.trim_after_db, 3),
        },
        "binding": [
            {
                **_change_entry(binding.change),
                "limit": binding.limit,
                "for_targets": list(binding.for_targets),
            }
            for binding in balance.binding
        ],
        "conflicts": [
            {
                "target": conflict.target,
                "against": list(conflict.against),
                "released_by": list(conflict.released_by),
            }
            for conflict in balance.conflicts
        ],
        "beyond_reach": [
            {
                "target": beyond.target,
                "best": _scaled(balance.outcomes[beyond.target].target, beyond.best),
                "reached_with": beyond.reached_with,
            }
            for beyond in balance.beyond_reach
        ],
        "left": [_change_entry(change) for change in balance.left],
        "unmeasured": list(balance.unmeasured),
        "alternatives": [
            [_change_entry(change) for change in alternative.changes] for alternative in balance.alternatives
        ],
        "backup": written,
        "shared": [{"at": key_words(level.at), "sections": list(level.sections)} for level in shared],
        "warnings": [problem_entry(warning) for warning in balance.session.warnings],
        "note": MUSIC_ONLY,
    }


def result_entries(results: Sequence[TargetResult]) -> list[Document]:
    """Targets and what there is of them, for the documents of check and render."""
    return [{**_target_entry(result.target), **_result_entry(result)} for result in results]


def _target_entry(target: Target) -> Document:
    return {
        "wish": target.kind,
        "of": target.of,
        "over": target.over,
        "room": target.room,
        "band": target.band if target.kind == "margin" else None,
        "passage": target.passage,
        "wanted": _scaled(target, target.value),
        "sense": target.wish.sense,
        "unit": target.wish.unit or None,
        "tolerance": _scaled(target, target.tolerance),
        "weight": target.weight,
    }


def _result_entry(result: TargetResult) -> Document:
    return {
        "value": _scaled(result.target, result.value),
        "miss": _scaled(result.target, result.miss),
        "met": result.met,
        "reason": result.reason,
    }


def _outcome_entry(outcome: Outcome) -> Document:
    return {
        **_target_entry(outcome.target),
        "before": _result_entry(outcome.before),
        "after": _result_entry(outcome.after),
        "measured": None if outcome.measured is None else _result_entry(outcome.measured),
    }


def key_words(path: KeyPath) -> str:
    """Name of a key with those above it: `groups.strings.sends`."""
    return ".".join(map(str, path))


def _scaled(target: Target, value: float | None) -> float | None:
    """Value in the unit of the file, rounded to what it means."""
    return rounded(None if value is None else value / target.wish.scale, 4)


def _change_entry(change: LevelChange) -> Document:
    return {
        "section": change.section,
        "room": change.room,
        "position": change.position,
        "before_db": rounded(change.before_db, 3),
        "after_db": rounded(change.after_db, 3),
    }
