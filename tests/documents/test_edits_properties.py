"""Edits of documents and plans written in every odd way: what was asked for changes, nothing else."""

from __future__ import annotations

import dataclasses
import difflib
import json
import random
import re
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.documents.edits import edited_text, with_values
from roomplan.documents.parsing import parse_text
from roomplan.errors import Place
from roomplan.plan.load import load_plan
from roomplan.plan.overrides import Overrides, SendOverride, write_overrides

FILE = Path("plan.yaml")
WORDS = (
    "off",
    "main",
    "1/64",
    "*choir*",
    "a: b",
    "x # y",
    "it's",
    "ü 😀",
    "",
    " padded ",
    "-6",
    "true",
    "[x",
    "a,b",
)


class Writer:
    """Writes plain data as YAML in random forms, every comment with a number of its own."""

    def __init__(self, rng, *, anchors=True):
        self.rng = rng
        self.anchors = anchors
        self.count = 0
        self.names = 0
        self.anchored = []  # name, data
        self.named = {}  # key path → name of the anchor or alias there

    def chance(self, percent):
        return self.rng.randrange(100) < percent

    def comment(self):
        self.count += 1
        return f"#c{self.count}; " + self.rng.choice(
            ["plain", "with: colon", "'quote", "{brace", "- dash", "ü 😀"]
        )

    def line_end(self, *, tabs=False):
        """What may follow in a line; the parser takes tabs there only in braces and brackets."""
        tab = ["\t"] if tabs else []
        if not self.chance(25):
            return self.rng.choice(["", "", "", " ", *tab])
        return self.rng.choice([" ", "   ", *tab]) + self.comment()

    def number(self, value):
        text = f"{value:.1f}"
        if text.endswith(".0") and self.chance(60):
            text = text[:-2]
        elif self.chance(15):
            text += "0"
        if text.startswith("-") and self.chance(10):
            return "\N{MINUS SIGN}" + text[1:]
        return "+" + text if value > 0 and self.chance(30) else text

    def scalar(self, value):
        if value is None:
            return self.rng.choice(["null", "~"])
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, float):
            return self.number(value)
        if value.isidentifier() and value.isascii() and value not in {"true", "null"} and self.chance(70):
            return value
        return (
            json.dumps(value, ensure_ascii=False) if self.chance(50) else "'" + value.replace("'", "''") + "'"
        )

    def prefix(self, value, path):
        """An alias for the whole value, or an anchor before it, or nothing."""
        if not self.anchors:
            return "", False
        known = [name for name, data in self.anchored if repr(data) == repr(value)]  # 0.0 == False
        if known and self.chance(60):
            name = self.rng.choice(known)
            self.named[path] = name
            return f"*{name}", True
        if self.chance(15):
            self.names += 1
            name = f"n{self.names}"
            self.named[path] = name
            return f"&{name}", False
        return "", False

    def remember(self, prefix, value):
        if prefix.startswith("&"):
            self.anchored.append((prefix[1:], value))

    def flow(self, value, path, indent, *, lines):
        prefix, done = self.prefix(value, path)
        if done:
            return prefix + " "
        open_, close = ("{", "}") if isinstance(value, dict) else ("[", "]")
        if not isinstance(value, dict | list):
            text = self.scalar(value)
        else:
            over_lines = lines and value and self.chance(30)
            parts = []
            items = value.items() if isinstance(value, dict) else enumerate(value)
            for key, item in items:
                shown = f"{self.scalar(key)}: " if isinstance(key, str) else ""
                parts.append(shown + self.flow(item, (*path, key), indent + 2, lines=over_lines))
            pad = self.rng.choice(["", " "])
            last = "," if parts and self.chance(15) else ""
            if over_lines:
                inner = " " * (indent + self.rng.choice([2, 3, 5]))
                body = "".join(
                    f"{inner}{part}{',' if i + 1 < len(parts) else last}{self.line_end(tabs=True)}\n"
                    for i, part in enumerate(parts)
                )
                text = f"{open_}{self.line_end(tabs=True)}\n{body}{' ' * (indent + 1)}{close}"
            else:
                text = open_ + pad + ", ".join(parts) + last + pad + close
        self.remember(prefix, value)
        return f"{prefix} {text}".lstrip()

    def between(self):
        while self.chance(15):
            yield self.rng.choice(["", "   ", " " * self.rng.randrange(7) + self.comment()])

    def after_mark(self, mark, value, path, indent):
        """Lines of a key (or dash) and its value."""
        if isinstance(value, dict | list) and value and self.chance(65):
            prefix, done = self.prefix(value, path)
            if done:
                return [f"{mark} {prefix}{self.line_end()}"]
            head = f"{mark} {prefix}".rstrip() + self.line_end()
            is_key = mark.endswith(":")
            deeper = indent + self.rng.choice([1, 2, 2, 2, 4])
            if isinstance(value, list) and is_key and self.chance(30):
                deeper = indent
            body = self.block(value, path, deeper)
            self.remember(prefix, value)
            if (
                not is_key
                and not prefix
                and head == mark
                and body[0].startswith(" " * deeper)
                and deeper >= indent + 2
            ):
                first = body[0][deeper:]
                if first and not first.startswith((" ", "#")):
                    return [mark + " " * (deeper - indent - 1) + first, *body[1:]]
            return [head, *body]
        if value is None and self.chance(40):
            return [mark + self.line_end()]
        text = self.flow(value, path, indent, lines=True)
        return [f"{mark}{self.rng.choice([' ', ' ', '  '])}{text}{self.line_end()}"]

    def block(self, value, path, indent):
        lines = []
        items = value.items() if isinstance(value, dict) else enumerate(value)
        for key, item in items:
            lines += self.between()
            mark = f"{self.scalar(key)}:" if isinstance(key, str) else "-"
            lines += self.after_mark(" " * indent + mark, item, (*path, key), indent)
        return lines

    def document(self, data):
        lines = []
        if self.chance(30):
            lines += [self.comment(), "---" + self.line_end()]
        lines += self.block(data, (), 0)
        lines += self.between()
        if self.chance(15):
            lines += ["..."]
            lines += self.between()
        text = "\n".join(lines) + ("\n" if self.chance(70) else "")
        if self.chance(25):
            text = text.replace("\n", "\r\n")
        return "\ufeff" + text if self.chance(10) else text


