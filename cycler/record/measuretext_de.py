"""The sentences of :mod:`cycler.record.measuretext` in German."""

from __future__ import annotations

REASONS: dict[str, tuple[str, str]] = {
    # Kapazität bis zu jedem Entladeschluss und unter den Nennbedingungen
    "cutoff_not_reached": ("Entladeschluss nicht erreicht", "Die Entladung endete, bevor diese Spannung erreicht war."),
    "pack_cutoff_unknown": ("Entladeschluss des Packs nicht bekannt", "Die Entladeschlussspannung des Akkupacks ist nicht angegeben."),
    "group_cutoff_unknown": ("Entladeschluss einer Gruppe nicht bekannt", "Die Entladeschlussspannung einer Gruppe ist nicht angegeben."),
    "group_cutoff_inferred": ("Entladeschluss einer Gruppe erschlossen", "Die Entladeschlussspannung einer Gruppe ist nicht angegeben; genommen wurde die des Akkupacks geteilt durch die Zahl der Gruppen."),
    "group_without_readings": ("eine Gruppe ohne Messwerte", "Eine Gruppe ohne Messwerte kann ihre Entladeschlussspannung vorher erreicht haben."),
    "limits_do_not_fit": ("Grenzen passen nicht", "Die für den Akkupack angegebenen Grenzen passen nicht zu den aufgezeichneten Spannungen."),
    "capacity_not_valid": ("Kapazität nicht gültig", "Die gemessene Kapazität ist nicht gültig, sie lässt sich daher nicht auf andere Bedingungen übertragen."),
    "rate_unknown": ("Stromrate nicht bekannt", "Die Stromrate der Entladung ist nicht bekannt, weil eine Nennkapazität fehlt."),
    "too_far_from_rated_rate": ("Stromrate zu weit entfernt", "Die Entladung war so viel schneller oder langsamer als die Nennbedingung, dass die Koeffizienten nicht gelten."),
    "too_far_from_rated_temperature": ("Temperatur zu weit entfernt", "Die Entladung war so viel wärmer oder kälter als die Nennbedingung, dass die Koeffizienten nicht gelten."),
    # Ladung
    "no_constant_voltage": ("keine Konstantspannung", "Die Ladung hat keinen Teil mit Konstantspannung."),
    "taper_current_not_reached": ("Abklingen nicht beendet", "Die Ladung endete, bevor der Strom abgeklungen war."),
    "taper_current_unknown": ("Ladeschlussstrom nicht angegeben", "Der Ladeschlussstrom ist nicht angegeben; dass die Ladung vollständig war, zeigte allein das Abklingen ihres Stroms."),
    "held_neither_constant": ("keines von beiden gehalten", "In einem Teil der Ladung wurde weder Strom noch Spannung gehalten."),
    "taper_too_short": ("Abklingen zu kurz", "Der Teil mit Konstantspannung ist für eine Zeitkonstante zu kurz, oder sein Strom fiel kaum."),
    "zero_hides_taper": ("Abklingen vom Nullpunkt verdeckt", "Das Ende des Abklingens lässt sich vom Nullpunktfehler des Strommessers nicht unterscheiden."),
    "taper_not_exponential": ("Abklingen nicht exponentiell", "Das Abklingen wird im Verlauf langsamer, daher ist unsicher, was es noch einladen würde."),
    # Leistung
    "extrapolated_current": ("Strom weit über der Prüfung", "Der Strom dieser Leistung ist mehr als doppelt so groß wie der, mit dem gemessen wurde."),
    "short_rest": ("kurze Ruhe davor", "Der Akkupack hatte vor der Last weniger als eine halbe Stunde geruht."),
    "min_voltage_below_manual": ("sehr niedrige Spannung", "Die Spannung am Ende der 10 s liegt niedriger, als solche Prüfungen gewöhnlich gehen."),
    "groups_not_checked": ("Gruppen nicht geprüft", "Nicht jede Gruppe ließ sich mit ihrer eigenen niedrigsten Spannung vergleichen: Eine kann weniger zulassen."),
    "without_interconnect": ("ohne die Verbindungen außerhalb der Abgriffe", "Der Widerstand ist die Summe der Gruppen, ohne die Verbindungen außerhalb der Abgriffe."),
    "no_load_step": ("kein Lastsprung", "Die Aufzeichnung enthält keine Last, die einsetzt und 10 s bleibt."),
    "not_rested": ("nicht ausgeruht", "Der Akkupack war nicht in Ruhe, bevor die Last einsetzte."),
    "no_voltage_before": ("keine Spannung vor der Last", "Die Spannung unmittelbar vor der Last wurde nicht aufgezeichnet."),
    "no_voltage_limit": ("keine Grenze zu erreichen", "Weder eine niedrigste Spannung noch ein höchster Strom ist angegeben, der die Leistung begrenzen würde."),
    # Ersatzschaltbild
    "no_current_step": ("kein Stromsprung", "Die Aufzeichnung enthält keinen Stromsprung aus der Ruhe oder in die Ruhe."),
    "response_too_short": ("zu kurz aufgezeichnet", "Was auf den Stromsprung folgt, wurde zu kurz aufgezeichnet."),
    "not_identifiable": ("Parameter nicht unterscheidbar", "Die Messwerte lassen die Parameter nicht unterscheiden."),
    "poor_fit": ("Modell passt nicht", "Das Modell folgt den Messwerten nicht."),
    "noise_too_high": ("zu viel Rauschen", "Das Rauschen der Messwerte verdeckt die Antwort."),
    "no_reading": ("keine Messwerte", "Dieser Kanal enthält dort keine Messwerte, oder sie ändern sich unter Last nicht."),
    # Selbstentladung in Ruhe
    "too_few_siblings": ("zu wenige Gruppen", "Es braucht drei aufgezeichnete Gruppen, um zu sagen, welche gegen die anderen fällt."),
    "readings_too_few": ("zu wenige Messwerte", "Von der Gruppe in Ruhe gibt es zu wenige Messwerte."),
    "no_discharge_curve": ("keine Entladekurve", "Es wurde keine Entladung aufgezeichnet, mit der sich der Fall der Spannung in einen Strom umrechnen ließe."),
    "outside_curve": ("außerhalb der Kurve", "Die Ruhespannung liegt außerhalb dessen, was die Entladung durchlief."),
    "plateau_flat": ("Kurve zu flach", "Die Spannung ändert sich dort kaum mit der Ladung, daher kann keine Ruhe ein Leck zeigen."),
    "slope_vague": ("Steigung nicht bekannt", "Wie schnell die Spannung dort mit der Ladung fällt, ist nicht gut genug bekannt."),
    "slope_coarse": ("Steigung nur aus der Kurve unter Last", "Wie schnell die Spannung mit der Ladung fällt, ist nur aus der Kurve unter Last bekannt."),
    "balancer_possible": ("vielleicht ein Balancer", "Die Gruppe kam nur ganz oben zu den anderen herunter, wie ein Balancer sie herunterbrächte."),
    "balancer_stopped": ("von selbst beendet", "Die Gruppe fiel eine Zeit lang und hörte dann auf, wie wenn ein Balancer abschaltet; nur was danach kam, zählt."),
    # Temperaturfühler
    "resistance_not_positive": ("kein Widerstand", "Der Fühler gab einen Widerstand von null oder darunter."),
    "open_circuit": ("offen", "Der Fühler oder seine Leitung war offen."),
    "short_circuit": ("kurzgeschlossen", "Der Fühler war kurzgeschlossen, oder heißer, als eine Zelle sein darf."),
    "impossible_value": ("unmögliche Werte", "Der Fühler gab Werte, die kein Akkupack haben kann; sie wurden ausgelassen."),
    "power_on_value": ("Einschaltwerte", "Der Fühler gab den festen Wert eines digitalen Fühlers vor dessen erster Messung; diese Werte wurden ausgelassen."),
    "frozen": ("eingefroren", "Der Fühler stand still, während der Akkupack arbeitete; er wurde ausgelassen."),
    "no_readings": ("keine Messwerte", "Der Fühler gab keine Werte, die sich verwenden ließen."),
    "too_few_readings": ("zu wenige Messwerte", "Für die Anstiegsgeschwindigkeit gibt es zu wenige Werte ohne Lücke."),
    "no_reading_while_charging": ("kein Wert beim Laden", "Der Fühler gab keinen Wert, während der Akkupack geladen wurde."),
    "no_reading_while_discharging": ("kein Wert beim Entladen", "Der Fühler gab keinen Wert, während der Akkupack entladen wurde."),
    # Zyklen
    "too_few_points": ("zu wenige Zyklen", "Es braucht drei vergleichbare Zyklen."),
    "no_spread": ("keine Spreizung", "Alle Zyklen tragen dieselbe Nummer."),
    "scatter_exceeds_uncertainty": ("mehr Streuung als angegeben", "Die Zyklen streuen mehr, als ihre Unsicherheiten erklären; die angegebene wurde erweitert."),
    "cycles_left_out": ("Zyklen ausgelassen", "Einige Zyklen lassen sich mit den anderen nicht vergleichen und wurden ausgelassen."),
    "temperatures_differ": ("Temperaturen verschieden", "Die Zyklen unterscheiden sich in der Temperatur um mehr als 3 K, was auch Kapazität und Widerstand ändert."),
    "rated_capacity_unknown": ("keine Nennkapazität", "Die Nennkapazität ist nicht angegeben."),
    "charges_not_logged": ("Ladungen nicht aufgezeichnet", "Die Ladungen zwischen den Entladungen sind nicht aufgezeichnet, daher ist nicht bekannt, was durch den Akkupack ging."),
    "not_valid": ("nicht gültig", "Die Kapazität dieses Zyklus ist nicht gültig."),
    "other_end": ("anderes Ende", "Diese Entladung endete aus einem anderen Grund als die übrigen."),
    # Angaben der Verordnung
    "no_equal_end_states": ("keine gleichen Endzustände", "Es wurden keine Ladung und Entladung zwischen gleichen Endzuständen (voll bis voll oder leer bis leer) aufgezeichnet."),
    "no_earlier_self_discharge": ("nur einmal gemessen", "Für ihre Entwicklung bräuchte es eine frühere Prüfung, in der auch sie gemessen wurde."),
    "no_current_counted": ("kein Strom gezählt", "Es wurde kein Strom durch den Akkupack aufgezeichnet, der sich zählen ließe."),
    "not_in_a_log": ("nicht in einer Aufzeichnung", "Eine Aufzeichnung vom Messplatz enthält es nicht, und angegeben wurde es nicht."),
    "status_not_stated": ("Status nicht angegeben", "Die Werkstatt hat keinen Status angegeben."),
    "other_rate": ("andere Stromrate", "Diese Entladung lief mit einem anderen Strom als die übrigen."),
}

