"""Several deliveries from one pass: formats, rates, names, families, alternates, time."""

from __future__ import annotations

import copy
import hashlib
import tracemalloc
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import soundfile
import soxr
import wavinfo
from scipy.signal import correlate

from roomplan.audio.writers import OutputFormat, RateChanger, SoundWriter
from roomplan.convolution.engine import Convolver
from roomplan.errors import RoomplanError
from roomplan.files.cache import Cache
from roomplan.plan.bus_name import BusName
from roomplan.rendering.measure import measure_session
from roomplan.report.documents import render_document
from roomplan.session.buses import build_buses, build_components
from roomplan.session.output_files import plan_targets
from roomplan.session.session import Excerpt
from roomplan.timecode import Timecode, frame_rate

RATE = 48_000
WRITE = ["mix", "prints", "dry", "wet", "rooms", "groups", "alternates", "alternate_groups"]
RAW = {"normalise": "none", "direct": "absent", "trim_tail": False}
HOUR_S = 3600


def decibels(ratio):
    return 20.0 * np.log10(max(ratio, 1e-30))


def bext_of(path):
    """What an independent reader finds; fails where there is no chunk."""
    found = wavinfo.WavInfoReader(str(path)).bext
    assert found is not None
    return found


def rms(samples):
    return float(np.sqrt(np.mean(np.square(samples))))


def noise(seconds, channels, seed, level=0.1):
    return level * np.random.default_rng(seed).standard_normal((round(seconds * RATE), channels))


def orchestra(cue, decay):
    """Four sections, one of them alone beside two groups, two rooms, three alternates, three deliveries."""
    cue.stem("choir.wav", noise(0.8, 2, 1))
    cue.stem("low.wav", noise(0.6, 1, 2))
    cue.stem("high.wav", noise(0.5, 2, 3))
    cue.stem("harp.wav", noise(0.4, 2, 4))
    cue.response("front.wav", decay(0.3, 0.25, 2, 5))
    cue.response("stage.wav", decay(0.2, 0.15, 1, 6))
    return {
        "title": "Ice Harbour, über",
        "cue": "1m2",
        "version": "3",
        "frame_rate": 25,
        "start": "01:00:00:00",
        "trim": -3,
        "rooms": {"nave": {"responses": "front.wav"}, "stage": {"responses": "stage.wav"}},
        "shared_sends": {"stage": -12},
        "groups": {
            "strings": {"sections": ["low", "high"], "sends": {"nave": -9}},
            "voices": {"sections": ["choir"]},
        },
        "sections": {
            "choir": {"stems": ["choir"], "sends": {"nave": -6}},
            "low": {"stems": ["low"], "dry": -3},
            "high": {"stems": ["high"]},
            "harp": {"stems": ["harp"]},
        },
        "alternates": {
            "choir_up": {"choir": {"level": 1.5}},
            "distant": {"strings": {"dry": -4, "sends": {"nave": 3}}, "low": {"level": -1}},
            "no_nave": {
                "choir": {"sends": {"nave": "off"}},
                "harp": {"mute": True},
                "strings": {"dry": "off"},
            },
        },
        "deliveries": {
            "session": {"write": WRITE},
            "stream": {"format": "flac", "bit_depth": 24, "sample_rate": 44_100, "write": WRITE},
            "half": {"sample_rate": 44_100, "write": WRITE},
        },
    }


@pytest.fixture(scope="module")
def delivered(shared_cue, decay):
    """All deliveries in one folder, and how often the engine was built and run; nothing is kept."""
    counts = {"built": 0, "runs": 0}

    class Counted(Convolver):
        @classmethod
        def on_layout(cls, *arguments, **options):
            counts["built"] += 1
            return super().on_layout(*arguments, **options)

        def process_planar(self, *arguments, **options):
            counts["runs"] += 1
            return super().process_planar(*arguments, **options)

    content = orchestra(shared_cue, decay)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("roomplan.rendering.component_stream.Convolver", Counted)
        heard = measure_session(shared_cue.session(content))
        listening = dict(counts)
        rendering = shared_cue.deliver(shared_cue.session(content), shared_cue.folder / "out")
    assert heard.frames == rendering.frames
    return shared_cue, rendering, listening, counts


