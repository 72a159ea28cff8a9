"""The sentences of :mod:`cycler.record.text` in German.

Terms of conformity assessment (Annahmegrenze, Sicherheitsband, Erweiterungsfaktor) as far as known from memory of the German metrology
vocabulary; those of the trade (Entladeschlussspannung, Zellgruppe, Spannungseinbruch) are common practice, no source.
"""

from __future__ import annotations

from cycler.record.measuretext_de import REASONS, SOURCES

LANGUAGE = "de"
MONTHS = (
    "Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September", "Oktober", "November", "Dezember",
)
MOMENT = "{day:02d}.{number:02d}.{year}, {time}"
AND, OR, TO = "und", "oder", "bis"

TITLE = "Prüfprotokoll eines Akkupacks"
DOCUMENT_TITLE = "Prüfprotokoll {serial}"
SUBJECT = "Ergebnis einer Lade- und Entladeprüfung an einem Akkupack"
PAGE = "Seite {page} von {pages}"
FOOTER = "Protokoll {serial}"

NOT_MEASURED = "nicht gemessen"
NOT_KNOWN = "nicht bekannt"
NOT_STATED = "nicht angegeben"
NONE = "keine"
YES = "ja"
NO = "nein"
MORE = "… und {n} weitere, hier nicht aufgeführt; alle stehen in der gespeicherten Auswertung."
AT_LEAST = "mind. {figure}"
AT_LEAST_SHORT = "≥ {figure}"
AT_MOST_SHORT = "≤ {figure}"
EXPANDED = "± {figure}"

# ---- Urteil --------------------------------------------------------------------------------------------
RESULT_WORD = {
    "pass": "BESTANDEN", "fail": "NICHT BESTANDEN", "not_proven": "NICHT NACHGEWIESEN", "none": "KEIN URTEIL",
}
RESULT_SMALL = {"pass": "bestanden", "fail": "nicht bestanden", "not_proven": "nicht nachgewiesen", "none": "nicht beurteilt"}
RESULT_MEANS = {
    "pass": "Jedes verlangte Kriterium ist nach der unten genannten Entscheidungsregel erfüllt.",
    "fail": "Ein verlangtes Kriterium ist nicht erfüllt, oder ein Befund schließt den Akkupack aus.",
    "not_proven": "Die Prüfung zeigt nicht, ob der Akkupack die Kriterien erfüllt.",
    "none": "Zu dieser Prüfung gibt es kein Urteil. Die Werte stehen ohne Bewertung da.",
}
RESULT_DO = {
    "pass": "Das Urteil gilt für das, was gemessen wurde, zum Zeitpunkt der Prüfung, und für nichts sonst.",
    "fail": "Nehmen Sie den Akkupack auf Grund dieser Prüfung nicht in Betrieb.",
    "not_proven": "Weder bestanden noch nicht bestanden: Nehmen Sie den Akkupack so nicht in Betrieb; siehe, was es klären würde.",
    "none": "Verstehen Sie die Werte nicht als Freigabe.",
}
SHAPE_MEANS = {
    "pass": "Volle Scheibe mit Haken: bestanden", "fail": "Volles Quadrat mit Kreuz: nicht bestanden",
    "not_proven": "Halb gefüllter Ring: nicht nachgewiesen", "none": "Leerer Ring: kein Urteil",
}
VERDICT_AGAINST = "Beurteilt nach dem Kriteriensatz „{name}“."
VERDICT_RULE = "Entscheidungsregel: {rule}"
DECIDED = ("Entschieden von {by}.", "Bemerkung der Person, die entschieden hat; am Ergebnis ändert sie nichts: „{remark}“")
VERDICT_CRITERIA_HASH = "Prüfsumme (SHA-256) der Kriteriendatei: {sha256}"
RULE_WORDS = {
    "guarded": "Ein Wert gilt nur dann als erfüllt, wenn er mindestens um das Sicherheitsband innerhalb des Grenzwerts liegt, als verfehlt nur dann, wenn er um ebenso viel außerhalb liegt; dazwischen ist er nicht nachgewiesen.",
    "simple": "Ein Wert gilt als erfüllt, wenn er auf der richtigen Seite des Grenzwerts liegt; seine Unsicherheit wird nicht gerechnet (Risiko einer falschen Entscheidung bis 50 %).",
}
CAPACITY_INVALID_FRONT = "Die Kapazität wurde nicht gültig gemessen: {reasons}."

# ---- Überschriften -------------------------------------------------------------------------------------
H_PACK = "Akkupack"
H_VERDICT = "Urteil"
H_TEST = "Was geprüft wurde, und wie"
H_FIGURES = "Messwerte"
H_CRITERIA = "Kriterien"
H_FINDINGS = "Befunde"
H_SETTLE = "Was es klären würde"
H_LIMITS = "Was dieses Protokoll nicht sagt"
H_REASONS = "Warum ein Kriterium nicht erfüllt ist"
H_CURVE = "Verlauf der Prüfung"
H_GROUPS = "Zellgruppen"
H_STEPS = "Schritte der Prüfung"
H_BUDGET = "Unsicherheit der Kapazität"
H_RESISTANCE_BUDGET = "Unsicherheit des 10-s-Widerstands"
H_READING = "Wie die Aufzeichnung gelesen wurde"
H_LOGS = "Rohdaten"
H_CODES = "Was die Befunde bedeuten"
H_CAUTIONS = "Vorsichtshinweise"

# ---- Akkupack ------------------------------------------------------------------------------------------
L_SERIAL, L_MADE, L_WORKSHOP, L_RUN = "Protokoll-Nr.", "Erstellt", "Werkstatt", "Prüfung"
L_ID, L_CHEMISTRY, L_BUILD, L_RATED, L_VOLTAGES = "Akkupack", "Zellchemie", "Aufbau", "Nennwerte", "Spannungen"
L_CURRENTS = "Ströme bis"
CHEMISTRY_WORDS = {
    "nmc": "Lithium-Nickel-Mangan-Cobalt-Oxid (nmc)", "nca": "Lithium-Nickel-Cobalt-Aluminium-Oxid (nca)",
    "lco": "Lithium-Cobalt-Oxid (lco)", "lmo": "Lithium-Mangan-Oxid (lmo)",
    "lfp": "Lithium-Eisenphosphat (lfp)", "lto": "Lithium-Titanat (lto)", "nimh": "Nickel-Metallhydrid (nimh)",
}
BUILD = "{series} Gruppen in Reihe, je {parallel} Zellen parallel"
BUILD_SINGLE = "{series} einzelne Zellen in Reihe"
BUILD_SERIES = "{series} Gruppen in Reihe, Zahl der parallelen Zellen nicht angegeben"
VOLTAGES = ("{voltage} voll", "{voltage} leer")
VOLTAGES_UNKNOWN = ("voll nicht angegeben", "leer nicht angegeben")
CURRENTS = "Laden {charge}, Entladen {discharge}"
NO_RATED_ENERGY, NO_RATED_CAPACITY = "Energie nicht angegeben", "Kapazität nicht angegeben"
INFERRED = "Erschlossen, nicht in der Packdatei angegeben: {keys}."
PACK_KEY_WORDS = {
    "id": "Nummer des Packs", "chemistry": "Zellchemie", "series": "Gruppen in Reihe", "parallel": "Zellen parallel",
    "rated_capacity_ah": "Nennkapazität", "rated_energy_wh": "Nennenergie", "charge_voltage_v": "Ladeschlussspannung",
    "cutoff_voltage_v": "Entladeschlussspannung", "group_charge_voltage_v": "Ladeschlussspannung einer Gruppe",
    "group_cutoff_voltage_v": "Entladeschlussspannung einer Gruppe", "taper_current_a": "Ladeschlussstrom",
    "max_charge_current_a": "höchster Ladestrom", "max_discharge_current_a": "höchster Entladestrom",
}

