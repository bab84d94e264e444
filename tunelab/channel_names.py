"""The words by which a column names its channel, and a name without its order, endings and abbreviations.

Two names agree where they consist of the same words. German compounds are cut: "Öltemp." is oil and temperature.

One list per channel. Case, accents, blanks and punctuation do not matter. What follows from a rule stands in no list:
the number of a bank or sensor, a unit in the name, filler words and the source of a signal (`log.map.heading`), the
order of words, their abbreviations and a qualifier such as target in another language (`channel_words`). One name
under several channels means that the unit of the column decides.

Abbreviations are those of SAE J1930 (terms for diagnostics) and SAE J1979 (parameters of on-board diagnostics, given in
`STANDARD`; both from memory), of NMEA 0183 for positions, or so common in handbooks that they need no key (rpm, AFR,
EGT). A logger's own codes are not kept here: a column with an unknown name is asked for once, and channels.toml
remembers the answer.
"""

from __future__ import annotations

import re
import unicodedata

_SAME = {
    "temp": "tmp temperature temperatur temperatura temperatuur tempr t",
    "pressure": "press pres prs prss druck dr pression presion pressione pressao druk p",
    "voltage": "volt volts spannung spg tension tensione voltaje u",
    "position": "pos posn stellung posicion posizione",
    "speed": "spd velocity",
    "drehzahl": "drehz",
    "geschwindigkeit": "geschw",
    "beschleunigung": "beschl",
    "engine": "eng",
    "motor": "mot moteur motore",
    "coolant": "cool clnt coolnt kuehlmittel kuhlmittel kuehlm kuhlm kuehlwasser kuhlwasser",
    "water": "wtr wasser eau agua acqua h2o",
    "oil": "oel ol huile aceite olio oleo",
    "fuel": "kraftstoff kraftst benzin carburant combustible",
    "ambient": "amb aussen umgebung umgebungs",
    "exhaust": "exh exhst abgas abg",
    "target": (
        "tgt trgt setpoint desired des commanded cmd requested request req demand soll sollwert consigne objetivo "
        "obiettivo doel wunsch"
    ),
    "manifold": "mfld mani man saugrohr saugr collecteur colector",
    "injector": "inj injection injectors injecteur",
    "duration": "dur",
    "pulse": "puls pls",
    "width": "wid",
    "ignition": "ign",
    "advance": "adv avance",
    "timing": "tim",
    "throttle": "thr thrtl thrott",
    "accel": "acc acceleration",
    "vehicle": "veh fzg",
    "wideband": "wb",
    "baro": "barometer barometric",
    "atmospheric": "atm atmos",
    "battery": "bat batt batterie bateria",
    "lambda": "lam lamb",
    "correction": "corr korr korrektur",
    "longitudinal": "longit longitud",
    "intake": "inlet inl induction ansaug admission admision",
    "air": "luft aire aria",
    "short": "st",
    "long": "lt",
    "bank": "bk",
}
_WORD = {word: known for known, words in _SAME.items() for word in (known, *words.split())}
_PARTS = re.compile(r"(.{2,}?)s?(temperatuur|temperatur|temp|tmp|druck|druk|spannung|stellung|dr)")
_EMPTY_WORDS = "de del di da du d l la le les the of der die das und et y"
_EMPTY = frozenset(_EMPTY_WORDS.split())
_TOKEN = re.compile(r"o2|b\ds\d|[a-z]+|\d+")


def name_words(name: str) -> tuple[str, ...]:
    """Words of a name, sorted, each in one spelling; empty for a single word, which says too little by itself."""
    plain = unicodedata.normalize("NFKD", name.replace("λ", "lambda").replace("ß", "ss"))
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", plain).casefold().replace("h2o", "water")
    parts = [part for word in _TOKEN.findall(spaced) for part in _cut(word)]
    words = sorted(_WORD.get(word, word) for word in parts if word not in _EMPTY)
    return tuple(words) if len(words) > 1 else ()


