"""Sessions without files: sections, rooms, responses and cross powers made of seeded noise."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from roomplan.balance.record import Record, component_gains
from roomplan.errors import Place
from roomplan.plan import model
from roomplan.plan.bus_name import BusName
from roomplan.plan.targets import WISHES, Target
from roomplan.session.buses import build_components
from roomplan.session.response_matrices import ResponseMatrix
from roomplan.session.session import SectionSource, SendPath, Session, amplitude

PLACE = Place(Path("plan.yaml"), 1, 1)
RATE = 24_000


@dataclass(frozen=True)
class Made:
    """A session, the record of a pass over it, and the responses of its sends."""

    session: Session
    record: Record
    matrices: dict[tuple[str, int], ResponseMatrix]


def wish(kind: Any, value: float, of: str | None = None, **more: Any) -> Target:
    """Target as a plan would have it."""
    own = WISHES[kind]
    given: dict[str, Any] = {
        "tolerance": own.tolerance * (abs(value) if own.relative else 1.0),
        "weight": 1.0,
        "over": None,
        "room": None,
        "band": "full",
        "passage": None,
        "place": PLACE,
    } | more
    if given["over"] is not None:
        given["over"] = BusName(given["over"])
    return Target(kind=kind, value=value, of=None if of is None else BusName(of), **given)


def decaying(seconds: float, reverberation_time: float, seed: int, level: float = 0.05) -> np.ndarray:
    """Two channels of noise under an exponential, silent for the first 10 ms."""
    time = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal((2, time.size))
    response = level * noise * 10.0 ** (-3.0 * time / reverberation_time)
    response[:, : round(0.01 * RATE)] = 0.0
    return response


def made_session(
    sections: int = 3,
    rooms: int = 2,
    *,
    seconds: float = 12.0,
    seed: int = 1,
    groups: dict[str, tuple[str, ...]] | None = None,
    sends_db: dict[tuple[str, int], float] | None = None,
    levels_db: dict[str, float] | None = None,
    muted: tuple[str, ...] = (),
    response_s: float = 0.8,
) -> Made:
    """Sections `s0`, `s1` … that all send to rooms `r0`, `r1` …, at −12 dB unless said otherwise."""
    generator = np.random.default_rng(seed)
    names = [f"s{i}" for i in range(sections)]
    room_names = [f"r{i}" for i in range(rooms)]
    sends_db = sends_db or {}
    levels_db = levels_db or {}
    written = {
        name: model.Section(
            name=name,
            stems=(),
            level_db=levels_db.get(name, 0.0),
            mute=name in muted,
            dry_db=0.0,
            delay_s=0.0,
            pan=None,
            width=1.0,
            seat=None,
            sends=tuple(
                model.Send(room, sends_db.get((name, i), -12.0), None, None, None, None, PLACE)
                for i, room in enumerate(room_names)
            ),
            group=None,
            place=PLACE,
        )
        for name in names
    }
    plan = model.Plan(
        source=Path("/plan.yaml"),
        title="made",
        sample_rate=RATE,
        stems_folder=Path("/stems"),
        trim_db=0.0,
        tail="full",
        rooms={},
        groups={n: model.Group(n, members, 0.0, PLACE) for n, members in (groups or {}).items()},
        sections=written,
        alternates={},
        passages={"verse": model.Passage("verse", 3.03, 8.0, PLACE)},
        margins=(),
        deliveries={},
        documents=(),
        place=PLACE,
    )
    sources, matrices = [], {}
    for number, name in enumerate(names):
        gain = amplitude(written[name].level_db)
        sends = []
        for index, send in enumerate(written[name].sends):
            response = amplitude(send.level_db)
            sends.append(
                SendPath(
                    room=send.room,
                    position="main",
                    prepared=None,  # pyright: ignore[reportArgumentType] - nothing here asks for it
                    level_db=send.level_db,
                    pre_delay_s=0.0,
                    low_cut_hz=0.0,
                    high_cut_hz=0.0,
                    width=1.0,
                    response_gain=response,
                    gain=gain * response,
                    muted=False,
                    place=PLACE,
                )
            )
            cells = decaying(
                response_s * (1.0 + index), 0.5 * (1.0 + index), 1000 * seed + 10 * number + index
            )
            matrices[name, index] = ResponseMatrix(True, {(0, 0): cells[0], (0, 1): cells[1]})
        sources.append(
            SectionSource(
                name=name,
                group=next((g for g, members in (groups or {}).items() if name in members), None),
                stems=(),
                signal_channels=1,
                gain=gain,
                dry_gain=gain,
                dry_matrix=np.full((2, 1), np.sqrt(0.5)),
                delay_frames=0,
                muted=name in muted,
                seat=None,
                sends=tuple(sends),
            )
        )
    session = Session(plan, RATE, tuple(sources), {}, ())
    return Made(session, made_record(session, seconds, generator), matrices)


def made_record(session: Session, seconds: float, generator: np.random.Generator) -> Record:
    """Factors of noise: sections come and go, wet follows dry and is partly the same sound."""
    components = build_components(session)
    hops = round(seconds * 50)
    names = [section.name for section in session.sections]
    loud = {}
    for number, name in enumerate(names):
        phase = 2.0 * np.pi * (np.arange(hops) / hops * (1.5 + 0.5 * number) + number / len(names))
        loud[name] = 0.1 * 10.0 ** (-0.6 * (1.0 + np.sin(phase))) * (1.0 + 0.2 * generator.random(hops))
    depth = len(components) + 4
    sounds = {name: generator.standard_normal((hops, depth)) for name in names}
    rows = []
    for component in components:
        own = sounds[component.section]
        level = loud[component.section]
        if component.send is not None:
            kernel = 0.9 ** np.arange(60) / 10.0 * (1.0 + component.send)
            level = np.sqrt(np.convolve(level**2, kernel)[:hops])
            own = 0.3 * own + generator.standard_normal((hops, depth))
        rows.append(own * level[:, None] / np.sqrt(depth))
    stacked = np.stack(rows, axis=2) * 20.0  # (hops, depth, components), 20 ms of samples
    upper: Any = np.linalg.qr(stacked, mode="r")
    first, second = np.triu_indices(len(components))
    gains = component_gains(session, components)
    stored = np.where(gains > 0.0, gains, 1.0)
    factor = (upper * stored)[:, first, second].astype(np.float32)
    return Record(components, np.arange(len(components)), stored, factor, factor)
