"""What a YAML file may hold, and where its faults are said to be."""

from __future__ import annotations

import pytest

from roomplan.documents.nodes import MOST_LEVELS, MOST_NODES
from roomplan.documents.source import MOST_BYTES, read_document
from roomplan.errors import Place


@pytest.fixture
def read(tmp_path):
    """Write a text (or bytes) to a file and read it as a document."""

    def _read(content):
        path = tmp_path / "plan.yaml"
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass"))
        return read_document(path)

    return _read


def spots(problems):
    return [(problem.place.line, problem.place.column) for problem in problems]


def test_every_key_and_value_knows_its_line_and_column(read):
    document, problems = read("# first\nrooms:\n  nave:\n    level: -1\nlist: [a, {b: 2}]\n")
    assert problems == []
    assert document.data == {"rooms": {"nave": {"level": -1}}, "list": ["a", {"b": 2}]}
    of, value, file = document.places.of, document.places.value, document.file
    assert of(("rooms", "nave", "level")) == Place(file, 4, 5)
    assert value(("rooms", "nave", "level")) == Place(file, 4, 12)
    assert of(("list", 1)) == Place(file, 5, 11)
    assert of(("list", 1, "b")) == Place(file, 5, 12)


def test_a_path_that_leads_nowhere_gets_the_place_of_what_it_is_missing_from(read):
    document, _ = read("rooms:\n  nave: {level: -1}\n")
    assert document.places.of(("rooms", "nave", "width", 3)) == Place(document.file, 2, 3)