SOURCES = {
    "voltage resolution at the cut-off": "Auflösung der Spannung am Entladeschluss", "missing current": "fehlende Stromwerte",
    "R25 of the thermistor": "Widerstand des Thermistors bei 25 °C", "B of the thermistor": "B-Wert des Thermistors",
    "temperature reading": "Messwert der Temperatur", "temperature": "Temperatur der Entladung",
    "drift against the siblings": "Fall der Spannung gegen die anderen Gruppen", "slope of the curve": "Ladung je Volt bei dieser Spannung",
    "place on the common curve": "Lage der Gruppe auf der gemeinsamen Entladekurve", "lag at the start": "wie weit unter voll die Gruppe begann",
    "extrapolation to the edge": "Extrapolation auf den Zeitpunkt des Sprungs", "current noise and resolution": "Rauschen und Auflösung des Stroms",
}

NOT_GIVEN = "nicht angegeben"

# ---- Kapazität bis zu jedem Entladeschluss -----------------------------------------------------------------
H_CUTOFFS = "Kapazität bis zu jedem Entladeschluss"
CUTOFF_HEAD = ("Entladung", "Ladung", "Energie", "Bemerkung")
CUTOFF_MEASURED = "wie gemessen"
CUTOFF_PACK, CUTOFF_PACK_UNKNOWN = "bis der Akkupack auf {voltage} ist", "bis der Akkupack am Entladeschluss ist"
CUTOFF_GROUP, CUTOFF_GROUP_UNKNOWN = "bis die erste Gruppe auf {voltage} ist", "bis die erste Gruppe am Entladeschluss ist"
CUTOFF_AT = "erreicht nach {duration}"
CUTOFF_AT_GROUP = "erreicht von Gruppe {n} nach {duration}"
CUTOFF_NOT_REACHED = "nicht erreicht"
CUTOFF_END = "beendet: {end}"
CUTOFF_CORRECTED = "unter den Nennbedingungen (berechnet)"
CUTOFF_CORRECTION = "berechnet mit den Koeffizienten der Packdatei, {by}: Faktor {factor}"
CUTOFF_CONDITION = {"rate": "von {from_} auf {to} It", "temperature": "von {from_} auf {to} °C"}
CUTOFF_NOT_FOR = {"rate": "nicht auf die Stromrate korrigiert", "temperature": "nicht auf die Temperatur korrigiert"}
CUTOFF_DEFAULTED = "nicht angegeben, daher angenommen: {keys}"
CORRECTION_WORDS = {
    "rated_rate_it": "Stromrate der Nennbedingung", "rated_temperature_c": "Temperatur der Nennbedingung", "u_peukert": "Unsicherheit des Exponenten der Stromrate",
    "u_capacity_per_it": "Unsicherheit des Koeffizienten der Stromrate", "u_temperature_per_k": "Unsicherheit des Temperaturkoeffizienten",
}
CUTOFF_CAPTION = (
    "Ein und dieselbe Entladung, gezählt bis dahin, wo jede Spannung zuerst erreicht war. Was berechnet ist, steht neben dem gemessenen Wert und tritt nie "
    "an seine Stelle. Nach ± die erweiterte Messunsicherheit, k = 2."
)

