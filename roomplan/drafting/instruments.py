"""What sections are called, where they sit and what they are sent: a table in score order.

Conventions
-----------
Names and abbreviations are English, German, French, Italian and Spanish, separated by commas, written with
their accents (a name without them, or with ae for ä, fits as well). A phrase of several words also fits when
it is written as one. Seats are metres from the main microphones and degrees right of centre; sends are dB
into the hall (the room the orchestra plays in) and the church (what choir and organ get on top).

Sources
-------
- Names and abbreviations: orchestration practice, from memory.
- Seats: a common stage layout with the violins left and the basses right; common practice, no source.
- Sends: starting points on the dry side; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "AMBIGUOUS",
    "FAMILIES",
    "INSTRUMENTS",
    "NOT_STEMS",
    "Family",
    "Instrument",
    "find_instrument",
    "instruments_by_name",
    "score_place",
]


@dataclass(frozen=True, slots=True)
class Family:
    """Sections that belong together; `title` is how a comment speaks of them."""

    name: str
    title: str
    orchestral: bool  # plays in the hall


@dataclass(frozen=True, slots=True)
class Instrument:
    """One section as it is proposed.

    Attributes
    ----------
    name, family : str
        Of the section and of its family.
    words : str
        Names and abbreviations, separated by commas.
    distance_m, angle_deg : float
        A typical seat.
    hall_db, church_db : float or None
        Typical sends; None for none.
    parts : tuple of str
        Sections that its parts 1, 2 … are (first and second violins).
    general : bool
        A name for a whole family: another of that family in the same name says more.
    """

    name: str
    family: str
    words: str
    distance_m: float
    angle_deg: float
    hall_db: float | None
    church_db: float | None = None
    parts: tuple[str, ...] = ()
    general: bool = False


# In score order.
FAMILIES: Mapping[str, Family] = {
    family.name: family
    for family in (
        Family("orchestra", "orchestra", orchestral=True),
        Family("woodwinds", "woodwinds", orchestral=True),
        Family("brass", "brass", orchestral=True),
        Family("percussion", "percussion", orchestral=True),
        Family("keys", "harp and keyboards", orchestral=True),
        Family("choir", "voices", orchestral=False),
        Family("strings", "strings", orchestral=True),
        Family("organ", "organ", orchestral=False),
        Family("band", "guitars and drums", orchestral=False),
        Family("synths", "synthesisers and effects", orchestral=False),
        Family("other", "not recognised", orchestral=False),
    )
}

INSTRUMENTS: tuple[Instrument, ...] = (
    Instrument(
        name="orchestra",
        family="orchestra",
        words="orchestra, orch, full orchestra, orchester, orch tutti, tutti, orchestre, orquesta",
        distance_m=8,
        angle_deg=0,
        hall_db=-13,
        general=True,
    ),
    Instrument(
        name="woodwinds",
        family="woodwinds",
        words=(
            "woodwinds, woodwind, ww, wws, wwinds, winds, wind, wood winds, high winds, low winds, hi "
            "ww, lo ww, holz, holzbläser, hbl, hlz, bläser, bois, legni, fiati, maderas, viento madera, "
            "madera"
        ),
        distance_m=10,
        angle_deg=-4,
        hall_db=-13,
        general=True,
    ),
    Instrument(
        name="woodwinds",
        family="woodwinds",
        words=(
            "flute, flutes, fl, fls, flt, flts, piccolo, piccolos, picc, pic, oboe, oboes, ob, obs, "
            "english horn, eng horn, eng hn, e horn, eh, cor anglais, cor ang, clarinet, clarinets, cl, "
            "cls, clr, clar, clars, clt, clarinette, bass clarinet, bcl, b cl, bassoon, bassoons, bn, "
            "bns, bsn, bsns, contrabassoon, contra bassoon, cbsn, cbn, saxophone, saxophones, sax, "
            "saxes, saxofon, recorder, recorders, flöte, flöten, blockflöte, blockflöten, oboen, "
            "englischhorn, klarinette, klarinetten, klar, kl, bassklarinette, bassklarinetten, bkl, "
            "fagott, fagotte, fag, fags, fg, fgt, kontrafagott, kfg, kfag, saxophon, flûte, flûtes, "
            "hautbois, hautb, htb, hb, clarinettes, basson, bassons, contrebasson, flauto, flauti, "
            "ottavino, oboi, corno inglese, c ingl, clarinetto, clarinetti, clarone, fagotto, fagotti, "
            "controfagotto, cfg, cfag, flauta, flautas, flautín, corno inglés, clarinete, clarinetes, "
            "fagot, fagotes, contrafagot"
        ),
        distance_m=10,
        angle_deg=-4,
        hall_db=-13,
    ),
    Instrument(
        name="brass",
        family="brass",
        words=(
            "brass, brs, brss, blech, blechbläser, blechbl, bbl, cuivres, cuivre, ottoni, metales, "
            "viento metal"
        ),
        distance_m=12.5,
        angle_deg=12,
        hall_db=-13,
        general=True,
    ),
    Instrument(
        name="high_brass",
        family="brass",
        words="high brass, hi brass, hibrass, brass high, brass hi, hohes blech",
        distance_m=12.5,
        angle_deg=6,
        hall_db=-13,
    ),
    Instrument(
        name="horns",
        family="brass",
        words=(
            "horn, horns, hn, hns, hrn, hrns, french horn, french horns, fr horn, fr horns, fhn, fhns, "
            "f horn, f hn, f horns, hr, hörner, waldhorn, waldhörner, wagner tuba, wagnertuba, wagner "
            "tuben, cors, corno, corni, trompa, trompas, tpa, tpas"
        ),
        distance_m=11.5,
        angle_deg=-20,
        hall_db=-13,
    ),
    Instrument(
        name="trumpets",
        family="brass",
        words=(
            "trumpet, trumpets, tpt, tpts, trpt, trpts, trp, trps, trmp, tp, cornet, cornets, "
            "flugelhorn, flgl, trompete, trompeten, trpe, trompette, trompettes, tromba, trombe, "
            "trompeta, trompetas, tpta, flügelhorn"
        ),
        distance_m=12.5,
        angle_deg=8,
        hall_db=-13,
    ),
    Instrument(
        name="low_brass",
        family="brass",
        words=(
            "trombone, trombones, brass low, brass lo, tbn, tbns, tbne, trb, trbs, trbn, trmb, bone, "
            "bones, bass trombone, btbn, tuba, tubas, tba, tbas, low brass, lo brass, lobrass, low br, "
            "cimbasso, cimb, euphonium, euph, posaune, posaunen, pos, bassposaune, tiefes blech, tuben, "
            "cuivres graves, trombono, tromboni, ottoni gravi, trombón, metales graves"
        ),
        distance_m=13,
        angle_deg=20,
        hall_db=-13,
    ),
    Instrument(
        name="timpani",
        family="percussion",
        words=(
            "timpani, timp, timps, tmp, timpany, kettledrums, pauke, pauken, pk, pkn, pke, timbales, "
            "timb, timpano, timbal"
        ),
        distance_m=13.5,
        angle_deg=-8,
        hall_db=-14,
    ),
    Instrument(
        name="percussion",
        family="percussion",
        words=(
            "percussion, percussions, perc, percs, prc, bass drum, bd, gran cassa, grancassa, gc, "
            "cymbal, cymbals, cym, cyms, suspended cymbal, sus cym, crash, triangle, trgl, tambourine, "
            "tamb, tam tam, tamtam, gong, gongs, taiko, taikos, snare drum, side drum, shaker, shakers, "
            "woodblock, castanets, whip, anvil, ratchet, mark tree, schlagzeug, schlagwerk, schlzg, "
            "schlgz, schlz, schlg, schl, perk, perkussion, große trommel, gr trommel, grosse trommel, "
            "kleine trommel, kl trommel, rührtrommel, becken, triangel, tamburin, grosse caisse, caisse "
            "claire, cymbales, tambour, percussioni, piatti, piatto, tamburo, tamburi, triangolo, "
            "cassa, percusión, bombo, caja, platillos, platos, triángulo, pandereta"
        ),
        distance_m=14,
        angle_deg=10,
        hall_db=-15,
        general=True,
    ),
    Instrument(
        name="mallets",
        family="percussion",
        words=(
            "mallets, mallet, tuned perc, tuned percussion, pitched perc, glockenspiel, glock, glocks, "
            "glsp, glk, glo, xylophone, xylo, xyl, vibraphone, vibes, vib, vibr, marimba, mar, mba, "
            "tubular bells, tub bells, tubbells, chimes, crotales, crot, bells, stabspiele, xylophon, "
            "vibraphon, röhrenglocken, glocken, jeu de timbres, cloches, cloches tubes, xilofono, "
            "vibrafono, campanelli, campane, carillon, lira, xilófono, vibráfono, campanas, campanólogo"
        ),
        distance_m=13,
        angle_deg=-24,
        hall_db=-15,
    ),
    Instrument(
        name="harp",
        family="keys",
        words="harp, harps, hp, hps, hrp, harfe, harfen, hrf, hfe, harpe, harpes, arpa, arpe, arpas",
        distance_m=9,
        angle_deg=-32,
        hall_db=-13,
    ),
    Instrument(
        name="piano",
        family="keys",
        words=(
            "piano, pianos, pno, pf, pfte, pianoforte, grand piano, prepared piano, klavier, klav, klv, "
            "kla, flügel, pianoforti, upright"
        ),
        distance_m=9.5,
        angle_deg=-26,
        hall_db=-14,
    ),
    Instrument(
        name="celesta",
        family="keys",
        words=(
            "celesta, celeste, celest, clst, célesta, harpsichord, hpschd, hpsd, cembalo, cemb, "
            "clavecin, clavicembalo, clave, clavecín, keyboard, keyboards, keys, keyb, tasten"
        ),
        distance_m=10,
        angle_deg=-28,
        hall_db=-14,
    ),
    Instrument(
        name="choir",
        family="choir",
        words=(
            "choir, choirs, chr, choral, chorus, satb, ssaattbb, voices, chor, chöre, gemischter chor, "
            "stimmen, choeur, choeurs, chœur, chœurs, coro, cori, coros, voces, voci, voix, bv, bvs, "
            "bgv, bgvs, backing vocals"
        ),
        distance_m=13.5,
        angle_deg=0,
        hall_db=-14,
        church_db=-14,
        general=True,
    ),
    Instrument(
        name="sopranos",
        family="choir",
        words="soprano, sopranos, sopr, sop, sops, sopran, soprane, soprani, mezzo, mezzos, mezzosoprano",
        distance_m=13.5,
        angle_deg=-16,
        hall_db=-14,
        church_db=-14,
    ),
    Instrument(
        name="altos",
        family="choir",
        words="contralto, contraltos, contralti, altstimme, choir altos",
        distance_m=13.5,
        angle_deg=-6,
        hall_db=-14,
        church_db=-14,
    ),
    Instrument(
        name="tenors",
        family="choir",
        words="tenor, tenors, ten, tens, tenöre, ténor, ténors, tenore, tenori, tenores",
        distance_m=13.5,
        angle_deg=6,
        hall_db=-14,
        church_db=-14,
    ),
    Instrument(
        name="choir_basses",
        family="choir",
        words=(
            "choir bass, choir basses, chorbass, baritone, baritones, bariton, bari, baritoni, "
            "barítono, barítonos, baryton, barytons, bajos"
        ),
        distance_m=13.5,
        angle_deg=16,
        hall_db=-14,
        church_db=-14,
    ),
    Instrument(
        name="womens_choir",
        family="choir",
        words=(
            "choir sa, choir ssa, choir ssaa, sa choir, ssa choir, ssaa choir, "
            "women, womens choir, women choir, female choir, ladies, frauen, frauenchor, femmes, choeur "
            "de femmes, coro femminile, donne, mujeres, coro femenino"
        ),
        distance_m=13.5,
        angle_deg=-10,
        hall_db=-14,
        church_db=-14,
    ),
    Instrument(
        name="mens_choir",
        family="choir",
        words=(
            "choir tb, choir ttb, choir ttbb, tb choir, ttb choir, ttbb choir, "
            "men, mens choir, men choir, male choir, männer, männerchor, hommes, choeur d hommes, coro "
            "maschile, uomini, hombres, coro masculino"
        ),
        distance_m=13.5,
        angle_deg=10,
        hall_db=-14,
        church_db=-14,
    ),
    Instrument(
        name="childrens_choir",
        family="choir",
        words=(
            "children, childrens choir, children choir, kids choir, boys choir, boy choir, boys, girls "
            "choir, trebles, kinder, kinderchor, knabenchor, knaben, choeur d enfants, enfants, "
            "maîtrise, voci bianche, coro di bambini, niños, coro de niños, coro infantil"
        ),
        distance_m=12.5,
        angle_deg=-12,
        hall_db=-14,
        church_db=-14,
    ),
    Instrument(
        name="voice",
        family="choir",
        words=(
            "voice, vocal, vocals, vox, vx, vocalist, singer, lead vox, lead vocal, ld vox, gesang, "
            "stimme, chant, canto, voce, voz, solo voice, solo soprano, solo sopran, solo vox, solo "
            "vocal, soprano solo, tenor solo, boy soprano, solo boy"
        ),
        distance_m=4,
        angle_deg=0,
        hall_db=-13,
        church_db=-16,
    ),
    Instrument(
        name="high_strings",
        family="strings",
        words=(
            "high strings, high string, strings high, strings hi, str high, str hi, hi strings, high "
            "str, hi str, histr, upper strings, hohe streicher, hohe str, cordes aiguës, archi acuti, "
            "cuerdas agudas"
        ),
        distance_m=6.5,
        angle_deg=-20,
        hall_db=-12,
    ),
    Instrument(
        name="violins",
        family="strings",
        words=(
            "violin, violins, vln, vlns, vlin, vl, vls, vn, vns, vni, vlni, viol, fiddle, fiddles, "
            "violine, violinen, geige, geigen, vio, gg, violon, violons, vlon, vlons, violino, violini, "
            "violín, violines"
        ),
        distance_m=6,
        angle_deg=-22,
        hall_db=-12,
        parts=("violins_1", "violins_2"),
    ),
    Instrument(
        name="violins_1",
        family="strings",
        words=(
            "violins one, first violins, firsts, erste violinen, erste geigen, premiers violons, "
            "violini primi, primi violini, violines primeros"
        ),
        distance_m=5.5,
        angle_deg=-28,
        hall_db=-12,
    ),
    Instrument(
        name="violins_2",
        family="strings",
        words=(
            "violins two, second violins, seconds, zweite violinen, zweite geigen, seconds violons, "
            "violini secondi, secondi violini, violines segundos"
        ),
        distance_m=6.5,
        angle_deg=-14,
        hall_db=-12,
    ),
    Instrument(
        name="violas",
        family="strings",
        words="viola, violas, vla, vlas, va, vas, vle, vlle, bratsche, bratschen, brat, brtsch, viole",
        distance_m=6.5,
        angle_deg=10,
        hall_db=-12,
    ),
    Instrument(
        name="cellos",
        family="strings",
        words=(
            "cello, cellos, celli, vc, vcs, vcl, vcls, vlc, vlcs, vcello, vlo, clo, clli, cll, "
            "violoncello, violoncelli, violoncellos, violoncelle, violoncelles, vcelle, violonchelo, "
            "violonchelos, chelo, chelos, violonc"
        ),
        distance_m=6,
        angle_deg=25,
        hall_db=-12,
    ),
    Instrument(
        name="basses",
        family="strings",
        words=(
            "double bass, double basses, d bass, dbl bass, string bass, contrabass, contrabasses, "
            "contra bass, cb, cbs, db, dbs, kontrabass, kontrabässe, ktb, kbs, bässe, kontrab, "
            "contrebasse, contrebasses, contreb, ctb, cbasse, contrabbasso, contrabbassi, contrabasso, "
            "contrabassi, contrab, contrabajo, contrabajos"
        ),
        distance_m=8,
        angle_deg=30,
        hall_db=-14,
    ),
    Instrument(
        name="low_strings",
        family="strings",
        words=(
            "low strings, low string, strings low, strings lo, str low, str lo, lo strings, low str, lo "
            "str, lostr, lower strings, tiefe streicher, tiefe str, cordes graves, archi gravi, cuerdas "
            "graves, celli bassi, celli und bässe, cellos and basses"
        ),
        distance_m=7,
        angle_deg=28,
        hall_db=-13,
    ),
    Instrument(
        name="strings",
        family="strings",
        words=(
            "strings, string, str, strs, strgs, stgs, strngs, ensemble strings, tutti strings, full "
            "strings, chamber strings, melody strings, streicher, strch, streich, cordes, archi, arch, "
            "cuerdas, cuerda"
        ),
        distance_m=6.5,
        angle_deg=-4,
        hall_db=-12,
        general=True,
    ),
    Instrument(
        name="organ",
        family="organ",
        words=("organ, organs, org, pipe organ, church organ, orgel, orgue, orgues, organo, órgano, órganos"),
        distance_m=14,
        angle_deg=0,
        hall_db=-15,
        church_db=-12,
    ),
    Instrument(
        name="guitars",
        family="band",
        words=(
            "guitar, guitars, gtr, gtrs, git, gitarre, gitarren, guit, acoustic guitar, ac gtr, agtr, "
            "electric guitar, el gtr, egtr, elec gtr, nylon, mandolin, mandoline, lute, laute, ukulele, "
            "uke, banjo, dulcimer, zither, guitare, guitares, chitarra, chitarre, guitarra, guitarras"
        ),
        distance_m=5,
        angle_deg=16,
        hall_db=None,
    ),
    Instrument(
        name="bass_guitar",
        family="band",
        words=(
            "bass guitar, bass gtr, bassgtr, ebass, e bass, electric bass, el bass, elec bass, bgtr, "
            "basse électrique, basso elettrico, bajo eléctrico, upright bass"
        ),
        distance_m=5,
        angle_deg=8,
        hall_db=None,
    ),
    Instrument(
        name="drums",
        family="band",
        words=(
            "drs, kit, drumkit, drum kit, drumset, kick, kik, hihat, hi hat, hh, overhead, overheads, "
            "oh, ohs, loop, loops, beats, batterie, batteria, batería"
        ),
        distance_m=6,
        angle_deg=0,
        hall_db=None,
    ),
    Instrument(
        name="synths",
        family="synths",
        words=(
            "synth, synths, syn, synthesizer, synthesiser, pad, pads, arp, arps, pulse, pulses, drone, "
            "drones, sub, synth bass, syn bass, lead synth, seq, sequence, texture, textures, atmo, "
            "atmos, atmosphere, ambiences, bed, synthé, synthés, sintetizador, sintetizzatore, "
            "electronics, elektronik, electronica, elettronica"
        ),
        distance_m=6,
        angle_deg=0,
        hall_db=None,
    ),
    Instrument(
        name="effects",
        family="synths",
        words=(
            "fx, sfx, efx, effects, effect, effekte, hit, hits, boom, booms, braam, braams, riser, "
            "risers, rise, whoosh, whooshes, impact, impacts, sweep, sweeps, reverse, swell, swells, "
            "foley, sound design, sounddesign, efectos, effetti"
        ),
        distance_m=6,
        angle_deg=0,
        hall_db=None,
    ),
)

# Words with two readings: section and the families or sections whose presence speaks for it, likeliest first.
AMBIGUOUS: Mapping[str, tuple[tuple[str, frozenset[str]], ...]] = {
    words: tuple((name, frozenset(speaks.split())) for name, speaks in readings)
    for words, readings in {
        "bass, basses, bs, bss, bassi, basso, basse": (
            ("choir_basses", "sopranos altos tenors"),
            ("basses", "violins violins_1 violins_2 violas cellos strings high_strings"),
            ("bass_guitar", "guitars drums"),
        ),
        "alto, altos, alti, alt, alte": (
            ("altos", "sopranos tenors choir_basses"),
            ("violas", "violins violins_1 violins_2 cellos basses strings"),
        ),
        "cor": (("horns", "brass trumpets low_brass woodwinds"), ("woodwinds", "")),
        "tb": (("low_brass", "horns trumpets brass"), ("mallets", "")),
        "tr": (("trumpets", "horns low_brass brass"), ("percussion", "")),
        "br": (
            ("violas", "violins violins_1 violins_2 cellos"),
            ("brass", "strings violins violins_1 violins_2 cellos woodwinds choir percussion"),
        ),
        "kb": (("basses", "violins violins_1 violins_2 violas cellos strings low_strings"), ("celesta", "")),
        "cel": (("celesta", "harp piano"), ("cellos", "violins violins_1 violins_2 violas basses")),
        "bar": (("choir_basses", "sopranos altos tenors"), ("woodwinds", "")),
        "drums, drum, drm, drms, toms, tom, snare, snares, sn": (
            (
                "percussion",
                "percussion timpani mallets strings violins violins_1 cellos horns trumpets brass low_brass",
            ),
            ("drums", "drums guitars bass_guitar"),
        ),
    }.items()
}

# Words of what lies in a session's folder and is no stem → why it is left out. A mix, a bounce or a print may
# also be how a section was exported, so those count only where no instrument is named.
NOT_STEMS: Mapping[str, tuple[str, bool]] = {
    word: (why, always)
    for words, why, always in (
        ("click clicks clic klick metronome metronom metronomo count countin countoff", "a click", True),
        ("guide guides scratch slate slates temp temptrack pilot", "a guide, not part of the music", True),
        ("reverb verb rvb reverbs wet", "a room's return: sends want the dry sound", True),
        ("dialog dialogue dialogues dx vo voiceover", "speech, not part of the music", True),
        ("ref reference refmix fullmix premix mixdown", "a full mix", True),
        (
            "mix mixes stereomix master mstr mastered bounce bounced bnc rough print playback gesamt summe",
            "a full mix",
            False,
        ),
    )
    for word in words.split()
}


@cache
def instruments_by_name() -> dict[str, Instrument]:
    """Section → the first row of the table that makes it."""
    found: dict[str, Instrument] = {}
    for instrument in INSTRUMENTS:
        found.setdefault(instrument.name, instrument)
    return found


@cache
def _order() -> dict[str, int]:
    return {name: place for place, name in enumerate(instruments_by_name())}


def find_instrument(name: str) -> Instrument | None:
    """Instrument of the table by the name of its section."""
    return instruments_by_name().get(name)


def score_place(name: str) -> int:
    """Where a section stands in the score; what is not in the table comes last."""
    return _order().get(name, len(_order()))
