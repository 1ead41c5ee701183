"""Words that labs head their columns with and write into their cells: English, German, French, Spanish.

Common practice, no source. Written without accents, as ``folded`` gives them. Below the tables: such a word -> ours.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import lru_cache

from calib.logs.shapes import UNITS_OF_TIME
from calib.logs.words import stage_problem
from calib.records import PROCESS_WORDS, PROCESSES, STAGES
from calib.spelling import nearest

# Our column -> how it is headed, words parted by commas.
_HEADINGS = {
    "build_id": "build, job, job id, build no, build number, job no, job number, print, print id, print no, job name, build name, plate, "
    "baujob, druckauftrag, druckjob, bauauftrag, job nr, druck nr, druck, platte, "
    "impression, travail, plateau, no impression, trabajo, impresion, bandeja",
    "order_id": "order, order no, order number, ticket, work order, customer order, auftrag, auftragsnr, auftragsnummer, auftrag nr, "
    "bestellung, bestellnr, bestellnummer, kommission, commande, no commande, numero de commande, ordre de fabrication, "
    "pedido, orden, numero de pedido, orden de trabajo",
    "process": "technology, method, technique, printing process, verfahren, druckverfahren, technologie, procede, proceso, tecnologia",
    "machine": "printer, machine id, machine name, printer name, drucker, maschine, anlage, imprimante, maquina, impresora",
    "parts": "pieces, quantity, qty, count, pcs, number of parts, no of parts, stuck, stuckzahl, anzahl, menge, teile, anzahl teile, "
    "quantite, qte, nombre de pieces, nb pieces, cantidad, piezas, numero de piezas, unidades",
    "parts_good": "good, good parts, ok parts, gutteile, pieces bonnes, piezas buenas",
    "qty": "quantity, pieces, count, pcs, stuck, anzahl, menge, quantite, cantidad",
    "stage": "step, operation, task, activity, process step, work step, phase, schritt, arbeitsschritt, arbeitsgang, prozessschritt, "
    "tatigkeit, vorgang, etape, tache, activite, etapa, paso, operacion, tarea, actividad, fase",
    "started_at": "start, begin, started, start time, from, begun, start date, time in, in, started on, beginn, von, anfang, startzeit, "
    "startdatum, gestartet, debut, de, heure debut, heure de debut, date debut, inicio, desde, comienzo, hora inicio, "
    "hora de inicio, fecha inicio",
    "ended_at": "end, finish, ended, finished, end time, stop, to, until, completed, completed at, time out, out, finish time, end date, "
    "ende, bis, endzeit, enddatum, beendet, fertig um, fin, a, heure fin, heure de fin, date fin, jusqu a, hasta, final, "
    "hora fin, hora de fin, fecha fin",
    "date": "day, work date, datum, tag, jour, fecha, dia",
    "work_min": "duration, time, time taken, time spent, elapsed, worked, run time, runtime, work time, minutes, min, mins, hours, h, hrs, minuten, stunden, std, dauer, zeit, "
    "arbeitszeit, zeitaufwand, aufwand, laufzeit, duree, temps, temps passe, duracion, tiempo, tiempo empleado",
    "station": "bench, place, equipment, workplace, workstation, device, resource, arbeitsplatz, platz, ort, gerat, poste, "
    "poste de travail, equipement, lieu, puesto, estacion, equipo, lugar",
    "operator": "person, who, worker, name, by, staff, technician, employee, initials, done by, bearbeiter, mitarbeiter, wer, bediener, "
    "kurzel, techniker, operateur, qui, technicien, par, nom, employe, operario, quien, operador, tecnico, nombre, empleado",
    "crew_size": "people, persons, headcount, personen, leute, personnes, personas",
    "note": "comment, comments, remarks, notes, remark, bemerkung, bemerkungen, kommentar, notiz, anmerkung, remarque, remarques, "
    "commentaire, observations, nota, notas, observaciones, comentario",
    "material": "resin, powder, filament, werkstoff, harz, pulver, matiere, materiau, resine, poudre, resina, polvo",
    "material_lot": "lot, batch, lot no, batch no, charge, chargennr, lote",
    "layer_mm": "layer, layer height, layer thickness, schicht, schichtdicke, schichthohe, couche, epaisseur de couche, "
    "hauteur de couche, capa, altura de capa, espesor de capa",
    "layers": "number of layers, layer count, schichten, anzahl schichten, couches, nombre de couches, capas, numero de capas",
    "height_mm": "height, z, build height, z height, hohe, bauhohe, hauteur, altura",
    "part_volume_cm3": "volume, part volume, volumen, teilevolumen",
    "material_g": "weight, grams, mass, material used, filament used, gewicht, masse, verbrauch, poids, peso, masa, gramos",
    "material_ml": "ml, millilitres, resin used, harzmenge, harzverbrauch",
    "announced_min": "estimate, est time, est duration, estimated, estimated time, print time, planned time, estimated duration, druckzeit, geplante zeit, schatzung, "
    "temps estime, duree estimee, temps d impression, tiempo estimado, tiempo de impresion",
    "part_file": "file, file name, filename, model, datei, dateiname, modell, bauteil, fichier, modele, archivo, fichero, modelo",
    "paused_min": "pause, paused, break, interruption, pausen, unterbrechung, pausa, interrupcion",
    "touch_min": "hands on, hands on time, manual time, handzeit, temps manuel, tiempo manual",
    "outcome": "result, status, state, ergebnis, zustand, resultat, statut, etat, resultado, estado",
    "attempt": "try, versuch, essai, tentative, intento",
    "infill": "fill, density, fullung, fulldichte, remplissage, relleno",
    "nozzle_mm": "nozzle, duse, buse, boquilla",
    "exposure_s": "exposure, exposure time, belichtung, belichtungszeit, exposition, exposicion",
    "finish": "surface, finishing, oberflache, finition, acabado",
    "at": "when, timestamp, time stamp, date time, zeitpunkt, zeitstempel, wann, horodatage, quand, cuando, time, date, datum",
    "what": "event, change, action, ereignis, anderung, evenement, evento",
}  # fmt: skip
_STAGES = {
    "design_adaptation": "redesign, design change, konstruktion, conception, diseno",
    "file_prep": "file preparation, data preparation, data prep, slicing, nesting, datenaufbereitung, arbeitsvorbereitung, "
    "druckvorbereitung, preparation fichier, preparacion de archivo",
    "material_drying": "filament drying, dry filament, filament trocknen, sechage filament, secado de filamento",
    "powder_prep": "powder mixing, powder blending, mix powder, pulveraufbereitung, pulver mischen, melange poudre, mezcla de polvo",
    "machine_setup": "setup, set up, rusten, einrichten, reglage, preparation machine, puesta a punto",
    "warm_up": "warmup, heat up, heating, preheat, preheating, aufheizen, vorheizen, prechauffage, precalentamiento",
    "printing": "print, build, building, drucken, druck, impression, impresion, imprimir",
    "cool_down": "cooling, cool, cooldown, abkuhlen, abkuhlung, refroidissement, enfriamiento",
    "unloading": "unload, part removal, take out, entnahme, entformen, entnehmen, dechargement, retrait, descarga, retirada",
    "machine_cleaning": "clean machine, machine clean, maschinenreinigung, maschine reinigen, nettoyage machine, limpieza de maquina",
    "draining": "drain, dripping, abtropfen, egouttage, escurrido",
    "support_removal": "remove supports, supports off, supports, desupport, stutzen entfernen, entstutzen, stutzen, retrait supports, "
    "enlevement supports, retirada de soportes, quitar soportes, soportes",
    "support_dissolving": "dissolve, dissolving, auslosen, dissolution, disolucion",
    "rinsing": "rinse, spulen, rincage, enjuague",
    "washing": "wash, waschen, wasche, wasch, lavage, lavado",
    "drying": "dry, trocknen, trocknung, sechage, secado",
    "post_curing": "cure, curing, post cure, postcure, uv cure, uv, harten, nachharten, aushartung, uv harten, polymerisation, "
    "post polymerisation, curado, poscurado, postcurado",
    "breakout": "break out, unpack, unpacking, auspacken, entpacken, deballage, desempaquetado",
    "part_cleaning": "depowdering, depowder, clean parts, entpulvern, depoudrage, desempolvado",
    "powder_recovery": "sieve, sieving, sieben, tamisage, tamizado",
    "blasting": "blast, bead blast, sandblasting, strahlen, sandstrahlen, sablage, grenaillage, granallado, chorreado",
    "sanding": "sand, schleifen, schleif, poncage, lijado",
    "annealing": "anneal, tempern, recuit, recocido",
    "colouring": "colour, coloring, dye, dyeing, paint, painting, farben, einfarben, lackieren, teinture, peinture, tenido, pintura",
    "assembly": "assemble, montage, montieren, assemblage, montaje, ensamblaje",
    "inspection": "inspect, qc, qa, quality check, quality control, prufung, prufen, kontrolle, controle, inspeccion, control de calidad",
    "packing": "pack, packaging, verpacken, verpackung, emballage, embalaje, empaquetado",
}  # fmt: skip
_PROCESSES = {
    "MEX": "extrusion, filament, material extrusion",
    "VPP": "resin, harz, resine, resina, stereolithography, stereolithographie, estereolitografia",
    "PBF": "powder, pulver, poudre, polvo, laser sintering, lasersintern, frittage laser, sinterizado laser",
}
_OUTCOMES = {
    "done": "ok, finished, complete, completed, success, fertig, erledigt, i o, io, gut, termine, fait, reussi, hecho, terminado",
    "stopped": "cancelled, canceled, aborted, abgebrochen, abbruch, gestoppt, arrete, annule, cancelado, detenido",
    "failed": "fail, scrap, fehler, fehlgeschlagen, ausschuss, n i o, nio, echec, rebut, fallo, fallido",
    "skipped": "skip, ubersprungen, entfallt, saute, omitido",
    "void": "storniert, ungultig, anulado",
}
_EVENTS = {
    "start": "start, started, begin, in, scan in, check in, clock in, beginn, anfang, an, debut, inicio, entree, entrada",
    "stop": "stop, stopped, end, ended, finish, finished, done, out, scan out, check out, clock out, ende, fertig, stopp, aus, fin, sortie, "
    "termine, salida, final",
    "pause": "pause, paused, hold, break, unterbrechung, pausa",
    "resume": "resume, resumed, continue, go, weiter, fortsetzen, reprise, reanudar, continuar",
}  # fmt: skip
# How rows begin that part the others or sum them up.
_BETWEEN_ROWS = (
    "week, wk, calendar week, cw, total, totals, sum, subtotal, grand total, kw, kalenderwoche, woche, summe, gesamt, gesamtsumme, "
    "zwischensumme, ubertrag, semaine, sem, somme, total general, sous total, semana, suma"
)
# Their spelling of a unit in a heading -> the mapping's.
_UNITS = {
    "um": "um, microns, micron, mikrometer, μm", "mm": "mm", "cm": "cm", "in": "inch, inches, zoll", "cm3": "cm3, ccm, cc",
    "ml": "ml, millilitres", "l": "l, liter, litre, litres", "g": "g, gram, grams, gramm, grammes", "kg": "kg, kilo", "%": "percent, prozent",
}  # fmt: skip


def folded(text: str) -> str:
    """Small letters without accents, words parted by one space; 'ae' is as good as 'ä', and 'startTime' two words.

    >>> folded("Stück-Zahl"), folded("Durée"), folded("startTime"), folded("Prüfung") == folded("Pruefung")
    ('stuck zahl', 'duree', 'start time', True)
    """
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).replace("ß", "ss").replace("%", " percent ").lower()
    plain = unicodedata.normalize("NFKD", text)
    plain = "".join(letter if letter.isalnum() else " " for letter in plain if not unicodedata.combining(letter))
    return " ".join(re.sub(r"([aou])e", r"\1", plain).split())


def _by_phrase(table: dict[str, str]) -> dict[str, str]:
    return {folded(phrase): ours for ours, phrases in table.items() for phrase in phrases.split(",")}


HEADINGS: dict[str, tuple[str, ...]] = {
    ours: tuple(folded(phrase) for phrase in phrases.split(",")) for ours, phrases in _HEADINGS.items()
}
HEADINGS["station"] += (*HEADINGS["machine"], "machine")
STAGE_WORDS = _by_phrase(_STAGES) | {folded(stage): stage for stage in STAGES}
PROCESS_PHRASES = (
    _by_phrase(_PROCESSES)
    | {folded(word): code for word, code in PROCESS_WORDS.items()}
    | {folded(words): code for code, words in PROCESSES.items()}
)
OUTCOME_WORDS = _by_phrase(_OUTCOMES) | {outcome: outcome for outcome in _OUTCOMES}
EVENT_WORDS = _by_phrase(_EVENTS)
BETWEEN_ROWS = frozenset(folded(phrase) for phrase in _BETWEEN_ROWS.split(","))
_TIME_UNITS = {1440.0: "d", 60.0: "h", 1.0: "min", 1 / 60: "s"}
UNIT_WORDS = _by_phrase(_UNITS) | {
    folded(word): _TIME_UNITS[minutes] for word, minutes in UNITS_OF_TIME.items() if word != "m"
}


def phrase_in(text: str, phrases: dict[str, str]) -> tuple[str, str]:
    """The longest known phrase that stands in a folded text as whole words, and what it means; ('', '') if none does.

    >>> phrase_in(folded("Waschen in Alkohol"), STAGE_WORDS), phrase_in("x", STAGE_WORDS)
    (('waschen', 'washing'), ('', ''))
    """
    held = [phrase for phrase in phrases if f" {phrase} " in f" {text} "]
    return max(((phrase, phrases[phrase]) for phrase in held), key=lambda pair: len(pair[0]), default=("", ""))


def without_unit(heading: str) -> tuple[str, str]:
    """A heading folded, its unit taken off; the unit as a mapping has it, or ''.

    >>> without_unit("Zeit [Std.]"), without_unit("layer (µm)"), without_unit("Start (local)"), without_unit("Minutes")
    (('zeit', 'h'), ('layer', 'um'), ('start', ''), ('minutes', 'min'))
    """
    bracket = re.search(r"[(\[]([^()\[\]]*)[)\]]", heading)
    outside = folded(re.sub(r"[(\[][^()\[\]]*[)\]]", " ", heading))
    inside = folded(bracket[1]).split() if bracket else []
    unit = next((UNIT_WORDS[word] for word in inside if word in UNIT_WORDS), "")
    first, _, last = outside.rpartition(" ")
    if not unit and last in UNIT_WORDS:
        return (re.sub(r" (in|en)$", "", first) or last), UNIT_WORDS[last]
    return outside, unit


_SEVERAL = re.compile(r"\+|/|&|,|\band\b|\bund\b|\bet\b|\by\b")


@lru_cache(maxsize=4096)
def stage_of(word: str, shop_stages: tuple[str, ...] = ()) -> str:
    """Our stage for a word, several joined by +, or ''; what names a process is no misspelt stage.

    >>> stage_of("Cool down"), stage_of("Waschen in Alkohol"), stage_of("wash + cure"), stage_of("lunch"), stage_of("resin 1")
    ('cool_down', 'washing', 'washing+post_curing', '', '')
    """
    plain = word.strip().lower().replace(" ", "_").replace("-", "_")
    if not stage_problem(plain, shop_stages):
        return plain
    known = STAGE_WORDS | {folded(stage): stage for stage in shop_stages}
    if exact := known.get(folded(word)):
        return exact
    parts = [phrase_in(folded(part), known)[1] for part in _SEVERAL.split(word)]
    if all(parts):
        return "+".join(dict.fromkeys(parts))
    alike = [] if process_of(word) else nearest(plain, [*STAGES, *shop_stages])
    return phrase_in(folded(word), known)[1] or next(iter(alike), "")


def is_sure_stage(word: str, ours: str) -> bool:
    """Whether a word says its stage or stages, and nothing else."""
    return folded(word) == folded(ours) or STAGE_WORDS.get(folded(word)) == ours


def process_of(word: str) -> str:
    """
    >>> process_of("SLA"), process_of("Harz"), process_of("weaving")
    ('VPP', 'VPP', '')
    """
    return PROCESS_PHRASES.get(folded(word)) or phrase_in(folded(word), PROCESS_PHRASES)[1]


def outcome_of(word: str) -> str:
    return OUTCOME_WORDS.get(folded(word), "")


def event_of(word: str) -> str:
    """start, stop, pause, resume or ''."""
    return EVENT_WORDS.get(folded(word), "")


def word_of(word: str, words: Iterable[str]) -> str:
    """The one of our words that a word is, but for its spelling, or ''."""
    return next((ours for ours in words if folded(ours) == folded(word)), "")


def why_stage(word: str, ours: str) -> tuple[str, str]:
    """Why a word was taken for a stage, to be put behind its count; and the question where that is a guess."""
    if is_sure_stage(word, ours):
        return "", ""
    if "+" in ours:
        return "; several at once: learned from as a sum", "it names several stages, and is learned from as their sum"
    phrase, held = phrase_in(folded(word), STAGE_WORDS)
    return (f'; holds "{phrase}"', "") if held == ours else ("", "it is the nearest word, no more")