# ---- Prüfung -------------------------------------------------------------------------------------------
TEST_WHEN = "Beginn der Aufzeichnung {when} (Uhr des Messgeräts)."
TEST_WHEN_UNKNOWN = "Die Aufzeichnung trägt kein Datum."
TEST_LENGTH = "Sie dauert {duration} und hat {rows} Messpunkte, einen je {sampling}."
TEST_LENGTH_PLAIN = "Sie dauert {duration}."
TEST_CHARGE = "Laden mit {current}{rate}, {duration}, beendet bei {voltage}: {end}."
TEST_REST = "Ruhe {duration}."
TEST_DISCHARGE = "Entladen mit {current}{rate}, {duration}, von {start} bis {stop}: {end}."
TEST_LAST_BEFORE = "Der letzte Messwert stammt von kurz vor dem Erreichen der Entladeschlussspannung von {cutoff}."
TEST_NO_CHARGE = "Vor der Entladung ist keine Ladung aufgezeichnet."
TEST_NO_DISCHARGE = "Eine Entladung, die sich zählen ließe, ist nicht aufgezeichnet."
TEST_RATE = " ({rate} It)"
TEST_FULL_YES = "Der Akkupack war zu Beginn der Entladung voll: {evidence}."
TEST_FULL_NO = "Dass der Akkupack zu Beginn der Entladung voll war, ist nicht gezeigt: {evidence}."
TEST_FULL_UNKNOWN = "Ob der Akkupack zu Beginn der Entladung voll war, ist nicht bekannt."
TEST_TEMPERATURE = "Mittlere Temperatur während der Entladung {mean}."
TEST_AMBIENT = "Erster Wert des Temperaturfühlers {ambient}."
TEST_NO_TEMPERATURE = "Die Temperatur wurde nicht aufgezeichnet."
TEST_TEMPERATURE_UNKNOWN = "Temperatur während der Entladung nicht bekannt."
TEST_INSTRUMENT = "Fehlergrenzen des Messgeräts wie angegeben: {limits}."
TEST_INSTRUMENT_NONE = "Fehlergrenzen des Messgeräts sind nicht angegeben; die Unsicherheiten unten beruhen auf angenommenen: {limits}."
TEST_INSTRUMENT_UNKNOWN = "Über die Fehlergrenzen des Messgeräts ist nichts bekannt."
INSTRUMENT_CHANNEL = {
    "voltage": "Packspannung", "group_voltage": "Gruppenspannung", "current": "Strom", "temperature": "Temperatur", "clock": "Uhr",
}
OF_READING = "{percent} % vom Messwert"
DIGIT_SIZE = " (ein Digit ist {size})"
INSTRUMENT_FILE = "aus der Datei {file} (SHA-256 {sha256})"
SENSE = {
    "four-wire": "Packspannung am Akkupack selbst gemessen (Vierleiter)",
    "two-wire": "Packspannung an den Klemmen der Last gemessen (Zweileiter)",
}
LEAD = "Leitungen {ohm}"
INSTRUMENT_NOTE = (
    "Fehlergrenzen sind halbe Breiten und gelten als Rechteckverteilung; eine erweiterte Unsicherheit U aus einem Kalibrierschein zählt als U / k."
)
CURRENT_UNKNOWN, VOLTAGE_UNKNOWN, DURATION_UNKNOWN = "unbekanntem Strom", "unbekannter Spannung", "Dauer nicht bekannt"

STEP_WORDS = {
    "rest": "Ruhe", "charge_cc": "Laden, Konstantstrom", "charge_cv": "Laden, Konstantspannung",
    "charge": "Laden", "discharge_cc": "Entladen, Konstantstrom",
    "discharge_cv": "Entladen, Konstantspannung", "discharge_cp": "Entladen, konstante Leistung",
    "discharge_cr": "Entladen, konstanter Widerstand", "discharge": "Entladen",
    "pulse_charge": "Ladepuls", "pulse_discharge": "Entladepuls",
}
END_WORDS = {
    "charge_taper": "der Ladestrom war abgeklungen", "charge_voltage": "die Ladeschlussspannung war erreicht",
    "pack_cutoff": "der Akkupack erreichte seine Entladeschlussspannung", "group_cutoff": "eine Gruppe erreichte ihre Entladeschlussspannung",
    "protection_trip": "die Schutzschaltung des Akkupacks schaltete ab", "set_by_program": "vom Prüfprogramm umgeschaltet",
    "log_end": "hier endet die Aufzeichnung", "gap": "hier bricht die Aufzeichnung ab",
}
STEP_HEAD = ("Nr.", "Art", "Beginn", "Dauer", "Mittlerer Strom", "Ladung", "Energie", "Spannung von – bis", "Beendet, weil")
STEP_CAPTION = "Ladestrom zählt positiv, Entladestrom negativ."
STEP_NONE = "In der Aufzeichnung ließen sich keine Schritte unterscheiden."

# ---- Messwerte -----------------------------------------------------------------------------------------
FIGURE_HEAD = ("Größe", "Ergebnis", "Bemerkung")
FIGURE_CAPTION = "Nach ± die erweiterte Messunsicherheit, Erweiterungsfaktor k = 2 (bei Normalverteilung rund 95 %)."
F_CAPACITY, F_ENERGY, F_HEALTH = "Kapazität", "Energie", "Alterungszustand (SOH)"
F_R10, F_OHMIC = "Widerstand nach 10 s", "Ohmscher Widerstand"
F_EFFICIENCIES = "Wirkungsgrade"
F_COULOMBIC, F_ENERGY_EFFICIENCY = "Ladungswirkungsgrad", "Energiewirkungsgrad"
F_RISE = "Erwärmung"
F_LIMITING = "Begrenzende Gruppe"
N_MATCHED = "Schätzung: etwa {capacity}, wenn sie den anderen gliche (Unsicherheit nicht angegeben)"
N_MATCHED_U = "Schätzung: {capacity}, wenn sie den anderen gliche"
GROUP_N = "Gruppe {n}"
NO_LIMITING = "keine fällt auf"
N_VALID = "gültig als Kapazität des Akkupacks unter den Bedingungen dieser Prüfung"
N_LOWER = "nicht gültig als Kapazität des Akkupacks, eine Untergrenze: {reasons}"
N_LOWER_FRONT = "eine Untergrenze, nicht gültig als Kapazität des Akkupacks (siehe Urteil)"
N_AS_ABOVE = "wie oben"
N_INVALID = "nicht gültig als Kapazität des Akkupacks: {reasons}"
N_UNKNOWN_VALID = "ob der Wert gültig ist, ist nicht bekannt"
N_NO_REASON = "Grund nicht angegeben"
N_HIGHEST = "höchste Temperatur {temperature}"
N_MEAN_VOLTAGE = "mittlere Spannung {voltage}"
N_RATED = "bezogen auf die Nennkapazität {rated}"
N_FROM_INVALID = "mit dem Vorbehalt der Kapazität"
N_GROUP_SUM = "Summe der Gruppen, ohne die Verbindungen außerhalb der Abgriffe"
N_PACK = "ganzer Pack, {at}"
N_AT = "Stromsprung bei {time}"
N_ABOUT = "etwa {figure}"
N_STATE_OF_CHARGE = "zu etwa {soc} geladen"
W_CAPACITY = "keine Entladung in der Aufzeichnung, deren Ladung sich zählen ließe"
W_ENERGY = "braucht Packspannung und Strom während einer Entladung"
W_HEALTH = "braucht eine Kapazität und die Nennkapazität; Nennkapazität {rated}"
W_RESISTANCE = "braucht einen Stromsprung und dicht genug liegende Messpunkte"
W_R10 = "braucht einen Stromsprung, der 10 s anhält"
W_OHMIC = "braucht Messpunkte im Abstand von höchstens einer Sekunde um einen Stromsprung"
W_EFFICIENCY = "braucht Laden und Entladen zwischen gleichen Endzuständen, voll oder leer"
W_TEMPERATURE = "keine Temperatur aufgezeichnet"
W_TEMPERATURE_FIGURE = "die aufgezeichnete Temperatur gibt sie nicht her"
W_GROUPS = "keine Gruppenspannungen aufgezeichnet"
W_LIMITING = "aus den Gruppenspannungen nicht gefunden"

