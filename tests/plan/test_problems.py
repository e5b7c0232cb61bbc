"""What is said about a plan that cannot be meant: each fault once, at its line, with what would be right."""

from __future__ import annotations

import pytest

ROOMS = "rooms: {hall: {synthetic: larkmere_hall}, nave: {responses: {front: f.wav, rear: r.wav}}}\n"
SECTIONS = "sections: {choir: {stems: x}, brass: {stems: y}}\n"

DECIBELS = "a number from -120 to 24 dB, such as -6"
SEND = "a number from -120 to 24 dB, such as -9, or `off` or a mapping such as {level: -9, position: rear}"


def one(problems):
    assert len(problems) == 1, problems
    return problems[0]


@pytest.mark.parametrize(
    ("line", "spot", "what", "remedy"),
    [
        ("trim: loud", "1:7", "trim: 'loud' is text", DECIBELS),
        ("trim: 24.01", "1:7", "trim: 24.01 is above 24 dB", DECIBELS),
        ("trim: -121", "1:7", "trim: -121 is below -120 dB", DECIBELS),
        ("trim: true", "1:7", "trim: true is a truth value", DECIBELS),
        ("trim: [1]", "1:7", "trim: is a list", DECIBELS),
        ("trim:", "1:1", "trim: is empty", DECIBELS),
        ("trim: 1_0", "1:7", "trim: '1_0' is text", DECIBELS + "; without underscores"),
        ("trim: '-6'", "1:7", "trim: '-6' is text", DECIBELS + "; without quotes"),
        ("trim: -6 dB", "1:7", "trim: '-6 dB' is text", DECIBELS + "; without the unit"),
        ("trim: -6,5", "1:7", "trim: '-6,5' is text", DECIBELS + "; write -6.5, with a point"),
        ("trim: –6", "1:7", "trim: '–6' is text", DECIBELS + "; with a minus instead of a dash"),
        ("trim: 0x1F", "1:7", "trim: '0x1F' is text", DECIBELS),
        ("trim: nan", "1:7", "trim: 'nan' is text", DECIBELS),
        (
            "trim: .nan",
            "1:7",
            "trim: '.nan' is not a finite number",
            "a finite number, or quotes around a text",
        ),
        (
            "tempo: 0",
            "1:8",
            "tempo: 0 is below 20 quarter notes per minute",
            "a number from 20 to 400 quarter notes per minute, such as 84",
        ),
        (
            "sample_rate: 48000.5",
            "1:14",
            "sample_rate: 48000.5 is not a whole number",
            "a whole number from 8000 to 192000 Hz, such as 48000",
        ),
        (
            "sample_rate: 7999",
            "1:14",
            "sample_rate: 7999 is below 8000 Hz",
            "a whole number from 8000 to 192000 Hz, such as 48000",
        ),
        (
            "tail: 0",
            "1:7",
            "tail: 0 is not above 0 s",
            "a number above 0 and up to 600 s, such as 4, or `full` or `none`",
        ),
        (
            "tail: long",
            "1:7",
            "tail: 'long' is text",
            "a number above 0 and up to 600 s, such as 4, or `full` or `none`",
        ),
        ("title: 12", "1:8", "title: 12 is a number", 'a title; in quotes ("12") if that is meant'),
        ("title: ''", "1:8", "title: is an empty text", "a title, such as Ice Harbour, reel 2"),
        ("stems: [a]", "1:8", "stems: is a list", "the path of a folder, such as stems"),
        ("titel: x", "1:1", "unknown key 'titel'", "did you mean 'title'?"),
        (
            "zzzz: x",
            "1:1",
            "unknown key 'zzzz'",
            (
                "one of title, extends, cue, version, strict, frame_rate, start, sample_rate, tempo, stems, "
                "trim, tail, rooms, shared_sends, groups, sections, alternates, passages, margins, "
                "targets, balance, reference_section, deliveries"
            ),
        ),
        ("groups: [a]", "1:9", "groups: is a list", "a mapping of names to groups, such as {strings: …}"),
        (
            "shared_sends: -3",
            "1:15",
            "shared_sends: -3 is a number",
            "a mapping of rooms to send levels, such as {hall: -9}",
        ),
        ("shared_sends: {hal: -3}", "1:16", "there is no room 'hal'", "did you mean 'hall'?"),
        ("shared_sends: {zzz: -3}", "1:16", "there is no room 'zzz'", "one of hall, nave"),
        ("groups: {g: {sections: [chior]}}", "1:25", "there is no section 'chior'", "did you mean 'choir'?"),
        (
            "alternates: {up: {chior: {level: 1}}}",
            "1:19",
            "up: there is no section or group 'chior'",
            "did you mean 'choir'?",
        ),
        (
            "groups: {g: {sections: []}}",
            "1:24",
            "sections: is an empty list",
            "a list of section names, such as [violins, cellos]",
        ),
        (
            "groups: {g: {}}",
            "1:10",
            "g: `sections` is missing",
            (
                "at least one, such as `sections: [violins, cellos]` in a group or "
                '`sections: {choir: {stems: ["*choir*"]}}` in a plan'
            ),
        ),
        ("groups: {g: {sections: [choir, choir]}}", "1:32", "g: the section choir is named twice", "once"),
        (
            "groups: {g: {sections: [choir]}, h: {sections: [choir]}}",
            "1:49",
            "h: the section choir is already in g",
            "a section in at most one group",
        ),
        (
            "deliveries: {a: {folder: x}, b: {folder: ./X/}}",
            "1:42",
            "b: its folder is that of a",
            "a folder for each, side by side",
        ),
        (
            "deliveries: {a: {format: flac, bit_depth: 32f}}",
            "1:32",
            "a: flac cannot hold 32f samples",
            "16 or 24, or `format: wav`",
        ),
        ("deliveries: {a: {bit_depth: 32}}", "1:29", "bit_depth: 32 is a number", "16, 24 or 32f"),
        ("deliveries: {a: {write: [mix, mix]}}", "1:31", "write: mix appears twice", "once"),
        (
            "deliveries: {a: {write: [print]}}",
            "1:26",
            "write, entry 1: 'print' is not known",
            "did you mean 'prints'? (mix, prints, dry, wet, rooms, groups, alternates or alternate_groups)",
        ),
        ("deliveries: {a: {format: aiff}}", "1:26", "format: 'aiff' is not known", "wav or flac"),
    ],
)
def test_a_fault_at_the_top_of_a_plan_is_one_line_with_its_place_and_remedy(said, line, spot, what, remedy):
    assert one(said(f"{line}\n{ROOMS}{SECTIONS}")) == f"{spot} {what} — {remedy}"


