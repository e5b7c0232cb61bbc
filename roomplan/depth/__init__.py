"""Depth: how far away each section sounds by its seat and its room, and the sends that say so.

Conventions
-----------
Metres, seconds, decibels; *mid* is the mean of the 500 and 1000 Hz octaves. A section is judged in its *main
room*: the synthetic one with its loudest send (send and return level together), or the loudest measured one
where it has no synthetic room. Distances are ways of the direct sound from the middle of the seat to the
middle of the room's `main` microphones. Several sends of a section into its main room count together, as
powers, and are moved together; what their responses have in common is left out (0.3 dB with microphones 3 m
apart in a small room, 0.04 dB in a nave).

A section's `source` counts in synthetic rooms: it faces the microphones, so that its direct sound is that
of an even source, while all reflected sound is lower by its *directivity index*, mid. A recorded response
keeps the directions of the source it was recorded with, whatever plays through it.

*Wet-to-dry* is what those sends return over the section's dry sound. With the direct sound out of the room's
return it is, in theory, the direct-to-reverberant ratio D/R with its sign turned. Every room has a
*reference section*: one of the sections whose main room it is, which keeps its sends. Relative to it a
section shall have

    wet-to-dry of the reference + amount × (D/R of the reference − D/R of the section)

and absolutely −D/R. Sections of one D/R on one seat of a synthetic room, sent alike, are one source to it:
they get one send against their dry sound, that of the reference section where it is one of them, else the
one at which the mean of their wet-to-dry is what is wanted. Sends that would move by less than 0.3 dB stay,
and so do those of locked sections.

Sources
-------
D/R, C80: revised theory, Barron and Lee, J. Acoust. Soc. Am. 84 (1988) 618. Air: ISO 9613-1:1993. Mid
frequencies: ISO 3382-1:2009, clause 9.1. All as in `roomplan.acoustics.room_formulas`; directivity as in
`roomplan.rooms.source_kinds`. That depth follows the direct-to-reverberant ratio, and that the gap before the
first reflections implies a pre-delay: common practice, no source.
"""
