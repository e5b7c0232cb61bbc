"""JSON schemas of the documents of `balance` and `depth`."""

from __future__ import annotations

from roomplan.report.balance import BALANCE_SCHEMA
from roomplan.report.depth import DEPTH_SCHEMA
from roomplan.report.schemas.parts import NOTE, REASONS, RESULT, TARGET, WARNINGS
from roomplan.report.schemas.values import (
    Schema,
    count,
    document,
    figure,
    list_of,
    map_of,
    number,
    object_of,
    one_of,
    or_none,
    text,
    text_or_none,
    truth,
)

__all__ = ["balance_schema", "depth_schema"]


def balance_schema() -> Schema:
    """Return the schema of `balance`."""
    change = {
        "section": text(),
        "room": text_or_none("Null: the level of the section."),
        "position": text_or_none(),
        "before_db": number(),
        "after_db": number(),
    }
    result = object_of(RESULT)
    index = count("Place in `targets`, from 0.")
    target = {
        **TARGET,
        "before": result,
        "after": result,
        "measured": or_none(result, "As measured in the new pass of --verify."),
    }
    binding = {**change, "limit": one_of(("lower", "upper")), "for_targets": list_of(index)}
    conflict = {"target": index, "against": list_of(index), "released_by": list_of(text())}
    beyond = {
        "target": index,
        "best": figure("The best that any levels give it."),
        "reached_with": one_of(("nothing", "lowest_sends", "highest_sends", "some_levels")),
    }
    return document(
        BALANCE_SCHEMA,
        "roomplan balance",
        {
            "plan": text(),
            "title": text(),
            "met": truth("Whether all targets are met."),
            "settled": truth("Whether the search came to rest."),
            "targets": list_of(object_of(target)),
            "changes": list_of(object_of(change)),
            "trim_db": object_of({"before": number(), "after": number()}),
            "binding": list_of(object_of(binding), "Limits that are reached."),
            "conflicts": list_of(object_of(conflict), "Targets that exclude each other."),
            "beyond_reach": list_of(object_of(beyond), "Targets that no levels meet even alone."),
            "left": list_of(object_of(change), "Small moves that were not made."),
            "unmeasured": list_of(index, "Targets that wait for --verify."),
            "alternatives": list_of(list_of(object_of(change))),
            "backup": text_or_none("Where --write keeps the old plan."),
            "shared": list_of(
                object_of({"at": text(), "sections": list_of(text())}),
                "Levels written where several sections have them from.",
            ),
            "warnings": WARNINGS,
            **NOTE,
        },
    )


def depth_schema() -> Schema:
    """Return the schema of `depth`."""
    seat = object_of({"distance_m": number(), "angle_deg": number()})
    send = {"position": text_or_none(), "level_db": figure(), "proposed_db": figure()}
    section = {
        "section": text(),
        "room": text_or_none("The room it is sent to most."),
        "source": one_of(("theory", "measured", None)),
        "seat": or_none(seat),
        "reverberation_time_mid_s": figure(),
        "direct_to_reverberant_db": figure(),
        "c80_db": figure(),
        "distance_m": figure("Direct path."),
        "volume_m3": figure(),
        "critical_distance_m": figure(),
        "air_loss_db": figure("At 8 kHz against 1 kHz."),
        "arrival_ms": figure(),
        "implied_pre_delay_ms": figure("Gap before the first reflection that is not the floor (ITDG)."),
        "directivity_index_db": figure(
            "What its `source` adds to the ratio of an even one; 0 in measured rooms."
        ),
        "arrival_delay_ms": figure("After the nearest section."),
        "wet_to_dry_db": figure("As the plan has it."),
        "wanted_wet_to_dry_db": figure(),
        "sends": list_of(object_of(send)),
        "reasons": REASONS,
    }
    return document(
        DEPTH_SCHEMA,
        "roomplan depth",
        {
            "plan": text(),
            "title": text(),
            "mode": one_of(("relative", "absolute")),
            "reference_sections": map_of(text_or_none(), "Room → the section that keeps its sends."),
            "amount": figure("Share of the differences; null with --absolute."),
            "sections": list_of(object_of(section)),
            "notes": list_of(text()),
            "written": text_or_none("Where --write keeps the old plan."),
            **NOTE,
        },
    )