# ---- Ladung ------------------------------------------------------------------------------------------------
H_CHARGES = "Ladungen"
CHARGE_HEAD = ("Nr.", "Beginn", "Eingeladen / Ah", "Energie / Wh", "Mit Konstantstrom / %", "Mit Konstantspannung / %", "Zeitkonstante des Abklingens / s",
               "Fehlt am Ende noch / Ah")
CHARGE_CAPTION = (
    "Anteile beziehen sich auf die eingeladene Ladung. Zeitkonstante: in ihr fällt der Strom bei Konstantspannung auf 37 %. Fehlt noch: was ein solches Abklingen noch einladen würde, "
    "wenn das Ladegerät an bliebe, eine Rechnung. Nach ± die erweiterte Messunsicherheit, k = 2."
)
CHARGE_NONE = "Die Aufzeichnung enthält keine Ladung."
CHARGE_GLANCE = "{n} in dieser Aufzeichnung"
CHARGE_LEAD = "Ladung {n}:"
CHARGE_END = "beendet bei {current} und {voltage}: {end}"
CHARGE_PARTS = "{cc} mit Konstantstrom, {cv} mit Konstantspannung"
CHARGE_PAUSES = "{n} Pausen, zusammen {duration}"
CHARGE_PAUSE = "eine Pause von {duration}"
CHARGE_TEMPERATURE = "im Mittel {mean}, {low} bis {high}"