def test_three_deliveries_take_one_convolution(delivered):
    _cue, _rendering, listening, both = delivered
    assert both == {"built": 2 * listening["built"], "runs": 2 * listening["runs"]}
    assert listening["built"] == 1


def test_every_delivery_has_the_same_files_in_its_own_format_and_rate(delivered):
    cue, rendering, *_ = delivered
    wanted = {
        "session": ("WAV", "FLOAT", 48_000),
        "stream": ("FLAC", "PCM_24", 44_100),
        "half": ("WAV", "FLOAT", 44_100),
    }
    names = {}
    for name, form in wanted.items():
        files = [p for p in (cue.folder / "out" / name).rglob("*") if p.suffix in {".wav", ".flac"}]
        names[name] = {p.relative_to(cue.folder / "out" / name).with_suffix("").as_posix() for p in files}
        for path in files:
            info = soundfile.info(path)
            assert (info.format, info.subtype, info.samplerate) == form
            assert info.frames == int(rendering.frames * form[2] / RATE + 0.5)
    assert names["session"] == names["stream"] == names["half"]
    assert {"mix", "prints/choir", "groups/harp", "alternates/distant"} <= names["session"]
    assert {"alternates/distant/strings", "alternates/distant/harp"} <= names["session"]


FAMILIES = [
    "prints",
    "rooms",
    "groups",
    "dry_and_wet",
    "alternates/choir_up",
    "alternates/distant",
    "alternates/no_nave",
]


@pytest.mark.parametrize("delivery", ["session", "half"])
@pytest.mark.parametrize("family", FAMILIES)
def test_files_of_a_family_null_at_every_rate(delivered, family, delivery):
    cue, *_ = delivered
    report = cue.report_in(f"out/{delivery}")
    (entry,) = [f for f in report["families"] if f["name"] == family]
    total = cue.sound(f"{delivery}/{entry['adds_up_to']}")
    parts = sum(cue.sound(f"{delivery}/{file}") for file in entry["files"])
    # measured: −143 dB for twelve prints
    assert decibels(rms(parts - total) / rms(cue.sound(f"{delivery}/mix.wav"))) < -120.0
    assert len(entry["files"]) > 1


def test_families_of_a_resampled_flac_null_within_their_dithers(delivered):
    cue, *_ = delivered
    (entry,) = [f for f in cue.report_in("out/stream")["families"] if f["name"] == "prints"]
    mix = cue.sound(f"stream/{entry['adds_up_to']}")
    total = sum(cue.sound(f"stream/{file}") for file in entry["files"])
    # TPDF dither of 2 LSB plus rounding: variance LSB²/4 per file, (n prints + 1 mix) files
    expected = np.sqrt((len(entry["files"]) + 1) / 4.0) * 2.0**-23
    assert rms(total - mix) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("delivery", ["stream/mix.flac", "half/mix.wav"])
def test_frame_0_stays_frame_0_and_the_sound_is_that_of_a_resampled_file(delivered, delivery):
    cue, *_ = delivered
    whole, other = cue.sound("session/mix.wav"), cue.sound(delivery)
    expected = soxr.resample(whole, RATE, 44_100, quality="VHQ")
    assert decibels(rms(other - expected) / rms(expected)) < -115.0
    # an independent look at the time: back at 48 kHz by another filter, the two agree best without a shift
    back = soxr.resample(other, 44_100, RATE, quality="MQ")[: len(whole)]
    at = correlate(back[:4096, 0], whole[: len(back)][:4096, 0], method="fft")
    assert np.argmax(at) == 4095