def read(text):
    parsed, problems = parse_text(text.removeprefix("\ufeff").replace("\r\n", "\n"), FILE)
    assert [str(problem) for problem in problems] == []
    assert parsed is not None
    return parsed


def paths_of(data, at=()):
    yield at, data
    if isinstance(data, dict | list):
        for key, value in data.items() if isinstance(data, dict) else enumerate(data):
            yield from paths_of(value, (*at, key))


def comments(text):
    return re.findall(r"#c\d+;", text)


def hunks(old, new):
    """The places where two texts differ: old lines with their numbers, new lines."""
    left, right = old.splitlines(), new.splitlines()
    for what, i, j, k, m in difflib.SequenceMatcher(None, left, right, autojunk=False).get_opcodes():
        if what != "equal":
            yield list(enumerate(left, 1))[i:j], right[k:m]


def lines_with(text, names):
    return {
        index
        for index, line in enumerate(text.splitlines(), 1)
        if any(re.search(rf"[&*]{name}\b", line) for name in names)
    }


def is_subsequence(short, long):
    letters = iter(long)
    return all(letter in letters for letter in short)


numbers = st.integers(-400, 240).map(lambda tenths: tenths / 10)
scalars = st.one_of(numbers, st.sampled_from(WORDS), st.booleans(), st.none())
keys = st.sampled_from(["a", "level", "ü", "two words", "a: b", "12", "off_", "é-1", "sends", "x"])
values = st.recursive(
    scalars,
    lambda inner: st.one_of(st.dictionaries(keys, inner, max_size=4), st.lists(inner, max_size=3)),
    max_leaves=14,
)
documents = st.dictionaries(keys, values, min_size=1, max_size=5)
randoms = st.integers(0, 2**32).map(
    random.Random
)  # how a text is written; smaller than a strategy of choices


