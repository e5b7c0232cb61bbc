"""What `roomplan depth` says of a small plan, and what it writes into it."""

from __future__ import annotations

import math

import numpy as np
import pytest
import soundfile

from roomplan.errors import Place
from roomplan.plan.load import load_plan
from roomplan.plan.model import Seat
from roomplan.rooms.room_file import load_room_specification
from roomplan.rooms.synthesis import synthesise

RATE = 24_000

# 20 × 12 × 6 m, T 0.6 s, everything at one height: seat distances are the ways of the direct sound
ROOM = """\
title: Sedgewater Chapel
dimensions: {length: 20, width: 12, height: 6}
reverberation_time: {"63": 0.6, "125": 0.6, "250": 0.6, "500": 0.6,
                     "1000": 0.6, "2000": 0.6, "4000": 0.5, "8000": 0.4}
source_height: 1.5
microphones:
  main: {positions: [[15, 0, 1.5]], pattern: omni}
  rear: {positions: [[18, 0, 1.5]], pattern: omni}
reference_seat: {distance: 5, angle: 0}
seed: 3
"""

PLAN = """\
title: Ice Harbour, test
stems: stems
rooms:
  chapel: {synthetic: chapel.yaml, low_cut: 80}
  nave: {responses: nave.wav}
  film: {responses: film.wav, direct: absent}
sections:
  choir:
    stems: [choir]
    seat: {distance: 12, angle: 0}
    sends:
      chapel:                # near and far
        - {level: -14, position: main}
        - {level: -16, position: rear}
  strings:
    stems: [strings]
    seat: {distance: 3, angle: 0}
    sends: {chapel: -9, film: -20}   # the reference section
  solo:
    stems: [solo]
    sends: {chapel: -12}
  organ:
    stems: [organ]
    sends: {nave: -10}
  bells:
    stems: [bells]
    seat: {distance: 8, angle: 0}
    sends: {film: -10}
"""


@pytest.fixture
def plan(tmp_path):
    generator = np.random.default_rng(5)
    (tmp_path / "stems").mkdir()
    for name in ("choir", "strings", "solo", "organ", "bells"):
        sound = 0.1 * generator.standard_normal((RATE, 1))
        soundfile.write(tmp_path / "stems" / f"{name}.wav", sound, RATE)
    time = np.arange(RATE) / RATE
    response = 0.03 * generator.standard_normal((RATE, 2)) * 10.0 ** (-3.0 * time / 0.7)[:, None]
    response[:240] = 0.0
    soundfile.write(tmp_path / "film.wav", response, RATE, subtype="FLOAT")
    response[0] = 0.9
    soundfile.write(tmp_path / "nave.wav", response, RATE, subtype="FLOAT")
    (tmp_path / "chapel.yaml").write_text(ROOM, encoding="utf-8")
    path = tmp_path / "plan.yaml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def by_section(document):
    return {entry["section"]: entry for entry in document["sections"]}


def ratio(distance: float) -> float:
    """D/R by the revised theory with Barron's rounded constants: 1440 m³, 0.6 s."""
    reflected = 31200.0 * 0.6 / 1440.0 * math.exp(-0.04 * distance / 0.6)
    return 10.0 * math.log10(100.0 / distance**2 / reflected)


