"""Materials of a room's surfaces: what each absorbs, octave by octave, and which book says so.

Conventions
-----------
A coefficient is the share of the energy that a surface takes at random incidence, 0 to 1. Bands go by their
nominal octave centres, 63 Hz to 8 kHz. Tables are printed from 125 Hz to 4 kHz, a few rows to 8 kHz: what is
not printed at 63 Hz is as at 125 Hz, and what is not printed at 8 kHz as at 4 kHz (common practice, no
source).

Sources
-------
Vorländer, "Auralization" (Springer, 2008), annex, table of random-incidence absorption coefficients: read in
two transcriptions that agree, not in the book. R. F. Barron, "Industrial Noise Control and Acoustics"
(Marcel Dekker, 2003), Appendix D, pages 510-511: read in one transcription. Cox and D'Antonio, "Acoustic
Absorbers and Diffusers", Appendix A, Table A.1: read in one transcription; edition not seen.

Notes
-----
Not done: no coefficient is measured here, corrected for a room's size or spread over its edges. A table's
row is one sample; walls of the same name in another building may differ by a factor of two at low
frequencies (common practice, no source).
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class
from roomplan.rooms.spec import BAND_CENTRES_HZ

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["MATERIALS", "OPTIONAL_BANDS_HZ", "REQUIRED_BANDS_HZ", "Material", "all_bands"]

OPTIONAL_BANDS_HZ = (63, 8000)
REQUIRED_BANDS_HZ = tuple(centre for centre in BAND_CENTRES_HZ if centre not in OPTIONAL_BANDS_HZ)

_VORLAENDER = "Vorländer, Auralization (2008), annex"
_BARRON = "R. F. Barron, Industrial Noise Control and Acoustics (2003), App. D"
_COX = "Cox and D'Antonio, Acoustic Absorbers and Diffusers, Table A.1"
_TWICE = "read in two transcriptions that agree"
_ONCE = "read in one transcription"
_ROW_OF_OTHERS = "read in one transcription; tables of others print the same row"


@frozen_class
class Material:
    """One row of the table.

    Attributes
    ----------
    description : str
        The material as its source describes it.
    absorption : mapping of int to float
        Nominal octave centre in Hz, 63 to 8000 → coefficient, 0 to 1.
    source : str
        Where it is printed.
    confidence : str
        How it was read.
    """

    description: str
    absorption: Mapping[int, float]
    source: str
    confidence: str


def all_bands(coefficients: Mapping[int, float]) -> dict[int, float]:
    """Fill a row up to all eight octaves.

    Parameters
    ----------
    coefficients : mapping of int to float
        Octave centre in Hz → coefficient: all of `REQUIRED_BANDS_HZ`, any of `OPTIONAL_BANDS_HZ`.

    Returns
    -------
    dict of int to float
        In the order of `BAND_CENTRES_HZ`: 63 Hz as 125 Hz and 8 kHz as 4 kHz where they are not given.
    """
    neighbours = {63: 125, 8000: 4000}
    return {
        centre: coefficients[centre] if centre in coefficients else coefficients[neighbours[centre]]
        for centre in BAND_CENTRES_HZ
    }


def _row(description: str, source: str, confidence: str, *coefficients: float) -> Material:
    """Material from its coefficients at 125 Hz to 4 kHz, and 8 kHz where the source prints it."""
    bands = dict(zip((*REQUIRED_BANDS_HZ, 8000), coefficients, strict=False))
    return Material(description, MappingProxyType(all_bands(bands)), source, confidence)


MATERIALS: Mapping[str, Material] = MappingProxyType({
    "stage_floor": _row(
        "wood, stage floor, two layers, 27 mm over an airspace",
        _VORLAENDER, _TWICE, 0.10, 0.07, 0.06, 0.06, 0.06, 0.06,
    ),
    "marble": _row("marble floor", _VORLAENDER, _TWICE, 0.01, 0.01, 0.01, 0.02, 0.02, 0.02, 0.02),
    "limestone": _row("limestone walls", _VORLAENDER, _TWICE, 0.02, 0.02, 0.03, 0.04, 0.05, 0.05, 0.05),
    "brick": _row("brick, unglazed", _BARRON, _ROW_OF_OTHERS, 0.03, 0.03, 0.03, 0.04, 0.05, 0.07),
    "painted_concrete": _row(
        "poured concrete, painted", _BARRON, _ONCE, 0.01, 0.01, 0.01, 0.02, 0.02, 0.02
    ),
    "plaster_on_masonry": _row(
        "plaster, gypsum or lime, on tile or brick",
        _BARRON, _ROW_OF_OTHERS, 0.013, 0.015, 0.02, 0.03, 0.04, 0.05,
    ),
    "gypsum_board": _row(
        "2 × 13 mm plasterboard on a steel frame, 50 mm mineral wool in the cavity, painted",
        _VORLAENDER, _TWICE, 0.15, 0.10, 0.06, 0.04, 0.04, 0.05, 0.05,
    ),
    "suspended_gypsum_board": _row(
        "plasterboard ceiling on battens with a large airspace above",
        _VORLAENDER, _TWICE, 0.20, 0.15, 0.10, 0.08, 0.04, 0.02,
    ),
    "heavy_wood": _row("solid wooden door", _VORLAENDER, _TWICE, 0.14, 0.10, 0.06, 0.08, 0.10, 0.10, 0.10),
    "wood_panelling": _row(
        "16 mm wood on 40 mm studs", _VORLAENDER, _TWICE, 0.18, 0.12, 0.10, 0.09, 0.08, 0.07, 0.07
    ),
    "thin_wood_panelling": _row(
        "thin plywood panelling", _VORLAENDER, _TWICE, 0.42, 0.21, 0.10, 0.08, 0.06, 0.06
    ),
    "window": _row(
        "double glazing, 2-3 mm glass, gap over 30 mm",
        _VORLAENDER, _TWICE, 0.15, 0.05, 0.03, 0.03, 0.02, 0.02, 0.02,
    ),
    "heavy_curtain": _row(
        "cotton curtains, 0.5 kg/m², draped to three quarters of their area, about 130 mm from the wall",
        _VORLAENDER, _TWICE, 0.30, 0.45, 0.65, 0.56, 0.59, 0.71, 0.71,
    ),
    "carpet_on_concrete": _row(
        "heavy carpet on concrete", _COX, _ROW_OF_OTHERS, 0.02, 0.06, 0.14, 0.37, 0.60, 0.65
    ),
    "empty_upholstered_seats": _row(
        "concert chairs, medium upholstered, empty",
        _VORLAENDER, _TWICE, 0.49, 0.66, 0.80, 0.88, 0.82, 0.70,
    ),
    "audience": _row(
        "areas with audience, orchestra or choir, with narrow aisles",
        _VORLAENDER, _TWICE, 0.60, 0.74, 0.88, 0.96, 0.93, 0.85, 0.85,
    ),
    "orchestra": _row(
        "orchestra with instruments on a podium, 1.5 m² a person",
        _VORLAENDER, _TWICE, 0.27, 0.53, 0.67, 0.93, 0.87, 0.80, 0.80,
    ),
    "mineral_wool": _row(
        "absorber: rock wool, 50 mm, 80 kg/m³", _VORLAENDER, _TWICE, 0.22, 0.60, 0.92, 0.90, 0.88, 0.88, 0.88
    ),
})  # fmt: skip