# ---- Leistung ----------------------------------------------------------------------------------------------
H_POWER = "Entladeleistung über 10 s"
L_POWER, L_BOUNDED, L_HOLDS, L_FROM, L_WEAKEST, L_WHY_NOT, L_DOUBTS = (
    "Leistung des Packs", "Begrenzt durch", "Gilt für", "Berechnet aus", "Schwächste Gruppe", "Warum sie fehlt", "Vorbehalte")
POWER_BOUND = {
    "pack_voltage": "die niedrigste Spannung des Packs, {voltage}", "group_voltage": "die niedrigste Spannung der Gruppe {n}, {voltage}",
    "max_discharge_current": "den höchsten für den Pack angegebenen Entladestrom, {current}, nicht durch eine Spannung",
}
POWER_END = "nach 10 s {current} bei {voltage}"
POWER_STATE = "den Pack {soc} geladen"
POWER_STATE_UNKNOWN = "Ladezustand nicht bekannt"
POWER_WARM = "etwa {temperature}"
POWER_FROM = "{ocv} ohne Last und {ohm} nach 10 s, am Lastsprung bei {at}"
POWER_WEAKEST = "Gruppe {n}: für sich {power}, bis hinab auf {voltage}"
POWER_NOTE = "{procedure}. Eine Rechnung, eine Last dieser Größe lag nicht an; die Grenzen des Zellherstellers gehen vor."

# ---- Selbstentladung ---------------------------------------------------------------------------------------
H_LEAKS = "Selbstentladung in Ruhe"
LEAK_HEAD = ("Gruppe", "Leck / mA", "Kleinstes Leck, das diese Ruhe zeigt / mA", "Ruhe, die 1 mA zeigen würde / h", "Bemerkung")
LEAK_CAPTION = (
    "Leck: Ladung, die über die der anderen Gruppen hinaus verloren geht; was alle gleich verlieren, ist nicht zu sehen. Nach ± die erweiterte Messunsicherheit, k = 2. "
    "Ein kleineres Leck als das kleinste, das sich zeigt, kann ungesehen da sein."
)
LEAK_REST = "Ruhe von {duration} (Schritt {step})."
LEAK_REST_NONE = "Keine Ruhe war lang genug; die längste der Aufzeichnung ist {duration}."
LEAK_NO_REST = "Die Aufzeichnung enthält keine Ruhe."
LEAK_NEEDS = "Eine Ruhe von etwa {hours} h mit Aufzeichnung aller Gruppen würde ein Leck von 1 mA zeigen{where}."
LEAK_NEEDS_SOME = " in {n} der {all} Gruppen"
LEAK_GLANCE = "höchstes {figure}, Gruppe {n}"
LEAK_FLAT = "Zwei Kapazitätsprüfungen mit Wochen der Lagerung dazwischen können es sagen."

