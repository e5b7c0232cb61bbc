"""The text of a proposed plan, commented so that it can be read at midnight; and its way to the disk.

Conventions
-----------
A fact is written plainly; what was guessed and is not sure begins with `?` and names the alternative. A
text is quoted where YAML would read it as anything else. Paths are relative to the plan.

Sources
-------
YAML 1.2.2, 7.3.1: what a double-quoted scalar may hold and how the rest is escaped.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.documents.scalars import forbidden_character
from roomplan.documents.source import MOST_BYTES
from roomplan.errors import RoomplanError
from roomplan.files.real_path import real_path
from roomplan.files.whole_file import write_whole
from roomplan.foreign_text import printable
from roomplan.plan.model import DEFAULT_SPREAD_M
from roomplan.session.stem_names import has_revision

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from .cue import CueFacts
    from .filling import Filling
    from .listening import StemFile
    from .patterns import StemText
    from .proposal import (
        LeftOut,
        Proposal,
        ProposedGroup,
        ProposedRoom,
        ProposedSeat,
        ProposedSection,
        ProposedSend,
    )

__all__ = ["filling_text", "path_text", "plan_text", "scalar", "shown", "write_plan"]

_WIDTH = 108  # of a line with its comment
_PLAIN = re.compile(r"(?:\.{1,2}/)*[A-Za-z_](?:[A-Za-z0-9_./()+-]|[ ](?=[A-Za-z0-9_/(+]))*")
# Words that YAML, or an older reader of it, takes for something else than text; and `off`, a word of plans.
_RESERVED = frozenset({"true", "false", "null", "yes", "no", "on", "off", "y", "n"})
_LONGEST_SHOWN = 72
_LONGEST_PATH = 1000  # characters, as in `plan.values`

_ROLES = {
    "hall": "where the orchestra plays",
    "church": "for voices and organ alone: space that the rest does not have",
    "stage": "a little for everybody, so that all share one space",
}


def scalar(text: str) -> str:
    """A text as YAML: plain where that is safe, else in double quotes with everything unprintable escaped."""
    if _PLAIN.fullmatch(text) and text.casefold() not in _RESERVED:
        return text
    return f'"{"".join(_escaped(letter) for letter in text)}"'


def _escaped(letter: str) -> str:
    if letter in '"\\':
        return f"\\{letter}"
    if letter.isprintable():
        return letter
    code = ord(letter)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def shown(text: str, most: int = _LONGEST_SHOWN) -> str:
    """A name in a comment or a table: on one line, printable, shortened in its middle."""
    plain = printable(text)
    return plain if len(plain) <= most else f"{plain[: most // 2]}…{plain[len(plain) - most // 2 + 1 :]}"


def path_text(target: Path, plan: Path) -> str:
    """Path of a file or folder as the plan should name it.

    Raises
    ------
    RoomplanError
        It is no text (bytes that are not UTF-8, control characters), or longer than a plan may say.
    """
    here, there = plan.absolute().parent, target.absolute()
    if there.is_relative_to(here):
        text = there.relative_to(here).as_posix()
    else:
        try:
            # `..` is taken by the system from where a folder really is
            text = os.path.relpath(real_path(there), real_path(here)).replace(os.sep, "/")
        except ValueError:  # another drive
            text = there.as_posix()
    # a leading ~ would mean the home folder
    if text.startswith("~"):
        text = f"./{text}"
    if forbidden_character(text) is not None or "\n" in text or "\t" in text or len(text) > _LONGEST_PATH:
        raise RoomplanError(
            f"the path {shown(text)} cannot be written in a plan",
            remedy="rename the folder with plain letters",
        )
    return text


def plan_text(proposal: Proposal, plan: Path, *, delivery_folder: str = "render") -> str:
    """The whole plan.

    Parameters
    ----------
    proposal : Proposal
        With at least one section.
    plan : Path
        Where it will be; paths are relative to it.
    delivery_folder : str
        Where its delivery goes.

    Returns
    -------
    str
        YAML that loads without problems.

    Raises
    ------
    RoomplanError
        More files than a plan can name, or a path that it cannot hold.
    """
    unsure = len(proposal.unsure)
    lines = [
        f"# {shown(proposal.title)}: a first plan, proposed from the names of the stems and what is in them.",
        *_next_commands(plan),
        "# Levels are dB, distances metres, cuts Hz, pre-delays ms. Seats and sends are starting points.",
        f"# What is uncertain begins with ? in comments ({_count(unsure, 'section') if unsure else 'none'}).",
        "",
        f"title: {scalar(proposal.title)}",
    ]
    lines += [*_cue_lines(proposal.facts), *_rate_lines(proposal.sample_rate)]
    lines.append(f"stems: {scalar(path_text(proposal.folder, plan))}")
    lines += _remarks((*proposal.remarks, *proposal.facts.remarks))
    lines += _rule("Rooms")
    lines += [
        "# Rooms that come with roomplan. Your own impulse responses go here too, one file per position:",
        "#   my_church: {responses: {front: irs/church_front.wav, rear: irs/church_rear.wav}}",
        "rooms:",
    ]
    lines += _joined(_room_lines(room) for room in proposal.rooms)
    if proposal.shared_sends:
        lines += _rule("Sends for everybody")
        lines += [
            "# A section's own entry replaces its group's, which replaces this one; `off` takes a room away.",
            "shared_sends:",
            *_send_lines(proposal.shared_sends, "  "),
        ]
    if proposal.groups:
        lines += _rule("Groups")
        lines += ["# Sections that share sends, and come out as one print.", "groups:"]
        lines += _joined(_group_lines(group) for group in proposal.groups)
    lines += _rule("Sections")
    lines += [
        "# `stems` are names or patterns in the folder above. `seat` is the distance from the main",
        "# microphones and the degrees right of centre (left is negative). `source` is how its sound is",
        "# directed: rooms return it darker than the dry sound. `even`, or no `source`, is off.",
        "sections:",
    ]
    lines += _joined(_section_lines(section) for section in proposal.sections)
    lines += _left_out_lines(proposal.left_out)
    lines += _rule("Deliveries")
    families = ["mix", "prints", "rooms", *(["groups"] if proposal.groups else [])]
    lines += [
        "# What is written where. Prints (a section with all its rooms) add up to the mix, sample by sample.",
        "deliveries:",
        "  session:",
        f"    folder: {scalar(delivery_folder)}",
        "    format: wav",
        "    bit_depth: 32f                          # or 24, or 16, dithered",
        f"    write: [{', '.join(families)}]",
    ]
    return _finished(lines)


def _next_commands(plan: Path) -> list[str]:
    name = shown(plan.name)
    return [
        "#",
        f"#   roomplan check  {name}     every problem, then each section's sends and how loud they return",
        f"#   roomplan render {name}     the mix, the prints and their figures",
        "#",
    ]


def filling_text(filling: Filling, plan: Path) -> str:
    """A plan that extends a template; as `plan_text`.

    Raises
    ------
    RoomplanError
        As `plan_text`.
    """
    missing = len(filling.missing)
    lines = [
        f"# {shown(filling.title)}: {shown(filling.base.name)} with the stems of this cue.",
        *_next_commands(plan),
        f"# Sections with stems: {len(filling.filled)}, without: {missing}, added: {len(filling.added)}.",
        "# All else is as in the template. What is uncertain begins with ?.",
        "",
        f"title: {scalar(filling.title)}",
        f"extends: {scalar(path_text(filling.base, plan))}",
    ]
    lines += _cue_lines(filling.facts)
    if filling.starts_elsewhere:
        lines.append("start: null    # ? the template's is that of another cue")
    lines += _rate_lines(filling.sample_rate)
    lines.append(f"stems: {scalar(path_text(filling.folder, plan))}")
    lines += _remarks((*filling.remarks, *filling.facts.remarks))
    if filling.groups:
        lines += _rule("Groups")
        lines += ["# As the template's, but with the sections of this cue.", "groups:"]
        for group, members in filling.groups.items():
            if members is None:
                lines.append(f"  {scalar(group)}: null")
            else:
                lines.append(f"  {scalar(group)}: {{sections: {_flow(members)}}}")
    if filling.sections_change:
        lines += _rule("Sections")
        lines.append("sections:")
        blocks: list[list[str]] = [
            [f"  {scalar(section)}: null{'':4}# no stem fits {shown(', '.join(patterns))}"]
            for section, patterns in filling.missing.items()
            if section not in filling.optional
        ]
        for section, (texts, why) in filling.narrowed.items():
            block = [f"  {scalar(section)}:    # {why}", f"    stems:{_stems_value(texts, '    ')}"]
            if section in filling.spreads:
                block.append(_spread_line(filling.spreads[section]))
            blocks.append(block)
        blocks += [
            [f"  {scalar(section)}:", _spread_line(spread)]
            for section, spread in filling.spreads.items()
            if section not in filling.narrowed
        ]
        blocks += [_section_lines(section) for section in filling.added]
        lines += _joined(blocks)
    if filling.alternates:
        lines += [*_rule("Alternates"), "alternates:"]
        for alternate, gone in filling.alternates.items():
            what = "null" if gone is None else f"{{{', '.join(f'{scalar(name)}: null' for name in gone)}}}"
            lines.append(f"  {scalar(alternate)}: {what}")
    if filling.margins is not None:
        lines += ["", *_margin_lines(filling.margins)]
    if filling.missing and set(filling.missing) <= set(filling.optional):
        lines += ["", *_wrapped(f"without stems here: {', '.join(shown(name) for name in filling.missing)}")]
    lines += _left_out_lines(filling.left_out)
    return _finished(lines)


def _spread_line(spread_m: float) -> str:
    return f"    seat: {{spread: {_number(spread_m)}}}    # m: a wider pair would be outside its rooms"


def _margin_lines(margins: Sequence[tuple[str, str, str]]) -> list[str]:
    if not margins:
        return ["margins: null    # their sections have no stems here"]
    return [
        "margins:",
        *(f"  - {{of: {scalar(of)}, over: {scalar(over)}, band: {band}}}" for of, over, band in margins),
    ]


def _finished(lines: Sequence[str]) -> str:
    text = "\n".join(lines) + "\n"
    if len(text.encode()) > MOST_BYTES:
        raise RoomplanError(
            "the folder holds more files than one plan can name",
            remedy="give the folder of one cue, or move everything that is not a stem out of it",
        )
    return text


# --- Parts of the text --------------------------------------------------------------------------------


def _rule(title: str) -> list[str]:
    head = f"# --- {title} "
    return ["", head + "-" * (102 - len(head))]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _number(value: float) -> str:
    return f"{value:g}"


def _joined(blocks: Iterable[Sequence[str]]) -> list[str]:
    """Blocks with an empty line between them."""
    lines: list[str] = []
    for block in blocks:
        lines += ["", *block] if lines else block
    return lines


def _wrapped(text: str, indent: str = "") -> list[str]:
    """A comment, broken between words."""
    lines: list[str] = []
    line = f"{indent}#"
    for word in text.split():
        if len(line) + 1 + len(word) > _WIDTH and not line.endswith("#"):
            lines.append(line)
            line = f"{indent}#"
        line = f"{line} {word}"
    return [*lines, line]


def _remarks(remarks: Iterable[str], indent: str = "") -> list[str]:
    return [line for remark in remarks for line in _wrapped(shown(remark, 400), indent)]


def _cue_lines(facts: CueFacts) -> list[str]:
    lines = [] if facts.cue is None else [f"cue: {scalar(facts.cue)}"]
    if facts.version is not None:
        version = facts.version
        whole = version.isdecimal() and str(int(version)) == version
        lines.append(f"version: {version if whole else scalar(version)}")
    if facts.frame_rate is not None:
        lines.append(f"frame_rate: {facts.frame_rate}")
    if facts.start is not None:
        lines.append(f'start: "{facts.start}"    # timecode at which the earliest stem begins')
    return lines


def _rate_lines(sample_rate: int | None) -> list[str]:
    return (
        [f"sample_rate: {sample_rate}      # the stems have several: the others are resampled"]
        if sample_rate
        else []
    )


def _room_lines(room: ProposedRoom) -> list[str]:
    lines = [
        f"  {scalar(room.name)}:    # {_ROLES[room.role]}",
        f"    synthetic: {scalar(room.name)}    # {shown(room.remark, 88)}",
    ]
    if room.pre_delay_ms:
        lines.append(f"    pre_delay: {_number(room.pre_delay_ms)}    # ms, on top of the room's own gap")
    if room.low_cut_hz:
        lines.append(f"    low_cut: {_number(room.low_cut_hz)}    # Hz, 12 dB per octave")
    if room.high_cut_hz:
        lines.append(f"    high_cut: {_number(room.high_cut_hz)}    # a dark tail stays behind the voices")
    return lines


def _group_lines(group: ProposedGroup) -> list[str]:
    lines = [f"  {scalar(group.name)}:", f"    sections: {_flow(group.sections)}"]
    if group.sends:
        lines += ["    sends:", *_send_lines(group.sends, "      ")]
    return lines


def _send_lines(sends: Mapping[str, ProposedSend], indent: str) -> list[str]:
    return [f"{indent}{scalar(room)}: {_send(send)}" for room, send in sends.items()]


def _send(send: ProposedSend) -> str:
    if send.level_db is None:
        return "off"
    parts = [f"level: {_number(send.level_db)}"]
    if send.position is not None:
        parts.append(f"position: {scalar(send.position)}")
    if send.low_cut_hz:
        parts.append(f"low_cut: {_number(send.low_cut_hz)}")
    return _number(send.level_db) if len(parts) == 1 else f"{{{', '.join(parts)}}}"


def _section_lines(section: ProposedSection) -> list[str]:
    lines = _wrapped(_facts(section.files), "  ")
    if not section.sure:
        lines += _wrapped(_doubt(section), "  ")
    lines += _remarks(section.remarks, "  ")
    lines.append(f"  {scalar(section.name)}:")
    lines.append(f"    stems:{_stems_value(section.texts, '    ')}")
    if _takes_new_versions(section):
        lines.append("    versions: newest    # where a later version or take comes into the folder")
    if section.seat is not None:
        lines.append(f"    seat: {_seat(section.seat)}")
    if section.source != "even":
        lines.append(f"    source: {section.source}")
    if section.sends:
        lines += ["    sends:", *_send_lines(section.sends, "      ")]
    return lines


def _takes_new_versions(section: ProposedSection) -> bool:
    """Whether a pattern of the section would play the next version of a stem beside this one."""
    patterns = any("*" in text.text for text in section.texts)
    return patterns and any(has_revision(Path(file.name).stem) for file in section.files)


def _seat(seat: ProposedSeat) -> str:
    spread = "" if seat.spread_m == DEFAULT_SPREAD_M else f", spread: {_number(seat.spread_m)}"
    return f"{{distance: {_number(seat.distance_m)}, angle: {_number(seat.angle_deg)}{spread}}}"


def _doubt(section: ProposedSection) -> str:
    if section.family == "other":
        return f"? {shown(section.why)}: name it, and give it a seat"
    other = f"; could be {section.alternative}" if section.alternative else ""
    return f"? taken for {section.name.replace('_', ' ')} by {shown(section.why)}{shown(other)}"


def _stems_value(texts: Sequence[StemText], indent: str) -> str:
    """`stems` on one line where they fit, else one below the other."""
    entries = [_stem_entry(text) for text in texts]
    flow = f"[{', '.join(entries)}]"
    if len(flow) <= 90 and not any(entry.startswith("{") for entry in entries):
        return f" {flow}"
    return "".join(f"\n{indent}  - {entry}" for entry in entries)


def _stem_entry(text: StemText) -> str:
    parts = [f"file: {scalar(text.text)}"]
    if text.level_db:
        parts.append(f"level: {_number(text.level_db)}")
    if text.pan is not None:
        parts.append(f"pan: {_number(text.pan)}")
    return scalar(text.text) if len(parts) == 1 else f"{{{', '.join(parts)}}}"


def _flow(names: Iterable[str]) -> str:
    return f"[{', '.join(scalar(name) for name in names)}]"


def _facts(files: Sequence[StemFile]) -> str:
    """What is in a section, in one line."""
    stereo = sum(file.channels == 2 for file in files)
    counts = {"stereo": stereo, "mono": len(files) - stereo}
    kinds = [f"{count} {kind} file{'' if count == 1 else 's'}" for kind, count in counts.items() if count]
    parts = [" and ".join(kinds)]
    spans = [file.sounds_s for file in files if file.sounds_s is not None]
    if spans:
        first, last = min(span[0] for span in spans), max(span[1] for span in spans)
        parts.append(f"sounds {clock(first)}–{clock(last)}")
    loud = [file.loudness_lufs for file in files if file.loudness_lufs is not None]
    if loud:
        parts.append(f"{'' if len(loud) == 1 else 'loudest '}{max(loud):.1f} LUFS".replace("-", "−"))
    return ", ".join(parts)


def clock(seconds: float) -> str:
    """Minutes and seconds, such as 1:05."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def _left_out_lines(left_out: Sequence[LeftOut]) -> list[str]:
    """Files that are in no section, with their reasons; `check` will name them too."""
    if not left_out:
        return []
    lines = _rule("Left out")
    lines.append("# Not used: move these out of the folder, or name them in a section's `stems`.")
    for left in left_out[:40]:
        lines += _wrapped(f"  {'' if left.sure else '? '}{shown(left.file.name)}: {shown(left.why, 200)}")
    if len(left_out) > 40:
        lines.append(f"#  and {len(left_out) - 40} more")
    return lines


