"""How often a clean chain is accused, and a fault is named at its time.

The full count is skipped unless asked for:
`pytest tests/capture/test_accusation_rates.py --benchmark-only -s` simulates 500 chains and prints rates.
"""

from __future__ import annotations

import numpy as np
import pytest
from chain import (
    Chain,
    automatic_gain,
    clipped,
    decaying_room,
    dropout,
    gate,
    inserted,
    knock,
    recorded,
)

from roomplan.capture.capturing import capture_sweeps
from roomplan.capture.sequence import SweepSequence
from roomplan.capture.sweep import Sweep

CLEAN = 350
FAULTY = 25  # of each of six faults
LATENCY_S = 0.5

# what is wrong with a recording; ranges and tails are of the room and the length, drift is repaired
FAULTS = {
    "clipping",
    "dropout",
    "inserted",
    "knock",
    "takes_differ",
    "automatic_gain",
    "noise_suppression",
}


def made_chain(rng, *, faults=()):
    """A sequence and a chain within what is usual: rooms, loudspeakers, clocks, noises, converters."""
    seconds = rng.uniform(1.0, 3.0)
    decay_s = rng.uniform(0.15, 0.5)
    sweep = Sweep(rng.uniform(20.0, 60.0), rng.uniform(16_000.0, 20_000.0), seconds, 48_000)
    sides = ("left", "right", "left") if rng.random() < 0.8 else ("left", "right")
    sequence = SweepSequence(sweep, sides, rng.uniform(0.5, 1.5), decay_s + rng.uniform(0.3, 0.8))
    room = decaying_room(
        int(rng.integers(1 << 30)),
        decay_s=decay_s,
        channels=int(rng.choice([1, 2, 2, 4])),
        direct=rng.uniform(0.1, 1.5),
    )
    chain = Chain(
        room,
        second=rng.uniform(0.0, 0.05),
        third=rng.uniform(0.0, 0.02),
        latency_s=LATENCY_S,
        drift_ppm=rng.choice([0.0, rng.uniform(-200.0, 200.0)]),
        noise_db=rng.uniform(30.0, 70.0),
        rate=int(rng.choice([44_100, 48_000, 48_000])),
        bits=int(rng.choice([16, 24])),
        seed=int(rng.integers(1 << 30)),
        faults=list(faults),
    )
    return sequence, chain


def found_in(sequence, chain):
    return capture_sweeps(recorded(sequence, chain).recording, sequence).findings


def moment(rng, sequence):
    """Time within a sweep, after its lowest notes and before its highest."""
    take = int(rng.integers(len(sequence.sides)))
    sweep = sequence.sweep
    within = rng.uniform(sweep.played_at(200.0), sweep.played_at(6000.0))
    return LATENCY_S + sequence.start_frames[take] / sweep.rate + within


def faulty(rng, name):
    """Findings of a chain with one fault, and when it happens (None: all the time)."""
    sequence, chain = made_chain(rng)
    at = moment(rng, sequence)
    made = {
        "dropout": lambda: dropout(at, int(rng.integers(48, 2000))),
        "inserted": lambda: inserted(at, int(rng.integers(48, 2000))),
        "knock": lambda: knock(at, level=rng.uniform(0.02, 0.2)),
        "clipping": lambda: clipped(rng.uniform(2.0, 6.0)),
        "automatic_gain": lambda: automatic_gain(release_s=rng.uniform(0.3, 3.0)),
        "noise_suppression": lambda: gate(depth_db=rng.uniform(20.0, 60.0)),
    }[name]
    chain.faults.append(made())
    timed = name in {"dropout", "inserted", "knock"}
    return found_in(sequence, chain), at if timed else None


def is_named(findings, name, at):
    return any(
        each.code == name and (at is None or (each.time_s is not None and abs(each.time_s - at) < 0.1))
        for each in findings
    )


@pytest.mark.parametrize("seed", [0, 142, 164, 233, 253, 326])
def test_a_clean_chain_is_not_accused(seed):
    findings = found_in(*made_chain(np.random.default_rng(seed)))
    assert FAULTS.isdisjoint(each.code for each in findings)
    assert not any(each.severity == "refused" for each in findings)


def test_rates_of_500_chains(benchmark, capsys):
    with capsys.disabled():
        accused = {}
        for seed in range(CLEAN):
            codes = {each.code for each in found_in(*made_chain(np.random.default_rng(seed)))}
            for code in codes:
                accused.setdefault(code, []).append(seed)
        print(f"\n{CLEAN} clean chains, accused of:")
        for code, seeds in sorted(accused.items()):
            print(f"  {code:18s} {len(seeds):4d}  {seeds[:12] if code in FAULTS else ''}")
        names = ("dropout", "inserted", "knock", "clipping", "automatic_gain", "noise_suppression")
        for name in names:
            missed = [
                seed
                for seed in range(FAULTY)
                if not is_named(*_and(name, faulty(np.random.default_rng(5000 + seed), name)))
            ]
            print(f"{name:18s} named in {FAULTY - len(missed)} of {FAULTY}, missed {missed}")
    benchmark.pedantic(lambda: None, rounds=1)


def _and(name, found):
    findings, at = found
    return findings, name, at
