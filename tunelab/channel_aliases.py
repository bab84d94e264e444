"""The names that loggers give to channels: a table, kept apart from what the channels are.

Case, accents, blanks and punctuation do not matter. One name under several channels means that the unit of the column
decides. Names are the trade's and SAE J1979's words in English, German, French, Spanish, Italian and Dutch.
"""

ALIASES = {
    "engine_speed_rpm": (
        "rpm, engine speed, engine rpm, rev, revs, n, eng speed, eng rpm, crank speed, crankshaft speed, motor speed, "
        "engine revs, tach, tacho, tachometer, ne, revolutions, drehzahl, motordrehzahl, regime, regime moteur, "
        "vitesse moteur, regimen, revoluciones, rpm motor, velocidad motor, giri, engine speed rpm, n mot, n motor, n "
        "engine, drehz, giri motore, toerental, motortoerental, rotacao, rotacao motor, crank rpm, omdrejninger, "
        "varvtal"
    ),
    "meter_v": (
        "maf, maf v, maf voltage, maf volts, maf sensor voltage, meter, meter voltage, meter signal, air meter, air "
        "meter voltage, afm, afm voltage, afm v, air flow meter, air flow meter voltage, air flow sensor voltage, "
        "airflow voltage, hfm, hfm voltage, hfm spannung, lmm, lmm spannung, luftmassenmesser, luftmassenmesser "
        "spannung, maf sensor, maf signal, mass air flow voltage, debitmetre, tension debitmetre, caudalimetro, "
        "tension caudalimetro, maf raw voltage, u hfm, u lmm, u maf, air flow sensor, debimetro, luchtmassameter"
    ),
    "meter_hz": (
        "maf, maf hz, maf frequency, maf freq, meter, meter frequency, meter signal, air meter, air meter frequency, "
        "afm, afm frequency, air flow meter, air flow meter frequency, airflow frequency, hfm, hfm frequenz, lmm, "
        "luftmassenmesser, maf sensor, maf signal, mass air flow frequency, debitmetre, frequence debitmetre, "
        "caudalimetro, karman frequency, air flow sensor frequency, air flow sensor freq, air flow sensor, "
        "debimetro, luchtmassameter"
    ),
    "meter_counts": (
        "maf counts, maf adc, maf raw, meter counts, meter adc, meter raw, air meter counts, air meter adc, afm adc, "
        "afm counts, afm raw, hfm adc, hfm counts, lmm adc, maf, maf sensor, maf signal, meter, meter signal, air "
        "meter, afm, air flow meter, hfm, lmm, maf a d, air flow sensor, debimetro, luchtmassameter"
    ),
    "air_flow_kg_h": (
        "air flow, air mass, air mass flow, mass air flow, maf, maf flow, maf rate, mass air flow rate, air flow rate, "
        "intake air flow, intake air mass flow, engine air flow, maf sensor, maf g s, air mass rate, luftmasse, "
        "luftmassenstrom, debit air, debit d air, debit massique air, masse d air, flujo de aire, flujo aire, masa de "
        "aire, caudal de aire, inducted air, luftmassendurchsatz, m luft, massa aria, portata aria, luchtmassa, fluxo "
        "de ar, massflow, air mass per hour, q luft, qluft, air flow sensor"
    ),
    "air_charge_mg": (
        "air per stroke, air mass per stroke, air mass stroke, mass per stroke, air charge, air charge mass, charge "
        "air mass, cylinder air, cylinder air charge, cylinder air mass, air per cylinder, air mass per cylinder, air "
        "mass cylinder, cyl air mass, cyl air, luftmasse pro hub, luft pro hub, masse d air par cylindre, masse d air "
        "par coup, masa de aire por cilindro, massa aria per cilindro, luchtmassa per slag"
    ),
    "throttle_pct": (
        "throttle, tps, throttle position, throttle pos, throttle angle, tp, tp sensor, tps1, thr, throttle opening, "
        "throttle plate, throttle valve, throttle position sensor, absolute throttle position, tps main, absolute "
        "throttle position b, throttle pct, throttle percent, drosselklappe, drosselklappenwinkel, "
        "drosselklappenstellung, dk winkel, papillon, position papillon, ouverture papillon, mariposa, posicion "
        "mariposa, apertura mariposa, acelerador tps, dk, drossel, farfalla, posizione farfalla, gasklep, "
        "gasklepstand, borboleta, thr pos, throttle blade, etb position, etb"
    ),
    "pedal_pct": (
        "pedal, accelerator, accelerator pedal, pedal position, accelerator position, accel pedal, app, apps, "
        "accelerator pedal position, accel position, pps, driver demand, gas pedal, fahrpedal, pedalwert, "
        "fahrpedalstellung, pedale, pedale accelerateur, position pedale, pedal acelerador, posicion pedal, "
        "accelerateur, pedal acelerador posicion, accelerator pedal position d, pwg, fp stellung, pedale acceleratore, "
        "gaspedaalstand, accel pos, drivers demand"
    ),
    "manifold_kpa": (
        "map, manifold, manifold pressure, manifold absolute pressure, intake manifold pressure, inlet manifold "
        "pressure, inlet pressure, boost, boost pressure, intake pressure, map sensor, manifold air pressure, intake "
        "manifold absolute pressure, man press, mani pressure, plenum pressure, vacuum, manifold vacuum, intake "
        "vacuum, engine vacuum, saugrohrdruck, ladedruck, saugrohr, pression admission, pression collecteur, "
        "depression, presion colector, presion admision, presion de admision, manifold gauge pressure, manifold abs "
        "pressure, intake abs pressure, turbo pressure, presion turbo, pression turbo, p man, p saug, p manifold, "
        "saugrohrabsolutdruck, inlaatdruk, pressione collettore, pressione aspirazione, imap, manifold p, mapabs, "
        "boost vac, boost vacuum, map gauge"
    ),
    "barometer_kpa": (
        "baro, barometer, barometric pressure, atmospheric pressure, ambient pressure, baro pressure, atm pressure, "
        "air pressure, barometric, bap, baro press, luftdruck, umgebungsdruck, atmosphaerendruck, pression "
        "atmospherique, presion atmosferica, presion barometrica, absolute barometric pressure, p baro, p amb, p atm, "
        "barometrischer druck, pressione atmosferica, pressione barometrica, luchtdruk"
    ),
    "pulse_width_ms": (
        "pulse width, pw, pw1, injector pulse width, inj pw, ipw, injection time, injector time, inj time, inj "
        "duration, injection duration, injector on time, injector opening time, injection pulse width, fuel pulse "
        "width, fuel pw, base pulse width, final pulse width, effective pulse width, ti, injector pw, inj pulse width, "
        "injector duration, pulse, injection, einspritzzeit, einspritzdauer, temps injection, temps d injection, duree "
        "injection, duree d injection, tiempo de inyeccion, tiempo inyeccion, ancho de pulso, injector 1 pulse width, "
        "bank 1 pulse width, pulse width bank 1, inj 1 pw, fuel injector pulse width, injector pulse width bank 1, t "
        "inj, t einspritz, einspr zeit, tempo iniezione, tempo di iniezione, inspuittijd, tempo de injecao, inj width, "
        "injector width, injector on, opening time, inj open time, inj pulse, inj ms, fuel pulse, ti1, inj p "
        "w, inj p width"
    ),
    "injector_duty_pct": (
        "injector duty, injector duty cycle, duty, duty cycle, inj duty, inj duty cycle, idc, dc, injector dc, "
        "injectors duty, fuel duty, fuel duty cycle, inj dc, inj cycle, injection duty, tastverhaeltnis, einspritz "
        "tastverhaeltnis, rapport cyclique, ciclo de trabajo, injector duty cycle bank 1, inj duty pct, duty injector, "
        "auslastung, duesenauslastung, einspritzduesen auslastung"
    ),
    "lambda_measured": (
        "lambda, lambda 1, afr, afr 1, air fuel ratio, air fuel, a f, a f ratio, actual afr, actual lambda, measured "
        "afr, measured lambda, afr measured, lambda measured, afr actual, lambda actual, wideband, wideband afr, "
        "wideband lambda, wbo2, wideband o2, wideband 1, wb afr, wb lambda, wb 1, wb, uego, ego, ego 1, o2, o2 sensor, "
        "o2 1, lambda sensor, lambda sensor 1, lambda value, lambda bank 1, afr bank 1, lambda b1, afr b1, bank 1 "
        "lambda, bank 1 afr, bank 1 air fuel ratio, phi, phi measured, phi 1, equivalence ratio, equiv ratio, eq "
        "ratio, eqr, measured equivalence ratio, measured phi, exhaust lambda, exhaust afr, lsu, lambda wert, "
        "lambdasonde, sonde lambda, richesse, richesse mesuree, lambda mesure, lambda mesuree, sonda lambda, relacion "
        "aire combustible, lambda medida, lambda real, afr gasoline, wideband equivalence ratio, air fuel equivalence "
        "ratio, o2 sensor 1 lambda, o2 b1s1 lambda, o2s11 lambda, lambda b1s1, air fuel ratio 1, o2 wide range, "
        "mixture, lam, lambda probe, lambda ist, titolo, lambda misurata, lambdawaarde, sonda, lambda messung, lam 1, "
        "air fuel ratio measured, afr wb"
    ),
    "lambda_measured_2": (
        "lambda 2, afr 2, wideband 2, wb 2, wbo2 2, ego 2, o2 2, lambda sensor 2, lambda bank 2, afr bank 2, lambda "
        "b2, afr b2, bank 2 lambda, bank 2 afr, bank 2 air fuel ratio, phi 2, uego 2, equivalence ratio 2, lambda "
        "measured 2, afr measured 2, measured lambda 2, measured afr 2, wideband afr 2, wideband lambda 2, lambdasonde "
        "2, sonde lambda 2, sonda lambda 2, wideband o2 2, o2 b2s1 lambda, lambda b2s1, air fuel ratio 2, lambda "
        "right, afr right, actual lambda 2, actual afr 2, wb afr 2, wb lambda 2"
    ),
    "lambda_commanded": (
        "lambda commanded, commanded lambda, target lambda, lambda target, lambda tgt, desired lambda, lambda desired, "
        "lambda setpoint, lambda set, lambda demand, requested lambda, lambda request, lambda command, commanded afr, "
        "afr commanded, afr command, target afr, afr target, afr tgt, desired afr, afr desired, afr setpoint, afr set, "
        "requested afr, afr request, commanded equivalence ratio, equivalence ratio commanded, commanded eq ratio, "
        "commanded equiv ratio, target equivalence ratio, desired equivalence ratio, commanded phi, phi commanded, "
        "target phi, phi target, commanded air fuel ratio, target air fuel ratio, desired air fuel ratio, air fuel "
        "ratio commanded, air fuel ratio target, fuel target, mixture target, target mixture, tgt afr, tgt lambda, "
        "commanded fuel air equivalence ratio, commanded air fuel, lambda soll, sollambda, soll lambda, lambda "
        "consigne, consigne lambda, richesse consigne, consigne richesse, lambda objetivo, objetivo lambda, afr "
        "objetivo, eqr commanded, commanded eqr, cmd lambda, cmd afr, lambda cmd, afr cmd, des afr, lam soll, lambda "
        "obiettivo, lambda doel, lambda wunsch, afr soll, lambda aim, afr aim"
    ),
    "trim_short_pct": (
        "stft, short term fuel trim, short term trim, short trim, stft 1, stft b1, stft bank 1, short term fuel trim "
        "bank 1, short term fuel trim 1, bank 1 stft, fuel trim short, short ft, short fuel trim, trim short, trim st, "
        "st trim, ego correction, ego corr, closed loop correction, cl correction, lambda correction, lambda corr, "
        "lambda control, lambda trim, o2 correction, o2 trim, closed loop trim, feedback correction, lambda regler, "
        "lambdaregelung, lambda controller, correction lambda, correction richesse, regulation richesse, correction "
        "court terme, correccion lambda, correccion corto plazo, ajuste corto plazo, ajuste de combustible corto "
        "plazo, kurzzeittrim, short term fuel trim b1, af correction, afr correction, short term correction, fuel trim "
        "short term, shrtft1, kurzzeitkorrektur, lambdakorrektur, lambda integrator, lambda int, integrator, "
        "correzione lambda, fr, short term ft, stft pct, s ft"
    ),
    "trim_long_pct": (
        "ltft, long term fuel trim, long term trim, long trim, ltft 1, ltft b1, ltft bank 1, long term fuel trim bank "
        "1, long term fuel trim 1, bank 1 ltft, fuel trim long, long ft, long fuel trim, trim long, trim lt, lt trim, "
        "learned trim, learn trim, fuel learn, adaptive trim, adaption, adaptation, fuel learning, langzeittrim, "
        "gemischadaption, correction long terme, adaptation richesse, correccion largo plazo, ajuste largo plazo, long "
        "term correction, ajuste de combustible largo plazo, long term fuel trim b1, fuel trim long term, longft1, "
        "langzeitkorrektur, adaptive correction, long term ft, block learn, block learn multiplier, fra, l ft"
    ),
    "trim_short_2_pct": (
        "stft 2, stft b2, stft bank 2, short term fuel trim bank 2, short term fuel trim 2, bank 2 stft, short term "
        "trim 2, short trim 2, ego correction 2, short term fuel trim b2, trim short 2, shrtft2, lambda correction 2, "
        "closed loop correction 2"
    ),
    "trim_long_2_pct": (
        "ltft 2, ltft b2, ltft bank 2, long term fuel trim bank 2, long term fuel trim 2, bank 2 ltft, long term trim "
        "2, long trim 2, long term fuel trim b2, trim long 2, longft2, a f learning 2"
    ),
    "enrichment_pct": (
        "enrichment, accel enrichment, acceleration enrichment, accel enrich, ae, accel fuel, transient enrichment, "
        "acceleration fuel, transient fuel, tip in enrichment, accel pump, beschleunigungsanreicherung, anreicherung, "
        "enrichissement, enrichissement acceleration, enriquecimiento, enriquecimiento aceleracion, acc enrichment"
    ),
    "battery_v": (
        "battery, battery voltage, batt, batt v, batt voltage, bat, vbat, vbatt, batv, ubat, bat voltage, supply "
        "voltage, system voltage, ecu voltage, voltage, volts, control module voltage, module voltage, ecu supply, ecu "
        "supply voltage, ecu battery, bordspannung, batteriespannung, batterie, tension batterie, tension de batterie, "
        "tension bateria, bateria, voltaje bateria, voltaje, voltaje de bateria, board voltage, bord net, ub, u batt, "
        "tensione batteria, accuspanning, accu, tensao bateria, bordnetzspannung, vpwr, system v, sys voltage, supply"
    ),
    "coolant_c": (
        "coolant, coolant temp, coolant temperature, clt, ect, cts, engine temp, engine temperature, eng temp, water "
        "temp, water temperature, wt, engine coolant temp, engine coolant temperature, eng coolant temp, h2o temp, "
        "cool temp, engine coolant, water, kuehlmittel, kuehlmitteltemperatur, kuhlmittel, kuhlmitteltemperatur, "
        "kuehlwasser, kuhlwasser, kuehlwassertemperatur, kuhlwassertemperatur, motortemperatur, wassertemperatur, "
        "liquide de refroidissement, temperature liquide, temperature eau, temp eau, temp liquide, t eau, temperature "
        "liquide refroidissement, temperature moteur, temp moteur, temperatura refrigerante, temp refrigerante, "
        "refrigerante, temperatura agua, temp agua, temperatura motor, temp motor, temperatura del refrigerante, t "
        "mot, t wasser, t kuehl, t water, t coolant, t cool, temperatura acqua, temp acqua, acqua, koelwater, "
        "koelwatertemperatuur, koelvloeistof, koelvloeistoftemperatuur, temperatura da agua, kuehlwassertemp, "
        "motortemp, t kw, kw temp, kylvaeska, motor coolant temp, t clt, t ect"
    ),
    "intake_air_c": (
        "iat, intake air, intake air temp, intake air temperature, intake temp, intake temperature, mat, manifold air "
        "temp, manifold air temperature, inlet air temp, inlet temp, inlet air temperature, act, air charge temp, air "
        "charge temperature, charge temp, charge air temp, charge temperature, air temp, air temperature, ansaugluft, "
        "ansauglufttemperatur, ansaugtemperatur, lufttemperatur, ladelufttemperatur, temperature air admission, "
        "temperature admission, temp admission, temp air, temperature air, t air, temperature d admission, temperatura "
        "admision, temp admision, temperatura aire, temp aire, temperatura de admision, temperatura aire admision, t "
        "ans, t ansaug, t luft, t intake, t inlet, t man, t charge, temperatura aria, temp aria, inlaatlucht, "
        "inlaatluchttemperatuur, ansaugtemp, ladelufttemp, air inlet temp, intake charge temp, act temp, iat temp, mat "
        "temp, t iat, t mat"
    ),
    "ambient_c": (
        "ambient, ambient air, ambient temp, ambient temperature, ambient air temp, ambient air temperature, outside "
        "temp, outside temperature, outside air temp, oat, aat, outside air temperature, aussentemperatur, "
        "umgebungstemperatur, temperature exterieure, temp exterieure, temperatura exterior, temp exterior, "
        "temperatura ambiente, temperature ambiante, t umg, t amb, t aussen, t ext, temperatura esterna, "
        "buitentemperatuur, aussentemp, outdoor temp, ambient t"
    ),
    "oil_c": (
        "oil temp, oil temperature, engine oil temp, engine oil temperature, eot, toil, oeltemperatur, oltemperatur, "
        "oel temp, temperature huile, temp huile, temperatura aceite, temp aceite, eng oil temp, t oel, temperatura "
        "olio, temp olio, olietemperatuur, oil t, motoroeltemperatur, motoroeltemp"
    ),
    "exhaust_c": (
        "egt, egt 1, exhaust gas temp, exhaust gas temperature, exhaust temp, exhaust temperature, abgastemperatur, "
        "temperature echappement, temp echappement, temperatura escape, temp escape, exhaust gas, t abg, t abgas, t "
        "exh, t exhaust, temperatura gas di scarico, temp scarico, egt bank 1, egt b1, exhaust gas t"
    ),
    "spark_deg": (
        "spark, spark advance, spark timing, timing, timing advance, ignition, ignition timing, ignition advance, "
        "ignition angle, advance, ign timing, ign advance, ign angle, ign, spark angle, total timing, base timing, "
        "final timing, zuendwinkel, zundwinkel, zuendzeitpunkt, zundzeitpunkt, zw, avance, avance allumage, avance a l "
        "allumage, angle allumage, avance encendido, avance de encendido, encendido, ignition timing advance, ignition "
        "timing advance for 1 cylinder, timing advance cylinder 1, zuendung, zzp, zwout, anticipo, anticipo "
        "accensione, ontsteking, ontstekingstijdstip, avanco, avanco de ignicao, spark adv, ign timing deg, ignition "
        "adv, ign deg"
    ),
    "knock_retard_deg": (
        "knock retard, knock ret, kr, knk retard, knock correction, knock timing retard, knock retard angle, retard, "
        "spark retard, timing retard, ignition retard, knock control, knock retardation, klopfregelung, klopfrueckzug, "
        "zuendwinkelruecknahme, zundwinkelrucknahme, retrait cliquetis, retard cliquetis, retard allumage, retraso "
        "picado, retraso detonacion, retardo detonacion, knock retard max, klopfruecknahme, knock pull, knock control "
        "retard, spark knock retard, knk ret, knk, klopfkorrektur, ritardo detonazione"
    ),
    "road_speed_km_h": (
        "speed, vss, vehicle speed, road speed, wheel speed, car speed, veh speed, vehicle speed sensor, velocity, "
        "ground speed, vspeed, geschwindigkeit, fahrzeuggeschwindigkeit, fahrgeschwindigkeit, tempo, vitesse, vitesse "
        "vehicule, velocidad, velocidad vehiculo, velocidad del vehiculo, speed obd, drive speed, driven wheel speed, "
        "kmh, kph, mph, speedo, v fzg, v veh, v vehicle, geschw, velocita, velocita veicolo, snelheid, rijsnelheid, "
        "velocidade, spd, hastighet"
    ),
    "gps_speed_km_h": (
        "gps speed, speed gps, gps velocity, gps spd, gps kph, gps mph, gnss speed, speed over ground, gps ground "
        "speed, sog, vgps, gps geschwindigkeit, vitesse gps, velocidad gps, gps vitesse, gps velocidad, "
        "geschwindigkeit gps, speed gnss, velocita gps, v gnss"
    ),
    "fuel_pressure_kpa": (
        "fuel pressure, fuel press, fuel rail pressure, rail pressure, fuel pres, fp, fp pressure, kraftstoffdruck, "
        "benzindruck, pression carburant, pression essence, presion combustible, presion gasolina, frp, presion de "
        "combustible, fuel line pressure, fuel pressure gauge, p fuel, p kraftstoff, p benzin, pressione benzina, "
        "pressione carburante, brandstofdruk, kraftstoffdr, fuelp"
    ),
    "oil_pressure_kpa": (
        "oil pressure, oil press, oil pres, engine oil pressure, oeldruck, oldruck, pression huile, pression d huile, "
        "presion aceite, presion de aceite, eop, oilp, p oil, p oel, pressione olio, oliedruk, motoroeldruck, oeldr, "
        "pressao oleo"
    ),
    "idle_actuator_pct": (
        "idle actuator, idle valve, iac, idle air control, iacv, isc, iscv, idle duty, iac duty, idle control valve, "
        "idle air valve, idle valve duty, idle speed control, leerlaufsteller, leerlaufregler, llr, actuateur ralenti, "
        "vanne ralenti, regulateur ralenti, valvula ralenti, actuador ralenti, iac position, leerlaufventil, lls, "
        "zwls, valvola minimo, stationairklep, idle air control duty, idle air control position, icv, idle control, "
        "idle stepper, idle steps"
    ),
    "idle_target_rpm": (
        "idle target, target idle, idle target rpm, target idle rpm, idle rpm target, desired idle, desired idle "
        "speed, idle setpoint, idle speed target, leerlaufsolldrehzahl, leerlauf soll, ralenti consigne, consigne "
        "ralenti, ralenti objetivo, target idle speed, desired idle rpm, soll leerlauf, n soll leerlauf, minimo "
        "obiettivo, idle speed setpoint"
    ),
    "fuel_mode": (
        "fuel mode, fuel status, fuel system status, fuelling mode, fueling mode, loop, loop status, closed loop, open "
        "loop, closed loop status, cl ol, ol cl, cl ol status, fuel loop, open closed loop, o2 loop, fuel sys, fuel "
        "system, fuel system 1 status, fuel sys 1, fuel state, loop mode, mixture mode, fuel control mode, fuel "
        "control status, gemischmodus, lambdaregelung status, regelung, boucle, etat boucle, lazo, estado lazo, modo "
        "combustible, estado del sistema de combustible"
    ),
    "gear": (
        "gear, gear position, current gear, gear engaged, gear number, selected gear, gang, rapport, rapport engage, "
        "marcha, gear actual, gear pos, transmission gear, gear no, marcia, versnelling, ganganzeige, gear indicator, "
        "gear selected"
    ),
    "clutch_pressed": (
        "clutch, clutch switch, clutch pedal, clutch pressed, clutch in, clutch sw, kupplung, kupplungsschalter, "
        "embrayage, pedale embrayage, embrague, clutch state, frizione, koppeling, clutch pos switch"
    ),
    "brake_pressed": (
        "brake, brake switch, brake pedal, brake pressed, brake light, brake lights, brake sw, bremse, bremslicht, "
        "bremspedal, bremsschalter, frein, pedale frein, freno, pedal freno, brake light switch, brakes, freno "
        "premuto, rem, bls, bremslichtschalter, stop light, stop lamp, brake lamp"
    ),
    "launch_active": (
        "launch, launch control, launch active, launch limiter, launch control active, launch hold, launch state, "
        "launch status, start limiter, launch mode, two step, 2 step, launch rev limit active, launch control status"
    ),
    "acceleration_m_s2": (
        "acceleration, accel, longitudinal acceleration, long acceleration, accel long, long accel, g long, long g, "
        "longitudinal g, acceleration x, accel x, acc x, ax, lon acc, inline acc, g x, inline g, laengsbeschleunigung, "
        "langsbeschleunigung, beschleunigung, acceleration longitudinale, aceleracion longitudinal, aceleracion, long "
        "acc, imu accel x, g force x, x acceleration, beschl, a laengs, laengsbeschl, accelerazione longitudinale, "
        "accelerazione, versnelling x, long accel g"
    ),
    "latitude_deg": (
        "latitude, lat, gps latitude, gps lat, breite, breitengrad, latitud, pos lat, position latitude, latitudine, "
        "breedtegraad, lat deg"
    ),
    "longitude_deg": (
        "longitude, lon, long, lng, gps longitude, gps lon, gps long, laenge, laengengrad, langengrad, longitud, pos "
        "lon, position longitude, longitudine, lengtegraad, lon deg"
    ),
    "altitude_m": (
        "altitude, alt, gps altitude, gps alt, elevation, height, gps height, hoehe, hohe, altitud, altura, gps "
        "elevation, altitudine, hoogte, meereshoehe, altitude msl, alt msl"
    ),
}
