"""A first plan from a folder of stems: what the files are called, what is in them, and where that might sit.

Modules
-------
names        what a file name says once cue, take, version and what all files share are taken off
instruments  what sections are called in five languages, where they sit, and what they are sent (a table in
             `configs/instruments.yaml`, read and checked by `instrument_file`)
recognition  which of them a name means
cue          what names and times in the files say of the cue: its name, frame rate, start
patterns     how a plan names files
listening    what is in the files: channels, rates, loudness, where each sounds
proposal     a plan before it is written: sections, groups, seats, sends, each with how sure it is and why
sorting      which file is which section, and what is left out
arranging    rooms, groups, seats and sends for the sections
filling      the same for a template: which of its sections the stems fill
writing      the YAML text, commented, and the file
"""
