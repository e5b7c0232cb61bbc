"""Which section a name means: orchestration practice in five languages (from memory)."""

from __future__ import annotations

import pytest

NAMES = {
    "woodwinds": "Flutes, Ob, Cl., Klar, Fg, Bsn, Englischhorn, Cor anglais, Hautbois, Fagotti, Clarinetes, "
    "WW, Holz, Bois, Legni, Maderas, Bass Clarinet, Alto Flute, Tenor Sax, Kontrafagott",
    "horns": "Horns, Hn 1-4, Hr, Hörner, Hoerner, Cors, Corni in Fa, Trompas, French Horn, FHn",
    "trumpets": "Tpt, Trp, Trumpets, Trompeten, Trombe, Trompettes, Trompetas",
    "low_brass": "Trb, Tbn, Pos, Posaunen, Tromboni, Tuba, Low Brass, LoBrass, Brass Low, "
    "Cimbasso, Bass Trombone",
    "brass": "Brass, Blech, Blechbläser, Cuivres, Ottoni, Metales",
    "timpani": "Timp, Timpani, Pk, Pauken, Timbales",
    "percussion": "Perc, Schlgz, Schlagzeug, Gran Cassa, Grosse Caisse, Percusión, Taikos, Bass Drum, Piatti",
    "mallets": "Glock, Glsp, Xylophone, Vibes, Tubular Bells, Campane, Jeu de timbres",
    "harp": "Harp, Hrf, Harfe, Arpa, Harpe",
    "piano": "Piano, Pno, Klavier, Pf",
    "celesta": "Celesta, Cembalo, Clavecin, Keys",
    "choir": "Choir, SATB, Chor, Coro, Choeur, Chœurs, Voces",
    "sopranos": "Sopr, Soprani, Sopranos",
    "womens_choir": "Women, Frauenchor, Choir Women, Femmes, Choir SA, Chor SA, Coro SA",
    "mens_choir": "Men, Choir TB, TTBB Choir, Chor TB, Chœur TB, Stimmen TB",
    "childrens_choir": "Children's Choir, Knabenchor, Voci bianche",
    "voice": "Solo Vox, Solo Soprano, Lead Vocals",
    "violins_1": "Vln1, Vl. 1, VlnI, 1st Violins, Violins I, Violini I, First Violins, Violons 1, Geigen 1",
    "violins_2": "Vln 2, Violin_II, 2nd Violins, Zweite Violinen, Violines 2, Vl2",
    "violins": "Violins, Vlns, Geigen, Violini, Violines",
    "violas": "Vla, Viole, Bratschen, Violas",
    "cellos": "Vc, Vlc, Celli, Violoncelles, Violonchelos",
    "basses": "Kb, Cb, Double Bass, Kontrabässe, Contrabbassi, Contrebasses, Contrabajos, D.Bass",
    "low_strings": "Low Str, Low Strings, StringsLow, Tiefe Streicher, Cordes graves, Archi gravi",
    "strings": "Strings, Tutti Strings, Str, Streicher, Cordes, Archi, Cuerdas",
    "organ": "Organ, Orgel, Orgue, Organo, Órgano",
    "guitars": "Gtr, E-Gtr, Gitarre, Chitarra",
    "bass_guitar": "Bass Guitar, E-Bass",
    "synths": "Synth, Pads, Drone, Synth Bass",
    "effects": "FX, SFX, Hits, Riser",
    "solo_violin": "Solo Vln, Violin Solo",
    "solo_cello": "Cello solo, SoloVc",
    "solo_horn": "Solo Horn",
}  # fmt: skip
CASES = [(name.strip(), section) for section, names in NAMES.items() for name in names.split(",")]


@pytest.mark.parametrize(("name", "section"), CASES)
def test_a_section_is_known_by_its_name_in_five_languages(section_of, name, section):
    beside = f"{name}.wav", "Kazoo.wav"  # one more, so that nothing is shared by the whole folder
    if name == "Kb":  # a keyboard too, without strings beside it
        beside = (*beside, "Vc.wav", "Vl.wav")
    assert section_of(*beside)[f"{name}.wav"] == section


@pytest.mark.parametrize(
    ("folder", "expected"),
    [
        ("Soprano, Alto, Tenor, Bass", {"Alto": "altos", "Bass": "choir_basses"}),
        ("Violins, Viola, Cello, Bass", {"Bass": "basses"}),
        ("Drums, Guitars, Bass", {"Bass": "bass_guitar", "Drums": "drums"}),
        ("Sop, Alt, Ten, Bass, Vln, Vla, Vc, Kontrabass", {"Bass": "choir_basses", "Kontrabass": "basses"}),
        ("Violons, Altos, Violoncelles", {"Altos": "violas"}),
        ("Sopranos, Altos, Ténors, Basses", {"Altos": "altos", "Basses": "choir_basses"}),
        ("Vl 1, Vl 2, Br, Vc, Kb", {"Br": "violas", "Kb": "basses"}),
        ("Women, TB, Vla", {"TB": "mens_choir"}),
        ("Horns, Tpt, TB", {"TB": "low_brass"}),
        ("Timpani, Snare, Strings", {"Snare": "percussion"}),
        ("Vln alt, Vla, Vc", {"Vln alt": "violins"}),
        ("V1, V2, Va, Vc, Cb", {"V1": "violins_1", "V2": "violins_2"}),
        ("S, A, T, B", {"S": "sopranos", "A": "altos", "T": "tenors", "B": "choir_basses"}),
    ],
)
def test_a_word_of_two_meanings_is_read_by_what_lies_beside_it(section_of, folder, expected):
    found = section_of(*(f"{name.strip()}.wav" for name in folder.split(",")))
    assert {name: found[f"{name}.wav"] for name in expected} == expected


def test_a_word_of_two_meanings_alone_is_not_sure_and_names_the_other(imagined):
    proposal = imagined("Bass.wav", "Kazoo.wav")
    bass = next(section for section in proposal.sections if section.name == "basses")
    assert not bass.sure
    assert bass.alternative in {"choir_basses", "bass_guitar"}


def test_two_instruments_in_one_name_are_not_sure(imagined):
    proposal = imagined("Harp & Celesta.wav", "Choir.wav")
    harp = next(section for section in proposal.sections if section.name == "harp")
    assert (harp.sure, harp.alternative) == (False, "celesta")


def test_an_instrument_in_the_name_of_another_family_is_not_sure(imagined):
    proposal = imagined("Choir Trombones.wav", "Vla.wav")
    (found,) = [section for section in proposal.sections if section.name != "violas"]
    assert (found.sure, found.alternative) == (False, "choir")


def test_the_score_runs_from_woodwinds_to_strings(imagined):
    names = "Cello, Choir, Timp, Flutes, Harp, Horns, Vln 1"
    proposal = imagined(*(f"{name.strip()}.wav" for name in names.split(",")))
    assert [section.name for section in proposal.sections] == [
        "woodwinds", "horns", "timpani", "harp", "choir", "violins_1", "cellos",
    ]  # fmt: skip
