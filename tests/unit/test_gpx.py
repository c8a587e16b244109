"""The front door for files from outside: hostile and broken GPX files, by name of the fault."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest

from ttt_opt.errors import InputError
from ttt_opt.gpx import RawTrack, read_track

POINTS = (
    '<trkpt lat="50.1" lon="6.1"><ele>120.5</ele></trkpt><trkpt lat="50.2" lon="6.2"><ele>130</ele></trkpt>'
)


def gpx(points: str = POINTS, *, head: str = "", before: str = "", root: str = "") -> str:
    return (
        f'{head}<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"{root}>{before}'
        f"<trk><name>Test course</name><trkseg>{points}</trkseg></trk></gpx>"
    )


def read(tmp_path: Path, content: str | bytes) -> RawTrack:
    file = tmp_path / "course.gpx"
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_track(file)


def refusal(tmp_path: Path, content: str | bytes) -> str:
    with pytest.raises(InputError) as caught:
        read(tmp_path, content)
    text = str(caught.value)
    assert "\n" not in text
    assert len(text) < 400 + len(str(tmp_path))
    return text.removeprefix(str(tmp_path))


def test_plain_track(tmp_path: Path) -> None:
    track = read(tmp_path, gpx())
    assert track.name == "Test course"
    assert track.latitude_deg.tolist() == [50.1, 50.2]
    assert track.longitude_deg.tolist() == [6.1, 6.2]
    assert track.elevation_m.tolist() == [120.5, 130.0]
    assert track.segment_starts == (0,)
    assert track.notes == ()


# --- numbers -----------------------------------------------------------------------------------------------


NO_NUMBERS = (
    "nan",
    "NaN",
    "inf",
    "-inf",
    "Infinity",
    "4_5",
    "٤٥",
    "４５",
    "0x2D",
    "45,5",
    "45 5",
    "4e",
    "undefined",
)


@pytest.mark.parametrize(
    ("place", "value"),
    [(place, value) for place in ("lat", "lon", "ele") for value in NO_NUMBERS] + [("lat", ""), ("lon", " ")],
)
def test_text_that_is_no_decimal_number(tmp_path: Path, place: str, value: str) -> None:
    numbers = {"lat": "50", "lon": "6", "ele": "100", place: value}
    point = f'<trkpt lat="{numbers["lat"]}" lon="{numbers["lon"]}"><ele>{numbers["ele"]}</ele></trkpt>'
    text = refusal(tmp_path, gpx(POINTS + point))
    assert "not a decimal number" in text
    assert "point 3" in text


@pytest.mark.parametrize(
    ("point", "problem"),
    [
        ('<trkpt lat="95" lon="6"/>', "'lat' of track point 3 is 95; allowed is ±90 degrees"),
        ('<trkpt lat="-90.01" lon="6"/>', "-90.01"),
        ('<trkpt lat="50" lon="180.5"/>', "'lon' of track point 3 is 180.5; allowed is ±180 degrees"),
        ('<trkpt lat="50" lon="1e999"/>', "'lon' of track point 3 is inf"),
        ('<trkpt lon="6"/>', "track point 3 has no 'lat'"),
        ('<trkpt lat="50"/>', "track point 3 has no 'lon'"),
    ],
)
def test_coordinates_out_of_range_or_missing(tmp_path: Path, point: str, problem: str) -> None:
    assert problem in refusal(tmp_path, gpx(POINTS + point))


@pytest.mark.parametrize("value", ["-9999", "-32768", "9001", "1e300"])
def test_impossible_elevation_counts_as_missing(tmp_path: Path, value: str) -> None:
    track = read(tmp_path, gpx(POINTS + f'<trkpt lat="50" lon="6"><ele>{value}</ele></trkpt>'))
    assert np.isnan(track.elevation_m[2])
    assert track.notes == ("1 elevation outside -500 to 9000 m left out as impossible.",)


@pytest.mark.parametrize("element", ["", "<ele/>", "<ele></ele>", "<ele> \n </ele>"])
def test_empty_elevation(tmp_path: Path, element: str) -> None:
    track = read(tmp_path, gpx(POINTS + f'<trkpt lat="50" lon="6">{element}</trkpt>'))
    assert np.isnan(track.elevation_m).tolist() == [False, False, True]
    assert track.notes == ("Elevation is missing at 1 of 3 points.",)


def test_space_around_numbers_is_allowed(tmp_path: Path) -> None:
    track = read(tmp_path, gpx(POINTS + '<trkpt lat=" 50.5 " lon="+6"><ele>\n 7. </ele></trkpt>'))
    assert (track.latitude_deg[2], track.longitude_deg[2], track.elevation_m[2]) == (50.5, 6.0, 7.0)


# --- files that are something else -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"", "is empty"),
        (b"lat,lon,ele\n50,6,100\n", "is not a GPX file: it does not begin with '<'"),
        (b"PK\x03\x04\x14\x00\x00\x00\x08\x00", "is not a GPX file: it does not begin with '<'"),
        (b"<!DOCTYPE html><html><body>Sign in</body></html>", "is a web page"),
        (b"<html><body>Sign in</body></html>", "it begins with <html>, not <gpx>"),
        (b'<?xml version="1.0"?><kml><Document/></kml>', "it begins with <kml>, not <gpx>"),
        (b"\x00" * 100_000, "does not begin with '<'"),
        (b" \n\t ", "does not begin with '<'"),
        (b"<gpx/>", "holds no track or route of at least two points"),
        (b'<gpx><wpt lat="1" lon="1"/><wpt lat="1" lon="2"/></gpx>', "holds 2 waypoints but no track"),
        (b'<gpx><trk><trkseg><trkpt lat="1" lon="1"/></trkseg></trk></gpx>', "holds no track or route"),
    ],
)
def test_other_kinds_of_file(tmp_path: Path, content: bytes, problem: str) -> None:
    assert problem in refusal(tmp_path, content)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        read_track(tmp_path / "nowhere.gpx")
    with pytest.raises(InputError, match="is not a file"):
        read_track(tmp_path)


def test_the_file_name_in_an_error_is_printable(tmp_path: Path) -> None:
    folder = tmp_path / "a\x1b[2Jb\u202e"
    folder.mkdir()
    (folder / "course.gpx").write_text("<gpx>")
    for name in ("course.gpx", "absent.gpx"):
        with pytest.raises(InputError) as caught:
            read_track(folder / name)
        assert str(caught.value).isprintable()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes exist on POSIX systems only")
def test_named_pipe_does_not_hang(tmp_path: Path) -> None:
    pipe = tmp_path / "course.gpx"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match="is not a file"):
        read_track(pipe)


# --- broken XML --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.999])
def test_truncated(tmp_path: Path, share: float) -> None:
    content = gpx(POINTS * 50)
    assert "ends in the middle" in refusal(tmp_path, content[: int(share * len(content))])


def test_mismatched_tag(tmp_path: Path) -> None:
    assert "line 1: is not well-formed XML (mismatched tag)" in refusal(tmp_path, "<gpx><trk></gpx></trk>")


def test_repeated_attribute(tmp_path: Path) -> None:
    assert "duplicate attribute" in refusal(tmp_path, gpx('<trkpt lat="1" lat="2" lon="3"/>'))


def test_text_after_the_end(tmp_path: Path) -> None:
    assert "not well-formed" in refusal(tmp_path, gpx() + gpx())


# --- encodings ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("encoding", "declared"),
    [
        ("utf-8", None),
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8"),
        ("utf-16", "UTF-16"),
        ("utf-16", None),
        ("iso-8859-1", "ISO-8859-1"),
        ("iso-8859-15", "iso-8859-15"),
        ("cp1252", "windows-1252"),
    ],
)
def test_encodings_read_the_same(tmp_path: Path, encoding: str, declared: str | None) -> None:
    head = f'<?xml version="1.0" encoding="{declared}"?>' if declared else ""
    track = read(tmp_path, gpx(head=head).replace("Test course", "Münsterländer Höhen").encode(encoding))
    assert track.name == "Münsterländer Höhen"
    assert len(track.latitude_deg) == 2


def test_utf_16_without_its_second_half(tmp_path: Path) -> None:
    assert "ends in the middle" in refusal(tmp_path, gpx().encode("utf-16")[:-40])


def test_latin_1_that_says_it_is_utf_8(tmp_path: Path) -> None:
    content = gpx(head='<?xml version="1.0" encoding="UTF-8"?>').replace("Test", "Höhe").encode("iso-8859-1")
    assert "is not UTF-8 as the file declares" in refusal(tmp_path, content)


def test_utf_8_that_says_it_is_utf_16(tmp_path: Path) -> None:
    assert "is not utf-16 as it declares" in refusal(
        tmp_path, gpx(head='<?xml version="1.0" encoding="UTF-16"?>')
    )


@pytest.mark.parametrize("encoding", ["utf-7", "shift_jis", "rot13", "unicode_escape", "x" * 10_000])
def test_unsupported_encoding(tmp_path: Path, encoding: str) -> None:
    text = refusal(tmp_path, gpx(head=f'<?xml version="1.0" encoding="{encoding}"?>'))
    assert "is not supported; save the file as UTF-8" in text


# --- attacks -----------------------------------------------------------------------------------------------


def test_document_type(tmp_path: Path) -> None:
    assert "document type" in refusal(tmp_path, gpx(head="<!DOCTYPE gpx>"))


def test_entity_expansion(tmp_path: Path) -> None:
    laughs = '<!DOCTYPE gpx [<!ENTITY a "ha">' + "".join(
        f'<!ENTITY {chr(98 + i)} "{f"&{chr(97 + i)};" * 10}">' for i in range(9)
    )
    assert "document type" in refusal(tmp_path, gpx(before="<desc>&j;</desc>", head=laughs + "]>"))


def test_external_entity(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("50.0")
    head = f'<!DOCTYPE gpx [<!ENTITY x SYSTEM "{secret.as_uri()}">]>'
    assert "document type" in refusal(tmp_path, gpx('<trkpt lat="&x;" lon="6"/>', head=head))


def test_undeclared_entity(tmp_path: Path) -> None:
    assert "undefined entity" in refusal(tmp_path, gpx(before="<desc>&nbsp;</desc>"))


def test_depth(tmp_path: Path) -> None:
    deep = "<a>" * 150_000 + "</a>" * 150_000
    assert "nested deeper than 64" in refusal(tmp_path, gpx(before=f"<extensions>{deep}</extensions>"))


def test_fifty_thousand_namespaces(tmp_path: Path) -> None:
    names = "".join(f' xmlns:n{i}="urn:{i}"' for i in range(50_000))
    assert "longer than 1000000 bytes" in refusal(tmp_path, gpx(root=names))


def test_namespaces_on_every_element_cost_nothing(tmp_path: Path) -> None:
    many = "".join(f'<n{i}:a xmlns:n{i}="urn:{i}"/>' for i in range(50_000))
    assert len(read(tmp_path, gpx(before=f"<extensions>{many}</extensions>")).latitude_deg) == 2


def test_trailing_xmlns_text(tmp_path: Path) -> None:
    assert len(read(tmp_path, gpx(before="<desc>" + " xmlns" * 500_000 + "</desc>")).latitude_deg) == 2


def test_huge_text_in_an_element_that_does_not_matter(tmp_path: Path) -> None:
    assert len(read(tmp_path, gpx(before="<desc>" + "x" * 20_000_000 + "</desc>")).latitude_deg) == 2


@pytest.mark.parametrize("element", ["ele", "name"])
def test_huge_text_in_an_element_that_matters(tmp_path: Path, element: str) -> None:
    huge = f"<{element}>{'1' * 5_000_000}</{element}>"
    content = gpx(f'<trkpt lat="1" lon="1">{huge}</trkpt>') if element == "ele" else gpx(before=huge)
    assert f"the text of <{element}> is longer than" in refusal(tmp_path, content)


def test_huge_attribute(tmp_path: Path) -> None:
    assert "longer than 1000000 bytes" in refusal(tmp_path, gpx(f'<trkpt lat="{"1" * 5_000_000}" lon="1"/>'))


def test_huge_comment(tmp_path: Path) -> None:
    assert "longer than 1000000 bytes" in refusal(tmp_path, gpx(before=f"<!--{'x' * 30_000_000}-->"))


def test_half_a_million_digits_in_a_number(tmp_path: Path) -> None:
    assert "not a decimal number" in refusal(tmp_path, gpx(f'<trkpt lat="{"1" * 500_000}" lon="1"/>'))


def test_control_and_direction_characters_leave_the_name(tmp_path: Path) -> None:
    name = "A\u202eB\u200b  \n C" + "x" * 500
    track = read(tmp_path, gpx().replace("Test course", name))
    assert track.name == "AB C" + "x" * 75 + "…"
    assert len(track.name) == 80


def test_markup_in_the_name_stays_text(tmp_path: Path) -> None:
    assert read(tmp_path, gpx().replace("Test course", "&lt;b&gt;")).name == "<b>"


MEASURE = textwrap.dedent(
    """
    import re, sys, time
    from pathlib import Path
    from xml.parsers import expat
    from ttt_opt.course import read_course
    from ttt_opt.errors import InputError
    def yardstick_s():
        start, kept, parser = time.process_time(), [], expat.ParserCreate()
        parser.StartElementHandler = lambda tag, attributes: kept.append(float(attributes["lat"]))
        parser.Parse("<a lat='0'>" + "<p lat='51.234567' lon='6.1'/>" * 100_000 + "</a>", True)
        return time.process_time() - start
    before = [yardstick_s() for _ in range(3)]
    start = time.process_time()  # of the processor: other work on the machine does not count
    try:
        answer = f"{read_course(Path(sys.argv[1]), flat=True).length_m:.0f}"
    except InputError as error:
        answer = "refused: " + str(error)
    peak_kb = re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text()).group(1)
    seconds = time.process_time() - start
    after = [yardstick_s() for _ in range(3)]
    slowness = max(sum(before + after) / 6 / 0.1, 1.0)  # a usual machine needs less than 0.1 s for the yardstick
    print(seconds / slowness, int(peak_kb) / 1024.0)
    print(answer)
    """
)
needs_proc = pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="peak memory is read from /proc"
)


def measured(file: Path) -> tuple[float, float, str]:
    """Seconds of a usual machine, megabytes and answer of reading a file in a process of its own."""
    out = subprocess.run(
        [sys.executable, "-c", MEASURE, str(file)],
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
        cwd=Path(__file__).parents[2],
    ).stdout.splitlines()
    seconds, megabytes = out[0].split()
    return float(seconds), float(megabytes), out[1]


@needs_proc
def test_byte_that_is_not_utf_8_in_a_file_larger_than_memory(tmp_path: Path) -> None:
    """What tells a wrong encoding from other faults must not read on to the end of the file."""
    file = tmp_path / "course.gpx"
    file.write_bytes(b"<gpx><name>\xe4 ")
    os.truncate(file, 200_000_000_000)  # sparse: zeros that take no room
    seconds, megabytes, answer = measured(file)
    assert seconds < 10.0
    assert megabytes < 1000.0
    assert answer.endswith("line 1: byte 12 is not UTF-8 as the file declares; save it as UTF-8")


@needs_proc
@pytest.mark.slow
def test_a_million_points(tmp_path: Path) -> None:
    file = tmp_path / "course.gpx"
    with file.open("w") as stream:
        stream.write("<gpx><trk><trkseg>")
        stream.writelines(
            f'<trkpt lat="{50.0 + 2e-6 * abs(i % 200_000 - 100_000):.6f}" lon="{6.0 + i * 2e-6:.6f}">'
            f"<ele>{100 + i % 7}</ele></trkpt>\n"
            for i in range(1_000_000)
        )
        stream.write("</trkseg></trk></gpx>")
    seconds, megabytes, answer = measured(file)
    # Bounds of ours: 10 s of processor time and 1 GB.
    assert seconds < 10.0
    assert megabytes < 1000.0
    assert 200_000 < float(answer) < 300_000


@needs_proc
@pytest.mark.slow
@pytest.mark.parametrize(
    "unit", ["<a/>", '<a b=""/>', '<trkpt lat="1" lon="1"/>', "<!---->", " " * 60, "&lt;" * 20]
)
def test_as_much_of_anything_as_the_bounds_allow(tmp_path: Path, unit: str) -> None:
    file = tmp_path / "course.gpx"
    with file.open("w") as stream:
        stream.write("<gpx><desc>")
        block = unit * 1000
        for _ in range(151_000_000 // len(block)):
            stream.write(block)
        stream.write("</desc></gpx>")
    seconds, megabytes, answer = measured(file)
    assert seconds < 10.0
    assert megabytes < 1000.0
    assert answer.startswith("refused: ")


@pytest.mark.parametrize(
    ("bound", "value", "problem"),
    [
        ("MAX_POINTS", 1, "holds more than 1 points"),
        ("MAX_ELEMENTS", 3, "more than 3 elements"),
        ("MAX_BYTES", 100, "is larger than 0 MB"),
    ],
)
def test_one_more_than_a_bound_allows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bound: str, value: int, problem: str
) -> None:
    monkeypatch.setattr(f"ttt_opt.gpx.{bound}", value)
    assert problem in refusal(tmp_path, gpx())


# --- what belongs to the course ----------------------------------------------------------------------------


def test_track_before_route(tmp_path: Path) -> None:
    route = '<rte><rtept lat="1" lon="1"/><rtept lat="2" lon="2"/><rtept lat="3" lon="3"/></rte>'
    track = read(tmp_path, gpx(before=route))
    assert track.latitude_deg.tolist() == [50.1, 50.2]
    assert "the track (2 points) is the course, the other (3 points) is left out" in track.notes[0]


def test_route_where_the_track_is_empty(tmp_path: Path) -> None:
    route = '<rte><name>R</name><rtept lat="1" lon="1"/><rtept lat="2" lon="2"/></rte>'
    track = read(tmp_path, f"<gpx>{route}<trk><trkseg/></trk></gpx>")
    assert track.latitude_deg.tolist() == [1.0, 2.0]
    assert track.name == "R"


def test_segments_and_tracks_keep_their_starts(tmp_path: Path) -> None:
    segment = f"<trkseg>{POINTS}</trkseg>"
    track = read(tmp_path, f"<gpx><trk>{segment}<trkseg/>{segment}</trk><trk>{segment}</trk></gpx>")
    assert track.segment_starts == (0, 2, 4)


def test_points_elsewhere_do_not_count(tmp_path: Path) -> None:
    point = '<trkpt lat="1" lon="1"/>'
    stray = f"<extensions><trk><trkseg>{point}</trkseg></trk></extensions>{point}"
    assert len(read(tmp_path, gpx(before=stray)).latitude_deg) == 2


def test_elevation_inside_extensions_does_not_count(tmp_path: Path) -> None:
    point = '<trkpt lat="50" lon="6"><extensions><ele>7</ele></extensions></trkpt>'
    assert np.isnan(read(tmp_path, gpx(POINTS + point)).elevation_m[2])


def test_prefixed_elements(tmp_path: Path) -> None:
    point = '<g:trkpt lat="{}" lon="6"><g:ele>5</g:ele></g:trkpt>'
    segment = f"<g:trkseg>{point.format(1)}{point.format(2)}</g:trkseg>"
    content = f'<g:gpx xmlns:g="urn:x"><g:trk>{segment}</g:trk></g:gpx>'
    assert read(tmp_path, content).elevation_m.tolist() == [5.0, 5.0]


def test_wrong_fix_and_undeclared_prefix_do_not_matter(tmp_path: Path) -> None:
    point = '<trkpt lat="50" lon="6"><ele>5</ele><fix>not in the schema</fix><x:y>1</x:y></trkpt>'
    assert len(read(tmp_path, gpx(POINTS + point)).latitude_deg) == 3


@pytest.mark.parametrize("time", ["yesterday", "2020-13-45T99:00:00Z", "2020-01-01T00:00:00+99:00"])
def test_wrong_times_do_not_matter(tmp_path: Path, time: str) -> None:
    assert (
        len(read(tmp_path, gpx(POINTS + f'<trkpt lat="50" lon="6"><time>{time}</time></trkpt>')).notes) == 1
    )


@pytest.mark.parametrize("starts", [(1,), (0, 0), (0, 5), (0, 3, 2)])
def test_raw_track_checks_itself(starts: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="segment_starts"):
        RawTrack(np.zeros(4), np.zeros(4), np.zeros(4), "x", starts, ())


def test_raw_track_refuses_uneven_columns() -> None:
    with pytest.raises(ValueError, match="differ in length"):
        RawTrack(np.zeros(4), np.zeros(3), np.zeros(4), "x", (0,), ())
