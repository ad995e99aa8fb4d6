"""Names of channels in German, French, Italian and Spanish, as loggers set to these languages write them.

Words of the trade from dictionaries and car manuals, in no log's own spelling; accents do not count.
"""

from collections.abc import Mapping


def _names(*languages: str) -> tuple[str, ...]:
    return tuple(part.strip() for text in languages for part in text.split(","))


#: Channel -> names, one language after the other. But for speed, where a channel needs a unit they count only beside a
#: fitting one: a word may mean something else in another language.
FOREIGN: Mapping[str, tuple[str, ...]] = {
    "time": _names("Zeit, Messzeit, Uhrzeit, Zeitstempel", "temps, heure, horodatage", "tempo, ora", "tiempo, hora"),
    "latitude": _names("Breitengrad, geographische Breite", "latitude", "latitudine", "latitud"),
    "longitude": _names("Längengrad, Laengengrad, geographische Länge", "longitudine", "longitud"),
    "altitude": _names("Höhe, Hoehe, Höhe über NN", "hauteur", "altitudine, quota", "altitud, altura"),
    "speed": _names("Geschwindigkeit, Fahrzeuggeschwindigkeit", "vitesse, vitesse véhicule", "velocità", "velocidad"),
    "wheel_speed": _names(
        "Radgeschwindigkeit", "vitesse de roue, vitesse roue", "velocità ruota", "velocidad de rueda"
    ),
    "course": _names("Kurs, Kurs über Grund", "cap", "rotta", "rumbo"),
    "a_lon": _names(
        "Längsbeschleunigung, Laengsbeschleunigung, Beschleunigung längs",
        "accélération longitudinale",
        "accelerazione longitudinale",
        "aceleración longitudinal",
    ),
    "a_lat": _names(
        "Querbeschleunigung, Beschleunigung quer",
        "accélération latérale, accélération transversale",
        "accelerazione laterale, accelerazione trasversale",
        "aceleración lateral, aceleración transversal",
    ),
    "a_vert": _names(
        "Vertikalbeschleunigung, Hochbeschleunigung",
        "accélération verticale",
        "accelerazione verticale",
        "aceleración vertical",
    ),
    "yaw_rate": _names(
        "Gierrate, Giergeschwindigkeit, Gierwinkelgeschwindigkeit",
        "vitesse de lacet",
        "velocità di imbardata",
        "velocidad de guiñada",
    ),
    "steering": _names(
        "Lenkwinkel, Lenkradwinkel", "angle volant, angle au volant", "angolo volante, angolo sterzo", "ángulo volante"
    ),
    "throttle": _names(
        "Gaspedal, Gaspedalstellung, Fahrpedal, Drosselklappe, Drosselklappenstellung",
        "accélérateur, pédale d'accélérateur, papillon, position papillon",
        "acceleratore, pedale acceleratore, farfalla, posizione farfalla",
        "acelerador, pedal acelerador, mariposa",
    ),
    "brake_pressure": _names(
        "Bremsdruck, Bremsdruck vorn, Bremsdruck vorne",
        "pression de frein, pression frein, pression frein avant",
        "pressione freno, pressione freno anteriore",
        "presión de freno, presión freno, presión freno delantero",
    ),
    "brake": _names("Bremspedal, Bremse", "pédale de frein, frein", "pedale freno, freno", "pedal de freno"),
    "engine_speed": _names(
        "Drehzahl, Motordrehzahl", "régime moteur, régime", "giri motore, regime motore", "régimen motor"
    ),
    "gear": _names("Gang, Gangstufe", "rapport, rapport engagé", "marcia", "marcha"),
    "lap": _names("Runde, Rundennummer", "tour, numéro de tour", "giro, numero giro", "vuelta, número de vuelta"),
    "satellites": _names("Satelliten, Anzahl Satelliten", "nombre de satellites", "satelliti", "satélites"),
}
#: Words before a name that tell where a value comes from, not what it is.
SOURCES = ("imu", "ins", "ecu", "can", "obd", "gnss", "gps")
