"""Names with fields in braces, such as `{cue}_{bus}_v{version}`: which fields there are, and filled in.

Conventions
-----------
A template has no ending: that of the format is added by whoever writes the file. There is no way to write a
brace that is no field.

Notes
-----
What fills a field is made safe as a file name first, so that a title with a slash makes no folder.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from roomplan.files.names import safe_file_names

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["FIELDS", "fields_of", "filled", "has_loose_brace"]

# `bus` names the file within its delivery, the others the delivery: only they may be in a folder.
FIELDS = ("cue", "version", "title", "bus", "rate", "bits", "delivery")

_FIELD = re.compile(r"\{([^{}]*)\}")


def fields_of(template: str) -> tuple[str, ...]:
    """Return the names in braces, in order and each once, known or not."""
    return tuple(dict.fromkeys(_FIELD.findall(template)))


def has_loose_brace(template: str) -> bool:
    """Tell whether a brace is left that belongs to no field."""
    rest = _FIELD.sub("", template)
    return "{" in rest or "}" in rest


def filled(template: str, values: Mapping[str, str]) -> str:
    """Return a template with its fields filled in.

    Parameters
    ----------
    template : str
        All of whose fields are in `values`.
    values : mapping
        Field → what stands for it; made safe as a part of a file name here.
    """
    return _FIELD.sub(lambda found: _safe(values[found[1]]), template)


def _safe(value: str) -> str:
    """Return a value as a part of a file name, without braces: a filled name is no template again."""
    plain = value.replace("{", "_").replace("}", "_")
    return safe_file_names([plain])[plain]
