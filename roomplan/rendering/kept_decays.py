"""Decay figures that were found before, by what they were found of.

Conventions
-----------
One entry of the cache, `decays.json`, holds what was found of all plans with the same responses, at any
levels: figures by the digest of what was measured (responses and their gains, weights of sections), the last
found last. Levels that come back are answered without a response being read. What cannot be read as it was
written is not there.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from roomplan._version import __version__
from roomplan.acoustics.doubt import Doubt
from roomplan.acoustics.figures import BandFigures, DecayFigures
from roomplan.files.digests import digest_of, is_digest
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from roomplan.files.cache import Cache

__all__ = ["KeptDecays", "MeasuredDecay"]

_VERSION = 2  # of the figures and of the document: raise it when either changes
_MOST = 400  # figures of an entry, about 4 kB each
_VERDICTS = {"good", "doubtful", "unusable"}
_NO_NUMBERS = {"inf": math.inf, "-inf": -math.inf, "nan": math.nan}


@frozen_class
class MeasuredDecay:
    """Figures of a composite, and when it has decayed by 40 dB; `reason` where it does not say that.

    `late_correlation` is that of its two channels, None where too little of it is late.
    """

    decay: DecayFigures
    decay_to_minus_40_s: float | None
    reason: str | None
    late_correlation: float | None


class KeptDecays:
    """Figures of a cache for plans with certain responses; without a cache nothing is kept.

    Parameters
    ----------
    responses : iterable of str
        Identities of the response matrices.
    title : str
        Of the plan, for a person.
    """

    def __init__(self, cache: Cache | None, responses: Iterable[str], *, title: str) -> None:
        self._cache = cache
        self._title = title
        self._key = digest_of("decays", _VERSION, __version__, sorted(set(responses)))
        self._figures: dict[str, Any] | None = None
        self._energies: dict[str, float] = {}

    def decay(self, of: str) -> MeasuredDecay | None:
        """Figures by the digest of what was measured; None where they were not found before."""
        return _decoded(self._known().get(of))

    def energy(self, of: str) -> float | None:
        """Energy of a composite; None where it was not found before."""
        self._known()
        return self._energies.get(of)

    def add(self, figures: Mapping[str, MeasuredDecay], energies: Mapping[str, float]) -> None:
        """Keep what was found now."""
        if self._cache is None or not (figures or energies):
            return
        self._known()
        content = self._known() | {digest: _encoded(one) for digest, one in figures.items()}
        self._figures = dict(list(content.items())[-_MOST:])
        self._energies = dict(list((self._energies | dict(energies)).items())[-_MOST:])
        document = {"figures": self._figures, "energies": self._energies}
        self._cache.forget(self._key)
        with self._cache.writing(self._key, title=f"{self._title}: decay") as new:
            new.save_document("decays", document)

    def _known(self) -> dict[str, Any]:
        if self._figures is None:
            self._figures = {}
            entry = None if self._cache is None else self._cache.entry(self._key)
            document = None if entry is None else entry.document("decays")
            if isinstance(document, dict):
                figures, energies = document.get("figures"), document.get("energies")
                if isinstance(figures, dict) and isinstance(energies, dict):
                    self._figures = {key: one for key, one in figures.items() if is_digest(key)}
                    self._energies = {key: one for key, one in energies.items() if _is_energy(key, one)}
        return self._figures


def _is_energy(key: Any, value: Any) -> bool:
    return is_digest(key) and type(value) is float and math.isfinite(value) and value >= 0.0


def _encoded(found: MeasuredDecay) -> dict[str, Any]:
    decay = found.decay
    return {
        "bands": [_plain(band) for band in decay.bands],
        "mid": _plain(decay.mid),
        "verdict": decay.verdict,
        "reasons": dict(decay.reasons),
        "tail": [found.decay_to_minus_40_s, found.reason],
        "late_correlation": found.late_correlation,
    }


def _decoded(content: Any) -> MeasuredDecay | None:
    try:
        tail, reason = content["tail"]
        return MeasuredDecay(
            DecayFigures(
                tuple(_band(band) for band in content["bands"]),
                _band(content["mid"]),
                _verdict(content["verdict"]),
                _texts(content["reasons"]),
            ),
            _number_or_none(tail),
            _text_or_none(reason),
            _number_or_none(content["late_correlation"]),
        )
    except (TypeError, KeyError, ValueError, AttributeError):
        return None


_BAND_NUMBERS = (
    *("centre_hz", "edt_s", "t10_s", "t20_s", "t30_s", "c50_db", "c80_db", "d50", "centre_time_s"),
    *("xi_permille", "curvature_percent"),
)


def _plain(band: BandFigures) -> dict[str, Any]:
    """Figures of a band; the double slope of a composite is not looked for."""
    return {name: _written(getattr(band, name)) for name in _BAND_NUMBERS} | {
        "decay_range_db": _written(band.decay_range_db),
        "verdict": band.verdict,
        "reasons": dict(band.reasons),
        "label": band.label,
        "absent": sorted(band.absent),
        "doubt": {
            key: [_written(one.uncertainty), _written(one.decay_range_db), one.verdict, one.reason]
            for key, one in band.doubt.items()
        },
    }


def _band(content: Any) -> BandFigures:
    numbers: dict[str, Any] = {name: _number_or_none(content[name]) for name in _BAND_NUMBERS}
    return BandFigures(
        **numbers,
        decay_range_db=_number(content["decay_range_db"]),
        verdict=_verdict(content["verdict"]),
        reasons=_texts(content["reasons"]),
        label=_text(content["label"]),
        absent=frozenset(_text(one) for one in content["absent"]),
        doubt={key: _doubt(*one) for key, one in content["doubt"].items()},
    )


def _doubt(uncertainty: Any, range_db: Any, verdict: Any, reason: Any) -> Doubt:
    return Doubt(_number_or_none(uncertainty), _number(range_db), _verdict(verdict), _text_or_none(reason))


def _written(value: float | None) -> float | str | None:
    """Number as JSON has it: what is none is spelled."""
    if value is None:
        return None
    return float(value) if math.isfinite(value) else str(float(value))


def _number(value: Any) -> float:
    if isinstance(value, str):
        return _NO_NUMBERS[value]
    if type(value) is not float:
        raise TypeError(value)
    return value


def _number_or_none(value: Any) -> float | None:
    return None if value is None else _number(value)


def _verdict(value: Any) -> Any:
    if value not in _VERDICTS:
        raise ValueError(value)
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(value)
    return value


def _text_or_none(value: Any) -> str | None:
    return None if value is None else _text(value)


def _texts(content: Any) -> dict[str, str]:
    return {_text(key): _text(value) for key, value in content.items()}
