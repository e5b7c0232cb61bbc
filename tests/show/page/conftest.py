"""A plan with every kind of send, shared once as a page, and a browser for all tests of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from browser import open_browser
from shared_page import Shared

from roomplan.api.sharing import share_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

RATE = 48_000
BASE = """\
title: house
rooms:
  larkmere_hall: {responses: {front: front.wav, rear: rear.wav}, low_cut: 90}
  orrin_nave: {responses: nave.wav, level: -1, pre_delay: 12}
shared_sends:
  orrin_nave: {level: -14, low_cut: 150, pre_delay: 21}
groups:
  strings:
    sections: [low_strings, melody_strings]
    level: 1
    sends: {larkmere_hall: {level: -9, position: front}}
"""
PLAN = """\
extends: base.yaml
title: 'Ice Harbour </script><script>document.title="taken"</script> & <b>"reel" 2</b>'
stems: stems
trim: -2
sections:
  choir:
    stems: [choir]
    level: 1
    sends:
      larkmere_hall: [{level: -6, position: front}, {level: -11, position: rear, high_cut: 6000}]
  "low_strings": {stems: [low], sends: {orrin_nave: -20}}
  melody_strings: {stems: [melody]}
  'wind <b>"x" & ''harp''': {stems: [wind], dry: off, sends: {larkmere_hall: {level: -3, position: rear}}}
  drums: {stems: [drums], mute: true, dry: -3, sends: {orrin_nave: off}}
alternates:
  choir_up: {choir: {level: 1.5, dry: -1, sends: {larkmere_hall: 2}}, strings: {sends: {orrin_nave: off}}}
passages:
  verse: {from: 1.0, to: 5.5}
  crooked: {from: 2.03, to: 7.77}
margins:
  - {of: choir, over: strings}
  - {of: choir, over: strings, band: speech}
  - {of: strings, over: choir}
targets:
  - {of: choir, wet_to_dry: -5}
  - {of: choir, least_c80: 1}
  - {of: choir, least_d50: 0.4}
  - {of: choir, longest_centre_time: 60}
  - {of: choir, longest_wet_decay: 2}
  - {of: choir, room: larkmere_hall, share: -6}
  - {of: choir, over: strings, margin: 1, passage: crooked}
  - {true_peak: -1}
  - {loudness: -23}
"""


def write_cue(folder: Path, seconds: float = 9.0) -> None:
    """Write stems and responses."""
    generator = np.random.default_rng(18)
    (folder / "stems").mkdir()
    clock = np.arange(round(seconds * RATE)) / RATE
    for number, name in enumerate(("choir", "low", "melody", "wind", "drums")):
        channels = 1 if name in {"low", "wind"} else 2
        sound = 0.03 * generator.standard_normal((clock.size, channels))
        sound *= (0.15 + np.sin(0.7 * (number + 1) * clock) ** 2)[:, None]
        sound[clock > seconds - 0.5 * number] = 0.0
        soundfile.write(folder / "stems" / f"{name}.wav", sound, RATE, subtype="FLOAT")
    for name, decay_s in (("front", 0.7), ("rear", 1.1), ("nave", 1.6)):
        time = np.arange(round(1.2 * decay_s * RATE)) / RATE
        response = 0.02 * generator.standard_normal((time.size, 2)) * 10.0 ** (-3.0 * time / decay_s)[:, None]
        response[: round(0.012 * RATE)] = 0.0
        response[0] = 0.5
        soundfile.write(folder / f"{name}.wav", response, RATE, subtype="FLOAT")


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    folder = tmp_path_factory.mktemp("shared")
    write_cue(folder)
    (folder / "base.yaml").write_text(BASE, encoding="utf-8")
    (folder / "plan.yaml").write_text(PLAN, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ROOMPLAN_CACHE", str(tmp_path_factory.mktemp("cache")))
        share_file(folder / "plan.yaml", folder / "page.html", start="1.25", length="4")
        yield Shared(folder, folder / "page.html")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with open_browser() as found:
        yield found
