"""The demo: an invented circuit, driver and car, two outings with a change to the car between them.

Everything is made by `simlap.synthetic`, so the truth is known: `demo_truth()` hands it to the tests.
"""

import io
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from simlap.circuits import invented_circuit
from simlap.errors import OptionError
from simlap.files import write_text
from simlap.session import Session
from simlap.synthetic import SyntheticSession, Truth, club_car, synthetic_session
from simlap.synthetic_driver import CornerSkill, Driver
from simlap.synthetic_sensors import Sensors
from simlap.track import Track
from simlap.trackfile import track_to_geojson
from simlap.units import MS_TO_KMH, PA_TO_BAR, RAD_TO_DEG, G

DRIVER, CAR = "Rowan Ashby", "Pellin 5"
CIRCUIT = "club"
LAPS = 10
TRAFFIC_LAP, MISTAKE_LAP = 4, 8
BEFORE_FILE, AFTER_FILE = "outing-1-before.csv", "outing-2-after.csv"
TEXT_FILE, REPORT_FOLDER = "README.txt", "report"
FIRST_WORDS = "The demo of simlap."  # of the text: by them a folder is known as the demo's own
# The change: 3 % more lateral grip, and nothing else.
MORE_LATERAL_GRIP = 1.03
SEEDS = {"before": 20261, "after": 20262}

# What the driver leaves unused, by corner; elsewhere hardly anything. Corner 7 leads onto the long straight. Each of
# the car's limits is shown somewhere: the fastest corners are driven well, and corner 9 is braked for hard.
SKILLS: Mapping[str, CornerSkill] = {
    "1": CornerSkill(braking=0.80, coast_m=25.0, mid=0.955),
    "4": CornerSkill(braking=0.95, mid=0.99),
    "5": CornerSkill(mid=0.90),
    "7": CornerSkill(exit=0.84, exit_delay_m=18.0),
    "9": CornerSkill(coast_m=9.0, mid=0.97),
    "10": CornerSkill(exit=0.98),
}
ELSEWHERE = CornerSkill(braking=0.98, mid=0.995, exit=0.99)


@dataclass(frozen=True)
class CsvColumn:
    """One column of a demo log: header in two plain styles, conversion from SI, decimals."""

    channel: str
    header: str
    header_with_bracket: str
    from_si: Callable[[np.ndarray], np.ndarray]
    decimals: int


