"""Reading the points of a GPX file from outside: one streaming pass that trusts nothing.

The pass takes over only what a course needs (latitude, longitude, elevation, the name) and, of a recorded ride, time,
power, heart rate and speed, which extensions of many name spaces carry under a few local names; every other
element may hold anything, as long as the file is well-formed XML of bounded size. So a wrong ``<fix>``
or an extension with an undeclared prefix does not matter, while document types, and with them all
entities, are refused.
"""

from __future__ import annotations

import codecs
import datetime
import re
import unicodedata
from array import array
from dataclasses import dataclass
from pathlib import Path
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from ttt_opt.errors import InputError
from ttt_opt.terminal_names import printable

FloatArray = NDArray[np.float64]

MAX_BYTES = 150_000_000
MAX_POINTS = 1_000_000
MAX_ELEMENTS = 8_000_000
MAX_DEPTH = 64
MAX_MARKUP_BYTES = 1_000_000
MAX_NUMBER_CHARACTERS = 60
MAX_NAME_CHARACTERS = 80
ENCODINGS = ("utf-8", "utf-16", "us-ascii", "ascii", "iso-8859-1", "iso-8859-15", "windows-1252")
LOWEST_ELEVATION_M, HIGHEST_ELEVATION_M = -500.0, 9000.0

SENSORS = {
    "power": "power",
    "watts": "power",
    "powerinwatts": "power",
    "hr": "heart rate",
    "heartrate": "heart rate",
    "heartratebpm": "heart rate",
    "heart_rate": "heart rate",
    "speed": "speed",
}
"""What elements below a point hold, by their local names in small letters: W, beats per minute, m/s."""
SENSOR_LIMITS = {"power": 3000.0, "heart rate": 255.0, "speed": 40.0}
"""The largest value that can be true; the smallest is 0."""

_CHUNK_BYTES = 65_536
_NUMBER = re.compile(r"[ \t\r\n]*+[+-]?(?:\d++\.?\d*+|\.\d++)(?:[eE][+-]?\d{1,3}+)?[ \t\r\n]*+", re.ASCII)
_XML_SPACE = " \t\r\n"
_TIME = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(\.\d{1,9})?(?:Z|([+-])(\d\d):?(\d\d))?", re.ASCII
)
_EPOCH = datetime.datetime(1970, 1, 1)
# Error codes of expat: no element found, unclosed token, partial character, unclosed CDATA section.
_TRUNCATED = {3, 5, 6, 20}
_INVALID_TOKEN = 4
_WRONG_ENCODING = {18, 19}


@dataclass(frozen=True)
class RawTrack:
    """The points of a GPX file as they stand there, checked one by one but not repaired.

    Attributes
    ----------
    latitude_deg, longitude_deg : ndarray (n_points,)
        WGS84 (degrees).
    elevation_m : ndarray (n_points,)
        Elevation (m), ``nan`` where the file gives none that can be true.
    name : str
        Name of the track, of the file's metadata, or of the file.
    segment_starts : tuple of int
        Index of the first point of each track segment; the first is 0.
    notes : tuple of str
        What was left out, in readable sentences.
    """

    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation_m: FloatArray
    name: str
    segment_starts: tuple[int, ...]
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        n_points = len(self.latitude_deg)
        if not n_points == len(self.longitude_deg) == len(self.elevation_m):
            raise ValueError("latitude_deg, longitude_deg and elevation_m differ in length")
        if self.segment_starts[0] != 0 or list(self.segment_starts) != sorted(set(self.segment_starts)):
            raise ValueError("segment_starts must start at 0 and rise")
        if self.segment_starts[-1] >= n_points:
            raise ValueError("segment_starts must point into the track")