@settings(max_examples=70)
@given(data=documents, rng=randoms, new=st.lists(scalars, min_size=3, max_size=3))
def test_edited_values_are_what_was_asked_for_and_only_their_lines_and_those_that_shared_them_change(
    data, rng, new
):
    writer = Writer(rng)
    text = writer.document(data)
    before = read(text)
    assert before.data == data
    places = [path for path, value in paths_of(data) if path and not isinstance(value, dict | list)]
    chosen = rng.sample(places, min(3, len(places)))
    edits = dict(zip(chosen, new, strict=False))
    after = edited_text(text, edits)
    assert read(after).data == with_values(data, edits)
    assert comments(after) == comments(text)
    assert after.startswith("\ufeff") == text.startswith("\ufeff")
    assert ("\r\n" in after) == ("\r\n" in text)
    assert after.count("\n") - after.count("\r\n") in (0, after.count("\n"))
    shared = {name for path, name in writer.named.items() if any(edit[: len(path)] == path for edit in edits)}
    asked: Any = {before.places.value(path).line for path in edits}
    gone = {number for old, _ in hunks(text, after) for number, _ in old}
    assert gone <= asked | lines_with(text, shared)
    if not shared:  # then each line is the old one up to its first new value, and its comment
        left, right = text.splitlines(), after.splitlines()
        assert len(left) == len(right)
        for number in asked:
            spots: Any = [before.places.value(path) for path in edits]
            first = min(spot.column for spot in spots if spot.line == number) - 1
            first += number == 1 and text.startswith("\ufeff")
            old, new_line = left[number - 1], right[number - 1]
            assert new_line[:first] == old[:first]
            assert new_line.partition("#c")[2] == old.partition("#c")[2]


@settings(max_examples=70)
@given(data=documents, rng=randoms, value=values)
def test_added_keys_take_no_character_away_and_come_last_in_their_mapping(data, rng, value):
    text = Writer(rng, anchors=False).document(data)
    before = read(text)
    mappings = [path for path, held in paths_of(data) if isinstance(held, dict)]
    at = rng.choice(mappings)
    edits = {(*at, "new key"): value, (*at, "deeper", "still"): -1.5}
    after = edited_text(text, edits)
    parsed = read(after)
    assert parsed.data == with_values(data, edits)
    assert is_subsequence(text, after)
    assert comments(after) == comments(text)
    holder = parsed.data
    for step in at:
        holder = holder[step]
    assert list(holder)[-2:] == ["new key", "deeper"]
    assert before.data == data


@settings(max_examples=50)
@given(data=documents, rng=randoms)
def test_edits_that_ask_for_what_is_there_leave_every_character(data, rng):
    text = Writer(rng).document(data)
    edits = {path: value for path, value in paths_of(data) if len(path) == 1}
    assert edited_text(text, edits) == text


@settings(max_examples=50)
@given(data=documents, rng=randoms, value=values)
def test_whole_values_are_replaced_in_any_form(data, rng, value):
    text = Writer(rng).document(data)
    path = rng.choice([path for path, _ in paths_of(data) if path])
    assert read(edited_text(text, {path: value})).data == with_values(data, {path: value})


# --- Plans ----------------------------------------------------------------------------------------------

ROOMS = ("hall", "nave", "stage")
SECTIONS = ("choir", "brass", "strings", "Größe")


@st.composite
def sends_of(draw, *, taken=None):
    """One mapping of sends: numbers, `off`, mappings, lists."""
    found = {}
    for room in draw(st.lists(st.sampled_from(ROOMS), unique=True)):
        level = numbers.filter(lambda value: -40 <= value <= 6)
        mapping = st.fixed_dictionaries(
            {"level": level},
            optional={
                "position": st.sampled_from(["main", "rear"]),
                "low_cut": st.sampled_from([90.0, 120.0, "off"]),
                "pre_delay": st.sampled_from(["1/64", 12.0]),
            },
        )
        several = st.tuples(mapping, level).map(lambda pair: [{**pair[0], "position": "rear"}, pair[1]])
        forms = [level, mapping, several, st.just("off")]
        if taken is not None and taken.get(room) is not None:
            forms.append(st.none())
        found[room] = draw(st.one_of(*forms))
    return found


@st.composite
def plans(draw):
    """A base plan and a leaf that changes some of it; the base may be empty."""
    section = st.fixed_dictionaries(
        {"stems": st.sampled_from(["*x*", "y"])},
        optional={"level": numbers.filter(lambda value: -40 < value < 20), "sends": sends_of()},
    )
    whole = {
        "tempo": 84.0,
        "rooms": {room: {"synthetic": "larkmere_hall"} for room in ROOMS},
        "shared_sends": draw(sends_of()),
        "groups": {"pair": {"sections": ["choir", "brass"], "sends": draw(sends_of())}},
        "sections": {name: draw(section) for name in SECTIONS},
    }
    if draw(st.booleans()):
        return None, whole
    leaf: dict[str, Any] = {"extends": "base.yaml", "title": "leaf"}
    if draw(st.booleans()):
        leaf["trim"] = draw(numbers.filter(lambda value: -40 < value < 20))
    if draw(st.booleans()):
        leaf["shared_sends"] = draw(sends_of())
    changed = {}
    for name in draw(st.lists(st.sampled_from(SECTIONS), unique=True)):
        base_sends = whole["sections"][name].get("sends")
        forms: list[Any] = [sends_of(taken=base_sends)]
        if base_sends:
            forms.append(st.none())
        changed[name] = {"sends": draw(st.one_of(*forms))}
    if changed:
        leaf["sections"] = changed
    return whole, leaf


