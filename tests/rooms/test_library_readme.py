"""The figures of irs_synthetic/README.md are those of the rooms."""

from __future__ import annotations

import re
import typing

import pytest

from roomplan.files.resources import bundled_folder
from roomplan.plan.values import Number
from roomplan.rooms.materials import MATERIALS
from roomplan.rooms.portrait import portrait_of
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.rooms.room_shape import (
    DimensionsShape,
    MaterialsShape,
    MicrophonesShape,
    ReferenceSeatShape,
    RoomFileShape,
    StageShape,
)
from roomplan.rooms.spec import BAND_CENTRES_HZ


@pytest.fixture(scope="module")
def tables():
    """Rows of the page's tables by their first cell, which names a room or a material."""
    text = (bundled_folder("irs_synthetic") / "README.md").read_text(encoding="utf-8")
    rows: dict[str, list[list[str]]] = {}
    for line in text.splitlines():
        found = re.fullmatch(r"\| `(\w+)` \|(.*)\|", line)
        if found:
            rows.setdefault(found[1], []).append([cell.strip() for cell in found[2].split("|")])
    return rows


def number(text: str) -> float:
    return float(text.replace("−", "-").replace(" ", ""))


@pytest.mark.parametrize("name", sorted(bundled_rooms()))
def test_the_page_states_what_a_room_is_and_measures(name, tables):
    spec, _problems = load_room_specification(name)
    assert spec is not None
    summary, times = tables[name]
    portrait = portrait_of(spec, spec.reference_seat, "main")
    assert summary[1] == " × ".join(f"{side:g}" for side in spec.dimensions_m)
    assert number(summary[2]) == round(spec.volume_m3)
    assert number(summary[3]) == pytest.approx(spec.mid_reverberation_time_s, abs=0.0051)
    assert number(summary[4]) == round(1000.0 * portrait.mixing_time_s)
    floor, other = (number(part) for part in summary[5].split(","))
    assert floor == round(1000.0 * portrait.reflections[0].after_direct_s)
    second = next(r for r in portrait.reflections if r.surfaces != ("floor",))
    assert other == round(1000.0 * second.after_direct_s)
    assert number(summary[6]) == pytest.approx(portrait.measured.c80_mid_db, abs=0.051)
    assert [float(cell) for cell in times] == [spec.reverberation_time_s[c] for c in BAND_CENTRES_HZ]


@pytest.mark.parametrize("name", sorted(bundled_rooms()))
def test_every_room_has_its_picture_on_the_page(name):
    folder = bundled_folder("irs_synthetic")
    text = (folder / "README.md").read_text(encoding="utf-8")
    assert f"]({name}.png)" in text
    assert (folder / f"{name}.png").read_bytes().startswith(b"\x89PNG")


def test_the_page_lists_the_materials_that_there_are(tables):
    listed = {name: rows[0] for name, rows in tables.items() if name in MATERIALS}
    assert set(listed) == set(MATERIALS)
    for name, cells in listed.items():
        coefficients = [float(cell) for cell in cells[1:8]]
        expected = [MATERIALS[name].absorption.get(centre) for centre in BAND_CENTRES_HZ[1:]]
        for written, known in zip(coefficients, expected, strict=True):
            if known is not None:
                assert written == pytest.approx(known, abs=0.0051)


def limits_of(field) -> list[str]:
    """The limits of a key's number, or of the numbers in its list, as the page writes them."""
    inner = [kind for one in typing.get_args(field.annotation) for kind in _kinds(one)]
    numbers = [kind for kind in [*field.metadata, *inner] if isinstance(kind, Number)]
    return [f"{limit:.10g}".replace("-", "−") for kind in numbers[:1] for limit in (kind.low, kind.high)]


def _kinds(annotation) -> list:
    return [
        *getattr(annotation, "__metadata__", ()),
        *(kind for one in typing.get_args(annotation) for kind in _kinds(one)),
    ]


@pytest.mark.parametrize(
    ("shape", "key"),
    [
        (shape, field.alias or name)
        for shape in (RoomFileShape, MicrophonesShape)
        for name, field in shape.model_fields.items()
    ],
)
def test_the_page_explains_every_key_of_a_room_file_with_its_limits(shape, key, tables):
    fields = {field.alias or name: field for name, field in shape.model_fields.items()}
    row = " ".join(tables[key][0])
    if key not in {"stage", "source_height", "positions"}:  # there the walls are the limits
        for limit in limits_of(fields[key]):
            assert re.search(rf"(?<![\d.−]){re.escape(limit)}(?![\d.])", row), limit
    inside = {
        "dimensions": DimensionsShape,
        "stage": StageShape,
        "materials": MaterialsShape,
        "reference_seat": ReferenceSeatShape,
    }
    assert all(f"`{name}`" in row for name in (inside[key].keys() if key in inside else ()))