def _times(factor: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda values: values * factor


COLUMNS = (
    CsvColumn("latitude", "latitude_deg", "Latitude (deg)", _times(1.0), 7),
    CsvColumn("longitude", "longitude_deg", "Longitude (deg)", _times(1.0), 7),
    CsvColumn("altitude", "altitude_m", "Altitude (m)", _times(1.0), 2),
    CsvColumn("speed", "speed_kmh", "Speed (km/h)", _times(MS_TO_KMH), 2),
    CsvColumn("course", "course_deg", "Course (deg)", _times(RAD_TO_DEG), 2),
    CsvColumn("a_lon", "longitudinal_g", "Longitudinal acceleration (m/s²)", _times(1.0), 3),
    CsvColumn("a_lat", "lateral_g", "Lateral acceleration (m/s²)", _times(1.0), 3),
    CsvColumn("yaw_rate", "yaw_rate_deg_s", "Yaw rate (deg/s)", _times(RAD_TO_DEG), 2),
    CsvColumn("throttle", "throttle_%", "Throttle (%)", _times(100.0), 1),
    CsvColumn("brake_pressure", "brake_pressure_bar", "Brake pressure (bar)", _times(PA_TO_BAR), 2),
    CsvColumn("gear", "gear", "Gear", _times(1.0), 0),
    CsvColumn("engine_speed", "engine_speed_rpm", "Engine speed (rpm)", _times(60.0 / (2.0 * np.pi)), 0),
)
# The first style writes accelerations in g, the second in m/s².
IN_G = ("a_lon", "a_lat")


def demo_track() -> Track:
    """The invented circuit."""
    return invented_circuit(CIRCUIT)


def demo_driver() -> Driver:
    """The invented driver; the same before and after."""
    return Driver(skill=ELSEWHERE, corners=SKILLS)


def demo_sensors() -> Sensors:
    """25 Hz position and 100 Hz inertial channels; position lags, accelerometers are a little off."""
    return Sensors.good(
        position_m=0.4,
        fix_lag_s=0.12,
        a_lon_bias_g=0.01,
        a_lat_bias_g=-0.012,
        yaw_bias_rad_s=0.002,
        downshift_release=0.15,
    )


@lru_cache(maxsize=4)
def demo_session(which: str, losses: bool = True) -> SyntheticSession:
    """The outing ``before`` or ``after`` the change, with its truth; `losses` as in `synthetic_session`."""
    grip = MORE_LATERAL_GRIP if which == "after" else 1.0
    return synthetic_session(
        demo_track(),
        club_car().scaled(lateral=grip),
        demo_driver(),
        demo_sensors(),
        laps=LAPS,
        seed=SEEDS[which],
        traffic_lap=TRAFFIC_LAP,
        mistake_lap=MISTAKE_LAP,
        losses=losses,
    )


def demo_truth() -> tuple[Truth, Truth]:
    """What is known of both outings, before and after the change."""
    return demo_session("before").truth, demo_session("after").truth


def write_demo(folder: str | os.PathLike[str]) -> list[Path]:
    """Write both logs, the track file and a text about the scenario; return their paths.

    Raises
    ------
    OptionError
        When the folder cannot be written to, or holds files of these names that are not the demo's.
    """
    place = Path(folder)
    track = demo_track()
    name = "".join(c if c.isalnum() else "-" for c in track.name.lower())
    before, after = (demo_session(which, losses=False) for which in SEEDS)
    texts = {
        BEFORE_FILE: csv_text(before.session, style="plain"),
        AFTER_FILE: csv_text(after.session, style="bracket"),
        f"{name}.geojson": track_to_geojson(track),
        TEXT_FILE: _scenario(track, before.truth, f"{name}.geojson"),
    }
    _refuse_strangers(place, texts)
    return [write_text(place / name, text) for name, text in texts.items()]


def _refuse_strangers(place: Path, texts: Mapping[str, str]) -> None:
    """Raise where a file of the user's would be lost; the text comes last, so a demo cut short is known by its logs."""
    if _content(place / TEXT_FILE).startswith(FIRST_WORDS.encode()):
        return
    in_the_way = [name for name, text in texts.items() if _content(place / name) not in (b"", text.encode("utf-8"))]
    in_the_way += [REPORT_FOLDER] * (place / REPORT_FOLDER).exists()
    if in_the_way:
        raise OptionError(
            f"{place}: holds {', '.join(in_the_way)} not written by the demo. Name another folder: simlap demo DIR."
        )


def _content(path: Path) -> bytes:
    """Bytes of a file; none where it is missing or cannot be read, which writing then finds out."""
    try:
        return path.read_bytes()
    except OSError:
        return b""


def csv_text(session: Session, *, style: str) -> str:
    """A session as CSV; headers state their units: ``plain`` writes `speed_kmh`, ``bracket`` `Speed (km/h)`."""
    plain = style == "plain"
    present = [column for column in COLUMNS if session.has(column.channel)]
    headers = ["time_s" if plain else "Time (s)"]
    tables = [session.t]
    formats = ["%.2f"]
    for column in present:
        values = column.from_si(session.channel(column.channel))
        decimals = column.decimals
        if column.channel in IN_G and plain:
            values, decimals = values / G, 4
        headers.append(column.header if plain else column.header_with_bracket)
        tables.append(values + 0.0)
        formats.append(f"%.{decimals}f")
    text = io.StringIO()
    text.write(",".join(headers) + "\n")
    np.savetxt(text, np.column_stack(tables), fmt=formats, delimiter=",")
    return text.getvalue()


def _scenario(track: Track, truth: Truth, track_file: str) -> str:
    return f"""{FIRST_WORDS} Nothing in it exists: circuit, driver and car are invented, the logs are computed.

Circuit  {track.name}, {truth.length_m / 1000.0:.2f} km, {len(track.corners)} corners ({track_file})
Driver   {DRIVER}
Car      {CAR}, a light track car

{BEFORE_FILE}  {LAPS} flying laps with an out-lap and an in-lap; lap {TRAFFIC_LAP} behind a slower car,
{" " * len(BEFORE_FILE)}  lap {MISTAKE_LAP} with a missed brake point.
{AFTER_FILE}   The same driver after a change of tyre pressures: as many laps.

Position comes 25 times a second, a tenth of a second late; the other channels 100 times a second, with noise and
small offsets. Units stand in the headers.

Try:
  simlap analyse {BEFORE_FILE} --track {track_file}
  simlap laps {BEFORE_FILE} --track {track_file}
  simlap compare {BEFORE_FILE} {AFTER_FILE} --track {track_file}
"""