def loaded(path):
    found = load_plan(path)
    assert [str(problem) for problem in found.problems] == []
    assert found.plan is not None
    return found.plan


def meaning(plan) -> Any:
    """Everything a plan means as nested plain values, places apart."""

    def plain(value) -> Any:
        if dataclasses.is_dataclass(value):
            return {
                part.name: plain(getattr(value, part.name))
                for part in dataclasses.fields(value)
                if part.name not in {"place", "key_places", "unused_sends"}
            }
        if isinstance(value, dict):
            return {key: plain(item) for key, item in value.items() if not isinstance(item, Place)}
        return [plain(item) for item in value] if isinstance(value, tuple) else value

    return plain(plan)


@settings(max_examples=30)
@given(pair=plans(), rng=randoms, levels=st.lists(numbers, min_size=8, max_size=8))
def test_a_plan_gets_the_asked_levels_and_keeps_the_rest_of_its_words_and_meaning(pair, rng, levels):
    base, leaf = pair
    with tempfile.TemporaryDirectory() as folder:
        path, beneath = Path(folder) / "leaf.yaml", Path(folder) / "base.yaml"
        base_text = Writer(rng).document(base) if base is not None else ""
        beneath.write_bytes(base_text.encode())
        writer = Writer(rng)
        text = writer.document(leaf)
        path.write_bytes(text.encode())
        plan = loaded(path)
        allowed = [min(max(level, -60.0), 20.0) for level in levels]
        there = [(section.name, send) for section in plan.sections.values() for send in section.sends]
        chosen = rng.sample(there, min(4, len(there)))
        sends = tuple(
            SendOverride(name, send.room, send.position, level)
            for (name, send), level in zip(chosen, allowed, strict=False)
        )
        wish = Overrides(sends, {rng.choice(SECTIONS): allowed[5]}, rng.choice([None, allowed[6]]))

        kept = write_overrides(path, wish)

        after = path.read_bytes().decode()
        expected = meaning(plan)
        for name, level in wish.levels_db.items():
            expected["sections"][name]["level_db"] = level
        if wish.trim_db is not None:
            expected["trim_db"] = wish.trim_db
        for want in wish.sends:
            for send in expected["sections"][want.section]["sends"]:
                if (send["room"], send["position"]) == (want.room, want.position):
                    send["level_db"] = want.level_db
        assert meaning(loaded(path)) == expected
        assert comments(after) == comments(text)
        assert beneath.read_bytes() == base_text.encode()
        assert (kept is None) == (after == text)
        assert kept is None or kept.read_bytes() == text.encode()
        assert {file.name for file in Path(folder).iterdir()} == {"leaf.yaml", "base.yaml"} | (
            {kept.name} if kept else set()
        )
        # Lines go only where a value stands that was asked for, or one that shared it; others in braces grow.
        parsed = read(text)
        entries: set[tuple[str, ...]] = {
            entry
            for want in wish.sends
            for entry in (
                ("sections", want.section, "sends", want.room),
                ("groups", "pair", "sends", want.room),
                ("shared_sends", want.room),
            )
        }

        def of_entry(place):
            return any(place[: len(entry)] == entry for entry in entries)

        asked = entries | {("sections", name, "level") for name in wish.levels_db} | {("trim",)}
        touched = {entry[:depth] for entry in asked for depth in range(1, len(entry) + 1)}
        lines = {
            parsed.places.value(place).line
            for place, value in paths_of(parsed.data)
            if place in asked or of_entry(place) or (value is None and place in touched)
        }
        shared = {name for place, name in writer.named.items() if place in touched or of_entry(place)}
        lines |= lines_with(text, shared)
        for gone, new in hunks(text, after):
            assert all(is_subsequence(line, "\n".join(new)) for number, line in gone if number not in lines)