# ---- Kriterien -----------------------------------------------------------------------------------------
CRITERIA_HEAD = ("Kriterium", "Gemessen", "Grenzwert", "Sicherheits\u00adband", "Annahme\u00adgrenze", "Wahrschein\u00adlichkeit", "Ergebnis")
CRITERIA_WIDTHS = (0.26, 0.145, 0.135, 0.1, 0.09, 0.1, 0.17)
CRITERIA_TOGETHER = "Dass der Akkupack alle zugleich erfüllt, jede Gruppe gezählt: {probability} (untere Grenze)."
CRITERIA_CAPTION = "Wahrscheinlichkeit, dass der wahre Wert im Grenzwert liegt. {marks}."
CRITERIA_NONE = "Es wurden keine Kriterien angewandt."
H_ADVISORY = "Kriterien zur Information"
ADVISORY_IN_ANNEX = "Kriterien, die das Urteil entscheiden; {n} weitere im Anhang."
ADVISORY_IN_ANNEX_ONE = "Kriterien, die das Urteil entscheiden. Ein weiteres zur Information steht im Anhang."
ADVISORY_NOTE = "Nur zur Information; das Urteil hängt nicht davon ab."
ADVISORY = "{label} (zur Information)"
DOES_NOT_APPLY = "trifft nicht zu"
ACCEPTANCE_NO_U = "keine: die Unsicherheit ist nicht bekannt, also lässt sich kein Sicherheitsband bilden"
ACCEPTANCE_NO_ROOM = "keine: Sicherheitsband breiter als Grenzwert; Wahrscheinlichkeit {probability}"
AGAINST_NOT_PROVEN = "Das Kriterium „{label}“ ist trotzdem nicht nachgewiesen: {reason}"
AGAINST_PASS = "Das Kriterium „{label}“ ist trotzdem erfüllt: {reason}"
DIRECTION = {
    "min": "mindestens {limit}", "max": "höchstens {limit}", "equal": "muss {limit} sein",
    "at_least": "mindestens {limit}", "at_most": "höchstens {limit}", ">=": "mindestens {limit}", "<=": "höchstens {limit}",
    "lower": "mindestens {limit}", "upper": "höchstens {limit}", "above": "über {limit}", "below": "unter {limit}",
    "is": "muss {limit} sein",
}
MARK = {"pass": "●", "fail": "■", "not_proven": "◐", "none": "○"}

# ---- Befunde -------------------------------------------------------------------------------------------
SEVERITY = {"danger": "GEFAHR", "defect": "Mangel", "caution": "Vorsicht", "info": "Hinweis"}
FINDINGS_DANGER = "Die Gefahr steht unter dem Urteil."
FINDING_EVIDENCE = "Gemessen: {evidence}."
FINDING_READING = "Der Messwert ist auf {expanded} sicher (k = 2)."
FINDING_SAME = "Dasselbe wurde gefunden in {groups}; jede davon steht im Anhang."
FINDING_GROUP, FINDING_GROUPS = "Gruppe {n}", "den Gruppen {n}"
FINDINGS_NONE = "Kein Befund neben den Messwerten. Dass nichts gefunden wurde, beweist nicht, dass nichts fehlt."
FINDINGS_ONLY_NOTES = "Nur Hinweise, im Anhang; keiner spricht gegen den Akkupack. Das beweist nicht, dass nichts fehlt."
FINDING_PLACE_GROUP = "Gruppe {n}"
FINDING_LEAD = "{severity}: {label}{place}."
H_SETTLE_DANGER = "Vor allem anderen"
H_SETTLE_OPEN = "Was noch offene Fragen klären würde"
SETTLE_NONE = "Die Auswertung nennt nichts, was es klären würde."
NOTES_IN_ANNEX = "{n} weitere Befunde stehen im Anhang."
NOTES_IN_ANNEX_ONE = "Ein weiterer Befund steht im Anhang."
H_NOTES = "Weitere Befunde"
H_MORE_SETTLE = "Was es klären würde, Fortsetzung"
SETTLE_IN_ANNEX = "Mehr im Anhang."