def test_the_reports_name_the_files_that_are_there_and_what_they_hold(delivered):
    cue, rendering, *_ = delivered
    for name in ("session", "stream", "half"):
        report = cue.report_in(f"out/{name}")
        assert report["delivery"] == name
        assert [d["name"] for d in report["deliveries"]] == [name]
        assert (report["cue"], report["version"]) == ("1m2", "3")
        for entry in report["files"]:
            path = cue.folder / "out" / name / entry["file"]
            info = soundfile.info(path)
            assert entry["bytes"] == path.stat().st_size
            assert (entry["sample_rate"], entry["frames"]) == (info.samplerate, info.frames)
            assert entry["delivery"] == name
        listed = {entry["file"] for entry in report["files"]}
        there = {
            p.relative_to(cue.folder / "out" / name).as_posix()
            for p in (cue.folder / "out" / name).rglob("*")
            if p.is_file()
        }
        assert there == listed | {"report.json"}
    entry = cue.report_in("out/half")["files"][0]
    samples, _rate = soundfile.read(cue.folder / "out/half" / entry["file"], dtype="float32")
    assert hashlib.sha256(samples.astype("<f4").tobytes()).hexdigest() == entry["samples_sha256"]
    assert rendering.folder == cue.folder / "out"


def test_the_report_above_covers_all_deliveries(delivered):
    cue, *_ = delivered
    report = cue.report_in("out")
    assert report["delivery"] is None
    assert [(d["name"], d["sample_rate"]) for d in report["deliveries"]] == [
        ("session", 48_000),
        ("stream", 44_100),
        ("half", 44_100),
    ]
    (mix,) = [bus for bus in report["buses"] if bus["name"] == "mix"]
    assert mix["file"] == "session/mix.wav"
    assert mix["files"] == {
        "session": "session/mix.wav",
        "stream": "stream/mix.flac",
        "half": "half/mix.wav",
    }
    files = [e["file"] for e in report["files"]]
    files += [f for family in report["families"] for f in (*family["files"], family["adds_up_to"])]
    assert all((cue.folder / "out" / file).is_file() for file in files)
    assert report["start"] == {"seconds": 3600.0, "timecode": "01:00:00:00", "frame_rate": "25"}


@pytest.mark.parametrize(("delivery", "rate"), [("session", 48_000), ("half", 44_100)])
def test_an_independent_reader_finds_time_title_and_loudness_in_the_wav_files(delivered, delivery, rate):
    cue, rendering, *_ = delivered
    bext = bext_of(cue.folder / "out" / delivery / "prints/choir.wav")
    loudness = rendering.bus("section:choir").loudness
    assert bext.time_reference == HOUR_S * rate
    assert bext.description == "Ice Harbour, uber / section:choir"
    assert (bext.originator, bext.originator_date, bext.originator_time) == ("roomplan", "", "")
    assert bext.version == 2
    assert bext.loudness_value == pytest.approx(loudness.integrated_lufs, abs=0.005)
    assert bext.max_true_peak == pytest.approx(rendering.bus("section:choir").true_peak_dbtp, abs=0.005)
    entries = cue.report_in(f"out/{delivery}")["files"]
    assert {entry["time_reference"] for entry in entries} == {HOUR_S * rate}


def test_flac_is_said_once_to_carry_no_time(delivered):
    cue, rendering, *_ = delivered
    told = [w for w in rendering.warnings if "FLAC carries no time reference" in w.what]
    assert len(told) == 1
    assert "stream" in told[0].what
    assert {e["time_reference"] for e in cue.report_in("out/stream")["files"]} == {None}


def test_the_same_render_gives_the_same_bytes(delivered, tmp_path):
    cue, rendering, *_ = delivered
    cue.deliver(rendering.session, tmp_path / "again", only=["mix", "alternate:distant:strings"])
    for file in ("session/mix.wav", "stream/mix.flac", "half/alternates/distant/strings.wav"):
        assert (tmp_path / "again" / file).read_bytes() == (cue.folder / "out" / file).read_bytes()