MOMENT = (
    'seconds such as 12.5, minutes and seconds such as "0:12.5" or "1:02:03.5", '
    'or timecode such as "01:02:03:04"'
)
ENSEMBLE = (
    "rooms: {hall: {synthetic: larkmere_hall}}\n"
    "groups: {strings: {sections: [low, high]}, brass: {sections: [horns]}}\n"
    "sections: {choir: {stems: x}, low: {stems: y}, high: {stems: z}, horns: {stems: h}, brass: {stems: b}}\n"
)


@pytest.mark.parametrize(
    ("passages", "spot", "what", "remedy"),
    [
        (
            "[verse]",
            "1:11",
            "passages: is a list",
            'a mapping of names to passages, such as {verse: {from: "0:12.5", to: "0:48"}}',
        ),
        ("{verse: 12}", "1:19", "verse: 12 is a number", "a mapping (`from`, `to`)"),
        (
            "{verse: {from: 1}}",
            "1:12",
            "verse: `to` is missing",
            'where the passage ends, such as `to: "0:48"`',
        ),
        (
            "{verse: {to: 1}}",
            "1:12",
            "verse: `from` is missing",
            'where the passage begins, such as `from: "0:12.5"`',
        ),
        (
            "{verse: {from: 1, to: 2, form: 1}}",
            "1:36",
            "unknown key 'form' in verse",
            "did you mean 'from'?",
        ),
        ("{verse: {from: 1, to: 2, start: 1}}", "1:36", "unknown key 'start' in verse", "one of from, to"),
        (
            "{verse: {from: 5, to: 5}}",
            "1:33",
            "verse: `to`, 5 s, is not after `from`, 5 s",
            "`to` after `from`",
        ),
        (
            '{verse: {from: "1:00", to: 48}}',
            "1:38",
            "verse: `to`, 48 s, is not after `from`, 60 s",
            "`to` after `from`",
        ),
        ("{verse: {from: -1, to: 2}}", "1:26", "from: -1 s is before the start of the sound", MOMENT),
        ("{verse: {from: 1, to: 86401}}", "1:33", "to: 86401 s is more than 24 hours", MOMENT),
        ("{verse: {from: 1, to: 9999:00}}", "1:33", "to: 9999:00 is more than 24 hours", MOMENT),
        ("{verse: {from: true, to: 2}}", "1:26", "from: true is a truth value", MOMENT),
        ("{verse: {from: start, to: 2}}", "1:26", "from: 'start' is text", MOMENT),
        (
            '{verse: {from: "01:02:03:04", to: 9999}}',
            "1:26",
            "from: '01:02:03:04' is timecode, but the plan has no frame rate",
            "`frame_rate: 25` or another at the top",
        ),
        (
            '{verse: {from: 1, to: "01:02:03;04"}}',
            "1:33",
            "to: '01:02:03;04' is timecode, but the plan has no frame rate",
            "`frame_rate: 25` or another at the top",
        ),
        (
            "{verse: {from: 0:5, to: 20}}",
            "1:26",
            "from: '0:5' is text",
            MOMENT + "; two digits from 00 to 59 after each colon",
        ),
        (
            "{verse: {from: 0:75, to: 90}}",
            "1:26",
            "from: '0:75' is text",
            MOMENT + "; two digits from 00 to 59 after each colon",
        ),
        (
            "{verse: {from: '0:12,5', to: 20}}",
            "1:26",
            "from: '0:12,5' is text",
            MOMENT + "; write 0:12.5, with a point",
        ),
        ("{verse: {from: '12.5', to: 20}}", "1:26", "from: '12.5' is text", MOMENT + "; without quotes"),
        ("{verse: {from: 12 s, to: 20}}", "1:26", "from: '12 s' is text", MOMENT + "; without the unit"),
        (
            "{verse: {from: 1, to: 2}, Verse: {from: 1, to: 2}}",
            "1:37",
            "the passage names 'verse' and 'Verse' differ only in case",
            "names that stay distinct as file names",
        ),
        (
            "{verse: {from: 1, to: 2}, verse: {from: 1, to: 2}}",
            "1:37",
            "the key 'verse' appears twice in one mapping",
            "once; the first is in line 1",
        ),
        ("{a:b: {from: 1, to: 2}}", "1:12", "the passage name 'a:b' holds ':'", "a name without : / \\"),
    ],
)
def test_a_fault_in_a_passage_is_one_line_with_its_place_and_remedy(
    said, least, passages, spot, what, remedy
):
    assert one(said(f"passages: {passages}\n{least}")) == f"{spot} {what} — {remedy}"