# Code: (Name, was er bedeutet)
CODES: dict[str, tuple[str, str]] = {
    **REASONS,
    # Lesen
    "unit_inferred": ("Einheit erschlossen", "Die Aufzeichnung nennt die Einheit einer Spalte oder die Schreibweise ihrer Zeiten nicht; sie wurde aus den Werten erschlossen."),
    "sign_inferred": ("Vorzeichen des Stroms erschlossen", "Die Aufzeichnung sagt nicht, welches Vorzeichen Entladen bedeutet; es wurde aus dem Gang der Spannung erschlossen."),
    "rows_dropped": ("Zeilen ausgelassen", "Einige Zeilen der Aufzeichnung waren nicht brauchbar und wurden ausgelassen."),
    "truncated_row": ("abgeschnittene Zeile", "Eine Zeile der Aufzeichnung ist abgeschnitten, wie es geschieht, wenn ein Messgerät beim Schreiben gestoppt wird."),
    "repeated_header": ("Kopfzeile wiederholt", "Die Kopfzeile kommt innerhalb der Aufzeichnung noch einmal vor; die Wiederholungen wurden übergangen."),
    "clock_wrapped": ("Uhr übergelaufen", "Die Uhr des Messgeräts lief über und begann wieder bei null; die Zeiten wurden aneinandergereiht."),
    "clock_jump": ("Sprung der Uhr", "Die Uhr des Messgeräts springt, Zeiten über den Sprung hinweg sind daher weniger sicher."),
    "duplicate_time": ("doppelte Zeiten", "Einige Messpunkte tragen dieselbe Zeit."),
    "log_gap": ("Lücke in der Aufzeichnung", "Eine Zeit lang fehlen Messpunkte; was inzwischen geschah, wurde nicht gesehen."),
    "current_missing": ("Stromwerte fehlen", "Einige Zeilen enthalten keinen Strom; kurze Strecken wurden durch Geraden überbrückt, lange zählen als Lücken."),
    "voltage_missing": ("Spannungswerte fehlen", "Die Aufzeichnung enthält eine Zeit lang keine Spannung, Energie und Entladeschluss sind daher weniger sicher."),
    "zero_in_doubt": ("Nullpunkt des Stroms fraglich", "Ein kleiner stetiger Strom wurde als Last oder Ladung gezählt, kann aber der Nullpunkt des Strommessers sein."),
    "clock_in_doubt": ("Uhr fraglich", "Die Uhr läuft während der Entladung immer wieder zurück, die Zeiten zwischen den Zeilen sind daher unsicher."),
    "counter_mismatch": ("Zähler weicht ab", "Der eigene Zähler des Messgeräts und die aus den Messpunkten summierte Ladung stimmen nicht überein."),
    "step_clock_joined": ("Schrittzeiten verbunden", "Die Uhr beginnt bei jedem Schritt neu; die Schritte wurden aneinandergereiht."),
    "cell_unreadable": ("unlesbare Felder", "Einige Felder der Aufzeichnung enthalten keine Zahl und zählen als fehlend."),
    "clock_coarse": ("grobe Uhr", "Die Uhr des Messgeräts tickt langsamer, als es misst, daher teilen sich mehrere Messpunkte eine Zeit."),
    "clock_disorder": ("Zeilen nicht in Reihenfolge", "Einige Zeilen der Aufzeichnung stehen nicht in zeitlicher Reihenfolge und wurden geordnet."),
    "date_order_inferred": ("Reihenfolge des Datums erschlossen", "Ob der Tag oder der Monat zuerst steht, wurde aus den Daten erschlossen."),
    "group_missing": ("eine Gruppe fehlt", "Eine Gruppe zwischen den aufgezeichneten hat keine eigene Spalte."),
    "group_unused": ("Gruppenspalten nicht verwendet", "Einige Spalten, die nach Gruppenspannungen aussehen, enthalten keine und wurden nicht verwendet."),
    "parts_do_not_fit": ("Teile passen nicht", "Die Dateien dieser Prüfung unterscheiden sich so, dass fraglich ist, ob sie zusammengehören."),
    "parts_in_given_order": ("Teile in angegebener Reihenfolge", "Die Dateien tragen kein Datum, daher wurden sie in der genannten Reihenfolge verbunden."),
    "taps_end_open": ("Ende der Abgriffe nicht bekannt", "Nichts zeigt, von welchem Ende die Abgriffe zählen: Die Gruppen können vom anderen Ende her nummeriert sein."),
    "parts_without_pause": ("Teile ohne Pause", "Die Dateien haben keine gemeinsame Uhr; angegeben wurde, dass sie ohne Pause aufeinanderfolgen."),
    "taps_converted": ("Abgriffe in Gruppen umgerechnet", "Spannungen der Abgriffe gegen ein Ende des Akkupacks wurden durch Abziehen in Gruppenspannungen umgerechnet."),
    "text_lines": ("Textzeilen", "Textzeilen zwischen den Zahlenzeilen wurden übergangen."),
    "value_impossible": ("unmögliche Werte", "Werte, die kein Akkupack haben kann, wurden ausgelassen."),
    "current_zero": ("kein Strom in der Aufzeichnung", "Der Strom ist in jeder Zeile null oder wurde nicht aufgezeichnet."),
    "footer_skipped": ("Text hinter den Zeilen", "Text hinter der letzten Zeile wurde übergangen."),
    "rows_above": ("Zeilen über der Aufzeichnung", "Über den Zeilen der Aufzeichnung stehen Zahlenzeilen anderer Breite; sie wurden ausgelassen."),
    "summary_skipped": ("Ergebnistabelle übergangen", "Eine Tabelle neben den Zeilen der Aufzeichnung wurde übergangen."),
    "group_name_repeated": ("zwei Gruppen gleichen Namens", "Zwei Gruppenspalten haben dieselbe Überschrift; sie wurden in ihrer Reihenfolge gezählt."),
    "header_long": ("mehr Überschriften als Felder", "Die Kopfzeile hat mehr Felder als die Zeilen."),
    "header_short": ("weniger Überschriften als Felder", "Die Kopfzeile hat weniger Felder als die Zeilen."),
    "header_missing": ("keine Überschriften", "Die Aufzeichnung hat keine Überschriften; was ihre Spalten sind, wurde aus den Werten nachgewiesen."),
    "rows_interleaved": ("Werte abwechselnd", "Die Zeilen tragen abwechselnd Spannung und Strom; jeder Wert wurde bis zum nächsten gehalten."),
    "sign_doubtful": ("Stromrichtung fraglich", "Die Spannung spricht gegen die angegebene Richtung des Stroms."),
    "time_in_parts": ("Zeit zusammengesetzt", "Die Zeit wurde aus mehreren Spalten zusammengesetzt."),
    "unit_unusual": ("Einheit anders als die Werte", "Die Werte allein hätten eine andere Einheit ergeben, als die Spaltendatei angibt."),
    "unit_doubtful": ("Einheit fraglich", "Eine angegebene Einheit führt zu Werten, die für einen Akkupack ungewöhnlich sind."),
    "voltage_reversed": ("Leitungen vertauscht", "Negative Spannungen wurden als positiv genommen, als wären die Leitungen vertauscht."),
    # Prüfung
    "charge_incomplete": ("Ladung nicht vollständig", "Die Ladung endete, bevor der Akkupack voll war."),
    "discharge_incomplete": ("Entladung nicht vollständig", "Die Entladung endete, bevor der Akkupack leer war."),
    "protection_trip": ("Schutzschaltung hat abgeschaltet", "Die eigene Schutzschaltung des Akkupacks beendete die Entladung, nicht die Prüfung."),
    "start_unknown": ("Zustand zu Beginn nicht bekannt", "Nichts zeigt, dass der Akkupack voll war, als die Entladung begann."),
    "rest_too_short": ("Ruhe zu kurz", "Die Ruhe war zu kurz, als dass sich die Spannungen gesetzt hätten."),
    "sampling_too_coarse": ("Messpunkte zu weit auseinander", "Die Messpunkte liegen zu weit auseinander, um den schnellen Teil eines Spannungseinbruchs vom langsamen zu trennen."),
    "current_unsteady": ("Strom nicht stetig", "Der Strom war während der Entladung nicht stetig."),
    "temperature_out_of_range": ("Temperatur außerhalb des Bereichs", "Die Prüfung lief außerhalb des Temperaturbereichs, in dem sich ihre Werte vergleichen lassen."),
    "lead_drop": ("Spannungsfall in den Leitungen", "Die Packspannung enthält einen Spannungsfall in Leitungen, Stecker oder Platine außerhalb der Gruppenabgriffe."),
    "joint_outside_taps": ("Verbindung außerhalb der Gruppenabgriffe", "Ein Stecker, Streifen, Kabel oder eine Platine zwischen den Gruppen und den Anschlüssen hat zu viel Widerstand; die Stelle kann unter Last heiß werden."),
    "voltage_sum_mismatch": ("Spannungen ergeben nicht die Summe", "Die Gruppenspannungen ergeben zusammen nicht die Packspannung."),
    "no_group_voltages": ("keine Gruppenspannungen", "Die Gruppen wurden nicht aufgezeichnet; eine schwache Gruppe ist nicht zu sehen."),
    "current_offset": ("Nullpunktfehler des Stroms", "Der Strom zeigt in Ruhe nicht null, oder Laden und Entladen gehen nicht auf."),
    # Akkupack
    "weak_group": ("schwache Gruppe", "Eine Zellgruppe hält deutlich weniger Ladung als die anderen und beendet die Entladung für den ganzen Akkupack."),
    "group_out_of_balance": ("Gruppe nicht ausgeglichen", "Eine Gruppe hatte einen anderen Ladezustand als die anderen, auch wenn sie ebenso viel halten mag."),
    "high_joint_resistance": ("hoher Verbindungswiderstand", "Eine Schweißung, ein Verbinder oder Anschluss zwischen den Gruppen hat zu viel Widerstand; die Stelle kann unter Last heiß werden."),
    "high_resistance": ("hoher Innenwiderstand", "Der Innenwiderstand ist hoch; unter Last bricht die Spannung stärker ein und der Akkupack wird wärmer."),
    "self_discharge": ("Selbstentladung", "Ladung geht verloren, während nichts angeschlossen ist."),
    "group_reversed": ("Gruppe umgepolt", "Eine Gruppe wurde unter 0 V getrieben; ihre Zellen sind innen beschädigt."),
    "group_reading_dead": ("Gruppe zeigt 0 V", "Eine Gruppe zeigte durchweg 0 V: Ihre Abgriffleitung ist ab, oder die Gruppe ist tot."),
    "group_reading_frozen": ("Gruppenwert eingefroren", "Der Wert einer Gruppe stand still, während die anderen sich änderten; er wurde ausgelassen."),
    "group_reading_impossible": ("Gruppenwert unmöglich", "Die Werte einer Gruppe sind keine, die eine Zelle haben kann; sie wurden ausgelassen."),
    "group_reading_jumped": ("Gruppenwert gesprungen", "Der Wert einer Gruppe sprang ohne Grund im Strom; er wurde ausgelassen."),
    "group_readings_missing": ("Gruppenwerte fehlen", "Werte einer Gruppe fehlen in einem Teil der Aufzeichnung."),
    "group_channels_exchanged": ("Gruppenkanäle vertauscht", "Zwei Gruppen tauschten innerhalb der Aufzeichnung den Platz, als wären ihre Leitungen vertauscht worden."),
    "group_not_logged": ("Gruppe nicht aufgezeichnet", "Eine Gruppe ist nicht in der Aufzeichnung."),
    "tap_missing": ("Abgriffleitung ab", "Eine Abgriffleitung war ab: Eine Gruppe zeigte nichts, und ihre Nachbarin zeigte beide."),
    "group_undervoltage": ("Gruppe zu tief entladen", "Eine Gruppe wurde unter die Spannung getrieben, bei der ihre Zellen bleibenden Schaden nehmen können."),
    "group_overvoltage": ("Gruppe zu hoch geladen", "Eine Gruppe wurde über ihre höchste zulässige Spannung geladen; das ist eine Brandgefahr."),
    "temperature_high": ("hohe Temperatur", "Der Akkupack oder ein Teil davon wurde heißer, als er darf."),
    "sensor_hotter_than_siblings": ("ein Fühler heißer", "Ein Temperaturfühler zeigte zur selben Zeit deutlich mehr als die anderen."),
    "temperature_sensor_doubtful": ("Temperaturfühler fraglich", "Ein Temperaturfühler gab Werte, die keine Temperaturen sein können, oder keine, die sich änderten; sie wurden ausgelassen."),
    "thermistor_curve_unknown": ("Kennlinie des Thermistors nicht angegeben", "Die Aufzeichnung enthält Widerstände von Thermistoren, aber keine Kennlinie war angegeben, um daraus Temperaturen zu machen."),
    "low_capacity": ("geringe Kapazität", "Der Akkupack gibt deutlich weniger Ladung ab als seine Nennkapazität."),
    "low_efficiency": ("geringer Wirkungsgrad", "Aus dem Akkupack kommt deutlich weniger heraus, als hineinging."),
    "capacity_above_rating": (
        "mehr als die Nennkapazität", "Die gezählte Ladung ist größer, als die Nennkapazität zulässt: Die Einheit von Zeit oder Strom, das Messgerät oder die angegebene Nennkapazität ist fraglich."
    ),
    # Gründe und Hinweise neben den Befunden
    "not_full": ("zu Beginn nicht voll", "Der Akkupack war nicht voll, als die Entladung begann."),
    "not_full_at_start": ("zu Beginn nicht voll", "Der Akkupack war nicht voll, als die Entladung begann."),
    "stopped_early": ("Entladung vorzeitig beendet", "Die Entladung wurde beendet, bevor der Akkupack leer war."),
    "cutoff_unknown": ("Entladeschlussspannung nicht bekannt", "Die Entladeschlussspannung des Akkupacks ist nicht bekannt, also zeigt nichts, dass er am Ende leer war."),
    "no_discharge": ("keine Entladung", "Die Aufzeichnung enthält keine Entladung, die sich zählen ließe."),
    "no_rated_capacity": ("keine Nennkapazität", "Die Nennkapazität des Akkupacks ist nicht angegeben."),
    "group_cutoff": ("eine Gruppe beendete die Entladung", "Eine Gruppe erreichte ihre Entladeschlussspannung vor dem Akkupack."),
    "not_measured": ("nicht gemessen", "Die Größe wurde nicht gemessen."),
    "unit_unknown": ("Einheit nicht bekannt", "Die Einheit einer Spalte ist nicht bekannt."),
    "no_temperature": ("keine Temperatur", "Es wurde keine Temperatur aufgezeichnet."),
    "cv_taper": ("bis zum Abklingen geladen", "Die Ladung davor lief, bis der Strom abgeklungen war."),
    "charge_stopped_before_taper": ("Ladung vor dem Abklingen beendet", "Die Ladung davor endete, bevor der Strom abgeklungen war."),
    "charge_held_too_low": ("Ladespannung zu niedrig", "Die Ladung davor hielt eine niedrigere Spannung als die für den Akkupack angegebene Ladeschlussspannung."),
    "charge_voltage_unknown": ("Ladeschlussspannung nicht bekannt", "Die Ladeschlussspannung des Akkupacks ist nicht bekannt."),
    "no_rest_before_load": ("keine Ruhe vor der Last", "Vor der Last ist weder eine Ladung noch eine Ruhe aufgezeichnet."),
    "no_pack_voltage": ("keine Packspannung", "Die Packspannung wurde nicht aufgezeichnet."),
    "rest_voltage": ("Ruhespannung nahe voll", "Die Ruhespannung davor lag nahe an der Ladeschlussspannung."),
    "rest_voltage_below_full": ("Ruhespannung unter voll", "Die Ruhespannung davor lag deutlich unter der Ladeschlussspannung."),
    "rest_voltage_inconclusive": ("Ruhespannung nicht eindeutig", "Die Ruhespannung davor entscheidet es nicht."),
    "group_count_mismatch": ("Zahl der Gruppen stimmt nicht überein", "Aufzeichnung und Packdatei nennen nicht dieselbe Zahl von Gruppen."),
    "two_wire_sense": ("Spannung an der Last gemessen", "Die Spannung wurde an den Klemmen der Last gemessen, der Wert enthält also die Messleitungen."),
    "instrument_not_declared": ("Messgerät nicht angegeben", "Die Fehlergrenzen des Messgeräts wurden nicht angegeben."),
}