def _cut(word: str) -> tuple[str, ...]:
    match = None if word in _WORD else _PARTS.fullmatch(word)
    return match.groups() if match else (word,)


WORDS = {
    "engine_speed_rpm": (
        "engine speed, rpm, engine rpm, n, revs, revolutions, engine revs, crankshaft speed, crank speed, motor "
        "speed, rev, crank rpm, rpm motor, tachometer, tacho, tach, drehzahl, drehz, motordrehzahl, regime, regime "
        "moteur, vitesse moteur, regimen, revoluciones, velocidad motor, giri, giri motore, toerental, "
        "motortoerental, rotacao, rotacao motor, omdrejninger, varvtal"
    ),
    "meter_v": (
        "meter, air meter, air flow meter, air flow sensor, meter signal, meter voltage, air meter voltage, air "
        "flow meter voltage, air flow sensor voltage, mass air flow voltage, airflow voltage, maf, maf sensor, maf "
        "signal, maf voltage, maf raw voltage, luftmassenmesser, luftmassenmesser spannung, debitmetre, tension "
        "debitmetre, caudalimetro, tension caudalimetro, debimetro, luchtmassameter"
    ),
    "meter_hz": (
        "meter, air meter, air flow meter, air flow sensor, meter signal, meter frequency, meter freq, air meter "
        "frequency, air flow meter frequency, air flow sensor frequency, air flow sensor freq, mass air flow "
        "frequency, airflow frequency, maf, maf sensor, maf signal, maf frequency, maf freq, luftmassenmesser, "
        "luftmassenmesser frequenz, debitmetre, frequence debitmetre, caudalimetro, debimetro, luchtmassameter"
    ),
    "meter_counts": (
        "meter, air meter, air flow meter, air flow sensor, meter signal, meter counts, meter raw, meter adc, air "
        "meter counts, air meter adc, maf, maf sensor, maf signal, maf counts, maf adc, maf raw, maf a d, "
        "luftmassenmesser, debimetro, luchtmassameter"
    ),
    "air_flow_kg_h": (
        "air flow, airflow, air mass, mass flow, air mass flow, mass air flow, air flow rate, mass air flow rate, "
        "air mass rate, air mass per hour, intake air flow, intake air mass flow, engine air flow, inducted air, "
        "air flow sensor, maf, maf sensor, maf flow, maf rate, luftmasse, luftmassenstrom, luftmassendurchsatz, "
        "debit air, debit massique air, masse d air, flujo de aire, caudal de aire, masa de aire, massa aria, "
        "portata aria, luchtmassa, fluxo de ar"
    ),
    "air_charge_mg": (
        "air per stroke, air mass per stroke, air mass stroke, mass per stroke, air per cylinder, air mass per "
        "cylinder, air charge, air charge mass, charge air mass, cylinder air, cylinder air charge, cylinder air "
        "mass, cyl air, cyl air mass, luftmasse pro hub, luft pro hub, masse d air par cylindre, masse d air par "
        "coup, masa de aire por cilindro, massa aria per cilindro, luchtmassa per slag"
    ),
    "throttle_pct": (
        "throttle, throttle position, throttle angle, throttle opening, throttle plate, throttle valve, throttle "
        "blade, drossel, throttle position b, tp, tps, drosselklappe, drosselklappenwinkel, "
        "drosselklappenstellung, papillon, position papillon, ouverture papillon, mariposa, posicion mariposa, "
        "apertura mariposa, farfalla, posizione farfalla, gasklep, gasklepstand, borboleta"
    ),
    "pedal_pct": (
        "pedal, pedal position, accelerator, accelerator pedal, accelerator position, accelerator pedal position, "
        "accelerator pedal position d, gas pedal, accel pedal, accel position, driver demand, app, fahrpedal, "
        "pedalwert, fahrpedalstellung, pedale, pedale accelerateur, position pedale, accelerateur, pedal "
        "acelerador, posicion pedal, pedale acceleratore, gaspedaalstand"
    ),
    "manifold_kpa": (
        "manifold, map, manifold pressure, manifold absolute pressure, manifold air pressure, manifold gauge "
        "pressure, intake pressure, intake manifold pressure, intake absolute pressure, plenum pressure, vacuum, "
        "manifold vacuum, intake vacuum, engine vacuum, boost, boost pressure, boost vacuum, turbo pressure, map "
        "gauge, saugrohr, saugrohrdruck, saugrohrabsolutdruck, ladedruck, pression admission, pression collecteur, "
        "depression, presion colector, presion admision, pressione collettore, pressione aspirazione, inlaatdruk"
    ),
    "barometer_kpa": (
        "barometer, baro, barometric, barometric pressure, atmospheric pressure, ambient pressure, air pressure, "
        "luftdruck, umgebungsdruck, atmosphärendruck, barometrischer druck, pression atmospherique, presion "
        "atmosferica, presion barometrica, pressione atmosferica, pressione barometrica, luchtdruk"
    ),
    "pulse_width_ms": (
        "pulse width, pw, pulse, fuel pulse, injector pulse, injector pulse width, injector pw, fuel pulse width, "
        "fuel pw, fuel injector pulse width, base pulse width, final pulse width, effective pulse width, "
        "injection, injection time, injection duration, injector time, injector on time, injector on, injector "
        "width, injector open time, injector opening time, opening time, einspritzzeit, einspritzdauer, temps "
        "injection, duree injection, tiempo inyeccion, ancho de pulso, tempo iniezione, inspuittijd, tempo de "
        "injecao"
    ),
    "injector_duty_pct": (
        "injector duty, injector duty cycle, duty, duty cycle, fuel duty, fuel duty cycle, tastverhältnis, "
        "einspritz tastverhältnis, düsenauslastung, rapport cyclique, ciclo de trabajo, auslastung, einspritzdüsen "
        "auslastung"
    ),
    "lambda_measured": (
        "lambda, lambda value, lambda measured, lambda actual, lambda sensor, lambda probe, afr, afr measured, afr "
        "actual, air fuel ratio, air fuel ratio measured, air fuel, a f, a f ratio, exhaust lambda, exhaust afr, "
        "mixture, phi, phi measured, equivalence ratio, equiv ratio, eq ratio, measured equivalence ratio, air "
        "fuel equivalence ratio, wideband, wideband afr, wideband lambda, wideband o2, wideband equivalence ratio, "
        "o2, o2 sensor, o2 sensor lambda, o2 lambda, o2 wide range, lambdasonde, lambda ist, lambda wert, lambda "
        "messung, sonde lambda, richesse, richesse mesuree, lambda mesure, lambda mesuree, sonda, sonda lambda, "
        "relacion aire combustible, lambda medida, lambda real, titolo, lambda misurata, lambdawaarde"
    ),
    "lambda_measured_2": "lambda right, afr right",
    "lambda_commanded": (
        "lambda target, afr target, air fuel ratio target, equivalence ratio target, equiv ratio target, eq ratio "
        "target, phi target, mixture target, fuel target, air fuel target, lambda command, afr command, lambda "
        "set, afr set, commanded fuel air equivalence ratio, sollambda, richesse consigne"
    ),
    "trim_short_pct": (
        "short term fuel trim, short term trim, short trim, short fuel trim, short term correction, trim "
        "short, stft, stft pct, lambda correction, lambda control, lambda controller, lambda trim, closed loop "
        "correction, closed loop trim, feedback correction, o2 correction, o2 trim, afr correction, kurzzeittrim, "
        "kurzzeitkorrektur, lambdaregelung, lambda regler, lambdakorrektur, correction court terme, correction "
        "richesse, regulation richesse, correccion lambda, correccion corto plazo, ajuste corto plazo, ajuste de "
        "combustible corto plazo, correzione lambda"
    ),
    "trim_long_pct": (
        "long term fuel trim, long term trim, long trim, long fuel trim, long term correction, trim long, "
        "ltft, ltft pct, learned trim, fuel learning, adaptive trim, adaptive correction, "
        "adaption, adaptation, langzeittrim, langzeitkorrektur, gemischadaption, correction long terme, adaptation "
        "richesse, correccion largo plazo, ajuste largo plazo, ajuste de combustible largo plazo"
    ),
    "trim_short_2_pct": "",
    "trim_long_2_pct": "",
    "ethanol_pct": (
        "ethanol, ethanol content, ethanol percent, ethanol percentage, fuel ethanol content, alcohol content, fuel "
        "alcohol content, alcohol fuel content, fuel composition, ethanolgehalt, teneur ethanol, contenido etanol"
    ),
    "enrichment_pct": (
        "enrichment, acceleration enrichment, accel enrich, acceleration fuel, transient enrichment, transient "
        "fuel, tip in enrichment, anreicherung, beschleunigungsanreicherung, enrichissement, enrichissement "
        "acceleration, enriquecimiento, enriquecimiento aceleracion"
    ),
    "battery_v": (
        "battery, battery voltage, batt, bat, batterie, supply, supply voltage, system voltage, board "
        "voltage, voltage, volts, module voltage, control module voltage, ecu voltage, ecu supply, ecu supply "
        "voltage, ecu battery, batteriespannung, bordspannung, bordnetzspannung, tension batterie, bateria, "
        "tension bateria, voltaje, voltaje bateria, tensione batteria, accu, accuspanning, tensao bateria"
    ),
    "coolant_c": (
        "coolant, coolant temperature, engine coolant, engine coolant temperature, engine temperature, water, "
        "water temperature, ect, kühlmittel, kühlmitteltemperatur, kühlwasser, kühlwassertemperatur, "
        "wassertemperatur, motortemperatur, liquide de refroidissement, temperature liquide, temperature liquide "
        "refroidissement, temperature eau, temperature moteur, refrigerante, temperatura refrigerante, temperatura "
        "agua, temperatura motor, acqua, temperatura acqua, koelwater, koelwatertemperatuur, koelvloeistof, "
        "koelvloeistoftemperatuur, kylväska"
    ),
    "intake_air_c": (
        "intake air, intake air temperature, intake temperature, intake charge temperature, iat, manifold air "
        "temperature, air charge temperature, charge air temperature, charge temperature, air temperature, "
        "ansaugluft, ansauglufttemperatur, ansaugtemperatur, lufttemperatur, ladelufttemperatur, temperature air "
        "admission, temperature admission, temperatura admision, temperatura aire, temperatura aire admision, "
        "temperatura aria, inlaatlucht, inlaatluchttemperatuur"
    ),
    "ambient_c": (
        "ambient, ambient air, ambient temperature, ambient air temperature, outside temperature, outside air "
        "temperature, outdoor temperature, aat, aussentemperatur, umgebungstemperatur, temperature exterieure, "
        "temperature ambiante, temperatura exterior, temperatura ambiente, temperatura esterna, buitentemperatuur"
    ),
    "oil_c": (
        "oil temperature, engine oil temperature, eot, öltemperatur, motoröltemperatur, temperature huile, "
        "temperatura aceite, temperatura olio, olietemperatuur"
    ),
    "exhaust_c": (
        "exhaust gas, exhaust gas temperature, exhaust temperature, egt, abgastemperatur, temperature echappement, "
        "temperatura escape, temperatura gas di scarico, temperatura scarico"
    ),
    "spark_deg": (
        "spark, spark advance, spark timing, spark angle, timing, timing advance, ignition, ignition timing, "
        "ignition advance, ignition angle, ignition timing advance, ignition timing advance for 1 cylinder, timing "
        "advance cylinder 1, advance, total timing, base timing, final timing, zündung, zündwinkel, "
        "zündzeitpunkt, avance, avance allumage, avance a l allumage, angle allumage, encendido, avance encendido, "
        "anticipo, anticipo accensione, ontsteking, ontstekingstijdstip, avanco, avanco de ignicao"
    ),
    "knock_retard_deg": (
        "knock retard, knock retardation, knock correction, knock control, knock control retard, knock timing "
        "retard, knock retard angle, spark knock retard, retard, spark retard, "
        "timing retard, ignition retard, klopfregelung, klopfrücknahme, klopfrückzug, klopfkorrektur, "
        "zündwinkelrücknahme, retrait cliquetis, retard cliquetis, retard allumage, retraso picado, retraso "
        "detonacion, retardo detonacion, ritardo detonazione"
    ),
    "road_speed_km_h": (
        "speed, road speed, vehicle speed, vehicle speed sensor, car speed, wheel speed, drive speed, driven wheel "
        "speed, ground speed, velocity, speedometer, speedo, vss, kmh, kph, mph, geschwindigkeit, geschw, "
        "fahrzeuggeschwindigkeit, fahrgeschwindigkeit, tempo, vitesse, vitesse vehicule, velocidad, velocidad "
        "vehiculo, velocita, velocita veicolo, snelheid, rijsnelheid, velocidade, hastighet"
    ),
    "gps_speed_km_h": (
        "gps speed, speed gps, gps ground speed, gnss speed, speed gnss, speed over ground, sog, gps "
        "geschwindigkeit, geschwindigkeit gps, vitesse gps, velocidad gps, velocita gps, gps kmh, gps kph, gps mph"
    ),
    "fuel_pressure_kpa": (
        "fuel pressure, fuel pressure gauge, fuel rail pressure, fuel line pressure, rail pressure, frp, "
        "kraftstoffdruck, benzindruck, pression carburant, pression essence, presion combustible, presion "
        "gasolina, pressione benzina, pressione carburante, brandstofdruk"
    ),
    "oil_pressure_kpa": (
        "oil pressure, engine oil pressure, öldruck, motoröldruck, pression huile, presion aceite, pressione olio, "
        "pressao oleo, oliedruk"
    ),
    "idle_actuator_pct": (
        "idle actuator, idle valve, idle valve duty, idle air valve, idle air control, idle air control duty, idle "
        "air control position, idle control, idle control valve, idle speed control, idle duty, idle stepper, idle "
        "steps, iac, iac duty, iac position, leerlaufsteller, leerlaufregler, leerlaufventil, vanne ralenti, "
        "actuateur ralenti, regulateur ralenti, valvula ralenti, actuador ralenti, valvola minimo, stationairklep"
    ),
    "idle_target_rpm": (
        "idle target, idle rpm target, idle speed target, leerlaufsolldrehzahl, leerlauf soll, ralenti consigne, "
        "ralenti objetivo, minimo obiettivo"
    ),
    "fuel_mode": (
        "fuel mode, fuel state, fuel status, fuelling mode, fueling mode, mixture mode, fuel control mode, fuel "
        "control status, fuel system, fuel system status, fuel system 1 status, fuel sys, fuel sys 1, loop, loop "
        "mode, loop status, fuel loop, o2 loop, closed loop, closed loop status, open loop, open closed loop, cl "
        "ol, ol cl, cl ol status, gemischmodus, regelung, lambdaregelung status, boucle, etat boucle, lazo, estado "
        "lazo, modo combustible, estado del sistema de combustible"
    ),
    "gear": (
        "gear, gear position, gear number, gear no, gear engaged, gear selected, gear actual, gear indicator, "
        "current gear, transmission gear, gang, ganganzeige, rapport, rapport engage, marcha, marcia, versnelling"
    ),
    "clutch_pressed": (
        "clutch, clutch switch, clutch sw, clutch pedal, clutch pressed, clutch in, clutch state, clutch pos "
        "switch, kupplung, kupplungsschalter, embrayage, pedale embrayage, embrague, frizione, koppeling"
    ),
    "brake_pressed": (
        "brake, brakes, brake switch, brake sw, brake pedal, brake pressed, brake light, brake lights, brake light "
        "switch, brake lamp, stop light, stop lamp, bremse, bremspedal, bremslicht, bremslichtschalter, "
        "bremsschalter, frein, pedale frein, freno, pedal freno, freno premuto, rem"
    ),
    "launch_active": (
        "launch, launch active, launch hold, launch limiter, launch mode, launch state, launch status, launch "
        "control, launch control active, launch control status, launch rev limit active, start limiter, two step, "
        "2 step"
    ),
    "acceleration_m_s2": (
        "acceleration, accel, longitudinal acceleration, long acceleration, longitudinal g, long g, "
        "acceleration x, accel x, acc x, g x, g force x, imu accel x, beschleunigung, beschl, "
        "längsbeschleunigung, acceleration longitudinale, aceleracion, aceleracion longitudinal, accelerazione, "
        "accelerazione longitudinale, versnelling x"
    ),
    "latitude_deg": (
        "latitude, lat, gps latitude, gps lat, position latitude, pos lat, breite, breitengrad, latitud, "
        "latitudine, breedtegraad"
    ),
    "longitude_deg": (
        "longitude, lon, long, gps longitude, gps lon, gps long, position longitude, pos lon, länge, längengrad, "
        "longitud, longitudine, lengtegraad"
    ),
    "altitude_m": (
        "altitude, alt, altitude msl, alt msl, gps altitude, gps alt, elevation, gps elevation, height, gps "
        "height, höhe, meereshöhe, altitud, altura, altitudine, hoogte"
    ),
}

