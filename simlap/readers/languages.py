"""Names of channels in German, French, Italian and Spanish, as loggers set to these languages write them.

Words of the trade from dictionaries and car manuals, in no log's own spelling; accents do not count.
"""

from collections.abc import Mapping


def _names(*languages: str) -> tuple[str, ...]:
    return tuple(part.strip() for text in languages for part in text.split(","))


#: Channel -> names, one language after the other. But for speed, where a channel needs a unit they count only beside a
#: fitting one: a word may mean something else in another language.
FOREIGN: Mapping[str, tuple[str, ...]] = {
    "time": _names(
        "Zeit, Messzeit, Uhrzeit, Zeitstempel, Laufzeit, Fahrzeit, Aufnahmezeit",
        "temps, heure, horodatage, temps écoulé",
        "tempo, ora, tempo trascorso",
        "tiempo, hora, tiempo transcurrido, marca de tiempo",
    ),
    "latitude": _names(
        "Breitengrad, geographische Breite, geografische Breite, geogr. Breite",
        "latitude",
        "latitudine",
        "latitud",
    ),
    "longitude": _names(
        "Längengrad, Laengengrad, geographische Länge, geographische Laenge, geografische Länge, geografische Laenge",
        "geogr. Länge, geogr. Laenge",
        "longitudine",
        "longitud",
    ),
    "altitude": _names(
        "Höhe, Hoehe, Höhe über NN, Höhe ü. NN, Höhe über Meer, Meereshöhe, Seehöhe",
        "hauteur, élévation",
        "altitudine, quota, altezza, elevazione",
        "altitud, altura, elevación, cota",
    ),
    "speed": _names(
        "Geschwindigkeit, Fahrzeuggeschwindigkeit, Fahrgeschwindigkeit, Geschwindigkeit über Grund",
        "vitesse, vitesse véhicule, vitesse du véhicule, vitesse sol",
        "velocità, velocità veicolo, velocità vettura",
        "velocidad, velocidad vehículo, velocidad del vehículo",
    ),
    "wheel_speed": _names(
        "Radgeschwindigkeit",
        "vitesse de roue, vitesse roue, vitesse roues",
        "velocità ruota, velocità ruote",
        "velocidad de rueda, velocidad rueda, velocidad ruedas",
    ),
    "course": _names(
        "Kurs, Kurs über Grund, Fahrtrichtung, Kurswinkel", "cap, route fond", "rotta, prua", "rumbo, curso"
    ),
    "a_lon": _names(
        "Längsbeschleunigung, Laengsbeschleunigung, Beschleunigung längs, Beschleunigung laengs",
        "Beschleunigung longitudinal",
        "accélération longitudinale, accél. longitudinale, accélération long.",
        "accelerazione longitudinale, acc. longitudinale",
        "aceleración longitudinal, acel. longitudinal",
    ),
    "a_lat": _names(
        "Querbeschleunigung, Beschleunigung quer, Beschleunigung lateral, Lateralbeschleunigung",
        "accélération latérale, accélération transversale, accél. latérale, accél. transversale, accélération lat.",
        "accelerazione laterale, accelerazione trasversale, acc. laterale, acc. trasversale",
        "aceleración lateral, aceleración transversal, acel. lateral, acel. transversal",
    ),
    "a_vert": _names(
        "Vertikalbeschleunigung, Hochbeschleunigung, Beschleunigung vertikal",
        "accélération verticale, accél. verticale",
        "accelerazione verticale, acc. verticale",
        "aceleración vertical, acel. vertical",
    ),
    "yaw_rate": _names(
        "Gierrate, Giergeschwindigkeit, Gierwinkelgeschwindigkeit",
        "vitesse de lacet, taux de lacet, vitesse lacet",
        "velocità di imbardata, velocità imbardata, tasso di imbardata, imbardata",
        "velocidad de guiñada, velocidad guiñada, tasa de guiñada, guiñada",
    ),
    "sideslip": _names("Schwimmwinkel", "angle de dérive", "ángulo de deriva"),
    "steering": _names(
        "Lenkwinkel, Lenkradwinkel, Lenkung, Lenkeinschlag",
        "angle volant, angle au volant, angle de braquage, angle du volant, volant, braquage",
        "angolo volante, angolo sterzo, angolo di sterzo, sterzo, volante",
        "ángulo volante, ángulo del volante, ángulo de dirección, ángulo de giro del volante",
    ),
    "throttle": _names(
        "Gaspedal, Gaspedalstellung, Gaspedalposition, Fahrpedal, Fahrpedalstellung, Drosselklappe",
        "Drosselklappenstellung, Drosselklappenwinkel, Gas, Gasstellung",
        "accélérateur, pédale d'accélérateur, papillon, position papillon, position accélérateur, pédale accélérateur",
        "position pédale accélérateur, position pédale d'accélérateur, ouverture papillon, papillon des gaz, gaz",
        "acceleratore, pedale acceleratore, farfalla, posizione farfalla, posizione acceleratore, apertura farfalla",
        "pedale dell'acceleratore, posizione pedale acceleratore",
        "acelerador, pedal acelerador, mariposa, pedal del acelerador, posición acelerador, posición mariposa",
        "posición del acelerador, apertura mariposa",
    ),
    "brake_pressure": _names(
        "Bremsdruck, Bremsdruck vorn, Bremsdruck vorne, Bremsdruck VA, Bremsdruck Vorderachse",
        "pression de frein, pression frein, pression frein avant, pression de frein avant, pression de freinage",
        "pression freins, pression freins avant, pression de freins",
        "pressione freno, pressione freno anteriore, pressione freni, pressione freni anteriori, pressione freni ant.",
        "presión de freno, presión freno, presión freno delantero, presión de freno delantero, presión de frenos",
        "presión frenos, presión de frenado, presión del freno",
    ),
    "brake": _names(
        "Bremspedal, Bremse, Bremspedalstellung, Bremspedalweg, Bremsstellung",
        "pédale de frein, frein, freins, position frein, position pédale de frein, pédale frein",
        "pedale freno, freno, freni, posizione freno, pedale del freno, posizione pedale freno",
        "pedal de freno, pedal freno, pedal del freno, frenos, posición freno, posición del freno",
    ),
    "engine_speed": _names(
        "Drehzahl, Motordrehzahl",
        "régime moteur, régime, régime du moteur, vitesse moteur, tours moteur",
        "giri motore, regime motore, giri, regime, numero di giri, giri del motore, velocità motore",
        "régimen motor, régimen, régimen del motor, régimen de motor, revoluciones, revoluciones motor",
        "revoluciones del motor, giros motor, velocidad motor, velocidad del motor",
    ),
    "gear": _names(
        "Gang, Gangstufe, eingelegter Gang, Ganganzeige",
        "rapport, rapport engagé, vitesse engagée, rapport de boîte, rapport boîte",
        "marcia, marcia inserita, marcia innestata",
        "marcha, marcha engranada, marcha actual",
    ),
    "lap": _names(
        "Runde, Rundennummer, Rundenzähler, Rundenzaehler, Runden-Nr.",
        "tour, numéro de tour, n° tour, numéro tour",
        "giro, numero giro, numero di giro, n. giro",
        "vuelta, número de vuelta, n.º vuelta, número vuelta",
    ),
    "satellites": _names(
        "Satelliten, Anzahl Satelliten, Satellitenzahl",
        "nombre de satellites, nb satellites",
        "satelliti, numero satelliti, numero di satelliti",
        "satélites, número de satélites",
    ),
}
#: Everyday words that mean a channel only beside a unit of it, even where the channel would need none: "Breite" in
#: metres is a width, "Länge" a length.
BESIDE_A_UNIT: Mapping[str, tuple[str, ...]] = {
    "latitude": _names("Breite, Nordbreite, Breite Nord"),
    "longitude": _names("Länge, Laenge, Ostlänge, Ostlaenge, Länge Ost"),
}
#: Words before a name that tell where a value comes from, not what it is.
SOURCES = ("imu", "ins", "ecu", "can", "obd", "gnss", "gps")
