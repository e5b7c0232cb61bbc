"""Kinds of sources: how much louder each is forwards than the mean over all sides, octave by octave.

Conventions
-----------
Rows are directivity indices in dB, 63 Hz to 16 kHz, as in `roomplan.rooms.directivity`. Forwards is where a
source is loudest and where its dry microphone usually is. Octaves that a source does not print are as the
nearest one that it does (common practice, no source).

Sources
-------
Monson, Hunter and Story, J. Acoust. Soc. Am. 132 (2012) 433: levels of speech every 15° in the horizontal
plane, 125 Hz to 16 kHz, which singing shares; read in one transcription. The index is their mean over a
sphere that is taken as alike all around the axis. Levine and Schwinger, Phys. Rev. 73 (1948) 383: gain of an
open pipe on its axis. Meyer, ASA 131st Meeting (1996), 3pAA1: statistical directivity factors Γ, a ratio of
pressures, DI = 20 lg Γ; even below 500 Hz, "of the order of 2–3" for strings high up, "a little lower" for
woodwinds, over 4 for brass. Wang and Burroughs, Catgut Acoust. Soc. J. 3 (1999) 7: a violin is even below
600 Hz. The last two were read in their abstracts.

Notes
-----
Not done: that a lobe points elsewhere at each note, and that horns point backwards. A row is for a section of
its kind, not for one instrument.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class
from roomplan.rooms.directivity import Directivity

if TYPE_CHECKING:
    from roomplan.plan.model import SourceKind

__all__ = ["SOURCE_KINDS", "RadiatingKind", "directivity_of"]


@frozen_class
class RadiatingKind:
    """One row of the table.

    Attributes
    ----------
    source : str
        Where its values come from.
    confidence : str
        How they were read.
    """

    directivity: Directivity
    source: str
    confidence: str


#                             63   125  250  500  1 k  2 k  4 k   8 k   16 k
_VOICE = Directivity((1.5, 1.5, 2.1, 1.8, 2.5, 4.5, 5.5, 6.9, 5.7), beam=False)
_STRINGS = Directivity((0.0, 0.0, 0.0, 0.0, 2.0, 4.0, 6.0, 6.0, 6.0), beam=False)
_WOODWINDS = Directivity((0.0, 0.0, 0.0, 0.0, 1.7, 3.3, 5.0, 5.0, 5.0), beam=False)
_BRASS = Directivity((0.0, 0.2, 0.7, 2.0, 4.7, 9.0, 12.0, 12.0, 12.0), beam=True)
_PERCUSSION = Directivity((0.0, 0.0, 0.0, 0.0, 1.0, 2.0, 3.0, 3.0, 3.0), beam=False)

SOURCE_KINDS: MappingProxyType[str, RadiatingKind] = MappingProxyType(
    {
        "voice": RadiatingKind(
            _VOICE,
            "Monson et al. (2012), mean over the sphere",
            "read in one transcription; within 2 dB of every angle up to 120° and 8 kHz",
        ),
        "strings": RadiatingKind(
            _STRINGS,
            "Meyer (1996): even up to 500 Hz, Γ = 2 from 4 kHz up; Wang and Burroughs (1999)",
            "read in abstracts; 1 and 2 kHz on a straight line between (common practice, no source)",
        ),
        "woodwinds": RadiatingKind(
            _WOODWINDS,
            "Meyer (1996): even up to 500 Hz, Γ = 1.8, a little under the strings', from 4 kHz up",
            "read in the abstract; 1 and 2 kHz on a straight line between (common practice, no source)",
        ),
        "brass": RadiatingKind(
            _BRASS,
            "Levine and Schwinger (1948) up to 2 kHz, mean power of bells of 12.3 and 21 cm; above, where "
            "the wave in a flare is not plane, Meyer (1996): Γ = 4",
            "gain from its reciprocity, read in the abstract; reflection coefficient and lobe from memory",
        ),
        "percussion": RadiatingKind(
            _PERCUSSION,
            "a drum or a cymbal in front of a microphone, half as directive as strings",
            "from memory",
        ),
    }
)


def directivity_of(kind: SourceKind) -> Directivity | None:
    """Directivity of a kind of source; None for `even`, which radiates to all sides alike."""
    return None if kind == "even" else SOURCE_KINDS[kind].directivity