# ---- Zellgruppen ---------------------------------------------------------------------------------------
GROUP_HEAD = ("Gr.", "In Ruhe / V", "Entladeende / V", "Einbruch nach 10 s / mV", "Widerstand nach 10 s / mΩ", "Kapazität / Ah",
              "Unter voll bei Beginn / Ah", "Leck in Ruhe / mA", "Befunde")
GROUP_CAPTION = (
    "Gruppen zählen ab 1 vom Minuspol des Akkupacks. Nach ± die erweiterte Messunsicherheit, k = 2. Einbruch: Spannungseinbruch 10 s nach Einschalten der Last. "
    "„ca.“: errechnet, die Gruppe selbst erreichte ihre Entladeschlussspannung nicht. {limiting}"
)
GROUP_NOT_LOGGED = "nicht aufgezeichnet"
GROUP_LIMITING = "★ kennzeichnet die begrenzende Gruppe."
ESTIMATE = "ca."
GROUP_NONE = "Die Gruppenspannungen wurden nicht aufgezeichnet. Das Protokoll kann nichts über einzelne Gruppen sagen; ein Akkupack, der als Ganzes gesund aussieht, kann eine schwache enthalten."
DASH = "–"

SPREAD = "Streuung der Gruppenspannungen (höchste minus niedrigste): {parts}."
JOINTS = "Widerstand der Verbindungen zwischen den Gruppen: {figure}."
SPREAD_WHEN = {"rest_v": "in Ruhe", "full_v": "geladen", "load_v": "unter Last", "end_v": "am Ende der Entladung"}

