"""Frozen classes are what the standard library's frozen dataclasses are, but quicker to define."""

from __future__ import annotations

import copy
import dataclasses
import inspect
import math
import pickle
from dataclasses import FrozenInstanceError, dataclass, field, replace
from functools import cached_property

import pytest

from roomplan.frozen_classes import frozen_class


class _Written:
    """One class, written once, to be decorated in both ways."""

    name: str
    level_db: float = -6.0
    sends: dict[str, float] = field(default_factory=dict)
    picture: str = field(default="", compare=False, repr=False)


def _made(decorate):
    return decorate(type("Section", (), dict(_Written.__dict__)))


STANDARD, OURS = _made(dataclass(frozen=True)), _made(frozen_class)


@frozen_class
class Seat:
    """What a pickle finds by its name."""

    distance_m: float
    angle_deg: float = 0.0

    @cached_property
    def far(self) -> bool:
        """Whether it is at the back."""
        return self.distance_m > 10.0


@frozen_class
class PlayedSeat(Seat):
    """A seat with somebody on it."""

    player: str = "nobody"

    def __repr__(self) -> str:
        return f"<{self.player}>"


@frozen_class
class Rate:
    """A class that checks itself."""

    hertz: int

    def __post_init__(self) -> None:
        if self.hertz <= 0:
            raise ValueError(self.hertz)


def outcome(run, cls):
    try:
        return repr(run(cls))
    except Exception as error:  # noqa: BLE001 - which one is what is compared
        return type(error), str(error)


RUNS = {
    "all by position": lambda cls: cls("choir", -3.0, {"nave": -9.0}),
    "by keyword": lambda cls: cls(sends={}, name="choir"),
    "defaults": lambda cls: cls("choir"),
    "nothing given": lambda cls: cls(),
    "too many given": lambda cls: cls("choir", 1.0, {}, "", 3),
    "an unknown one": lambda cls: cls("choir", pan=3),
    "given twice": lambda cls: cls("choir", name="brass"),
    "a field set": lambda cls: setattr(cls("choir"), "name", "brass"),
    "a field deleted": lambda cls: delattr(cls("choir"), "name"),
    "replaced": lambda cls: replace(cls("choir"), level_db=0.0),
    "an unknown one replaced": lambda cls: replace(cls("choir"), pan=0.0),
    "as data": lambda cls: dataclasses.asdict(cls("choir", 1.0, {"nave": math.inf})),
    "names of fields": lambda cls: [(one.name, one.type, one.default) for one in dataclasses.fields(cls)],
    "names in a match": lambda cls: cls.__match_args__,
    "the signature": inspect.signature,
    "the signature of the constructor": lambda cls: inspect.signature(cls.__init__),
    "equal": lambda cls: cls("choir", 1.0, {"nave": 2.0}) == cls("choir", 1.0, {"nave": 2.0}),
    "not equal": lambda cls: cls("choir", 1.0) == cls("choir", 2.0),
    "equal but for what is not compared": lambda cls: cls("choir", picture="a") == cls("choir", picture="b"),
    "one hash for what is equal": lambda cls: len({cls("a", 1.0, (), "a"), cls("a", 1.0, (), "b")}),
    "equal to something else": lambda cls: cls("choir") == ("choir", -6.0, {}),
    "equal hashes": lambda cls: hash(cls("choir", 1.0, ())) == hash(cls("choir", 1.0, ())),
    "no hash of what has none": lambda cls: hash(cls("choir")),
    "a set": lambda cls: len({cls("choir", 1.0, ()), cls("choir", 1.0, ()), cls("brass", 1.0, ())}),
    "factories are called for each object": lambda cls: cls("choir").sends is cls("choir").sends,
    "a copy": lambda cls: copy.deepcopy(cls("choir", 1.0, {"nave": 2.0})),
}


@pytest.mark.parametrize("run", RUNS)
def test_a_frozen_class_does_what_a_standard_frozen_dataclass_does(run):
    assert outcome(RUNS[run], OURS) == outcome(RUNS[run], STANDARD)


def test_a_field_is_refused_with_the_standard_error():
    with pytest.raises(FrozenInstanceError):
        Seat(1.0).distance_m = 2.0  # pyright: ignore[reportAttributeAccessIssue] - what is refused


def test_objects_survive_a_pickle_and_keep_what_they_cached():
    seat = Seat(12.0, -20.0)
    assert seat.far
    again = pickle.loads(pickle.dumps(seat))  # noqa: S301 - written in the same line
    assert (again, hash(again), again.far) == (seat, hash(seat), True)


def test_a_class_made_by_inheritance_takes_all_fields_and_keeps_its_own_methods():
    played = PlayedSeat(3.0, player="Ines")
    assert (played.distance_m, played.angle_deg, repr(played)) == (3.0, 0.0, "<Ines>")
    assert played != Seat(3.0)
    assert Seat(3.0) == Seat(3.0)
    assert repr(replace(played, player="Tam")) == "<Tam>"


def test_a_class_is_checked_when_it_is_made():
    assert Rate(48_000).hertz == 48_000
    with pytest.raises(ValueError, match="-1"):
        Rate(-1)


def test_a_constructor_is_compiled_when_it_is_first_wanted():
    fresh = _made(frozen_class)
    assert not inspect.isfunction(fresh.__dict__["__init__"])
    fresh("choir")
    assert inspect.isfunction(fresh.__dict__["__init__"])
