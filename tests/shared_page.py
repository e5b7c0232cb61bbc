"""A page that was written, as tests look into it."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Shared:
    """A folder with `plan.yaml` and the page of it."""

    folder: Path
    page: Path

    @property
    def text(self) -> str:
        return self.page.read_text(encoding="utf-8")

    @property
    def document(self) -> dict[str, Any]:
        return json.loads(re.findall(r'id="document">(.*?)</script>', self.text)[0])

    @property
    def sounds(self) -> dict[str, str]:
        """Number of a component → its coded sound."""
        return dict(re.findall(r'id="sound-(\d+)">([^<]*)</script>', self.text))

    def component(self, section: str, room: str | None, position: str | None = None) -> int:
        """Place of a component."""
        return next(
            number
            for number, one in enumerate(self.document["components"])
            if one["section"] == section and one["room"] == room and position in {None, one["position"]}
        )