def test_an_excerpt_carries_the_time_at_which_it_begins(delivered, tmp_path):
    cue, rendering, *_ = delivered
    session = replace(rendering.session, excerpt=Excerpt(12_000, 4_800))
    cue.deliver(session, tmp_path / "part", only=["mix"])
    for name, rate in (("session", 48_000), ("half", 44_100)):
        bext = bext_of(tmp_path / "part" / name / "mix.wav")
        assert bext.time_reference == HOUR_S * rate + rate // 4


@pytest.mark.parametrize("frame", [1, 2, 3, 4, 5])
def test_the_report_names_the_frame_at_which_stems_placed_by_samples_begin(delivered, frame):
    # 1601.6 samples a frame: the second one begins at sample 3203 of 3203.2, which is no part of the first
    _cue, rendering, *_ = delivered
    rate = frame_rate("29.97")
    session = rendering.session
    started = replace(
        session,
        plan=replace(session.plan, frame_rate=rate),
        start_s=Fraction(Timecode(frame, rate).sample(48_000), 48_000),
    )
    told = render_document(replace(rendering, session=started))["start"]
    assert told["timecode"] == str(Timecode(frame, rate))


def test_what_it_takes_to_render_again_is_kept_as_it_is_given(delivered):
    _cue, rendering, *_ = delivered
    given = {"plan": {"source": "x"}}
    assert render_document(rendering, reproduce=given)["reproduce"] == given
    assert "reproduce" not in render_document(rendering, rendering.targets[0])


def test_files_without_a_known_time_have_no_bext(delivered, tmp_path):
    cue, rendering, *_ = delivered
    cue.deliver(replace(rendering.session, start_s=None), tmp_path / "out", only=["mix"])
    assert wavinfo.WavInfoReader(str(tmp_path / "out/session/mix.wav")).bext is None
    assert b"bext" in (cue.folder / "out/session/mix.wav").read_bytes()[:1000]


def test_a_time_between_two_samples_goes_to_the_nearest(delivered, tmp_path):
    cue, rendering, *_ = delivered
    start_s = Fraction(1001, 30_000)  # a frame of 29.97: 1601.6 samples at 48 kHz, 1471.47 at 44.1 kHz
    cue.deliver(replace(rendering.session, start_s=start_s), tmp_path / "out", only=["mix"])
    for name, samples in (("session", 1602), ("half", 1471)):
        bext = bext_of(tmp_path / "out" / name / "mix.wav")
        assert bext.time_reference == samples


# Alternates -------------------------------------------------------------------------------------------


def test_factors_of_an_alternate_are_its_levels_multiplied(delivered):
    _cue, rendering, *_ = delivered
    session = rendering.session
    components = build_components(session)
    buses = {bus.name: bus for bus in build_buses(session, components)}

    def changes(alternate):
        factors = buses[BusName.of_alternate(alternate)].factors
        return {
            (component.section, component.room): round(decibels(factors[i]), 6) if i in factors else None
            for i, component in enumerate(components)
        }

    distant = changes("distant")
    assert distant["high", None] == -4.0
    assert distant["high", "nave"] == 3.0
    assert distant["high", "stage"] == 0.0
    assert distant["low", None] == -5.0  # the group's change, and the section's own on top
    assert distant["low", "nave"] == 2.0
    assert distant["choir", None] == 0.0
    without = changes("no_nave")
    assert without["choir", "nave"] is None
    assert without["choir", "stage"] == 0.0
    assert without["harp", None] is None
    assert without["harp", "stage"] is None
    assert without["high", None] is None
    assert without["high", "nave"] == 0.0