@dataclass(frozen=True)
class RawRecording:
    """The points of a recorded track as they stand in a GPX file, checked one by one.

    Attributes
    ----------
    time_s : ndarray (n_points,)
        Since 1970-01-01 00:00 UTC (s); never falling.
    latitude_deg, longitude_deg, elevation_m : ndarray (n_points,)
        As of :class:`RawTrack`.
    power_w, heart_rate_bpm, speed_mps : ndarray (n_points,)
        From extensions (W, beats per minute, m/s), ``nan`` where there is none that can be true.
    notes : tuple of str
        What was left out, in readable sentences.
    """

    time_s: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation_m: FloatArray
    power_w: FloatArray
    heart_rate_bpm: FloatArray
    speed_mps: FloatArray
    notes: tuple[str, ...]


class _Points:
    """Points of all tracks, or of all routes, while they are read."""

    def __init__(self) -> None:
        self.latitude, self.longitude, self.elevation = array("d"), array("d"), array("d")
        self.starts: list[int] = []
        self.without_elevation = 0
        self.impossible_elevation = 0
        self.time = array("d")
        self.sensors = {quantity: array("d") for quantity in SENSOR_LIMITS}
        self.impossible = dict.fromkeys(SENSOR_LIMITS, 0)

    def new_segment(self) -> None:
        if not self.starts or self.starts[-1] != len(self.latitude):
            self.starts.append(len(self.latitude))


