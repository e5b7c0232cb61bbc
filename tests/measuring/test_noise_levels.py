"""Band levels in every notation a person writes them in, and every fault with its line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.errors import PlanError, RoomplanError
from roomplan.measuring.noise_levels import read_band_levels

if TYPE_CHECKING:
    from pathlib import Path

CENTRES = (125, 250, 500, 1000, 2000, 4000, 8000)
NOISE = (41.5, 38.0, 35.2, 31.0, 28.4, 25.0, 22.1)
SPEECH = (62.0, 63.5, 60.0, 54.0, 48.0, 42.5, 36.0)


@pytest.fixture
def read(tmp_path: Path):
    def from_text(text: str | bytes):
        path = tmp_path / "stage.txt"
        path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
        return read_band_levels(path, centres_hz=CENTRES)

    return from_text


@pytest.fixture
def faults(read):
    """Problems of a file as (line, text)."""

    def of(text: str) -> list[tuple[int | None, str]]:
        with pytest.raises(PlanError) as refused:
            read(text)
        places = [problem.place for problem in refused.value.problems]
        assert all(place is not None and place.file.name == "stage.txt" for place in places)
        return [(p.place.line if p.place else None, str(p)) for p in refused.value.problems]

    return of


def lines(pattern: str, *levels: tuple[float, ...], comma: bool = False) -> str:
    """One line per band by a pattern of the centre and the levels."""
    rows = []
    for centre, *values in zip(CENTRES, *levels, strict=True):
        texts = [f"{value:g}".replace(".", ",") if comma else f"{value:g}" for value in values]
        rows.append(pattern.format(centre, *texts))
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("pattern", "comma"),
    [
        ("{} {}", False),
        ("  {}   {}  ", False),
        ("{}\t{}", False),
        ("{},{}", False),
        ("{}, {}", False),
        ("{};{}", False),
        ("{}; {}", False),
        ("{}: {}", False),
        ("{}:{}", False),
        ("{};{}", True),
        ("{}\t{}", True),
        ("{} {}", True),
        ("{}: {}", True),
    ],
)
def test_every_usual_notation_reads_as_the_same_levels(read, pattern, comma):
    assert read(lines(pattern, NOISE, comma=comma)) == (NOISE, None)


@pytest.mark.parametrize(
    ("pattern", "comma"),
    [
        ("{} {} {}", False),
        ("{},{},{}", False),
        ("{}, {}, {}", False),
        ("{}; {}; {}", True),
        ("{}\t{}\t{}", True),
        ("{}: {} {}", True),
        ("{} {} {}", True),
    ],
)
def test_a_third_column_is_the_speech(read, pattern, comma):
    assert read(lines(pattern, NOISE, SPEECH, comma=comma)) == (NOISE, SPEECH)


def test_a_decimal_comma_between_spaces_is_no_second_level(read):
    noise, speech = read(lines("{} {}", NOISE, comma=True))
    assert noise[0] == 41.5
    assert speech is None


def test_heading_comments_blank_lines_and_windows_line_ends_are_passed_over(read):
    text = "# stage of Larkmere Hall\r\nHz;dB\r\n\r\n" + lines("{};{}  # evening", NOISE).replace(
        "\n", "\r\n"
    )
    assert read("\N{BYTE ORDER MARK}" + text)[0] == NOISE


def test_a_byte_order_mark_ahead_of_the_first_band_is_no_part_of_it(read):
    assert read("\N{BYTE ORDER MARK}" + lines("{} {}", NOISE))[0] == NOISE


def test_lines_may_stand_in_any_order(read):
    assert read("".join(reversed(lines("{} {}", NOISE).splitlines(keepends=True))))[0] == NOISE


def test_typographic_and_plain_minus_read_alike(read):
    levels = (-3.5, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0)
    plain = lines("{} {}", levels)
    assert read(plain)[0] == read(plain.replace("-", "\N{MINUS SIGN}"))[0] == levels


@given(st.lists(st.floats(-200, 200), min_size=14, max_size=14), st.sampled_from(" ,;\t:"))
def test_written_levels_are_read_back(tmp_path, levels, separator):
    noise, speech = tuple(levels[:7]), tuple(levels[7:])
    path = tmp_path / "written.txt"
    rows = zip(CENTRES, noise, speech, strict=True)
    path.write_text("".join(separator.join(map(repr, row)) + "\n" for row in rows), encoding="utf-8")
    assert read_band_levels(path, centres_hz=CENTRES) == (noise, speech)


@given(st.binary(max_size=300))
def test_any_bytes_give_levels_or_one_readable_refusal(tmp_path, data):
    path = tmp_path / "any.txt"
    path.write_bytes(data)
    with pytest.raises(RoomplanError) as refused:  # seven right lines do not come about by chance
        read_band_levels(path, centres_hz=CENTRES)
    assert all("any.txt" in line for line in str(refused.value).splitlines())


def test_all_faults_come_at_once_each_with_its_line(faults):
    text = "band noise\n125 forty\n250 38\n300 35\n250 39\n500 900\n1000\n2000 28 48\n4000 25\n"
    found = faults(text)
    assert [line for line, _text in found[:5]] == [2, 4, 5, 6, 7]
    for (_line, text), words in zip(
        found, ("'125 forty'", "300 Hz", "line 3", "±200 dB", "'1000'"), strict=False
    ):
        assert words in text
    rest = " | ".join(text for _line, text in found[5:])
    assert "no level for 8000 Hz" in rest
    assert "some lines give the speech" in rest


def test_a_missing_band_is_named_together_with_other_faults(faults):
    found = faults(lines("{} {}", NOISE).replace("8000 22.1", "").replace("250 38", "250 x"))
    assert [(line, "250 x" in text, "no level for 8000 Hz" in text) for line, text in found] == [
        (2, True, False),
        (None, False, True),
    ]


def test_missing_bands_are_named(faults):
    ((line, text),) = faults("125 40\n250 40\n500 40\n1000 40\n2000 40\n")
    assert line is None
    assert "4000, 8000 Hz" in text


@pytest.mark.parametrize("text", ["", "# nothing but words\n", "noise of the stage\n\n"])
def test_a_file_without_a_line_names_all_bands(faults, text):
    assert "no level for 125, 250, 500, 1000, 2000, 4000, 8000 Hz" in faults(text)[0][1]


def test_words_after_the_first_band_are_a_fault(faults):
    text = lines("{} {}", NOISE)
    assert faults(text + "the end\n")[0][0] == 8


@pytest.mark.parametrize("field", ["nan", "inf", "-inf", "", "41.5 62 1", "41.5 dB", "4 1 5 0", "0x29"])
def test_what_is_no_level_is_refused(faults, field):
    ((line, _text),) = faults(lines("{} {}", NOISE).replace("500 35.2", f"500 {field}"))
    assert line == 3


@pytest.mark.parametrize("field", ["41.50", "+41.5", "4.15e1"])
def test_other_spellings_of_a_number_are_that_number(read, field):
    assert read(lines("{} {}", NOISE).replace("125 41.5", f"125 {field}"))[0] == NOISE


def test_a_missing_file_is_one_line(tmp_path):
    with pytest.raises(RoomplanError) as refused:
        read_band_levels(tmp_path / "nowhere.txt", centres_hz=CENTRES)
    assert "nowhere.txt" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_folder_is_one_line(tmp_path):
    with pytest.raises(RoomplanError, match="text file of band levels"):
        read_band_levels(tmp_path, centres_hz=CENTRES)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"RIFF\x00\x00\x00\x00WAVE", "not a text file"),
        (b"125 40\n" * 20_000, "not a text file"),
        (b"125 40 \xff\xfe\n", "not UTF-8"),
        ("125 40\n".encode("utf-16"), "not a text file"),
    ],
)
def test_what_is_no_text_is_refused(read, data, words):
    with pytest.raises(RoomplanError, match=words):
        read(data)


LEVELS = (50.0, 48.5, 45.0, 42.0, 39.0, 36.0, 33.0)


@pytest.mark.parametrize(
    "text",
    [
        "50 48.5 45 42 39 36 33",
        "50\n48.5\n45\n42\n39\n36\n33\n",
        "# hall at night\n50, 48.5, 45, 42, 39, 36, 33",
        "125 250 500 1000 2000 4000 8000\n50 48.5 45 42 39 36 33",
        '{"125": 50, "250": 48.5, "500": 45, "1000": 42, "2000": 39, "4000": 36, "8000": 33}',
        '"125": 50\n"250": 48.5\n"500": 45\n"1000": 42\n"2000": 39\n"4000": 36\n"8000": 33\n',
    ],
)
def test_levels_of_noise_alone_may_stand_bare_or_in_another_notation(tmp_path, text):
    path = tmp_path / "noise.txt"
    path.write_text(text, encoding="utf-8")
    found = read_band_levels(path, centres_hz=(125, 250, 500, 1000, 2000, 4000, 8000))
    assert found == (LEVELS, None)


def test_six_bare_levels_are_not_taken_for_seven(tmp_path):
    path = tmp_path / "noise.txt"
    path.write_text("50 48 45 42 39 36", encoding="utf-8")
    with pytest.raises(PlanError):
        read_band_levels(path, centres_hz=(125, 250, 500, 1000, 2000, 4000, 8000))