# ---- Temperatur --------------------------------------------------------------------------------------------
H_TEMPERATURE = "Temperatur jedes Fühlers"
TEMPERATURE_HEAD = ("Fühler", "Höchste / °C", "Beginn / °C", "Anstieg / K", "Steilster / (K/min)", "Über 45 °C / min", "Über 60 °C / min",
                    "Außer Fenster, Laden / min", "Außer Fenster, Entladen / min")
TEMPERATURE_CAPTION = (
    "Fenster beim Laden {charge} °C, beim Entladen {discharge} °C ({stated}). Ein Fühler zeigt die Stelle, an der er sitzt: Das Innere einer Zelle ist unter Last "
    "wärmer. Nach ± die erweiterte Messunsicherheit, k = 2."
)
WINDOW = "{low} bis {high}"
WINDOW_STATED, WINDOW_ASSUMED = "für die Zellen angegeben", "für die Zellen nicht angegeben; übliche angenommen"
TEMPERATURE_WHY = "Temperatur während der Entladung nicht bekannt: {reasons}."
TEMPERATURE_COLD = "beim Laden {minutes} min unter 0 °C"
TEMPERATURE_LEAD = "{name}:"
TEMPERATURE_NTC = "Thermistor, {evidence}"
TEMPERATURE_OUT = "bei jedem Wert ausgelassen"
TEMPERATURE_TITLE = "Temperaturen über der Zeit"
TEMPERATURE_CHART = "Temperaturen wie aufgezeichnet oder aus dem Widerstand eines Thermistors; Werte, die keine Temperaturen sein können, sind ausgelassen."
SENSORS_BAND = "{n} Fühler"
AXIS_TEMPERATURE = "Temperatur / °C"
NOT_MEASURED_BECAUSE = "Nicht gemessen: {reasons}."

# ---- Ersatzschaltbild --------------------------------------------------------------------------------------
H_CIRCUIT = "Ersatzschaltbild (Gleichstrom)"
CIRCUIT_HEAD = ("Kanal", "R0 / mΩ", "R1 / mΩ", "τ1 / s", "R2 / mΩ", "τ2 / s", "Bemerkung")
CIRCUIT_PACK, CIRCUIT_INTERVAL = "Pack", "Pack, 95-%-Intervall"
CIRCUIT_FROM = {
    "pulse_and_rest": "Angepasst an einen Lastpuls und die Ruhe danach", "load_on": "Angepasst an das Einschalten einer Last",
    "load_off": "Angepasst an die Ruhe nach dem Abschalten einer Last",
}
CIRCUIT_WHERE = "{what}, {at} nach Beginn: Stromsprung {current}, {window} lang, ein Messpunkt je {sampling}{state}."
CIRCUIT_RESIDUAL = "Restabweichung {residual} (Effektivwert), Rauschen der Messwerte {noise}."
CIRCUIT_ONE = "ein Zweig genügt"
CIRCUIT_CAPTION = (
    "R0 in Reihe mit einem oder zwei RC-Zweigen, τ = R C, auf der Zeitskala der Aufzeichnung: Was schneller ist als der Messabstand, gehört zu R0, und das ist keine "
    "Wechselstromimpedanz (nicht der 1-kHz-Wert eines Zelltesters). R0 des Packs enthält dessen Verbindungen. Nach ± die erweiterte Messunsicherheit, k = 2."
)
CIRCUIT_NEXT = "Um es beim nächsten Mal zu erhalten:"