# ---- Verläufe ------------------------------------------------------------------------------------------
CURVE_TITLE = "Packspannung und Strom über der Zeit"
CURVE_CAPTION = (
    "Balken oben: Schritte der Prüfung, dunkel = Entladen, grau = Laden, weiß = Ruhe; die Linie darunter kennzeichnet die Entladung, "
    "aus der die Kapazität gezählt wurde. Ladestrom ist positiv. Gezeichnet aus {rows} Messpunkten, so ausgedünnt, dass jede Spitze bleibt."
)
CURVE_NONE = "Die Aufzeichnung enthält keinen Verlauf, der sich zeichnen ließe."
AXIS_PACK_VOLTAGE, AXIS_SUM_VOLTAGE, AXIS_CURRENT = "Packspannung / V", "Summe der Gruppen / V", "Strom / A"
AXIS_TIME, AXIS_SINCE = "Zeit / {unit}", "Zeit ab Beginn der Entladung / {unit}"
AXIS_GROUP_VOLTAGE = "Gruppenspannung / V"
GROUPS_TITLE = "Gruppenspannungen während der Entladung"
GROUPS_CAPTION = "Dicke Linie: {limiting}. Dünne Linien: die anderen Gruppen."
GROUPS_CAPTION_NONE = "Keine Gruppe fällt als begrenzend auf."
GROUPS_CAPTION_BAND = "Graues Band: von der niedrigsten bis zur höchsten der anderen Gruppen. Dicke Linie: {limiting}."
GROUPS_CURVE_NONE = "Keine Gruppenspannungen während einer Entladung zu zeichnen."
LABEL_LIMITING, LABEL_OTHERS, LABEL_CUTOFF = "Gruppe {n}, begrenzt", "andere Gruppen", "Entladeschluss {voltage}"
LABEL_ALL = "Gruppen"
LABEL_COUNTED = "für die Kapazität gezählt"
STRIP = {"charge": "Laden", "discharge": "Entladen", "rest": "Ruhe"}

# ---- Unsicherheit --------------------------------------------------------------------------------------
BUDGET_HEAD = ("Quelle", "Standardunsicherheit", "Anteil an der Varianz")
BUDGET_TOTAL = "Kombinierte Standardunsicherheit"
BUDGET_EXPANDED = "Erweiterte Messunsicherheit, k = 2"
BUDGET_FROM_FULL = "Beim Alterungszustand zählt außerdem, was das Voltmeter von voll offen lässt, u = {u}: Kapazität ab wirklich voll ± {expanded}, k = 2."
BUDGET_NONE = "Kein Budget: Es gibt keinen Wert der Kapazität, oder seine Unsicherheit ist nicht bekannt."
BUDGET_CAPTION = "Zusammengefasst als Wurzel der Quadratsumme; die Beiträge gelten als unabhängig."
SOURCE_WORDS = {
    **SOURCES,
    "current gain": "Verstärkungsfehler des Stroms", "current offset": "Nullpunktfehler des Stroms", "clock": "Uhr", "clock gain": "Uhr",
    "cut-off voltage": "Spannung am Entladeschluss", "cutoff voltage": "Spannung am Entladeschluss", "voltage gain": "Verstärkungsfehler der Spannung",
    "voltage offset": "Nullpunktfehler der Spannung", "sample instant": "Zeitpunkte der Messpunkte", "gap": "was ein Zähler über eine Lücke gebracht hat",
    "full start": "wie voll der Akkupack zu Beginn war", "charge voltage": "Spannung, bis zu der geladen wurde", "leads": "Spannungsfall in den Leitungen",
    "power lost in leads": "Verlustleistung in den Leitungen", "current noise and resolution": "Rauschen und Auflösung des Stroms",
    "voltage noise and resolution": "Rauschen und Auflösung der Spannung", "voltage resolution": "Auflösung der Spannung",
    "instant of the edge": "Zeitpunkt des Stromsprungs",
}

# ---- Lesen ---------------------------------------------------------------------------------------------
COLUMN_HEAD = ("Überschrift in der Datei", "Gelesen als", "Einheit", "Gruppe")
COLUMN_NONE = "Wie die Spalten gelesen wurden, ist nicht bekannt."
ROLE_WORDS = {
    "time": "Zeit seit Beginn", "clock": "Uhrzeit", "date": "Datum", "voltage": "Packspannung",
    "current": "Packstrom", "charge_current": "Ladestrom", "discharge_current": "Entladestrom",
    "power": "Leistung", "capacity": "Ladungszähler", "charge_capacity": "Zähler der eingeladenen Ladung",
    "discharge_capacity": "Zähler der entnommenen Ladung", "energy": "Energiezähler", "temperature": "Temperatur",
    "group_voltage": "Spannung einer Gruppe", "tap_voltage": "Spannung eines Abgriffs",
    "step": "Nummer des Schritts", "cycle": "Nummer des Zyklus", "mode": "Wort für die Betriebsart",
    "resistance": "Widerstand, wie ihn das Messgerät angibt", "thermistor": "Widerstand eines Thermistors", "ignored": "nicht verwendet",
}
L_ENCODING, L_CLOCK, L_SIGN, L_SAMPLING, L_GAPS, L_DROPPED, L_WARNINGS = (
    "Text", "Uhr", "Vorzeichen", "Messabstand", "Lücken", "Ausgelassen", "Hinweise")
L_COLUMNS_FILES = "Gelesen mit"
CLOCK_WORDS = {"elapsed": "verstrichene Zeit", "wall": "Uhrzeit", "step": "Zeit je Schritt"}
SIGN_WORDS = {"negative": "negativ", "positive": "positiv"}
ENCODING = "{encoding}, Spalten getrennt durch {delimiter}, Dezimalzeichen {decimal}, Kopf in Zeile {header}"
ENCODING_NO_HEADER = "{encoding}, Spalten getrennt durch {delimiter}, Dezimalzeichen {decimal}, keine Kopfzeile"
QUOTED = "„{text}“"
DELIMITER = {",": "Komma", ";": "Semikolon", "\t": "Tabulator", " ": "Leerzeichen", "|": "senkrechten Strich", "blanks": "Leerzeichen"}
DECIMAL = {",": "Komma", ".": "Punkt"}
CLOCK_WRAPPED = "{kind}; sie lief über und wurde aneinandergereiht"
SIGN = "Entladen ist in der Datei {sign}; {evidence}"
SIGN_PLAIN = "Entladen ist in der Datei {sign}"
SAMPLING = "ein Messpunkt je {median} (Median), größter Abstand {max}"
GAP = "{duration} ab {start}"
DROPPED = "{n} von {rows} Zeilen"
WARNINGS_NONE = "keine"
WARNING_REPEATS = "{text} ({n}-mal)"
L_FILE, L_BYTES, L_ROWS, L_SHA = "Datei", "Größe", "Zeilen", "SHA-256"
BYTES = "{n} Byte"
LOGS_NOTE = "Wer die Datei hat, kann ihre SHA-256-Prüfsumme nachrechnen; weicht sie in einem Zeichen ab, ist es nicht die Datei, aus der dieses Protokoll entstand."
LOGS_NONE = "Die Rohdaten sind in der Auswertung nicht genannt."
ENGLISH_LEFT = "Sätze der Auswertung, die auf Englisch dastehen, weil keine Übersetzung bekannt ist: {n}."
SOFTWARE = "Werte berechnet mit {name} {version}, Form der Auswertung {schema}."