# --- The file -------------------------------------------------------------------------------------------


def write_plan(text: str, target: Path, *, replace: bool) -> None:
    """Write a plan beside its place and move it there: whole, or not at all.

    Parameters
    ----------
    target : Path
        In an existing folder.
    replace : bool
        Whether a file that is there already may go.

    Raises
    ------
    RoomplanError
        It exists and may not be replaced, is a folder, or cannot be written there.
    """
    refuse_target(target, replace=replace)
    whole = real_path(target.expanduser())
    try:
        write_whole(whole, text.encode("utf-8"), replace=replace)
    except FileExistsError as error:
        raise RoomplanError(
            f"{target} exists already", remedy="choose another name with -o, or --replace it"
        ) from error
    except OSError as error:
        raise RoomplanError(
            f"{target}: could not be written ({error.strerror or error})",
            remedy="allow writing there or choose another place with -o",
        ) from error


def refuse_target(target: Path, *, replace: bool) -> None:
    """Raise where a plan cannot be written; asked before minutes of listening, and again before writing."""
    whole = real_path(target.expanduser())
    if whole.is_dir():
        raise RoomplanError(f"{target} is a folder", remedy="name the plan, such as -o cue.yaml")
    if not whole.parent.is_dir():
        raise RoomplanError(
            f"{target}: there is no folder {whole.parent}", remedy="make it or choose another place with -o"
        )
    if whole.exists() and not replace:
        raise RoomplanError(f"{target} exists already", remedy="choose another name with -o, or --replace it")
