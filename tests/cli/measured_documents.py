"""What the tests of `roomplan measure` share: a response by formula, and what every document promises."""

from __future__ import annotations

import numpy as np

from roomplan.acoustics.figures import FIGURES

RATE = 24_000
DOUBT_KEYS = {"uncertainty", "decay_range_db", "verdict", "reason"}


def decay(time_s: float = 0.4, *, channels: int = 1, rate: int = RATE, length_s: float = 0.6, seed: int = 1):
    """Return decaying noise behind a direct sound, (frames, channels)."""
    generator = np.random.default_rng(seed)
    clock = np.arange(round(length_s * rate)) / rate
    samples = (
        0.1 * generator.standard_normal((clock.size, channels)) * 10.0 ** (-3.0 * clock / time_s)[:, None]
    )
    samples[0] = 0.9
    return samples


def all_bands(document):
    for response in document["responses"]:
        for channel in response["channels"]:
            for band in (*channel["bands"], *(channel[name] for name in ("mid", "broadband", "a_weighted"))):
                yield channel, band


def require_honest(document):
    """A figure is null exactly where its doubt says unusable and a reason stands beside it."""
    count = 0
    for channel, band in all_bands(document):
        for key in FIGURES:
            count += 1
            doubt = band["doubt"][key]
            assert set(doubt) == DOUBT_KEYS
            assert (band[key] is None) == (doubt["verdict"] == "unusable"), (band, key)
            assert (band[key] is None) == (key in band["reasons"]), (band, key)
            assert (doubt["reason"] is None) == (doubt["verdict"] == "good"), (band, key)
            if band[key] is None and "centre_hz" in band:
                assert f"bands.{band['centre_hz']}.{key}" in channel["reasons"]
        if band["verdict"] != "good":
            assert band["reasons"].get("verdict"), band
    for response in document["responses"]:
        for channel in response["channels"]:
            doubt = channel["doubt"]["sti"]
            assert (
                (channel["sti"] is None) == (doubt["verdict"] == "unusable") == ("sti" in channel["reasons"])
            )
            assert (doubt["reason"] is None) == (doubt["verdict"] == "good")
            assert (channel["sti"] is None) == (channel["sti_qualification"] is None)
    assert count > 0