@pytest.mark.parametrize(
    ("margins", "spot", "what", "remedy"),
    [
        (
            "{of: choir, over: strings}",
            "1:10",
            "margins: is a mapping",
            "a list of margins, such as [{of: choir, over: strings}]",
        ),
        (
            "[]",
            "1:10",
            "margins: is an empty list",
            "a list of margins, such as [{of: choir, over: strings}]",
        ),
        (
            "[choir]",
            "1:11",
            "margins, entry 1: 'choir' is text",
            "a mapping (`of`, `over`, `band`)",
        ),
        (
            "[{of: choir}]",
            "1:11",
            "margins, entry 1: `over` is missing",
            "the section or group it should be over, such as `over: strings`",
        ),
        (
            "[{over: choir}]",
            "1:11",
            "margins, entry 1: `of` is missing",
            "the section or group that should be on top, such as `of: choir`",
        ),
        (
            "[{of: choir, over: strings, ban: full}]",
            "1:38",
            "unknown key 'ban' in margins, entry 1",
            "did you mean 'band'?",
        ),
        (
            "[{of: choir, over: strings}, {of: 3, over: low}]",
            "1:44",
            "of: 3 is a number",
            'the name of a section or group; in quotes ("3") if that is meant',
        ),
        (
            "[{of: choir, over: strings, band: speach}]",
            "1:44",
            "band: 'speach' is not known",
            "did you mean 'speech'? (full or speech)",
        ),
        (
            "[{of: choir, over: strings}, {of: choir, over: strings, band: 1000}]",
            "1:72",
            "band: 1000 is a number",
            "full or speech",
        ),
        (
            "[{of: chior, over: strings}]",
            "1:16",
            "of: there is no section or group 'chior'",
            "did you mean 'choir'?",
        ),
        (
            "[{of: choir, over: strngs}]",
            "1:29",
            "over: there is no section or group 'strngs'",
            "did you mean 'strings'?",
        ),
        (
            "[{of: choir, over: zzz}]",
            "1:29",
            "over: there is no section or group 'zzz'",
            "one of choir, low, high, horns, brass, strings",
        ),
        (
            "[{of: choir, over: brass}]",
            "1:29",
            "over: 'brass' is the name of a section and of a group",
            "`section:brass` or `group:brass`",
        ),
        (
            "[{of: room:brass, over: choir}]",
            "1:16",
            "of: 'brass' is the name of a section and of a group",
            "`section:brass` or `group:brass`",
        ),
        ("[{of: section:choir, over: low}]", "1:16", "of: 'section:choir' must be only a name", "`choir`"),
        (
            "[{of: low, over: low}]",
            "1:27",
            "over: low cannot be over itself",
            "another section or group",
        ),
        (
            "[{of: low, over: strings}]",
            "1:27",
            "over: low and strings both contain the section low",
            "a section or group without it",
        ),
        (
            "[{of: group:brass, over: horns}]",
            "1:35",
            "over: group:brass and horns both contain the section horns",
            "a section or group without it",
        ),
        (
            "[{of: low, over: high}, {of: low, over: high, band: full}]",
            "1:34",
            "margins: low over high in full appears twice",
            "once; the first is in line 1",
        ),
    ],
)
def test_a_fault_in_a_margin_is_one_line_with_its_place_and_remedy(said, margins, spot, what, remedy):
    assert one(said(f"margins: {margins}\n{ENSEMBLE}")) == f"{spot} {what} — {remedy}"


