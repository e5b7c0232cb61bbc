"""What somebody reads of `report.json`, as `report_file` checks it.

Apart from `report_file`, which many ask for a name and few for a report: these classes take long to make.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

__all__ = ["LARGEST", "ReportShape"]

LARGEST = 2**63 - 1  # nothing in a report is counted further; larger numbers have no place in a float


def _without_trace(value: float) -> float:
    if 0.0 < value < 1e-9:  # ratios of times are formed
        raise PydanticCustomError("tiny", "tiny", {"remedy": "0, or at least a nanosecond"})
    return value


def _text_or_texts(value: Any) -> Any:
    if isinstance(value, str) or (isinstance(value, list) and all(isinstance(one, str) for one in value)):
        return value
    raise PydanticCustomError("texts", "texts", {"remedy": "a text, or a list of texts"})


# Far beyond every level, time and share; near enough that differences and ratios stay finite.
_Figure = Annotated[float, Field(ge=-1e6, le=1e6)]
_Seconds = Annotated[float, Field(ge=0, le=1e7), AfterValidator(_without_trace)]
_Count = Annotated[int, Field(ge=0, le=LARGEST)]
_Rate = Annotated[int, Field(ge=1, le=10_000_000)]  # hertz


class _Entry(BaseModel):
    model_config = ConfigDict(strict=True, extra="ignore", allow_inf_nan=False, defer_build=True)


class _Loudness(_Entry):
    integrated_lufs: _Figure | None
    momentary_max_lufs: _Figure | None = None
    short_term_max_lufs: _Figure | None = None
    loudness_range_lu: _Figure | None = None
    true_peak_dbtp: _Figure | None = None
    sample_peak_dbfs: _Figure | None = None


class _Band(_Entry):
    edt_s: _Seconds | None = None
    t20_s: _Seconds | None = None
    t30_s: _Seconds | None = None
    c80_db: _Figure | None = None
    d50: _Figure | None = None
    centre_time_s: _Seconds | None = None


class _Decay(_Entry):
    bands: list[_Band] = []
    mid: _Band


class _Bus(_Entry):
    name: str
    file: str | None
    files: dict[str, str] = {}
    loudness: _Loudness
    decay: _Decay | None = None
    wet_to_dry_db: _Figure | None = None
    wet_arrival_ms: _Figure | None = None
    decay_to_minus_40_s: _Seconds | None = None
    late_correlation: _Figure | None = None
    reasons: dict[str, str] = {}


class _Room(_Entry):
    name: str
    source: Annotated[Any, AfterValidator(_text_or_texts)] = ""
    gain_db: _Figure | None = None
    level_db: _Figure | None = None
    muted: bool | None = None
    width: _Figure | None = None
    decay_scale: _Figure | None = None
    reverberation_time_s: _Seconds | None = None
    normalise: str | None = None
    gain_position: str | None = None
    direct: str | None = None


class _Send(_Entry):
    room: str
    position: str | None
    level_db: _Figure | None = None
    wiring: str | None = None
    pre_delay_ms: _Figure | None = None
    low_cut_hz: _Figure | None = None
    high_cut_hz: _Figure | None = None
    wet_arrival_ms: _Figure | None = None
    wet_to_dry_db: _Figure | None = None


class _Section(_Entry):
    name: str
    group: str | None = None
    muted: bool | None = None
    level_db: _Figure | None = None
    dry_db: _Figure | None = None
    delay_ms: _Figure | None = None
    pan: _Figure | None = None
    width: _Figure | None = None
    seat: str | None = None
    stems: list[str] = []
    sends: list[_Send]


class _Margin(_Entry):
    of: str
    over: str
    band: str
    passage: str | None
    margin_db: _Figure | None
    reason: str | None


class _Passage(_Entry):
    passage: str
    bus: str
    loudness: _Loudness


class _File(_Entry):
    file: str
    bus: str | None = None
    delivery: str | None = None
    bytes: _Count | None = None
    samples_sha256: str | None = None


class _Stem(_Entry):
    file: str
    duration_s: _Seconds | None = None
    blake2b_160: str | None


class _Excerpt(_Entry):
    start_frame: _Count
    frames: Annotated[int, Field(ge=1, le=LARGEST)]


class _ExcerptAtRate(_Excerpt):
    sample_rate: _Rate


class _Options(_Entry):
    only: list[str]
    mute: list[str]
    excerpt: _ExcerptAtRate | None


class _PathOfPlan(_Entry):
    at: Annotated[list[str], Field(min_length=1)]
    means: str


class _Plan(_Entry):
    source: str
    data: dict[str, Any]
    paths: list[_PathOfPlan]


class _Input(_Entry):
    kind: Literal["plan", "room", "stem", "response"]
    of: str | None
    file: str
    size: _Count
    blake2b_160: str
    text: str | None = None

    @model_validator(mode="after")
    def _room_is_kept(self) -> _Input:
        if self.kind == "room":
            if self.text is None:
                raise PydanticCustomError("room", "has no `text`", {"remedy": "the room file, as text"})
            try:
                self.text.encode()
            except UnicodeEncodeError as error:
                what = "has a `text` that no file can hold"
                raise PydanticCustomError("room", what, {"remedy": "the room file, as text"}) from error
        return self


class _Reproduce(_Entry):
    roomplan: str
    synthesis: int
    options: _Options
    plan: _Plan
    inputs: list[_Input]


class ReportShape(_Entry):
    """A report, as far as somebody reads it."""

    plan: str
    title: str
    plan_sha256: str | None = None
    cue: str | None = None
    version: str | None = None
    excerpt: _Excerpt | None = None
    sample_rate: _Rate | None = None
    duration_s: _Seconds | None = None
    trim_db: _Figure | None = None
    delivery: str | None = None
    rooms: list[_Room]
    sections: list[_Section]
    buses: list[_Bus]
    margins: list[_Margin] = []
    passages: list[_Passage] = []
    files: list[_File]
    stems: list[_Stem] = []
    left_over: list[_File] = []
    reproduce: _Reproduce | None = None