def test_an_alternate_is_the_sum_of_dry_and_wet_at_its_levels(cue):
    cue.stem("choir.wav", noise(0.3, 2, 1))
    cue.response("one.wav", np.ones((1, 1)))
    content = {
        "tail": "none",
        "rooms": {"nave": {"responses": "one.wav", **RAW}},
        "sections": {"choir": {"stems": ["choir"], "sends": {"nave": -6}}},
        "alternates": {"far": {"choir": {"level": 1, "dry": -3, "sends": {"nave": 2}}}},
        "deliveries": {"all": {"write": ["dry", "wet", "alternates"]}},
    }
    cue.render(content)
    dry, wet = cue.sound("dry_and_wet/dry.wav"), cue.sound("dry_and_wet/wet.wav")
    expected = 10 ** (-2 / 20) * dry + 10 ** (3 / 20) * wet
    np.testing.assert_allclose(cue.sound("alternates/far.wav"), expected, atol=1e-7)


def test_alternates_are_answered_from_an_earlier_pass_whatever_they_change(cue, decay, tmp_path):
    content = orchestra(cue, decay)
    cache = Cache(tmp_path / "cache")
    measure_session(cue.session(content), cache=cache)
    changed = copy.deepcopy(content)
    changed["alternates"]["distant"] = {"voices": {"dry": "off", "sends": {"nave": 5}}, "harp": {"level": -9}}
    answered = measure_session(cue.session(changed), cache=cache)
    heard = measure_session(cue.session(changed))
    assert answered.recalled
    for name in ("alternate:distant", "alternate:distant:voices", "alternate:distant:harp"):
        assert answered.bus(name).loudness.integrated_lufs == pytest.approx(
            heard.bus(name).loudness.integrated_lufs, abs=0.005
        )


def test_groups_of_alternates_are_heard_only_where_a_delivery_writes_them(cue, decay):
    content = orchestra(cue, decay)
    for delivery in content["deliveries"].values():
        delivery["write"] = ["mix", "alternates"]
    session = cue.session(content)
    kinds = {bus.kind for bus in build_buses(session, build_components(session))}
    assert "alternate" in kinds
    assert "alternate_group" not in kinds


def test_a_section_named_like_a_group_is_told_apart_in_alternates(cue, decay):
    content = orchestra(cue, decay)
    content["groups"] = {"harp": {"sections": ["low", "high"]}, "voices": {"sections": ["choir"]}}
    content["alternates"] = {"choir_up": {"choir": {"level": 1.5}}}
    content["deliveries"] = {"all": {"write": ["alternate_groups", "alternates", "mix"]}}
    cue.render(content)
    (entry,) = [f for f in cue.report["families"] if f["name"] == "alternates/choir_up"]
    assert entry["buses"] == [
        "alternate:choir_up:group:harp",
        "alternate:choir_up:voices",
        "alternate:choir_up:section:harp",
    ]
    assert [file.rsplit("/", 1)[-1] for file in entry["files"]] == [
        "group harp.wav",
        "voices.wav",
        "section harp.wav",
    ]
    total = sum(cue.sound(file) for file in entry["files"])
    alternate = cue.sound(entry["adds_up_to"])
    assert decibels(rms(total - alternate) / rms(alternate)) < -120.0


# What goes where --------------------------------------------------------------------------------------


def small(cue, deliveries):
    cue.stem("choir.wav", noise(0.2, 2, 1))
    cue.stem("harp.wav", noise(0.2, 2, 2))
    return {
        "tail": "none",
        "rooms": {"nave": {"responses": _one(cue), **RAW}},
        "sections": {"choir": {"stems": ["choir"]}, "harp": {"stems": ["harp"]}},
        "deliveries": deliveries,
    }


def _one(cue):
    cue.response("one.wav", np.ones((1, 1)))
    return "one.wav"


def test_deliveries_go_to_their_own_folders_each_with_its_report(cue):
    content = small(cue, {"a": {"folder": "x/a", "write": ["mix"]}, "b": {"write": ["prints"]}})
    rendering = cue.deliver(cue.session(content))
    assert rendering.folder is None
    assert [t.folder for t in rendering.targets] == [cue.folder / "x/a", cue.folder / "b"]
    assert [e["file"] for e in cue.report_in("x/a")["files"]] == ["mix.wav"]
    assert [e["file"] for e in cue.report_in("b")["files"]] == ["prints/choir.wav", "prints/harp.wav"]
    (mix,) = [bus for bus in cue.report_in("b")["buses"] if bus["name"] == "mix"]
    assert (mix["file"], mix["files"]) == (None, {})
    assert rendering.outputs["mix"][0].path == cue.folder / "x/a/mix.wav"