def test_faults_of_all_margins_and_passages_are_reported_at_once_in_file_order(said):
    text = (
        "passages:\n  verse: {from: 9, to: 3}\n  chorus: {from: -1, to: late}\n"
        "margins:\n  - {of: chior, over: strngs}\n  - {of: low, over: low}\n"
    )
    assert [line.split(" ")[0] for line in said(text + ENSEMBLE)] == [
        "2:24",
        "3:18",
        "3:26",
        "5:10",
        "5:23",
        "6:21",
    ]


def test_a_margin_of_a_section_or_group_that_was_refused_itself_is_not_a_second_fault(load, said):
    margins = "margins: [{of: choir, over: strings}, {of: strings, over: drums}]\n"
    broken = (
        "rooms: {hall: {synthetic: a}}\n"
        "groups: {strings: {sections: []}}\n"
        "sections: {choir: {stems: x}, drums: 12}\n"
    )
    assert [line.split(" — ")[0] for line in said(margins + broken)] == [
        "3:30 sections: is an empty list",
        "4:38 drums: 12 is a number",
    ]
    assert load(margins + broken).plan.margins == ()
    text = (
        f"{margins}rooms: {{hall: {{synthetic: a}}}}\ngroups: [strings]\n"
        "sections: {choir: {stems: x}, drums: {stems: y}}\n"
    )
    assert one(said(text)).startswith("3:9 groups: is a list")


