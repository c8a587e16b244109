from __future__ import annotations

from pathlib import Path

import pytest

from ttt_opt.errors import InputError
from ttt_opt.rides_of_riders import rides_of_riders
from ttt_opt.team import Rider, Team

NAMES = ("Zoë Arn", "Ben", "Ben Olm", "Li")
TEAM = Team("Four", tuple(Rider(name, 70.0, 300.0, 18000.0, 0.23) for name in NAMES))


def test_names_in_file_names_and_on_the_command_line() -> None:
    files = [Path("a/2030-05-12_ZOË_ARN.gpx"), Path("ride ben olm.csv"), Path("li.gpx")]
    found = rides_of_riders(TEAM, files, ["ben=x=y.gpx"])
    assert found == {"Zoë Arn": files[0], "Ben": Path("x=y.gpx"), "Ben Olm": files[1], "Li": files[2]}
    assert list(found) == list(NAMES)


def test_a_first_name_does_where_nobody_else_has_it() -> None:
    assert rides_of_riders(TEAM, [Path("Zoë-ride.gpx")], []) == {"Zoë Arn": Path("Zoë-ride.gpx")}
    assert rides_of_riders(TEAM, [Path("ben.gpx")], []) == {"Ben": Path("ben.gpx")}


@pytest.mark.parametrize(
    ("files", "named", "words"),
    [
        (["ride.gpx"], [], "ride.gpx: names nobody of the team in its file name; say whose ride it is with --rider"),
        (["lighthouse.gpx"], [], "names nobody"),
        (["ben-li.gpx"], [], "names Ben and Li"),
        (["ben.gpx", "Ben 2.gpx"], [], "Ben 2.gpx: is a second ride of Ben"),
        ([], ["Ben"], '--rider: "Ben" is not NAME=FILE'),
        ([], ["Ben="], '--rider: "Ben=" is not NAME=FILE'),
        ([], ["Tom=x.gpx"], '--rider: "Tom" is not in the team; allowed: Zoë Arn, Ben, Ben Olm, Li'),
        ([], [], "there is none; give one recorded ride for each rider"),
    ],
)
def test_refusals(files: list[str], named: list[str], words: str) -> None:
    with pytest.raises(InputError) as refused:
        rides_of_riders(TEAM, [Path(file) for file in files], named)
    assert words in str(refused.value)