def test_one_delivery_with_output_goes_straight_into_the_folder(cue):
    content = small(cue, {"a": {"write": ["mix"]}})
    cue.render(content)
    assert sorted(p.name for p in (cue.folder / "out").iterdir()) == ["mix.wav", "report.json"]
    assert cue.report["delivery"] == "a"


def test_only_writes_a_bus_where_it_belongs_and_leaves_other_deliveries_alone(cue):
    content = small(cue, {"a": {"write": ["mix"]}, "b": {"write": ["mix", "prints"]}})
    rendering = cue.deliver(cue.session(content), only=["section:choir"])
    assert [o.delivery for o in rendering.outputs["section:choir"]] == ["b"]
    assert not (cue.folder / "a").exists()
    rendering = cue.deliver(cue.session(content), only=["wet", "mix"])
    assert [o.delivery for o in rendering.outputs["wet"]] == ["a"]
    assert [o.delivery for o in rendering.outputs["mix"]] == ["a", "b"]


def test_file_names_follow_the_template_and_folders_stay(cue):
    content = small(
        cue,
        {
            "a": {
                "write": ["mix", "prints"],
                "file_name": "{cue}_v{version}_{bus}_{rate}_{bits}_{delivery}",
                "sample_rate": 44_100,
                "bit_depth": 16,
            }
        },
    ) | {"cue": "2m4/5", "version": "2"}
    cue.render(content)
    assert [e["file"] for e in cue.report["files"]] == [
        "2m4_5_v2_mix_44100_16_a.wav",
        "prints/2m4_5_v2_choir_44100_16_a.wav",
        "prints/2m4_5_v2_harp_44100_16_a.wav",
    ]
    (entry,) = cue.report["families"]
    assert entry["name"] == "prints"


def test_two_deliveries_may_not_write_one_file(cue):
    content = small(cue, {"a": {"write": ["mix"]}, "b": {"write": ["mix"]}})
    session = cue.session(content)
    first, second = session.plan.deliveries.values()
    plan = replace(session.plan, deliveries={"a": first, "b": replace(second, folder=first.folder)})
    with pytest.raises(RoomplanError, match="deliveries a and b would both write"):
        cue.deliver(replace(session, plan=plan))


def test_names_of_deliveries_are_made_safe_as_folders(cue):
    session = cue.session(small(cue, {"a?": {"write": ["mix"]}, "con": {"write": ["mix"]}}))
    targets = plan_targets(session.plan, cue.folder / "out")
    assert [t.folder.name for t in targets] == ["a_", "_con"]


def test_a_delivery_that_clips_only_after_resampling_is_refused_by_its_own_samples(cue):
    # ±0.9 at random is full of energy up to half the rate: a lower rate overshoots it by several dB
    cue.stem("choir.wav", 0.9 * np.sign(noise(0.3, 2, 1)))
    content = {
        "tail": "none",
        "rooms": {"nave": {"responses": _one(cue), **RAW}},
        "sections": {"choir": {"stems": ["choir"]}},
        "deliveries": {
            "a": {"bit_depth": 24, "write": ["mix"]},
            "b": {"bit_depth": 24, "sample_rate": 44_100, "write": ["mix"]},
        },
    }
    with pytest.raises(RoomplanError, match="mix would clip in 24 bit of delivery b at 44100 Hz") as error:
        cue.deliver(cue.session(content))
    assert not (cue.folder / "a").exists()
    content["trim"] = float(str(error.value).split("`trim: ")[1].split("`")[0])
    rendering = cue.deliver(cue.session(content))
    peaks = [decibels(np.abs(soundfile.read(o.path)[0]).max()) for o in rendering.outputs["mix"]]
    assert -0.25 < max(peaks) < 0.0