@pytest.mark.parametrize(
    ("room", "spot", "what", "remedy"),
    [
        (
            "{level: -1}",
            "1:9",
            "stage: the room has no sound",
            "`synthetic: larkmere_hall` or `responses: nave.wav`",
        ),
        ("{}", "1:9", "stage: the room has no sound", "`synthetic: larkmere_hall` or `responses: nave.wav`"),
        (
            "{synthetic: a, responses: b.wav}",
            "1:31",
            "stage: the room has both `synthetic` and `responses`",
            "one of them (`synthetic: null` removes an inherited one)",
        ),
        (
            "{synthetic: a, feeds: {hall: -3}}",
            "1:31",
            "feeds: a room cannot feed another room yet",
            "leave out the line",
        ),
        ("{synthetic: a, mute: yes}", "1:37", "mute: 'yes' is text", "true or false"),
        ("{synthetic: a, mute: 1}", "1:37", "mute: 1 is a number", "true or false"),
        (
            "{synthetic: a, wiring: one_sorce}",
            "1:39",
            "wiring: 'one_sorce' is not known",
            "did you mean 'one_source'? (one_source, per_channel or true_stereo)",
        ),
        ("{synthetic: a, widht: 100}", "1:31", "unknown key 'widht' in stage", "did you mean 'width'?"),
        (
            "{synthetic: a, low_cut: 200, high_cut: 200}",
            "1:45",
            "the low cut, 200 Hz, is not below the high cut, 200 Hz",
            "low_cut below high_cut",
        ),
        (
            "{synthetic: a, decay_scale: 0.8, reverberation_time: 2}",
            "1:49",
            "stage: `decay_scale` and `reverberation_time` both set the decay",
            "one of them",
        ),
        (
            "{synthetic: a, decay_scale: 1.6}",
            "1:44",
            "decay_scale: 1.6 is above 1.5",
            "a number from 0.3 to 1.5, such as 0.8",
        ),
        (
            "{synthetic: a, pre_delay: 1/8}",
            "1:42",
            "pre_delay: 1/8 is a note value, but the plan has no tempo",
            "`tempo: 84` at the top, or milliseconds",
        ),
        (
            "{synthetic: a, pre_delay: 1/3}",
            "1:42",
            "pre_delay: '1/3' is text",
            (
                'a number from 0 to 4000 ms, such as 20, or a note value such as "1/64", "dotted 1/32" or'
                ' "triplet 1/16"'
            ),
        ),
        (
            "{responses: {front: a.wav}, gain_position: frnt}",
            "1:59",
            "gain_position: the room stage has no position 'frnt'",
            "did you mean 'front'?",
        ),
        (
            "{responses: a.wav, gain_position: front}",
            "1:50",
            "gain_position: the room stage has no position 'front'",
            "leave out the line: the room has one response",
        ),
        (
            "{responses: {left: a.wav}}",
            "1:17",
            "responses: `right` is missing",
            "both files, `{left: a.wav, right: b.wav}`",
        ),
        (
            "{responses: {}}",
            "1:28",
            "responses: is an empty mapping",
            ("the path of a sound file, a mapping of positions to files, or {left: a.wav, right: b.wav}"),
        ),
        (
            "{responses: {front: 12}}",
            "1:36",
            "front: 12 is a number",
            ('the path of a sound file or {left: a.wav, right: b.wav}; in quotes ("12") if that is meant'),
        ),
        ('{responses: {"a/b": x.wav}}', "1:29", "the position name 'a/b' holds '/'", "a name without : / \\"),
        ("12", "1:16", "stage: 12 is a number", "a mapping (`synthetic: …`)"),
    ],
)
def test_a_fault_in_a_room_is_one_line_with_its_place_and_remedy(said, room, spot, what, remedy):
    assert one(said(f"rooms: {{stage: {room}}}\n{SECTIONS}")) == f"{spot} {what} — {remedy}"