@pytest.mark.parametrize(
    ("word", "value"),
    [
        ("12", 12),
        ("+1.5", 1.5),
        ("-6", -6),
        ("−6.5", -6.5),  # U+2212
        ("1e3", 1000.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("012", 12),  # YAML 1.2: decimal
        ("true", True),
        ("false", False),
        ("1_000", "1_000"),
        ("0o17", "0o17"),
        ("0x1F", "0x1F"),
        ("1:30", "1:30"),
        ("1/8", "1/8"),
        ("off", "off"),
        ("yes", "yes"),
        ("True", "True"),
        ("'12'", "12"),
        ('"−6"', "−6"),
        ("|\n  two\n  lines", "two\nlines\n"),
    ],
)
def test_a_word_means_one_thing(read, word, value):
    document, problems = read(f"key: {word}\n")
    assert problems == []
    assert document.data["key"] == value
    assert type(document.data["key"]) is type(value)


@pytest.mark.parametrize("word", ["", "~", "null"])
def test_an_empty_value_is_none(read, word):
    document, problems = read(f"key: {word}\n")
    assert problems == []
    assert document.data == {"key": None}


@pytest.mark.parametrize(
    ("word", "said"),
    [
        (".nan", "not a finite number"),
        ("-.inf", "not a finite number"),
        ("1e400", "too large"),
        ("9" * 400, "too large"),
        ("2024-05-01", "is a date"),
        ("2024-05-01T10:00:00Z", "is a date"),
        ("!!python/object:os.system x", "tag"),
        ("!local x", "tag"),
        ("! x", "tag"),
        (r'"\e[2J"', "U+001B"),
        (r'"\ud800"', "U+D800"),
        ("*nowhere", "there is no anchor"),
    ],
)
def test_a_value_nobody_meant_is_refused_and_left_out(read, word, said):
    document, problems = read(f"before: 1\nkey: {word}\nafter: 2\n")
    assert spots(problems) == [(2, 6)]
    assert said in problems[0].what
    assert problems[0].remedy
    assert document.data == {"before": 1, "after": 2}
    assert document.places.was_refused(("key",))
    assert not document.places.was_refused(("before",))


@pytest.mark.parametrize(
    "key", ["12", "true", "null", "~", "1.5", "[a]", "{a: b}", '""', "2024-05-01", "<<", "!t x"]
)
def test_a_key_that_is_not_text_is_refused(read, key):
    document, problems = read(f"before: 1\n? {key}\n: x\nafter: 2\n")
    assert spots(problems) == [(2, 3)]
    assert document.data == {"before": 1, "after": 2}


def test_a_numeric_key_is_told_to_be_quoted(read):
    _, problems = read("125: 2.1\n")
    assert str(problems[0]).endswith('plan.yaml:1:1: the key 125 is not text — in quotes: "125"')


def test_a_repeated_key_names_the_line_of_the_first_and_keeps_it(read):
    document, problems = read("a: 1\nb: 2\na: 3\n")
    assert spots(problems) == [(3, 1)]
    assert "line 1" in problems[0].remedy
    assert document.data == {"a": 1, "b": 2}


def test_every_fault_of_a_file_is_reported_at_once_in_file_order(read):
    _, problems = read("a: .nan\na: 1\n12: x\nb: [1, .inf, !t 3]\nc: 2024-01-01\n")
    assert spots(problems) == [(1, 4), (2, 1), (3, 1), (4, 8), (4, 14), (5, 4)]


def test_an_alias_is_an_independent_copy_with_its_own_place(read):
    document, problems = read("a: &x {b: [1]}\nc: *x\n")
    assert problems == []
    assert document.data["c"] == {"b": [1]}
    document.data["a"]["b"].append(2)
    assert document.data["c"] == {"b": [1]}
    assert document.places.value(("c",)) == Place(document.file, 2, 4)
    assert document.places.of(("c", "b")) == Place(document.file, 1, 8)


def test_an_alias_inside_its_own_anchor_is_refused(read):
    document, problems = read("a: &x [1, *x]\n")
    assert spots(problems) == [(1, 11)]
    assert document.data == {"a": [1]}


def test_an_alias_bomb_stops_at_the_bound_on_visited_nodes(read):
    lines = ["l0: &l0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"l{n}: &l{n} [{', '.join([f'*l{n - 1}'] * 10)}]" for n in range(1, 12)]
    document, problems = read("\n".join(lines))
    assert document is None
    assert len(problems) == 1
    assert str(MOST_NODES) in problems[0].what
    assert problems[0].place.line == 5  # 10 000 values in line 4, 100 000 in line 5


def test_aliases_nested_beyond_the_bound_are_refused(read):
    text = "a0: &a0 [x]\n" + "".join(f"a{n}: &a{n} [*a{n - 1}]\n" for n in range(1, 100))
    _, problems = read(text)
    assert problems
    assert f"more than {MOST_LEVELS}" in problems[0].what


@pytest.mark.parametrize("opening", ["[", "{a: ", "- "])
def test_deep_nesting_stops_at_a_bound_instead_of_the_recursion_limit(read, opening):
    document, problems = read(opening * 20_000)
    assert document is None
    assert f"more than {MOST_LEVELS} deep" in problems[-1].what


def test_a_file_beyond_the_size_bound_is_not_parsed(read):
    document, problems = read(b"# padding\n" * (MOST_BYTES // 10 + 1))
    assert document is None
    assert "is larger than" in problems[0].what


def test_a_byte_order_mark_and_line_ends_of_any_system_do_not_move_places(read):
    document, problems = read(b"\xef\xbb\xbfa: 1\r\nb: 2\rc:\r\n  d: .nan\r\n")
    assert document.data == {"a": 1, "b": 2, "c": {}}
    assert spots(problems) == [(4, 6)]


def test_columns_count_characters_not_bytes(read):
    _, problems = read("größe: .nan\n")
    assert spots(problems) == [(1, 8)]


@pytest.mark.parametrize(
    ("content", "spot", "said"),
    [
        (b"title: ok\nname: caf\xe9\n", (2, 10), "0xe9 is not UTF-8"),
        (b"\xff\xfea\x00", (None, None), "UTF-16"),
        (b"a: 1\nb: \x00\x01", (2, 4), "U+0000"),
        (bytes(range(128, 256)) * 20, (1, 1), "not UTF-8"),
        (b"", (None, None), "empty"),
        (b"# only a comment\n", (None, None), "empty"),
        (b"---\n...\n", (None, None), "empty"),
        (b"- a\n- b\n", (1, 1), "is a list"),
        (b"hello\n", (1, 1), "no keys"),
        (b"12\n", (1, 1), "no keys"),
    ],
)
def test_a_file_that_is_no_mapping_of_text_is_one_problem(read, content, spot, said):
    document, problems = read(content)
    assert document is None
    assert len(problems) == 1
    assert (problems[0].place.line, problems[0].place.column) == spot
    assert said in problems[0].what


@pytest.mark.parametrize(
    ("text", "spot", "said"),
    [
        ("a: 1\n\tb: 2\n", (2, 1), "a tab"),
        ("a:\tb\n", (1, 3), "a tab"),
        ("a: 'x\nb: 2\n", (1, 4), "never closed"),
        ("a: [1, 2\nb: 3\n", (1, 4), "never closed"),
        ("a: {x: 1\nb: 3\n", (1, 4), "never closed"),
        ("a: b: c\n", (1, 5), "second ': '"),
        ("a:\n  b: 1\n c: 2\n", (3, 2), "line up"),
        ("a: @x\n", (1, 4), "meaning of its own"),
        ("a: 1\nlevel:\N{NO-BREAK SPACE}-4\nb: 2\n", (2, 7), "no-break space"),
        ("a: 1\njust words\nb: 2\n", (2, 1), "without a colon"),
        ('a: "\\q"\n', (1, 6), "escape"),
        ("a: 1\n---\nb: 2\n", (2, 1), "second document"),
        ("%YAML 1.1\n---\na: 1\n", (1, 1), "directives"),
        ("# c\n%TAG ! tag:x,2000:\n---\na: 1\n", (2, 1), "directives"),
    ],
)
def test_a_syntax_fault_is_said_in_plain_words_where_the_writer_must_look(read, text, spot, said):
    _, problems = read(text)
    assert said in problems[-1].what
    assert problems[-1].remedy
    assert (problems[-1].place.line, problems[-1].place.column) == spot


def test_a_pattern_without_quotes_is_told_to_be_quoted(read):
    _, problems = read("stems: [*choir*]\n")
    assert spots(problems) == [(1, 9)]
    assert problems[0].remedy == 'quotes around a text that begins with *, such as "*choir*"'


def test_an_escape_beyond_unicode_is_a_problem_not_an_exception(read):
    document, problems = read('a: "\\UFFFFFFFF"\n')
    assert document is None
    assert len(problems) == 1


def test_a_missing_file_names_the_nearest_one_in_its_folder(tmp_path):
    (tmp_path / "ice_harbour.yaml").write_text("a: 1\n")
    document, problems = read_document(tmp_path / "ice_harbor.yaml")
    assert document is None
    assert problems[0].remedy == "did you mean 'ice_harbour.yaml'?"


@pytest.mark.parametrize("name", ["", "nowhere/plan.yaml", "x" * 5000, "nul\0byte"])
def test_a_path_that_cannot_be_read_is_a_problem(tmp_path, name):
    document, problems = read_document(tmp_path / name)
    assert document is None
    assert len(problems) == 1


def test_a_value_that_is_not_there_has_the_place_of_its_key(read):
    document, _ = read("a:\n# comment\n\nb: 1\n")
    assert document.places.value(("a",)) == Place(document.file, 1, 1)