def test_seats_are_judged_by_theory_responses_by_what_they_measure_and_the_rest_is_refused(run, plan):
    before = plan.read_bytes()
    outcome = run("depth", plan, "--quiet", "--json")
    assert (outcome.status, outcome.errors) == (0, "")
    document = outcome.json
    found = by_section(document)
    assert document["schema"] == "roomplan.depth/3"
    assert (document["mode"], document["amount"]) == ("relative", 1.0)
    assert document["reference_sections"] == {"chapel": "strings", "nave": "organ"}
    choir, strings = found["choir"], found["strings"]

    assert (choir["room"], choir["source"], choir["distance_m"]) == ("chapel", "theory", 12.0)
    assert choir["volume_m3"] == pytest.approx(1440.0)
    assert choir["critical_distance_m"] == pytest.approx(0.057 * math.sqrt(1440.0 / 0.6), rel=0.01)
    assert choir["direct_to_reverberant_db"] == pytest.approx(ratio(12.0), abs=0.1)
    assert choir["arrival_delay_ms"] == pytest.approx(9000.0 / 343.2, abs=0.01)
    # the wall behind the singers, 3 m from them, before the ceiling: 2 × 3 m more
    assert choir["implied_pre_delay_ms"] == pytest.approx((math.hypot(12.0, 9.0) - 12.0) / 0.3432, abs=0.01)

    # the choir's two sends rise by the same, to what the reference has plus the difference of the ratios
    wanted = strings["wet_to_dry_db"] + ratio(3.0) - ratio(12.0)
    assert choir["wanted_wet_to_dry_db"] == pytest.approx(wanted, abs=0.05)
    shift = choir["wanted_wet_to_dry_db"] - choir["wet_to_dry_db"]
    levels = {send["position"]: (send["level_db"], send["proposed_db"]) for send in choir["sends"]}
    assert levels["main"] == (-14.0, pytest.approx(-14.0 + shift, abs=0.0501))
    assert levels["rear"] == (-16.0, pytest.approx(-16.0 + shift, abs=0.0501))
    assert strings["sends"] == [{"position": "main", "level_db": -9.0, "proposed_db": -9.0}]

    organ = found["organ"]
    assert (organ["source"], organ["distance_m"], organ["volume_m3"]) == ("measured", None, None)
    assert "no volume" in organ["reasons"]["volume_m3"]
    assert organ["reverberation_time_mid_s"] == pytest.approx(0.7, rel=0.1)
    assert organ["sends"][0]["proposed_db"] is not None

    solo, bells = found["solo"], found["bells"]
    assert (solo["distance_m"], solo["wanted_wet_to_dry_db"]) == (None, None)
    assert "no seat" in solo["reasons"]["proposed"]
    assert "direct: absent" in bells["reasons"]["proposed"]
    assert bells["sends"][0]["proposed_db"] is None
    assert document["written"] is None
    assert plan.read_bytes() == before


def test_written_sends_give_what_was_wanted_and_a_second_run_changes_nothing(run, plan):
    asked = run("depth", plan, "-q", "--json").json
    outcome = run("depth", plan, "-q", "--write")
    assert outcome.status == 0, outcome.errors
    assert (plan.parent / "plan.yaml.before-1").read_text(encoding="utf-8") == PLAN
    text = plan.read_text(encoding="utf-8")
    assert "# near and far" in text
    assert "sends: {chapel: -9, film: -20}   # the reference section" in text
    choir = by_section(asked)["choir"]
    after = [send["proposed_db"] for send in choir["sends"]]
    loaded = load_plan(plan)
    assert loaded.problems == ()
    assert loaded.plan is not None
    assert [send.level_db for send in loaded.plan.sections["choir"].sends] == after
    for send, position in zip(choir["sends"], ("chapel", "chapel at rear"), strict=True):
        assert f"choir: send to {position} " in outcome.output
        assert f"→ {send['proposed_db']:+.1f} dB".replace("-", "−") in outcome.output

    again = run("depth", plan, "-q", "--json", "--write").json
    found = by_section(again)["choir"]
    assert found["wet_to_dry_db"] == pytest.approx(choir["wanted_wet_to_dry_db"], abs=0.06)
    assert again["written"] is None
    assert plan.read_text(encoding="utf-8") == text


def test_two_sends_into_the_main_room_count_together_as_powers(run, plan):
    text = PLAN.replace("{level: -16, position: rear}", "{level: -12, position: rear}")
    plan.write_text(text, encoding="utf-8")
    choir = by_section(run("depth", plan, "-q", "--json").json)["choir"]
    checked = run("check", plan, "-q", "--json").json
    single = [send["wet_to_dry_db"] for send in checked["sections"][0]["sends"]]
    powers = 10.0 * math.log10(sum(10.0 ** (ratio_db / 10.0) for ratio_db in single))
    assert choir["wet_to_dry_db"] == pytest.approx(powers, abs=0.002)

    # The bus has in addition what the two responses have in common, here 3 m apart in a small room.
    spec, _problems = load_room_specification(plan.parent / "chapel.yaml")
    assert spec is not None
    seat = Seat(12.0, 0.0, Place(plan))
    main, rear = (
        synthesise(spec, seat=seat, microphones=name, sources=1, sample_rate=RATE).reflected
        for name in ("main", "rear")
    )
    rear = rear[: len(main)] * 10.0 ** (2.0 / 20.0)
    main = main[: len(rear)]
    both = np.sum((main + rear) ** 2) / (np.sum(main**2) + np.sum(rear**2))
    bus = next(bus for bus in checked["buses"] if bus["name"] == "section:choir")
    common = bus["wet_to_dry_db"] - choir["wet_to_dry_db"]
    assert common == pytest.approx(10.0 * math.log10(both), abs=0.1)  # of one draw of noise, K-weighted


