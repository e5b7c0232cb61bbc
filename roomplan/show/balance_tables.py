"""Targets and what was found for them, as tables and sentences.

Conventions
-----------
Units are beside the value. A dash is a figure that cannot be given; the lines below say why. Centre times are
in milliseconds, as in a plan.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from roomplan.cautions import MUSIC_ONLY
from roomplan.report.balance import key_words
from roomplan.show.tables import DASH, at_position, figure, figure_columns, level, note, plain_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from rich.table import Table

    from roomplan.balance.answer import Balance, BeyondReach, Conflict, LevelChange, Outcome
    from roomplan.balance.verifying import TargetResult
    from roomplan.plan.bus_name import BusName
    from roomplan.plan.overrides import SharedLevel
    from roomplan.plan.targets import Target

__all__ = [
    "balance_lines",
    "balance_tables",
    "broken_line",
    "described",
    "result_lines",
    "result_table",
    "shared_lines",
    "speech_lines",
    "targets_of_plans",
]

_SIGNS = {"equal": "", "least": "≥ ", "most": "≤ "}
_REACHED_WITH = {
    "nothing": ", and no level that may be moved changes it",
    "lowest_sends": ", with every send involved at its lower limit",
    "highest_sends": ", with every send involved at its upper limit",
    "some_levels": "",
}
_RELEASED = {
    "sends": "wider send limits",
    "levels": "wider level limits",
    "locked": "unlocking or unlinking sections",
}


def described(target: Target) -> str:
    """What a target is about, in words."""
    of, over = (_plain(bus) for bus in (target.of, target.over))
    words = {
        "wet_to_dry": f"{of} wet/dry",
        "margin": f"{of} over {over}",
        "share": f"{of} share of {target.room}",
        "least_c80": f"{of} C80",
        "least_d50": f"{of} D50",
        "least_sti": f"{of} STI (estimate)",
        "longest_centre_time": f"{of} centre time",
        "longest_wet_decay": f"{of} wet T30",
        "true_peak": "mix true peak",
        "loudness": "mix loudness",
    }[target.kind]
    if target.band == "speech":
        words += ", speech"
    return words if target.passage is None else f"{words}, {target.passage}"


def _plain(bus: BusName | None) -> str:
    return "" if bus is None else bus.subject


def _shown(target: Target, value: float | None, *, signed: bool = True) -> str:
    """A figure in the unit and with the digits of its target."""
    unit = target.wish.unit
    if value is None:
        return DASH
    if unit == "ms":
        return figure(value / target.wish.scale, 0)
    if unit in {"s", ""}:
        return figure(value)
    return level(value) if signed else figure(value, 1)


def _wanted(target: Target) -> str:
    return f"{_SIGNS[target.wish.sense]}{_shown(target, target.value)}{_unit(target)}"


def _unit(target: Target) -> str:
    return f" {target.wish.unit}" if target.wish.unit else ""


def _missed_by(result: TargetResult) -> str:
    target = result.target
    unit = {"loudness": " LU", "true_peak": " dB"}.get(target.kind, _unit(target))
    return f"{_shown(target, result.miss, signed=False)}{unit}"


def _verdict(result: TargetResult, *, unmeasured: bool = False) -> str:
    if unmeasured:
        return "not measured"
    if result.met:
        return "met"
    return "no figure" if result.value is None else f"missed by {_missed_by(result)}"


def result_table(results: Sequence[TargetResult]) -> Table:
    """Targets of a plan and what there is of them; nothing was solved."""
    table = plain_table("Targets", "met: within its tolerance")
    for heading in ("target", "wanted", "is"):
        table.add_column(heading, justify="left" if heading == "target" else "right")
    table.add_column("")
    for result in results:
        target = result.target
        table.add_row(described(target), _wanted(target), _shown(target, result.value), _verdict(result))
    return table


def speech_lines(targets: Iterable[Target]) -> list[Text]:
    """What an STI is not for, where one is shown."""
    return [note(MUSIC_ONLY)] if any(target.kind == "least_sti" for target in targets) else []


def targets_of_plans(results: Mapping[str, Sequence[TargetResult]]) -> Table | None:
    """Targets down, plans across: what each plan reaches of its own; None where no plan has a target."""
    rows: dict[tuple[str, str], dict[str, TargetResult]] = {}
    for label, found in results.items():
        for result in found:
            rows.setdefault((described(result.target), _wanted(result.target)), {})[label] = result
    if not rows:
        return None
    table = plain_table("Targets", "met: within its tolerance · a dash: the plan has no such target")
    table.add_column("target")
    table.add_column("wanted", justify="right")
    figure_columns(table, results)
    for (words, wanted), found in rows.items():
        cells = [
            DASH if one is None else f"{_shown(one.target, one.value)} {_verdict(one)}"
            for one in (found.get(label) for label in results)
        ]
        table.add_row(words, wanted, *cells)
    return table


def result_lines(results: Sequence[TargetResult]) -> list[Text]:
    """Why targets have no figure, and how many are met."""
    lines = [Text(line) for line in _reasons(results)]
    missed = [described(result.target) for result in results if not result.met]
    if not missed:
        what = "the target is met" if len(results) == 1 else f"all {len(results)} targets are met"
        return [*lines, Text(what)]
    return [*lines, Text(f"{len(missed)} of {len(results)} targets missed: {'; '.join(missed)}")]


def _reasons(results: Sequence[TargetResult]) -> list[str]:
    return [f"{described(r.target)}: {r.reason}" for r in results if r.reason]


def balance_tables(balance: Balance) -> list[Table]:
    """Targets before and after; then what changes, where anything does."""
    tables = [_outcome_table(balance)]
    if balance.changed:
        tables.append(_change_table(balance))
    return tables


def _outcome_table(balance: Balance) -> Table:
    measured = any(outcome.measured is not None for outcome in balance.outcomes)
    caption = "after: at the levels below, rounded to 0.1 dB; judged unrounded"
    table = plain_table(
        f"{balance.session.plan.title}: targets",
        f"{caption} · measured: in a new pass over the sound" if measured else caption,
    )
    table.add_column("target")
    figure_columns(table, ("wanted", "±", "before", "after", *(["measured"] if measured else [])))
    table.add_column("")
    for index, outcome in enumerate(balance.outcomes):
        target = outcome.target
        last = outcome.measured or outcome.after
        cells = [_shown(target, outcome.before.value), _shown(target, outcome.after.value)]
        if measured:
            cells.append(_shown(target, None if outcome.measured is None else outcome.measured.value))
        verdict = _verdict(last, unmeasured=index in balance.unmeasured)
        table.add_row(described(target), _wanted(target), _tolerance(target), *cells, verdict)
    return table


def _tolerance(target: Target) -> str:
    if target.wish.unit == "ms":
        return figure(target.tolerance / target.wish.scale, 0)
    return figure(target.tolerance, 2 if target.wish.unit in {"", "s"} else 1)


def _change_table(balance: Balance) -> Table:
    table = plain_table("What changes", "levels in dB; everything else stays as written")
    table.add_column("section")
    table.add_column("what")
    figure_columns(table, ("before", "after", "change"))
    previous = None
    for change in balance.changes:
        name = "" if change.section == previous else change.section
        previous = change.section
        table.add_row(name, _what(change), *_levels(change.before_db, change.after_db))
    if balance.trim_after_db != balance.trim_before_db:
        if balance.changes:
            table.add_section()
        table.add_row("everything", "trim", *_levels(balance.trim_before_db, balance.trim_after_db))
    return table


def _levels(before: float, after: float) -> tuple[str, str, str]:
    return level(before), level(after), level(after - before)


def _what(change: LevelChange) -> str:
    if change.send is None:
        return "level"
    return f"send to {change.room}{at_position(change.position)}"


def balance_lines(balance: Balance) -> list[Text]:
    """What cannot be had, binds or conflicts, what else would do, and the verdict last, in sentences."""
    targets = [outcome.target for outcome in balance.outcomes]
    final = [outcome.measured or outcome.after for outcome in balance.outcomes]
    lines = _reasons([result for index, result in enumerate(final) if index not in balance.unmeasured])
    lines += [_beyond_line(targets[beyond.target], beyond) for beyond in balance.beyond_reach]
    missed = {conflict.target for conflict in balance.conflicts}
    bound: dict[tuple[int, ...], list[LevelChange]] = {}
    for binding in balance.binding:
        if missed & set(binding.for_targets):
            bound.setdefault(binding.for_targets, []).append(binding.change)
    lines += [_binding_line(changes, [targets[i] for i in who]) for who, changes in bound.items()]
    lines += [line for conflict in balance.conflicts if (line := _conflict_line(conflict, balance))]
    if balance.left:
        left = ", ".join(
            f"{change.section} {_what(change)} ({level(change.after_db - change.before_db)})"
            for change in balance.left
        )
        lines.append(f"left unchanged, as it would move less than 0.3 dB: {left}")
    for alternative in balance.alternatives:
        changes = "; ".join(
            f"{change.section} {_what(change)} {level(change.after_db)}" for change in alternative.changes
        )
        lines.append(f"equally good: {changes}, the rest as above")
    if not balance.settled:
        lines.append("the search did not fully converge: other levels may be a little better")
    lines += [
        f"{described(targets[index])} is not known at these levels: --verify measures it"
        for index in balance.unmeasured
    ]
    return [*(Text(line) for line in lines), Text(_verdict_line(balance))]


def _beyond_line(target: Target, beyond: BeyondReach) -> str:
    """What a target that cannot be had can have."""
    best = f"{_shown(target, beyond.best)}{_unit(target)} at best{_REACHED_WITH[beyond.reached_with]}"
    return f"{described(target)} {_wanted(target)} is out of reach: {best}"


def _binding_line(changes: Sequence[LevelChange], pushing: Sequence[Target]) -> str:
    """Levels at their limits, and the targets that would have them further out."""
    listed = ", ".join(f"{change.section} {_what(change)} {level(change.after_db)}" for change in changes)
    who = " and ".join(described(target) for target in pushing)
    return f"at {'its limit' if len(changes) == 1 else 'their limits'}, for {who}: {listed}"


def _conflict_line(conflict: Conflict, balance: Balance) -> str:
    outcome = balance.outcomes[conflict.target]
    last = outcome.measured or outcome.after
    targets = [o.target for o in balance.outcomes]
    what = f"{described(outcome.target)} is missed by {_missed_by(last)}"
    against = " or ".join(described(targets[i]) for i in conflict.against)
    wider = " or ".join(_RELEASED[name] for name in conflict.released_by)
    if any(beyond.target == conflict.target for beyond in balance.beyond_reach):
        held = f"{described(outcome.target)} is held back by {against}" if against else ""
        helped = f"{wider} would let {described(outcome.target)} come closer" if wider else ""
        return "; ".join(part for part in (held, helped) if part)
    if against and wider:
        return f"{what}: it conflicts with {against}; {wider} would help too"
    if against:
        return f"{what}: it conflicts with {against}"
    if wider:
        return f"{what}: {wider} would let it come closer"
    return f"{what}: no level that may be moved brings it closer"


def _verdict_line(balance: Balance) -> str:
    judged = [o.measured or o.after for i, o in enumerate(balance.outcomes) if i not in balance.unmeasured]
    count, met = len(judged), sum(result.met for result in judged)
    if not count:
        return "nothing can be judged without a pass over the sound"
    other = "other " if balance.unmeasured else ""
    which = f"the {other}target is met" if count == 1 else f"all {count} {other}targets are met"
    if met == count and not balance.changed:
        return f"{which} by the plan as it is: nothing to change"
    if met == count:
        return f"{which} by changing {_counted(balance)}"
    if not balance.changed:
        return f"{met} of {count} targets are met, and no change of levels improves on that"
    changing = f"{met} of {count} targets are met by changing {_counted(balance)}"
    if len(balance.beyond_reach) == count - met:
        return f"{changing}; those out of reach come as close as the others allow"
    return f"{changing}; the others are missed by as little as possible"


def _counted(balance: Balance) -> str:
    sends = sum(change.send is not None for change in balance.changes)
    levels = len(balance.changes) - sends
    trim = balance.trim_after_db != balance.trim_before_db
    parts = [_number(sends, "send"), _number(levels, "section level"), "the trim" if trim else ""]
    *first, last = [part for part in parts if part]
    return f"{', '.join(first)} and {last}" if first else last


def _number(count: int, what: str) -> str:
    return "" if count == 0 else f"{count} {what}{'s' if count > 1 else ''}"


def shared_lines(shared: Sequence[SharedLevel]) -> list[Text]:
    """Where levels were written that several sections have."""
    return [Text(f"{key_words(level.at)} is changed for {', '.join(level.sections)}") for level in shared]


def broken_line(broken: Sequence[Outcome]) -> str:
    """Figures that were expected, and those measured in the written plan."""
    return "; ".join(
        f"{described(outcome.target)} {_shown(outcome.target, outcome.after.value)} expected, "
        f"{_shown(outcome.target, None if outcome.measured is None else outcome.measured.value)} measured"
        for outcome in broken
    )
