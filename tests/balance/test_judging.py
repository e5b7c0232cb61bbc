"""Judging the targets of a plan that was heard: nothing is convolved or metered twice."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from roomplan.api.opening import open_file
from roomplan.balance import judging
from roomplan.balance.judging import measure_with_targets
from roomplan.files.cache import Cache
from roomplan.rendering import new_pass

RATE = 16_000
PLAN = """\
stems: stems
rooms: {{nave: {{responses: nave.wav, direct: absent}}}}
sections:
  choir: {{stems: [choir], sends: {{nave: {level}}}}}
  brass: {{stems: [brass], sends: {{nave: -9}}}}
targets:
  - {{true_peak: -1}}
"""


@pytest.fixture
def opened(tmp_path):
    (tmp_path / "stems").mkdir()
    generator = np.random.default_rng(4)
    for name in ("choir", "brass"):
        soundfile.write(tmp_path / "stems" / f"{name}.wav", generator.uniform(-0.1, 0.1, (RATE, 2)), RATE)
    decay = 10.0 ** (-3.0 * np.arange(RATE) / RATE)[:, None]
    soundfile.write(tmp_path / "nave.wav", 0.1 * generator.standard_normal((RATE, 2)) * decay, RATE)

    def open_at(level):
        plan = tmp_path / "plan.yaml"
        plan.write_text(PLAN.format(level=level), encoding="utf-8")
        session, problems = open_file(plan)
        assert session is not None, problems
        return session

    return open_at


def test_a_true_peak_at_other_levels_is_metered_once_and_then_known(opened, tmp_path, monkeypatch):
    cache = Cache(tmp_path / "cache")
    measure_with_targets(opened(-6), cache=cache)
    _found, (first,) = measure_with_targets(opened(-3), cache=cache)
    with monkeypatch.context() as patch:
        patch.setattr(new_pass, "hear", None)  # nobody may listen
        _found, (again,) = measure_with_targets(opened(-3), cache=cache)
        _found, (before,) = measure_with_targets(opened(-6), cache=cache)  # nor forget
    _found, (fresh,) = measure_with_targets(opened(-3), cache=None)
    assert first.value == again.value == pytest.approx(fresh.value, abs=1e-9)
    assert before.value != first.value


@pytest.mark.parametrize("peaks", [True, False])
def test_the_pass_that_a_true_peak_target_asks_for_gives_the_peaks_and_the_length_that_are_shown(
    opened, tmp_path, peaks
):
    cache = Cache(tmp_path / "cache")
    measure_with_targets(opened(-40), cache=cache)
    found, (target,) = measure_with_targets(opened(20), cache=cache, peaks=peaks)
    fresh, _targets = measure_with_targets(opened(20), cache=None)
    assert not found.recalled
    assert found.bus("mix").true_peak_dbtp == pytest.approx(target.value, abs=1e-9)
    assert found.frames == fresh.frames


def test_a_pass_over_known_sounds_has_the_figures_of_one_that_knows_nothing(opened, tmp_path):
    cache = Cache(tmp_path / "cache")
    measure_with_targets(opened(-6), cache=cache)
    session = opened(-3)
    layout = judging.lay_out(session)
    matrices = judging.response_matrices(session)
    known, _recalled = judging.hear_or_recall(layout, matrices, judging.PassOptions(cache=cache), peaks=True)
    fresh, _recalled = judging.hear_or_recall(layout, matrices, judging.PassOptions(), peaks=True)
    for level, expected in zip(known.levels, fresh.levels, strict=True):
        # known ones are moved by a gain, measured ones are sums of samples that were: the rounding of float32
        assert level.peaks.true == pytest.approx(expected.peaks.true, rel=2e-7)
        assert level.peaks.sample == pytest.approx(expected.peaks.sample, rel=2e-7)
    for row in range(len(layout.buses)):
        power, expected = known.powers.sums(row).sum(), fresh.powers.sums(row).sum()
        assert power == pytest.approx(expected, rel=2.3e-7)  # 1e-6 LU