# The short names that SAE J1979 gives its parameters on a display (from memory).
STANDARD = {
    "engine_speed_rpm": "rpm",
    "air_flow_kg_h": "maf",
    "throttle_pct": "tp, tp b",
    "pedal_pct": "app d",
    "manifold_kpa": "map",
    "barometer_kpa": "baro",
    "trim_short_pct": "shrtft1",
    "trim_long_pct": "longft1",
    "trim_short_2_pct": "shrtft2",
    "trim_long_2_pct": "longft2",
    "battery_v": "vpwr",
    "coolant_c": "ect",
    "intake_air_c": "iat",
    "ambient_c": "aat",
    "oil_c": "eot",
    "spark_deg": "sparkadv",
    "road_speed_km_h": "vss",
    "fuel_pressure_kpa": "frp",
    "fuel_mode": "fuelsys1",
}

ALIASES = {name: tuple(f"{words}, {STANDARD.get(name, '')}".strip(", ").split(", ")) for name, words in WORDS.items()}

TIME_ALIASES = (
    "time, t, timestamp, timestamps, time stamp, timecode, time code, elapsed, elapsed time, elapsed seconds, "
    "run time, runtime, uptime, session time, log time, logtime, record time, recording time, sample time, "
    "relative time, rel time, time since start, time offset, offset, seconds, sec, secs, s, ms, msec, milliseconds, "
    "millis, micros, time s, time sec, time ms, clock, time of day, local time, system time, device time, ecu time, "
    "gps time, utc, utc time, unix time, time unix, unix timestamp, epoch, date, date time, datetime, zeit, zeit s, "
    "zeitstempel, laufzeit, uhrzeit, datum, datum zeit, datum uhrzeit, temps, heure, horodatage, date heure, tiempo, "
    "hora, fecha, fecha hora, marca de tiempo, tijd, tempo s, tid, tid s, aika, czas"
)

# Time in one language and road speed in another: a clock where the unit says so, or where it only ever rises.
TIME_OR_SPEED = ("tempo",)