@pytest.mark.parametrize(
    ("section", "spot", "what", "remedy"),
    [
        ("{}", "1:12", "drums: `stems` is missing", 'names or patterns, such as `stems: ["*choir*"]`'),
        ("", "1:12", "drums: is empty", "a mapping (`stems: …`)"),
        (
            "{stems: []}",
            "1:27",
            "stems: is an empty list",
            'a list of names or patterns, such as ["*choir*"]',
        ),
        (
            "{stems: {file: a}}",
            "1:27",
            "stems: is a mapping",
            'a list of names or patterns, such as ["*choir*"]',
        ),
        (
            "{stems: [{level: 1}]}",
            "1:28",
            "stems, entry 1: `file` is missing",
            "a stem's name or a pattern, such as `file: choir`",
        ),
        (
            "{stems: x, dry: of}",
            "1:35",
            "dry: 'of' is text",
            "a number from -120 to 24 dB, such as -6, or `off`",
        ),
        (
            "{stems: x, delay: -1}",
            "1:37",
            "delay: -1 is below 0 ms",
            "a number from 0 to 10000 ms, such as 15",
        ),
        (
            "{stems: x, pan: 101}",
            "1:35",
            "pan: 101 is above 100 (left −100, right 100)",
            "a number from -100 to 100 (left −100, right 100), such as -30",
        ),
        (
            "{stems: x, source: trumpet}",
            "1:38",
            "source: 'trumpet' is no kind of source",
            "give one: even, voice, strings, woodwinds, brass or percussion",
        ),
        (
            "{stems: x, source: [voice]}",
            "1:38",
            "source: is a list",
            "give one kind of source: even, voice, strings, woodwinds, brass or percussion",
        ),
        (
            "{stems: x, width: 201}",
            "1:37",
            "width: 201 is above 200 %",
            "a number from 0 to 200 %, such as 80",
        ),
        (
            "{stems: x, seat: {distance: 2}}",
            "1:30",
            "seat: `angle` is missing",
            "degrees right of centre, such as `angle: -20`",
        ),
        (
            "{stems: x, seat: {distance: 0, angle: 0}}",
            "1:47",
            "distance: 0 is not above 0 m",
            "a number above 0 and up to 200 m, such as 12",
        ),
        (
            "{stems: x, seat: {distance: 2, angle: 0, spread: -1}}",
            "1:68",
            "spread: -1 is below 0 m",
            "a number from 0 to 20 m, such as 3",
        ),
        (
            "{stems: x, seat: {distance: 2, angle: 0, spread: 20.5}}",
            "1:68",
            "spread: 20.5 is above 20 m",
            "a number from 0 to 20 m, such as 3",
        ),
        (
            "{stems: x, seat: {distance: 2, angle: 0, spread: 3 m}}",
            "1:68",
            "spread: '3 m' is text",
            "a number from 0 to 20 m, such as 3; without the unit",
        ),
        ("{stems: x, seat: null}", "1:36", "seat: is empty", "a mapping such as {distance: 12, angle: -20}"),
        ("{stems: x, sends: {hall: 25}}", "1:44", "hall: 25 is above 24 dB", SEND),
        (
            "{stems: x, sends: {hall: {low_cut: 90}}}",
            "1:38",
            "hall: `level` is missing",
            "the send in dB, such as `level: -9`",
        ),
        (
            "{stems: x, sends: {hall: []}}",
            "1:44",
            "hall: is an empty list",
            "at least one send; `off` switches a send off",
        ),
        (
            "{stems: x, sends: {hall: [off]}}",
            "1:45",
            "hall, entry 1: 'off' is text",
            ("a number from -120 to 24 dB, such as -9, or a mapping such as {level: -9, position: rear}"),
        ),
        (
            "{stems: x, sends: {hall: [-3, -4]}}",
            "1:49",
            "hall: a second send without a position",
            "one send per position; the first is in line 1",
        ),
        (
            "{stems: x, sends: {nave: [{level: -3, position: rear}, {level: -4, position: rear}]}}",
            "1:74",
            "nave: a second send to 'rear'",
            "one send per position; the first is in line 1",
        ),
        (
            "{stems: x, sends: {nave: {level: -3, position: raer}}}",
            "1:66",
            "position: the room nave has no position 'raer'",
            "did you mean 'rear'?",
        ),
        (
            "{stems: x, sends: {hall: {level: -3, low_cut: 9000, high_cut: 100}}}",
            "1:56",
            "the low cut, 9000 Hz, is not below the high cut, 100 Hz",
            "low_cut below high_cut",
        ),
    ],
)
def test_a_fault_in_a_section_is_one_line_with_its_place_and_remedy(said, section, spot, what, remedy):
    assert one(said(f"sections: {{drums: {section}}}\n{ROOMS}")) == f"{spot} {what} — {remedy}"


def test_a_sends_cut_is_judged_with_the_rooms_other_cut(said):
    text = (
        "rooms: {hall: {synthetic: a, high_cut: 1000}}\n"
        "sections: {choir: {stems: x, sends: {hall: {level: -3, low_cut: 2000}}}}\n"
    )
    assert one(said(text)).startswith("2:56 the low cut, 2000 Hz, is not below the high cut, 1000 Hz")
    assert said(text.replace("low_cut: 2000", "low_cut: 2000, high_cut: off")) == []


def test_cuts_must_lie_below_half_the_plans_sample_rate(said):
    text = (
        "sample_rate: 16000\n"
        "rooms: {hall: {synthetic: a, high_cut: 8000}}\n"
        "sections: {choir: {stems: x, sends: {hall: {level: -3, low_cut: 7999, high_cut: 9000}}}}\n"
    )
    assert [line.split(" — ")[0] for line in said(text)] == [
        "2:40 high_cut: 8000 Hz is not below half the sample rate",
        "3:81 high_cut: 9000 Hz is not below half the sample rate",
    ]
    assert said(text.replace("sample_rate: 16000", "# the stems' own")) == []