class _Reader:
    """Handlers of the streaming pass; keeps the path of open elements and the points found."""

    def __init__(self, file: str, recorded: bool) -> None:
        self.file = file
        self.recorded = recorded
        self.time: str | None = None
        self.sensors: dict[str, str] = {}
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.XmlDeclHandler = self.declaration
        self.parser.StartDoctypeDeclHandler = self.document_type
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.open: list[str] = []
        self.elements = 0
        self.waypoints = 0
        self.encoding = "utf-8"
        self.track, self.route = _Points(), _Points()
        self.here: _Points | None = None
        self.text: list[str] = []
        self.text_length = 0
        self.text_limit = 0
        self.elevation: str | None = None
        self.names: dict[str, str] = {}

    def refuse(self, problem: str) -> InputError:
        return InputError(self.file, f"line {self.parser.CurrentLineNumber}", problem)

    def declaration(self, version: str, encoding: str | None, standalone: int) -> None:
        if encoding is None:
            return
        self.encoding = encoding.lower()
        if self.encoding not in ENCODINGS:
            raise self.refuse(f"the encoding {encoding[:40]!r} is not supported; save the file as UTF-8")

    def document_type(self, name: str, *_: object) -> None:
        if name.lower() == "html":
            raise InputError(self.file, "", "is a web page, not a GPX file; download the course itself")
        raise self.refuse("a document type (DOCTYPE, entities) is not allowed; export the course again")

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        path = self.open
        depth = len(path)
        self.elements += 1
        if depth >= MAX_DEPTH:
            raise self.refuse(f"elements are nested deeper than {MAX_DEPTH}; this is not a course")
        if self.elements > MAX_ELEMENTS:
            raise self.refuse(f"more than {MAX_ELEMENTS} elements; simplify the course")
        if depth == 0 and name != "gpx":
            raise InputError(self.file, "", f"is not a GPX file: it begins with <{tag[:40]}>, not <gpx>")
        if name == "trkpt":
            if depth == 3 and path[1] == "trk" and path[2] == "trkseg":
                self.point(self.track, "track point", attributes)
        elif name == "rtept":
            if depth == 2 and path[1] == "rte":
                self.point(self.route, "route point", attributes)
        elif name == "ele":
            if self.here is not None and path[-1] in ("trkpt", "rtept"):
                self.listen(MAX_NUMBER_CHARACTERS)
        elif self.recorded and depth >= 4 and self.here is not None:
            if (name == "time" and depth == 4) or name.lower() in SENSORS:
                self.listen(MAX_NUMBER_CHARACTERS)
        elif name == "trkseg":
            if depth == 2 and path[1] == "trk":
                self.track.new_segment()
        elif name == "rte":
            if depth == 1:
                self.route.new_segment()
        elif name == "name":
            if depth == 1 or (depth == 2 and path[1] in ("trk", "rte", "metadata")):
                self.listen(1000)
        elif name == "wpt" and depth == 1:
            self.waypoints += 1
        path.append(name)

    def end(self, tag: str) -> None:
        path = self.open
        name = path.pop()
        if name == "ele":
            if self.here is not None and path[-1] in ("trkpt", "rtept"):
                self.elevation = self.heard()
        elif self.recorded and len(path) >= 4 and self.here is not None:
            if name == "time" and len(path) == 4:
                self.time = self.heard()
            elif name.lower() in SENSORS:
                self.sensors.setdefault(SENSORS[name.lower()], self.heard())
        elif name == "trkpt" or name == "rtept":
            if self.here is not None and path[-1] in ("trkseg", "rte"):
                self.close_point(self.here)
        elif name == "name" and self.parser.CharacterDataHandler is not None:
            self.names.setdefault(path[-1], self.heard())

    def listen(self, limit: int) -> None:
        self.text, self.text_length, self.text_limit = [], 0, limit
        self.parser.CharacterDataHandler = self.characters

    def characters(self, data: str) -> None:
        self.text_length += len(data)
        if self.text_length > self.text_limit:
            raise self.refuse(f"the text of <{self.open[-1]}> is longer than {self.text_limit} characters")
        self.text.append(data)

    def heard(self) -> str:
        self.parser.CharacterDataHandler = None
        return "".join(self.text)

    def number(self, text: str, what: str, *which: object) -> float:
        """The number that a text holds; ``what``, formatted with ``which``, is its name in a refusal."""
        if _NUMBER.fullmatch(text) is None or len(text.strip(_XML_SPACE)) > MAX_NUMBER_CHARACTERS:
            raise self.refuse(f"{what.format(*which)} is {text[:40]!r}, not a decimal number such as 51.25")
        return float(text)

    def point(self, points: _Points, what: str, attributes: dict[str, str]) -> None:
        count = len(points.latitude) + 1
        if count > MAX_POINTS:
            raise InputError(self.file, "", f"holds more than {MAX_POINTS} points; simplify the course")
        for key, limit, found in (("lat", 90.0, points.latitude), ("lon", 180.0, points.longitude)):
            text = attributes.get(key)
            if text is None:
                raise self.refuse(f"{what} {count} has no {key!r}; a point needs latitude and longitude")
            value = self.number(text, "{!r} of {} {}", key, what, count)
            if not -limit <= value <= limit:
                raise self.refuse(f"{key!r} of {what} {count} is {value:g}; allowed is ±{limit:g} degrees")
            found.append(value)
        self.here = points
        self.elevation = None
        self.time = None
        self.sensors = {}

    def moment(self, text: str, count: int) -> float:
        """Seconds since 1970 of a time as GPX writes it (ISO 8601); without a zone it is UTC."""
        found = _TIME.fullmatch(text.strip(_XML_SPACE))
        try:
            if found is None:
                raise ValueError
            year, month, day, hour, minute, second = map(int, found.groups()[:6])
            fraction, sign, zone_hours, zone_minutes = found.groups()[6:]
            moment = datetime.datetime(year, month, day, hour, minute, second)
        except ValueError:
            raise self.refuse(
                f"time of track point {count} is {text[:40]!r}, not a time such as 2030-05-12T12:30:00Z"
            ) from None
        zone_s = (60 * int(zone_hours) + int(zone_minutes)) * 60 if sign else 0
        return (moment - _EPOCH).total_seconds() + float(fraction or 0) - (zone_s if sign == "+" else -zone_s)

    def close_recorded(self, points: _Points) -> None:
        """Time and sensors of the point that ends; nan where it has none that can be true."""
        count = len(points.latitude)
        has_time = self.time is not None and self.time.strip(_XML_SPACE)
        points.time.append(self.moment(self.time or "", count) if has_time else np.nan)
        for quantity, limit in SENSOR_LIMITS.items():
            text = self.sensors.get(quantity, "").strip(_XML_SPACE)
            value = self.number(text, "{} of track point {}", quantity, count) if text else np.nan
            if text and not 0.0 <= value <= limit:
                points.impossible[quantity] += 1
                value = np.nan
            points.sensors[quantity].append(value)

    def close_point(self, points: _Points) -> None:
        self.here = None
        if self.recorded:
            self.close_recorded(points)
        if self.elevation is None or not self.elevation.strip(_XML_SPACE):
            points.without_elevation += 1
            points.elevation.append(np.nan)
            return
        value = self.number(self.elevation, "elevation of point {}", len(points.latitude))
        if not LOWEST_ELEVATION_M <= value <= HIGHEST_ELEVATION_M:
            points.impossible_elevation += 1
            value = np.nan
        points.elevation.append(value)


