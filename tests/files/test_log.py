"""Reading a log: the one accepted form, and the place of what is not in it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from heapwright.errors import InputError
from heapwright.files.log import read_log

HEAD = "time,event,point,depth_cm,temp_c\n"


def write(folder: Path, text: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_rows_of_any_order_become_readings_and_acts(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        HEAD + "2026-03-02 08:00:30,read,core,45,57.5\n"
        "2026-03-01T10:00,built,,,\n"
        "\n"
        "2026-03-01T11:00,READ, Edge ,,-3\n"
        "2026-03-02T09:00,turned\n"
        "2026-03-02T10:00,read,edge,20,60\n",
    )
    log = read_log(path).log
    assert log.readings.points == ("core", "Edge")
    assert log.readings.temp_c.tolist() == [-3, 57.5, 60]
    assert log.readings.point.tolist() == [1, 0, 1]
    assert np.isnan(log.readings.depth_cm[0])
    assert [act.kind for act in log.acts] == ["built", "turned"]
    assert str(log.clock.wall(int(log.readings.time_s[1]))) == "2026-03-02 08:00:30"


def test_fahrenheit_and_inches_are_exact(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "time,event,point,depth_in,temp_f\n2026-03-01T08:00,read,a,18,131\n"
        "2026-03-01T09:00,read,a,12,130.9\n",
    )
    read = read_log(path)
    assert read.fahrenheit
    assert read.log.readings.temp_c[0] == 55.0
    assert read.log.readings.temp_c[1] == pytest.approx(54.944444)
    assert read.log.readings.depth_cm.tolist() == pytest.approx([45.72, 30.48])


def test_a_byte_order_mark_and_a_note_are_fine(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        b'\xef\xbb\xbftime,event,temp_c,note\r\n2026-03-01T08:00,read,57,"rain, cold"\r\n',
    )
    assert read_log(path).log.readings.temp_c.tolist() == [57]


def test_a_row_that_stands_twice_counts_once(tmp_path: Path) -> None:
    row = "2026-03-01T08:00,read,core,45,57\n"
    path = write(
        tmp_path, HEAD + row + row + "2026-03-01T08:00,read,core,45,40\n" + row +
        "2026-03-01T09:00,turned,,,\n" * 2,
    )  # fmt: skip
    read = read_log(path)
    assert sorted(read.log.readings.temp_c.tolist()) == [40, 57]
    assert len(read.log.acts) == 1
    assert "3 rows stand" in read.notes[0]


BAD = {
    "mixed units": (
        "time,event,temp_c,temp_f\n2026-03-01T08:00,read,57,\n",
        None, "mixes units", 1,
    ),
    "fahrenheit in a column of celsius": (
        HEAD + "2026-03-01T08:00,read,a,45,57\n2026-03-02T08:00,read,a,45,135\n",
        "temp_c", "mixes units", 3,
    ),
    "dates in two formats": (
        HEAD + "2026-03-01T08:00,read,a,45,57\n3/4/2026 8:00,read,a,45,57\n",
        "time", "another format", 3,
    ),
    "no time of day": (
        HEAD + "2026-03-01,read,a,45,57\n", "time", "2026-03-01T10:00", 2,
    ),
    "serial number": (
        HEAD + "46082.4166,read,a,45,57\n", "time", "serial number", 2,
    ),
    "no such day": (
        HEAD + "2026-02-30T08:00,read,a,45,57\n", "time", "no time that exists", 2,
    ),
    "no such hour": (
        HEAD + "2026-02-03T25:00,read,a,45,57\n", "time", "no time that exists", 2,
    ),
    "year of a typing slip": (
        HEAD + "2206-02-03T08:00,read,a,45,57\n", "time", "2206", 2,
    ),
    "blank time": (HEAD + ",read,a,45,57\n", "time", "blank", 2),
    "semicolons": (
        "time;event;point;temp_c\n2026-03-01T08:00;read;a;57\n", None, "semicolons", 1,
    ),
    "decimal comma": (
        HEAD + "2026-03-01T08:00,read,a,45,\"57,5\"\n", "temp_c", "comma", 2,
    ),
    "decimal comma without quotes": (
        HEAD + "2026-03-01T08:00,read,a,45,57,5\n", None, "6 cells", 2,
    ),
    "a depth turned to a date": (
        HEAD + "2026-03-01T08:00,read,a,4-May,57\n", "depth_cm", "date", 2,
    ),
    "empty": ("", None, "empty", None),
    "blank lines": ("\n\n", None, "empty", None),
    "header only": (HEAD, None, "no line of data", 1),
    "wrong encoding": (
        HEAD.encode() + "2026-03-01T08:00,read,Süd,45,57\n".encode("latin-1"),
        None, "UTF-8", 2,
    ),
    "utf-16": (HEAD.encode("utf-16"), None, "UTF-16", 1),
    "unknown event": (
        HEAD + "2026-03-01T08:00,turn,a,45,\n", "event", "did you mean turned", 2,
    ),
    "blank event": (HEAD + "2026-03-01T08:00,,a,45,57\n", "event", "blank", 2),
    "reading without temperature": (
        HEAD + "2026-03-01T08:00,read,a,45,\n", "temp_c", "needs a temperature", 2,
    ),
    "turning with temperature": (
        HEAD + "2026-03-01T08:00,turned,a,45,57\n", "temp_c", "no temperature", 2,
    ),
    "too cold": (HEAD + "2026-03-01T08:00,read,a,45,-41\n", "temp_c", "below -40", 2),
    "too deep": (HEAD + "2026-03-01T08:00,read,a,301,57\n", "depth_cm", "above 300", 2),
    "not a number": (HEAD + "2026-03-01T08:00,read,a,45,nan\n", "temp_c", "not a number", 2),
    "a unit in the cell": (HEAD + "2026-03-01T08:00,read,a,45,57C\n", "temp_c", "not a num", 2),
    "unknown column": (
        "time,event,tempc\n2026-03-01T08:00,read,57\n", "tempc", "did you mean temp_c", 1,
    ),
    "no temperature column": ("time,event\n2026-03-01T08:00,turned\n", None, "temp_c", 1),
    "an open quote": (HEAD + "2026-03-01T08:00,\"read,a,45,57\n", None, "well-formed", 2),
    "a quote closed too late": (
        HEAD + '2026-03-01T08:00,"read,a,45,57\n2026-03-02T08:00,read",a,45,57\n',
        "event", "quote mark", 3,
    ),
    "times with and without offset": (
        HEAD + "2026-03-01T08:00,read,a,45,57\n2026-03-02T08:00Z,read,a,45,57\n",
        "time", "one way", 3,
    ),
    "offsets that no change of clock explains": (
        HEAD + "2026-03-01T08:00Z,read,a,45,57\n2026-03-02T08:00-08:00,read,a,45,57\n",
        "time", "--time-zone", 3,
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD, ids=BAD.keys())
def test_bad_input_is_one_sentence_with_its_place(tmp_path: Path, case: str) -> None:
    text, column, words, row = BAD[case]
    with pytest.raises(InputError) as caught:
        read_log(write(tmp_path, text))
    assert words in str(caught.value)
    assert caught.value.file == "log.csv"
    assert caught.value.column == column
    assert caught.value.row == row
    assert "\n" not in str(caught.value)


def test_the_row_is_right_far_down_a_large_file(tmp_path: Path) -> None:
    rows = [f"2026-03-01T08:{i % 60:02d},read,p,45,{50 + i % 9}\n" for i in range(45_000)]
    rows[44_321] = "2026-03-01T08:00,read,p,45,5O\n"
    with pytest.raises(InputError) as caught:
        read_log(write(tmp_path, HEAD + "".join(rows)))
    assert (caught.value.row, caught.value.column) == (44_323, "temp_c")


def test_a_line_break_in_a_note_does_not_shift_the_rows(tmp_path: Path) -> None:
    text = (
        'time,event,temp_c,note\n2026-03-01T08:00,read,57,"two\nlines"\n2026-03-01T09:00,read,x,\n'
    )
    with pytest.raises(InputError) as caught:
        read_log(write(tmp_path, text))
    assert caught.value.row == 4


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    with pytest.raises(InputError, match=r"100 MB; files of this kind are read up to 64 MB"):
        read_log(path)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_log(tmp_path / "none.csv")


def test_quick_and_slow_reading_agree(tmp_path: Path) -> None:
    rows = [
        f"2026-03-{1 + i // 200:02d}T{i % 24:02d}:{i % 60:02d}-08:00,"
        f"read,p{i % 3},{i % 90},{i % 80}\n"
        for i in range(5000)
    ]
    quick = read_log(write(tmp_path, HEAD + "".join(rows), "quick.csv")).log
    # One cell with a blank before it sends the whole block through the slow way.
    rows[17] = rows[17].replace(",read,", ", read,")
    slow = read_log(write(tmp_path, HEAD + "".join(rows), "slow.csv")).log
    for name in ("time_s", "point", "temp_c", "depth_cm"):
        assert np.array_equal(getattr(quick.readings, name), getattr(slow.readings, name))
    assert quick.clock == slow.clock
    assert quick.readings.points == slow.readings.points


def test_an_unknown_time_zone_has_near_matches(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "2026-03-01T08:00,read,a,45,57\n")
    with pytest.raises(InputError, match="America/Los_Angeles"):
        read_log(path, time_zone="America/Los_Angelos")


def test_utc_times_without_a_zone_are_said_to_be_utc_days(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD + "2026-03-01T02:00Z,read,a,45,57\n")
    read = read_log(path)
    assert "UTC" in read.notes[0]
    assert str(read.log.clock.wall(int(read.log.readings.time_s[0]))) == "2026-03-01 02:00:00"
    local = read_log(path, time_zone="America/Los_Angeles").log
    assert str(local.clock.wall(int(local.readings.time_s[0]))) == "2026-02-28 18:00:00"