def test_a_note_value_longer_than_the_limit_is_refused(said):
    text = "tempo: 20\nrooms: {hall: {synthetic: a, pre_delay: 1/1}}\nsections: {choir: {stems: x}}\n"
    assert one(said(text)) == "2:41 pre_delay: 1/1 at a tempo of 20 lasts 12000 ms — at most 4000 ms"


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ('"a:b"', "holds ':'"),
        ("a/b", "holds '/'"),
        ("a\\b", "holds '\\\\'"),
        ('" a"', "begins or ends with a space"),
        (".a", "begins with a dot"),
        ("x" * 61, "has 61 characters"),
        ('"a\\tb"', "holds an invisible character"),
        ('"a\\u200bb"', "holds an invisible character"),
    ],
)
@pytest.mark.parametrize(
    ("kind", "frame"),
    [
        ("room", "rooms: {hall: {synthetic: a}, ? NAME\n: {synthetic: b}}\nsections: {choir: {stems: x}}\n"),
        ("section", "rooms: {hall: {synthetic: a}}\nsections: {? NAME\n: {stems: x}}\n"),
        (
            "delivery",
            "rooms: {hall: {synthetic: a}}\nsections: {c: {stems: x}}\ndeliveries: {? NAME\n: {}}\n",
        ),
        (
            "alternate",
            "rooms: {hall: {synthetic: a}}\nsections: {c: {stems: x}}\nalternates: {? NAME\n: {}}\n",
        ),
        (
            "group",
            "rooms: {hall: {synthetic: a}}\nsections: {c: {stems: x}}\ngroups: {? NAME\n: {sections: [c]}}\n",
        ),
    ],
)
def test_a_name_that_cannot_be_part_of_a_bus_name_is_refused(said, kind, frame, name, fault):
    assert f"the {kind} name" in one(said(frame.replace("NAME", name)))
    assert fault in said(frame.replace("NAME", name))[0]


def test_names_that_differ_only_in_case_are_refused(said):
    text = "rooms: {Hall: {synthetic: a}, hall: {synthetic: b}}\nsections: {c: {stems: x}}\n"
    assert one(said(text)) == (
        "1:31 the room names 'Hall' and 'hall' differ only in case — names that stay distinct as file names"
    )


def test_missing_rooms_and_sections_are_two_problems(said):
    problems = said("title: x\n")
    assert [problem.split(" — ")[0] for problem in problems] == [
        "1:1 `rooms` is missing",
        "1:1 `sections` is missing",
    ]


def test_empty_rooms_and_sections_are_two_problems(said):
    assert [problem.split(" — ")[0] for problem in said("rooms: {}\nsections: {}\n")] == [
        "1:1 rooms: is an empty mapping",
        "2:1 sections: is an empty mapping",
    ]


def test_every_fault_of_a_plan_is_reported_at_once_in_file_order(said):
    problems = said(
        "titel: x\n"
        "rooms:\n"
        "  hall: {synthetic: a, mute: no}\n"
        "  nave: {responses: {front: f.wav}, level: 99}\n"
        "groups: {g: {sections: [chior]}}\n"
        "sections:\n"
        "  choir:\n"
        "    stems: [1, {fil: y}]\n"
        "    seat: {distance: -1}\n"
        "    sends: {hall: {level: loud}, nav: 1, nave: {level: -3, position: frnt}}\n"
    )
    assert [problem.split(" ")[0] for problem in problems] == [
        "1:1", "3:30", "4:44", "5:25", "8:13", "8:16", "8:17", "9:5", "9:22", "10:27", "10:34", "10:70",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "spots"),
    [
        # the refused room is still a room: its sends are not faults of their own
        ("rooms: {hall: 12, h2: {synthetic: a}}\nsections: {c: {stems: x, sends: {hall: -3}}}\n", ["1:15"]),
        ("rooms: 12\nsections: {c: {stems: x, sends: {hall: -3}}}\n", ["1:8"]),
        ("sections: {c: {stems: x, sends: {hall: -3}}}\n", ["1:1"]),
        # a refused source is not a missing one
        ("rooms: {hall: {synthetic: 12}}\nsections: {c: {stems: x}}\n", ["1:27"]),
        ("rooms: {hall: {responses: {front: 12}}}\nsections: {c: {stems: x}}\n", ["1:35"]),
        # a refused position is still a position
        (
            (
                "rooms: {n: {responses: {front: f.wav, rear: 12}}}\n"
                "sections: {c: {stems: x, sends: {n: {level: -3, position: rear}}}}\n"
            ),
            ["1:45"],
        ),
        # a refused level is not a missing one, also when the parser refused it
        ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, sends: {h: {level: .nan}}}}\n", ["2:45"]),
        ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, sends: {h: [{level: loud}]}}}\n", ["2:46"]),
        # a list that lost all its entries is not an empty one
        ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: [.nan]}}\n", ["2:24"]),
        ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: [12]}}\n", ["2:24"]),
        # an unknown position is not a send without one
        (
            (
                "rooms: {n: {responses: {front: f.wav, rear: r.wav}}}\n"
                "sections: {c: {stems: x, sends: {n: [{level: -3, position: zz}, -4]}}}\n"
            ),
            ["2:60"],
        ),
        # a refused tempo is not a missing one
        ("tempo: fast\nrooms: {h: {synthetic: a, pre_delay: 1/4}}\nsections: {c: {stems: x}}\n", ["1:8"]),
        # a refused seat value takes the seat out, not the section
        (
            (
                "rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, seat: {distance: 0, angle: 1}}}\n"
                "groups: {g: {sections: [c]}}\n"
            ),
            ["2:43"],
        ),
    ],
)
def test_a_fault_does_not_drag_others_after_it(said, text, spots):
    assert [problem.split(" ")[0] for problem in said(text)] == spots