# ---- Karte des Akkupacks -------------------------------------------------------------------------------
H_CARD, H_PHOTOS, H_REPLACES = "Was die Werkstatt getan hat", "Fotos", "Frühere Protokolle dieser Prüfung"
L_STATUS, L_WORKSHOP_NUMBER, L_CUSTOMER = "Status", "Werkstatt-Nr.", "Kunde"
# Wie die deutsche Fassung der Verordnung (EU) 2023/1542 sie nennt, aus dem Gedächtnis.
STATUS_WORDS = {
    "original": "original", "re-used": "wiederverwendet", "repurposed": "umgenutzt", "remanufactured": "wiederaufgearbeitet", "waste": "Abfall",
}
CARD_KINDS = {"fault": "Gefundene Fehler", "work": "Arbeiten", "part": "Eingebaute Teile", "note": "Notizen", "danger": "Gefahr"}
CARD_KIND = {"fault": "Fehler gefunden", "work": "Arbeit", "part": "Teil eingebaut", "note": "Notiz", "danger": "GEFAHR, offen", "danger_closed": "Gefahr, erledigt"}
CARD_HEAD = ("Wann", "Wer", "Art", "Eintrag")
CARD_CAPTION = "Wie die Werkstatt es aufgeschrieben hat; die Prüfung prüft und beweist es nicht."
CARD_DANGER = "GEFAHR laut Karte des Akkupacks: {text} ({who})"
CARD_CUT = "{text} Alle Einträge stehen im Anhang."
PHOTO_HEAD = ("Datei", "Beschriftung", "Wann", "SHA-256")
PHOTO_CAPTION = "Die Bilder selbst liegen bei der Werkstatt; die SHA-256-Prüfsumme zeigt, ob eines verändert wurde."
REPLACES = "Dieses Protokoll ersetzt {serials}: {why}."
REPLACES_MANY = "Dieses Protokoll ersetzt {n} frühere, zuletzt {serial}: {why}."
REPLACES_HEAD = ("Protokoll", "Vom", "Warum es ersetzt wurde", "Von wem")
REPLACES_CAPTION = "Was vorher ausgegeben wurde, bleibt im Register der Werkstatt, wie es war; dieses Protokoll tritt an seine Stelle."
REPLACES_NO_REASON = "die Prüfung wurde neu beurteilt"

# ---- Vergleich mit einer früheren Prüfung --------------------------------------------------------------
H_COMPARED, H_COMPARED_ALL = "Verglichen mit {name}", "Verglichen mit {name}, jede Größe"
COMPARED_NAME, COMPARED_POINTS = "einer früheren Prüfung", "Prozentpunkte"
COMPARED_LABELS = {
    "capacity_ah": "Kapazität", "energy_wh": "Energie", "state_of_health": "Alterungszustand (SOH)", "resistance_10s_ohm": "Widerstand nach 10 s",
    "ohmic_ohm": "Ohmscher Widerstand", "group_resistance_10s_ohm_worst": "Widerstand nach 10 s, schlechteste Gruppe",
    "group_capacity_ratio_worst": "Kapazität der schlechtesten Gruppe zu den anderen", "limiting_group": "Begrenzende Gruppe",
    "group_sag_end_v_worst": "Einbruch der schlechtesten Gruppe am Ende", "spread_rest_v": "Streuung der Gruppen in Ruhe",
    "coulombic_efficiency": "Ladungswirkungsgrad", "energy_efficiency": "Energiewirkungsgrad", "temperature_rise_k": "Erwärmung",
    "self_discharge_worst_ma": "Selbstentladung der schlechtesten Gruppe",
}
COMPARED_HIGHER = "um {amount} höher{judged}; dort war es {there}."
COMPARED_LOWER = "um {amount} niedriger{judged}; dort war es {there}."
COMPARED_JUDGED = {True: ", besser", False: ", schlechter"}
COMPARED_SAME = "kein Unterschied gezeigt: {amount}; dort war es {there}."
COMPARED_INVALID = "ein Unterschied wird nicht behauptet, weil die Kapazität einer der Prüfungen nicht gültig ist; dort war es {there}."
COMPARED_UNKNOWN_U = "die Unsicherheit des Unterschieds ist nicht bekannt; dort war es {there}."
COMPARED_HEAD = ("Größe (Nummer der Gruppe)", "Dort", "Hier", "Unterschied", "Bedeutung")
COMPARED_MEANING = {"better": "besser", "worse": "schlechter", "same": "kein Unterschied gezeigt", "invalid": "nicht gültig, keiner behauptet", "none": "–"}
COMPARED_CAPTION = (
    "Dort: {there}. Hier: {here}. Nach ± die erweiterte Messunsicherheit, k = 2, auch die des Unterschieds: Was ein Messgerät in beiden Prüfungen gleich macht, zählt nicht doppelt. "
    "Unterschiede von Anteilen sind Prozentpunkte. Kapazitäten sind hier ab wirklich voll gezählt, ihr ± enthält daher auch, was das Voltmeter davon offen lässt."
)
COMPARED_GROUP_HEAD = (
    "Gr.", "Kapazität dort / Ah", "Kapazität hier / Ah", "Unterschied / Ah", "10-s-Widerstand dort / mΩ", "10-s-Widerstand hier / mΩ", "Unterschied / mΩ")
COMPARED_GROUPS = "Die Gruppen beider Prüfungen nach ihren Nummern. Fett: Der Unterschied ist größer, als seine Unsicherheit erklärt."

# ---- Nachweis ------------------------------------------------------------------------------------------
H_SEAL = "Was dieses Protokoll beweist"
L_HASH, L_KEY, L_CODE, L_CHECK, L_REGISTER = "Prüfsumme", "Signiert mit", "Code", "Nachprüfen", "Register"
QR_MEANS = "QR-Code mit der Nummer und der SHA-256-Prüfsumme dieses Protokolls"
CHECK_FRONT = "Nachprüfen mit dem freien Programm packreturn: cycler verify DATEI --log LOG. Im Code: Nummer und Prüfsumme."
CHECK_ANNEX = (
    "cycler verify DATEI --log LOG, mit dieser Datei und den Rohdaten: sagt, ob die Unterschrift echt ist und von wem, was geändert wurde "
    "und ob die Werte aus den Rohdaten wieder herauskommen."
)
SEAL_NOTES = (
    "Die digitale Unterschrift zeigt, dass dieses Protokoll von jemandem mit dem Schlüssel der Werkstatt ausgegeben und seither nichts daran geändert wurde.",
    "Sie zeigt nicht, dass die Werte wahr sind, dass der hier genannte Akkupack der in Ihren Händen ist oder dass er sicher ist.",
    "Auch ein Fälscher kann unterschreiben, mit einem eigenen Schlüssel. Fragen Sie die Werkstatt auf einem Weg, der nicht über dieses Protokoll führt, nach dem Fingerabdruck ihres Schlüssels.",
    "Auf Papier allein ist nichts bewiesen: Vergleichen Sie Nummer und Prüfsumme im Code mit der Datei der Werkstatt.",
)
REGISTER_STATE = "{n} Einträge, der neueste mit der SHA-256-Prüfsumme {head}"