def test_when_the_second_folder_cannot_be_filled_the_first_stays_and_is_named(cue, monkeypatch):
    content = small(cue, {"a": {"write": ["mix"]}, "b": {"write": ["mix"]}})
    cue.deliver(cue.session(content))
    before = {name: (cue.folder / name / "mix.wav").read_bytes() for name in "ab"}
    content["trim"] = -3
    from roomplan.files import staging

    carry_out = staging.carry_out

    def refuse(moves, stage, folder, **settings):
        if folder.name == "b":
            raise OSError(28, "No space left on device")
        carry_out(moves, stage, folder, **settings)

    monkeypatch.setattr(staging, "carry_out", refuse)
    with pytest.raises(RoomplanError, match="delivery a is in place and complete") as error:
        cue.deliver(cue.session(content))
    assert "/b: could not be filled" in str(error.value)
    assert (cue.folder / "a/mix.wav").read_bytes() != before["a"]
    assert cue.report_in("a")["trim_db"] == -3
    assert (cue.folder / "b/mix.wav").read_bytes() == before["b"]
    assert cue.report_in("b")["trim_db"] == 0


# The resampler ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rates", [(48_000, 44_100), (44_100, 48_000), (48_000, 96_000), (96_000, 44_100)])
@pytest.mark.parametrize("blocks", [[1_000], [7, 4_096, 1]])
def test_a_changed_rate_gives_the_promised_length_in_any_blocks(tmp_path, rates, blocks):
    old, new = rates
    sound = np.random.default_rng(3).uniform(-0.5, 0.5, (12_345, 2)).astype(np.float32)
    length = int(len(sound) * new / old + 0.5)
    with SoundWriter(
        tmp_path / "x.wav",
        sample_rate=new,
        channels=2,
        frames_expected=length,
        format=OutputFormat("wav", "32f"),
        dither_seed="",
    ) as writer:
        changer = RateChanger(from_rate=old, to_rate=new, channels=2, writers=[writer])
        position = number = 0
        while position < len(sound):
            size = blocks[number % len(blocks)]
            changer.write(sound[position : position + size])
            position, number = position + size, number + 1
        changer.finish()
    written, _rate = soundfile.read(tmp_path / "x.wav", dtype="float32")
    assert len(written) == length
    whole = soxr.resample(sound, old, new, quality="VHQ")
    np.testing.assert_allclose(written[: len(whole)], whole[:length], atol=1e-6)


def test_memory_of_a_changed_rate_does_not_grow_with_the_length(tmp_path):
    block = np.random.default_rng(3).uniform(-0.5, 0.5, (48_000, 2)).astype(np.float32)

    def most_bytes(seconds):
        with SoundWriter(
            tmp_path / "x.wav",
            sample_rate=44_100,
            channels=2,
            frames_expected=44_100 * seconds,
            format=OutputFormat("wav", 16),
            dither_seed="x",
        ) as writer:
            changer = RateChanger(from_rate=48_000, to_rate=44_100, channels=2, writers=[writer])
            tracemalloc.start()
            for _second in range(seconds):
                changer.write(block)
            changer.finish()
            most = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
        return most

    assert most_bytes(40) < 1.2 * most_bytes(10)


def test_a_value_that_is_not_finite_is_refused_before_it_spreads(tmp_path):
    with SoundWriter(
        tmp_path / "x.wav",
        sample_rate=44_100,
        channels=1,
        frames_expected=1000,
        format=OutputFormat("wav", "32f"),
        dither_seed="",
    ) as writer:
        changer = RateChanger(from_rate=48_000, to_rate=44_100, channels=1, writers=[writer])
        with pytest.raises(RoomplanError, match="not finite"):
            changer.write(np.array([[0.0], [np.nan]], np.float32))