# ---- Zyklen ------------------------------------------------------------------------------------------------
H_TREND = "Über die Zyklen dieser Aufzeichnung"
TREND_HEAD = ("Änderung", "Je Zyklus", "Bemerkung")
TREND_FADE, TREND_FADE_AH = "verlorene Kapazität, als Anteil der ersten", "verlorene Kapazität"
TREND_FULL = "verlorene Kapazität, Anteil je äquivalentem Vollzyklus"
TREND_GROWTH, TREND_EFFICIENCY = "Zunahme des 10-s-Widerstands", "Änderung des Energiewirkungsgrads"
TREND_GLANCE = "{figure} der Kapazität je Zyklus verloren"
TREND_POINTS = "Gerade durch {n} Zyklen"
TREND_CAPTION = (
    "Gewichtete Geraden; was ein Messgerät in jedem Zyklus gleich falsch zeigt, neigt sie kaum. Sie sagen nicht voraus, wie der Akkupack altert. Nach ± die erweiterte Messunsicherheit, k = 2."
)
CYCLE_HEAD = ("Zyklus", "Kapazität / Ah", "Stromrate / It", "Temperatur / °C", "Äquivalente Vollzyklen", "Widerstand nach 10 s / mΩ", "Energie\u00adwirkungsgrad / %", "Aus den Geraden gelassen")
PLACE_HEAD = "Nr."

# ---- Unsicherheit ------------------------------------------------------------------------------------------
H_ENERGY_BUDGET = "Unsicherheit der Energie"
H_CORRECTED_BUDGET = "Unsicherheit der berechneten Kapazität"
H_GROUP_BUDGET = "Unsicherheiten der Gruppe {n}, der begrenzenden"
GROUP_BUDGET_HEAD = ("Wert", "Quelle", "Standardunsicherheit", "Anteil an der Varianz")
GROUP_BUDGET_FIGURES = {
    "capacity_ah": "Kapazität", "resistance_10s_ohm": "Widerstand nach 10 s", "ohmic_ohm": "ohmscher Widerstand", "sag_10s_v": "Einbruch nach 10 s",
    "self_discharge_ma": "Leck in Ruhe",
}

# ---- Angaben der Verordnung --------------------------------------------------------------------------------
H_HEALTH = "Alterungszustand, Angabe für Angabe"
HEALTH_HEAD = ("Angabe", "Ergebnis", "Bemerkung")
HEALTH_ITEMS = {
    "remaining_capacity": "Verbleibende Kapazität", "remaining_power_capability": "Verbleibende Leistungsfähigkeit",
    "remaining_round_trip_efficiency": "Verbleibender Zykluswirkungsgrad", "evolution_of_self_discharge": "Selbstentladung und ihre Entwicklung",
    "ohmic_resistance": "Ohmscher Widerstand", "date_of_manufacture": "Herstellungsdatum", "date_of_putting_into_service": "Datum der Inbetriebnahme",
    "energy_throughput": "Energiedurchsatz", "capacity_throughput": "Ladungsdurchsatz", "full_equivalent_cycles": "Äquivalente Vollzyklen",
    "harmful_events": "Schädliche Ereignisse", "status": "Status",
}
HEALTH_REMARKS = {
    "remaining_power_capability": "Entladung über 10 s", "remaining_round_trip_efficiency": "Energie heraus durch Energie hinein",
    "energy_throughput": "hinein und heraus zusammen, in dieser Aufzeichnung", "capacity_throughput": "hinein und heraus zusammen, in dieser Aufzeichnung",
    "full_equivalent_cycles": "Ladung hinein und heraus durch die doppelte Nennkapazität, in dieser Aufzeichnung", "harmful_events": "in dieser Aufzeichnung gesehen",
    "status": "wie die Werkstatt ihn angibt",
}
HEALTH_GROUP = "Gruppe {n}, die schlechteste"
HEALTH_CHANGE = "gegen die frühere Prüfung {change}"
HEALTH_NO_EVENTS = "keine"
HEALTH_EVENT_GROUP = "{event} (Gruppe {n})"
HEALTH_PARTS = {"A": "Teil A", "B": "Teil B"}
HEALTH_ITEM = "{part}: {item}"
HEALTH_CAPTION = (
    "Die Angaben, die Anhang VII der Verordnung (EU) 2023/1542 für Batterien leichter Verkehrsmittel und ortsfester Speicher aufzählt. Sie stammen aus dieser "
    "einen Prüfung am Messplatz, nicht aus dem Batteriemanagement des Akkupacks, und sagen nichts über sein Leben davor. Eine Übereinstimmung mit der Verordnung wird nicht behauptet. "
    "Nach ± die erweiterte Messunsicherheit, k = 2."
)