# ---- Etikett -------------------------------------------------------------------------------------------
LABEL_ASK = "Auskunft: {workshop}"
LABEL_COVERAGE = "(k = 2)"
LABEL_DO_NOT_USE = "NICHT BENUTZEN"
LABEL_NO_CAPACITY = "Kapazität nicht gezeigt"
LABEL_NO_CERTIFICATE = "Testergebnis, kein Sicherheitszeugnis"
LABEL_NOT_CLEARED = "nicht freigegeben"
LABEL_RECORD = "Protokoll {serial}"
LABEL_RECORD_OF = "Protokoll {serial} vom {date}"
LABEL_TESTED = "geprüft {date}"

# ---- Unterschrift, Grenzen, Vorsicht -------------------------------------------------------------------
SIGN_LINES = ("Geprüft von (Name)", "Ort und Datum", "Unterschrift")
LIMITS_FRONT = "Ein Messwert ist kein Sicherheitszertifikat. Grenzen der Aussage und Vorsichtshinweise: siehe Anhang."
LIMITS = (
    "Die Werte und das Urteil beschreiben diesen einen Akkupack zum Zeitpunkt der Prüfung, mit der genannten Last, Temperatur und Einstellung. Sie sagen nicht voraus, wie er altert.",
    "Ein Messwert ist kein Sicherheitszertifikat. Isolation, Gehäuse, Dichtungen, Verdrahtung, Stecker, Schutzschaltung und Ladegerät wurden mit dieser Prüfung nicht untersucht, wenn nicht ein Befund davon spricht.",
    "Das Protokoll behauptet keine Übereinstimmung mit irgendeiner Norm. Wo eine Messweise der einer Norm ähnelt, wurde doch nicht deren ganzes Verfahren befolgt.",
    "Was „nicht gemessen“ oder „nicht bekannt“ heißt, ist nicht bekannt; nichts hier steht an seiner Stelle. Werte des ganzen Akkupacks sagen nichts über eine einzelne Gruppe.",
    "Die Unsicherheiten beruhen auf den Fehlergrenzen, die für das Messgerät angegeben sind. War das Messgerät schlechter als angegeben, sind es auch die Werte.",
)
CAUTION_LEAD = (
    "Lithium- und andere wiederaufladbare Akkupacks speichern genug Energie, um zu brennen, und lassen sich innen nicht abschalten. Die Grenzen des Zell- und des Packherstellers, "
    "die örtlichen Vorschriften zu Elektrotechnik, Brandschutz, Abfall und Gefahrgut und das Urteil einer zugelassenen oder ausgebildeten Person gehen allem vor, was hier gedruckt steht."
)
CAUTION_DANGER = (
    "Diese Prüfung hat eine Gefahr gefunden. Diesen Akkupack nicht laden, nicht benutzen, nicht versenden. Halten Sie ihn fern von Menschen und von allem, was brennen kann, im Freien oder an einem "
    "dafür eingerichteten Ort, und lassen Sie eine ausgebildete Person entscheiden, was zu tun ist."
)
CAUTION_CARD_DANGER = (
    "Auf der Karte dieses Akkupacks steht eine offene Gefahr. Ihn nicht laden, nicht benutzen, nicht versenden, bevor sie geklärt ist. Halten Sie ihn fern von Menschen und von allem, was brennen kann, "
    "und lassen Sie eine ausgebildete Person entscheiden, was zu tun ist."
)
CAUTION_HIGH_VOLTAGE = (
    "Dieser Akkupack überschreitet 60 V Gleichspannung. Das Berühren spannungsführender Teile kann tödlich sein. Nur Personen, die für solche Spannungen zugelassen oder ausgebildet sind, dürfen ihn öffnen oder prüfen."
)
CAUTION_FAILED = "Dieser Akkupack hat nicht bestanden. Kennzeichnen Sie ihn deutlich, halten Sie ihn von gesunden getrennt und geben Sie ihn nicht zur Benutzung ab."
CAUTIONS = (
    ("Benutzung", "Benutzen Sie den Akkupack nicht, wenn er aufgebläht, verbeult oder nass ist, riecht, zischt oder heiß wird. Bleiben Sie innerhalb der Ströme, Spannungen und Temperaturen, die sein Hersteller zulässt. Anschlüsse nicht überbrücken, Gehäuse nicht öffnen, Schutzschaltung nicht umgehen."),
    ("Laden", "Laden Sie nur mit einem Ladegerät für diese Zellchemie und Spannung, innerhalb der Temperaturen, die der Zellhersteller zulässt, auf einer nicht brennbaren Unterlage, abseits von Fluchtwegen und nach einer Reparatur nicht unbeaufsichtigt. Brechen Sie sofort ab, wenn der Akkupack heiß wird, sich aufbläht oder riecht."),
    ("Lagerung", "Lagern Sie ihn kühl, trocken und teilgeladen, getrennt von allem, was brennen kann, und sehen Sie von Zeit zu Zeit nach seiner Spannung, wie es sein Hersteller sagt. Laden Sie einen tiefentladen vorgefundenen Akkupack nicht wieder auf, bevor ihn eine ausgebildete Person beurteilt hat."),
    ("Transport", "Lithiumbatterien sind Gefahrgut. Schützen Sie die Anschlüsse gegen Kurzschluss. Ein neu aufgebauter Akkupack kann einen eigenen Nachweis der Transportprüfung brauchen; beschädigte oder fehlerhafte fallen unter besondere Vorschriften und können vom Lufttransport ausgeschlossen sein. Fragen Sie den Beförderer oder einen Gefahrgutbeauftragten, bevor Sie einen versenden."),
    ("Wenn er raucht oder brennt", "Gehen Sie weg, halten Sie andere fern, rufen Sie die Feuerwehr und sagen Sie, dass ein Akku brennt. Atmen Sie den Rauch nicht ein. Ein Akku kann Stunden später wieder aufflammen."),
    ("Lebensende", "Geben Sie ihn bei einer Sammelstelle für Batterien ab; werfen Sie ihn nie in den Hausmüll."),
)

_SMALL = frozenset({
    "aus", "außerhalb", "bei", "beim", "das", "dass", "den", "der", "des", "die", "diese", "diesen", "dieser", "dieses", "ein", "eine",
    "einem", "einen", "einer", "eines", "einige", "es", "für", "gefundene", "höchste", "ihn", "im", "in", "jede", "jeder", "kein", "keine",
    "man", "mehr", "mit", "nach", "nichts", "niedrigste", "nur", "ob", "ohmscher", "schlechteste", "schwächste", "sie", "so", "und",
    "unter", "von", "vor", "weil", "wenn", "wie", "wo", "zu", "zum", "zur", "zwei", "äquivalente", "über",
})


def lowered(sentence: str) -> str:
    """A sentence that goes on after a colon or inside another one; only a word that is no noun loses its capital."""
    first, blank, rest = sentence.partition(" ")
    return f"{first.lower()}{blank}{rest}" if first.lower() in _SMALL else sentence


def inside(sentence: str) -> str:
    """A sentence without capital and full stop, to stand inside another one."""
    return lowered(sentence.rstrip("."))