def count_of(number: int, thing: str) -> str:
    """A number with the thing counted, in singular or plural: ``1 point``, ``2 points``."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _clean_name(text: str) -> str:
    """The name on one line, without control or formatting characters, cut to a bearable length."""
    spaced = " ".join(text.split())
    name = "".join(character for character in spaced if unicodedata.category(character)[0] != "C")
    return name if len(name) <= MAX_NAME_CHARACTERS else name[: MAX_NAME_CHARACTERS - 1].rstrip() + "…"


def _not_xml(path: Path, reader: _Reader, error: expat.ExpatError) -> InputError:
    """The refusal for what the XML parser reports, in words that say what to do."""
    place = f"line {error.lineno}"
    if error.code in _TRUNCATED:
        return InputError(reader.file, place, "the file ends in the middle; it was cut off, export it again")
    if error.code in _WRONG_ENCODING:
        return InputError(
            reader.file, place, f"the text is not {reader.encoding} as it declares; save it as UTF-8"
        )
    if error.code == _INVALID_TOKEN and reader.encoding == "utf-8":
        try:
            with path.open("rb") as stream:
                codecs.getincrementaldecoder("utf-8")().decode(
                    stream.read(reader.parser.ErrorByteIndex + MAX_MARKUP_BYTES)
                )
        except UnicodeDecodeError as fault:
            return InputError(
                reader.file,
                place,
                f"byte {fault.start + 1} is not UTF-8 as the file declares; save it as UTF-8",
            )
    return InputError(
        reader.file, place, f"is not well-formed XML ({expat.ErrorString(error.code)}); export the course again"
    )


def _parse(path: Path, *, recorded: bool = False) -> _Reader:
    file = printable(str(path))
    if not path.is_file():
        raise InputError(file, "", "is not a file" if path.exists() else "does not exist")
    reader = _Reader(file, recorded)
    parser = reader.parser
    fed = 0
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(_CHUNK_BYTES):
                if fed == 0 and not chunk.lstrip(b"\xef\xbb\xbf\xfe\xff\x00 \t\r\n").startswith(b"<"):
                    raise InputError(reader.file, "", "is not a GPX file: it does not begin with '<'")
                fed += len(chunk)
                if fed > MAX_BYTES:
                    raise InputError(
                        reader.file, "", f"is larger than {MAX_BYTES // 1_000_000} MB; simplify it"
                    )
                parser.Parse(chunk, False)
                if fed - parser.CurrentByteIndex > MAX_MARKUP_BYTES + _CHUNK_BYTES:
                    raise reader.refuse(f"one tag or comment is longer than {MAX_MARKUP_BYTES} bytes")
        if fed == 0:
            raise InputError(reader.file, "", "is empty")
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise _not_xml(path, reader, error) from error
    except OSError as error:
        raise InputError(reader.file, "", f"cannot be read ({error.strerror})") from error
    return reader


def read_track(path: Path) -> RawTrack:
    """Read the points of a GPX file, tracks before routes.

    Parameters
    ----------
    path : Path
        GPX 1.0 or 1.1 file.

    Returns
    -------
    RawTrack
        At least two points.

    Raises
    ------
    InputError
        The file cannot be read, is no well-formed GPX, uses a document type, is too large or too deep, or
        holds a latitude, longitude or elevation that is no plain decimal number in its range.

    Notes
    -----
    Bounds: 150 MB, 1,000,000 points, 8,000,000 elements, 64 levels, 1 MB for a single tag or comment; the
    parser is fed in small pieces and never holds the file as a whole. Namespaces are not resolved: elements
    are known by local name and by their place (``gpx/trk/trkseg/trkpt``, ``gpx/rte/rtept``), so their number
    costs nothing. An elevation outside -500 to 9,000 m is a mark for "unknown" and counts as missing.
    """
    reader = _parse(path)
    notes = []
    kind, points, other = "track", reader.track, reader.route
    if len(points.latitude) < 2 <= len(other.latitude):
        kind, points, other = "route", other, points
    n_points = len(points.latitude)
    if n_points < 2:
        what = (
            f"{count_of(reader.waypoints, 'waypoint')} but no track"
            if reader.waypoints
            else "no track or route"
        )
        raise InputError(reader.file, "", f"holds {what} of at least two points; export the course as a track")
    if len(other.latitude) > 0:
        notes.append(
            f"The file holds both a track and a route; the {kind} ({n_points} points) is the course, "
            f"the other ({count_of(len(other.latitude), 'point')}) is left out."
        )
    if 0 < points.without_elevation < n_points:
        notes.append(f"Elevation is missing at {points.without_elevation} of {n_points} points.")
    if points.impossible_elevation:
        notes.append(
            f"{count_of(points.impossible_elevation, 'elevation')} outside {LOWEST_ELEVATION_M:g} to "
            f"{HIGHEST_ELEVATION_M:g} m left out as impossible."
        )
    name = next(
        (
            clean
            for key in ("trk" if kind == "track" else "rte", "metadata", "gpx")
            if (clean := _clean_name(reader.names.get(key, "")))
        ),
        _clean_name(path.stem),
    )
    return RawTrack(
        latitude_deg=np.array(points.latitude),
        longitude_deg=np.array(points.longitude),
        elevation_m=np.array(points.elevation),
        name=name,
        segment_starts=tuple(start for start in points.starts if start < n_points),
        notes=tuple(notes),
    )


def read_recording(path: Path) -> RawRecording:
    """Read the track of a recorded ride, with its times and what sensors wrote into it.

    Parameters
    ----------
    path : Path
        GPX 1.0 or 1.1 file whose track points bear times.

    Returns
    -------
    RawRecording
        At least two points.

    Raises
    ------
    InputError
        As for :func:`read_track`; or no track point bears a time, a time is none, or times run backwards.

    Notes
    -----
    The bounds of :func:`read_track` hold. Extensions are known by local names only (:data:`SENSORS`), in any name
    space and at any depth below the point. Points without a time are left out.
    """
    points = _parse(path, recorded=True).track
    time_s = np.array(points.time)
    timed = np.isfinite(time_s)
    if len(time_s) < 2:
        raise InputError(printable(str(path)), "", "holds no track of at least two points; export the ride as a track")
    if timed.sum() < 2:
        raise InputError(printable(str(path)), "", "has no times at its points: a course, not a recorded ride")
    back = np.flatnonzero(np.diff(time_s[timed]) < 0.0)
    if len(back):
        point = int(np.flatnonzero(timed)[back[0] + 1])
        raise InputError(
            printable(str(path)),
            f"track point {point + 1}",
            f"its time is {-np.diff(time_s[timed])[back[0]]:g} s before that of the point before; allowed: times that "
            f"never fall",
        )
    notes = []
    if not timed.all():
        notes.append(f"{count_of(int((~timed).sum()), 'point')} without a time left out.")
    notes += [
        f"{count_of(number, f'value of {quantity}')} outside 0 to {SENSOR_LIMITS[quantity]:g} left out as impossible."
        for quantity, number in points.impossible.items()
        if number
    ]
    sensors = {quantity: np.array(values)[timed] for quantity, values in points.sensors.items()}
    return RawRecording(
        time_s=time_s[timed],
        latitude_deg=np.array(points.latitude)[timed],
        longitude_deg=np.array(points.longitude)[timed],
        elevation_m=np.array(points.elevation)[timed],
        power_w=sensors["power"],
        heart_rate_bpm=sensors["heart rate"],
        speed_mps=sensors["speed"],
        notes=tuple(notes),
    )