def test_the_rest_of_a_faulty_plan_is_still_a_plan(load):
    loaded = load(
        "sample_rate: fast\n"
        "rooms: {hall: {synthetic: a, level: loud, width: 50}, bad: 12}\n"
        "sections: {choir: {stems: [x, 12, y], level: 99, pan: 10,"
        " sends: {hall: [-3, {level: .inf}], bad: -1}}}\n"
    )
    assert len(loaded.problems) == 6
    plan = loaded.plan
    assert plan.sample_rate is None
    assert list(plan.rooms) == ["hall"]
    assert (plan.rooms["hall"].level_db, plan.rooms["hall"].width) == (0.0, 0.5)
    choir = plan.sections["choir"]
    assert [entry.pattern for entry in choir.stems] == ["x", "y"]
    assert [entry.place.column for entry in choir.stems] == [28, 35]
    assert (choir.level_db, choir.pan) == (0.0, 10.0)
    assert [(send.room, send.level_db) for send in choir.sends] == [("hall", -3.0)]


def test_an_aliased_fault_is_reported_once(said):
    text = (
        "rooms: {h: {synthetic: a}}\n"
        "sections:\n  a: {stems: x, seat: &seat {distance: 0, angle: 1}}\n  b: {stems: y, seat: *seat}\n"
    )
    assert one(said(text)).startswith("3:40 distance: 0 is not above 0 m")


def test_nothing_counts_as_missing_when_a_base_cannot_be_read(said):
    problems = said(
        "extends: nowhere.yaml\ntitel: x\nsections: {choir: {levle: 1, sends: {hall: -3, nave: null}}}\n"
    )
    assert [problem.split(" — ")[0].split(" ", 1)[0] for problem in problems] == ["1:10", "2:1", "3:20"]


def test_a_file_that_cannot_be_read_has_no_plan(load):
    loaded = load("rooms: [\n")
    assert loaded.plan is None
    assert len(loaded.problems) == 1


@pytest.mark.parametrize("text", ["", "- rooms\n", "rooms\n", "12: x\n", "true: x\n", "null: x\n"])
def test_a_file_that_is_no_plan_is_a_problem(load, text):
    loaded = load(text)
    assert loaded.problems


def test_the_folder_of_an_unknown_user_is_one_problem_also_when_a_send_names_its_position(said):
    text = (
        "rooms: {n: {responses: {front: f.wav, rear: ~noSuchUser/r.wav}}}\n"
        "sections: {c: {stems: x, sends: {n: {level: -3, position: rear}}}}\n"
    )
    assert one(said(text)).startswith("1:45 rear: '~noSuchUser/r.wav'")


@pytest.mark.parametrize(
    ("written", "said_of_it"),
    [
        (
            "rooms: {hall: {synthetic: larkmere_hall, pre_delay: .nan}}",
            "pre_delay: '.nan' is not a finite number",
        ),
        ("trim: 1e999", "trim: '1e999' is too large for a number"),
        ("title: 2024-01-01", "title: '2024-01-01' is a date, which no value here is"),
        ("deliveries: {a: {write: [mix, .inf]}}", "write, entry 2: '.inf' is not a finite number"),
        ("balance: [[1, [.inf]]]", "balance, entry 1, entry 2, entry 1: '.inf' is not a finite number"),
        (".nan: 1", "'.nan' is not a finite number"),
    ],
)
def test_a_number_or_date_that_is_refused_is_named_by_its_key(load, written, said_of_it):
    assert said_of_it in [problem.what for problem in load(written).problems]