def test_absolute_depth_and_amount_in_tables(run, plan):
    outcome = run("depth", plan, "-q", "--absolute", "--json")
    choir = by_section(outcome.json)["choir"]
    assert (outcome.json["mode"], outcome.json["reference_sections"]) == ("absolute", {})
    assert choir["wanted_wet_to_dry_db"] == pytest.approx(-choir["direct_to_reverberant_db"], abs=0.001)

    outcome = run("depth", plan, "-q", "--amount", "0")
    assert outcome.status == 0
    rows = [line.split() for line in outcome.output.splitlines()]
    (strings,) = [row for row in rows if row[:2] == ["strings", "chapel"] and "unchanged" in row]
    (choir,) = [row for row in rows if row[:2] == ["choir", "chapel"] and len(row) == 6]
    assert choir[3] == strings[2]  # wanted: what the reference section has
    for words in ("0 % of it", "solo: it has no seat", "nothing written", "not for voice-alarm"):
        assert words in " ".join(outcome.output.split())


def test_a_room_that_keeps_its_direct_sound_gets_no_proposal_and_the_plans_decay_counts(run, plan):
    text = PLAN.replace("low_cut: 80", "direct: keep, decay_scale: 0.5")
    plan.write_text(text, encoding="utf-8")
    choir = by_section(run("depth", plan, "-q", "--json").json)["choir"]
    assert choir["reverberation_time_mid_s"] == pytest.approx(0.3)
    assert choir["critical_distance_m"] == pytest.approx(0.057 * math.sqrt(1440.0 / 0.3), rel=0.01)
    assert "keeps its direct sound" in choir["reasons"]["proposed"]
    assert choir["sends"][0]["proposed_db"] is None


def test_a_silent_stem_is_called_silent(run, plan):
    soundfile.write(plan.parent / "stems" / "choir.wav", np.zeros((RATE, 1)), RATE)
    choir = by_section(run("depth", plan, "-q", "--json").json)["choir"]
    assert choir["reasons"]["proposed"].endswith("cannot be compared with it: the dry sound is silent")


def test_the_main_room_is_the_synthetic_one_that_returns_most(run, plan):
    text = PLAN.replace("rooms:\n", "rooms:\n  annex: {synthetic: chapel.yaml, level: 6}\n")
    text = text.replace("{chapel: -9, film: -20}", "{chapel: -9, annex: -12, film: -2}")
    plan.write_text(text, encoding="utf-8")
    document = run("depth", plan, "-q", "--json").json
    strings = by_section(document)["strings"]
    assert (strings["room"], strings["sends"][0]["level_db"]) == ("annex", -12.0)
    assert document["notes"] == ["strings is louder in film, which is measured: judged in annex"]


def test_the_plans_reference_section_keeps_its_sends_or_is_refused_at_its_line(run, plan):
    plan.write_text("reference_section: choir\n" + PLAN, encoding="utf-8")
    document = run("depth", plan, "-q", "--json").json
    found = by_section(document)
    assert document["reference_sections"] == {"chapel": "choir", "nave": "organ"}
    assert [send["proposed_db"] for send in found["choir"]["sends"]] == [-14.0, -16.0]
    assert found["strings"]["sends"][0]["proposed_db"] < -9.0

    plan.write_text("reference_section: solo\n" + PLAN, encoding="utf-8")
    outcome = run("depth", plan, "-q")
    assert outcome.status == 1
    assert "plan.yaml:1:" in outcome.errors
    assert "the reference section solo cannot serve: it has no seat" in outcome.errors


