"""The base of everything that a plan, a room file or a table may say: a mapping with known keys.

Notes
-----
Apart from `shape`, so that shapes of other modules can be part of a plan, and other documents have theirs.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationInfo, model_validator

from roomplan.documents.wording import describe
from roomplan.plan.values import one_of, refusal

__all__ = ["TAG", "Shape"]

# Begins the name of each form of a value that has several; no key of a document can begin so.
TAG = "\0"


class Shape(BaseModel):
    """A mapping with known keys."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    @classmethod
    def keys(cls) -> list[str]:
        """Return the keys as the file writes them."""
        return [field.alias or name for name, field in cls.model_fields.items()]

    @model_validator(mode="before")
    @classmethod
    def _is_mapping(cls, value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, dict):
            if info.context is not None:
                info.context[id(value)] = cls  # whoever explains an unknown key wants to know the known ones
            return value
        keys = cls.keys()
        shown = one_of(tuple(keys), ticks=True).replace(" or ", ", ") if len(keys) <= 6 else f"`{keys[0]}: …`"
        raise refusal(describe(value), f"a mapping ({shown})")