def test_a_locked_section_keeps_its_sends_and_is_said_to_be_locked(run, plan):
    before = PLAN + "balance: {locked: [choir]}\n"
    plan.write_text(before, encoding="utf-8")
    outcome = run("depth", plan, "--quiet", "--write")
    assert "choir: locked: its sends stay as they are" in outcome.output
    assert "nothing to write" in outcome.output
    assert plan.read_text(encoding="utf-8") == before
    document = run("depth", plan, "--quiet", "--json").json
    choir = by_section(document)["choir"]
    assert [send["proposed_db"] for send in choir["sends"]] == [-14.0, -16.0]
    assert "locked: " in choir["reasons"]["proposed"]


def test_two_sections_on_one_seat_get_one_send_whatever_they_play(run, plan):
    generator = np.random.default_rng(8)
    steady = 0.1 * generator.standard_normal((RATE, 1))
    steady[: RATE // 2] *= 0.01  # bursts return less against themselves than a steady sound does
    soundfile.write(plan.parent / "stems" / "horns.wav", steady, RATE)
    horns = "  horns:\n    stems: [horns]\n    seat: {distance: 12, angle: 0}\n    dry: -2\n"
    lone = "    sends: {chapel: -14}\n"
    text = PLAN[: PLAN.index("    sends:\n      chapel:")] + lone + PLAN[PLAN.index("  strings:") :]
    plan.write_text(text + horns + "    sends: {chapel: -20}\n", encoding="utf-8")
    found = by_section(run("depth", plan, "--quiet", "--json").json)
    choir, horns = found["choir"], found["horns"]
    assert choir["wanted_wet_to_dry_db"] == horns["wanted_wet_to_dry_db"]
    # the same against their dry sounds, of which the horns' is 2 dB down
    assert horns["sends"][0]["proposed_db"] == pytest.approx(choir["sends"][0]["proposed_db"] - 2.0, abs=0.11)


def test_a_section_that_plays_forwards_is_wanted_drier_on_the_seat_of_an_even_one(run, plan):
    # brass: 2.0 dB at 500 Hz and 4.7 at 1000, and so it is no one source with the choir
    soundfile.write(
        plan.parent / "stems" / "horns.wav", 0.1 * np.random.default_rng(8).standard_normal((RATE, 1)), RATE
    )
    horns = (
        "  horns:\n    stems: [horns]\n    seat: {distance: 12, angle: 0}\n    source: brass\n"
        "    sends: {chapel: -20}\n"
    )
    lone = "    sends: {chapel: -14}\n"
    text = PLAN[: PLAN.index("    sends:\n      chapel:")] + lone + PLAN[PLAN.index("  strings:") :]
    plan.write_text(text + horns, encoding="utf-8")
    found = by_section(run("depth", plan, "--quiet", "--json").json)
    choir, brass = found["choir"], found["horns"]
    assert (choir["directivity_index_db"], brass["directivity_index_db"]) == (0.0, pytest.approx(3.35))
    wanted = choir["wanted_wet_to_dry_db"] - 3.35
    assert brass["wanted_wet_to_dry_db"] == pytest.approx(wanted, abs=0.01)
    shift = brass["wanted_wet_to_dry_db"] - brass["wet_to_dry_db"]
    assert brass["sends"][0]["proposed_db"] == pytest.approx(-20.0 + shift, abs=0.0501)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--absolute", "--amount", "0.5"), "--absolute has none"),
        (("--amount", "1.5"), "--amount: is 1.5: give 0 to 1"),
        (("--amount", "nan"), "--amount: is nan: give 0 to 1"),
    ],
)
def test_an_amount_without_a_meaning_is_a_usage_error(run, plan, options, words):
    outcome = run("depth", plan, *options)
    assert (outcome.status, outcome.output) == (2, "")
    assert words in " ".join(outcome.errors.replace("│", " ").split())


def test_problems_of_the_plan_come_with_their_place(run, plan):
    plan.write_text(PLAN.replace("chapel: -9", "chapl: -9"), encoding="utf-8")
    outcome = run("depth", plan, "--quiet")
    assert outcome.status == 1
    assert "plan.yaml:18:" in outcome.errors


def test_help_says_what_is_kept_and_that_nothing_is_written_without_being_asked(run):
    text = " ".join(run("depth", "--help").output.replace("│", " ").split())
    for words in ("reference_section", "Nothing is written without --write", "Example: roomplan depth"):
        assert words in text
