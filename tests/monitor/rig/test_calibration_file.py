"""Calibrations in a rig file and in the file beside it: what is read, what is refused with its file and line, what is due."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from importlib.resources import files

import pytest

from monitor.rig.calibrated import curve_of, due, in_words, newest
from monitor.rig.load import RigFaults, parse_rig, read_rig, read_rig_text

TEXT = files("monitor.drill").joinpath("rigs/yard-panel.toml").read_text(encoding="utf-8")
GAUGE = """[[calibration]]
channel = "S1-lower-p"
date = 2026-01-02
who = "A. Trainer (invented)"
points = [["0.02 bar", "0 bar"], ["8.06 bar", "8 bar"]]
uncertainty = "2 mbar"
"""


@pytest.fixture
def rig_file(tmp_path):
    path = tmp_path / "yard.toml"
    path.write_text(TEXT)
    return path


def beside(path, text):
    path.with_name("yard.calibration.toml").write_text(text)
    return path


def faults(path):
    with pytest.raises(RigFaults) as caught:
        read_rig(path)
    return str(caught.value).splitlines()


def test_the_file_beside_means_what_the_same_tables_in_the_rig_file_mean(rig_file):
    apart = read_rig(beside(rig_file, GAUGE))
    (it,) = apart.calibration
    assert apart == parse_rig(f"{TEXT}\n{GAUGE}")
    assert it.points[1][0].si == pytest.approx(806000.0)
    assert (it.uncertainty.si, it.spread.si, it.valid_for) == (200.0, 0.0, 365)
    assert curve_of(it).true(806000.0) == pytest.approx(800000.0)


def test_the_joined_text_alone_is_the_same_rig_and_without_a_file_beside_it_is_the_rig_files_own(rig_file):
    assert read_rig_text(rig_file).text == TEXT
    it = read_rig_text(beside(rig_file, GAUGE))
    assert parse_rig(it.text) == it.rig()
    assert it.text.startswith(TEXT)
    assert it.text.endswith(GAUGE)


def test_the_newest_counts_and_older_ones_stay():
    older = GAUGE.replace("2026-01-02", "2025-01-02T10:00:00+01:00").replace('"0 bar"', '"0.01 bar"')
    same_day = GAUGE.replace('"0 bar"', '"0.005 bar"')
    rig = parse_rig("\n".join((TEXT, GAUGE, same_day, older)))
    assert len(rig.calibration) == 3
    assert newest(rig)["S1-lower-p"].points[0][1].si == pytest.approx(500.0)


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        (
            '"0.02 bar"',
            '"0.02 barr"',
            5,
            "points[0][0] (S1-lower-p): found '0.02 barr'; allowed is a value with the unit",
        ),
        ('"8 bar"', '"8 kN"', 5, "points[1][1] (S1-lower-p): found a force; allowed is a pressure"),
        ('"8 bar"', '"0 bar"', 5, "points[1][1] (S1-lower-p): found 0; allowed is above the one before it"),
        ('"8.06 bar"', '"0.02 bar"', 5, "points[1][0] (S1-lower-p): found 2000; allowed is above the one before it"),
        (', ["8.06 bar", "8 bar"]', "", 5, "allowed is a list with at least 2 items"),
        ('"8 bar"', '"8 Pa"', 5, "points[1] (S1-lower-p): found 9.95e-06 true for 1 read; allowed is from 0.1 to 10"),
        ('"8 bar"', "1e300", 5, "found 1e+300; allowed is what a sensor can read"),
        ('"2 mbar"', '"-2 mbar"', 6, "uncertainty (S1-lower-p): found '-2 mbar'; allowed is at least 0"),
        ('"2 mbar"', '"2 mm"', 6, "uncertainty (S1-lower-p): found a length; allowed is a pressure"),
        ("S1-lower-p", "S9-p", 2, "channel (S9-p): found 'S9-p'; allowed is a channel of the rig file: S1-lower-p"),
        (
            "2026-01-02",
            "2026-01-02T10:00:00",
            3,
            "allowed is a date such as '2026-05-01', or one with its time and zone",
        ),
        ("2026-01-02", "'2 Jan'", 3, "found '2 Jan'; allowed is a date such as"),
        ("2026-01-02", "'2026-02-30'", 3, "found '2026-02-30'; allowed is a date such as"),
        ("A. Trainer (invented)", "", 4, "who (S1-lower-p): found ''; allowed is a text with at least 1 character"),
        ("who =", "valid_for = '1 year'\nwho =", 4, "found '1 year'; allowed is a whole number of days above zero"),
        ("who =", "by =", 4, "by (S1-lower-p): found a key that means nothing here"),
        ("[[calibration]]", "[rig]", 1, "rig: found another key or form; allowed is calibrations alone"),
        ("[[calibration]]", "[calibration]", 1, "calibration: found another key or form"),
        ("[[calibration]]", "[[calibration]", 1, "allowed is TOML"),
    ],
)
def test_a_fault_of_the_file_beside_names_that_file_and_its_line(rig_file, old, new, line, says):
    assert old in GAUGE
    said = faults(beside(rig_file, GAUGE.replace(old, new, 1)))
    assert any(f"{rig_file.with_name('yard.calibration.toml')}:{line}: " in it and says in it for it in said), said


def test_faults_of_both_files_are_said_at_once_each_of_its_own(rig_file):
    rig_file.write_text(TEXT.replace('supply = "7.5 bar"', 'supply = "7.5 barr"'))
    said = faults(beside(rig_file, GAUGE.replace("2 mbar", "2 mbarr")))
    assert len(said) == 2
    assert said[0].startswith(f"{rig_file}:")
    assert said[1].startswith(f"{rig_file.with_name('yard.calibration.toml')}:6:")


def test_a_rig_file_that_is_not_closed_is_said_to_be_not_the_one_beside_it(rig_file):
    rig_file.write_text(TEXT + 'notes = """never ended\n')
    (said,) = faults(beside(rig_file, GAUGE))
    assert said.startswith(f"{rig_file}:{TEXT.count(chr(10)) + 2}: ")


@pytest.mark.parametrize(
    ("date", "now", "wrong"),
    [
        # A plain date has no zone: it is out of date only once its last day has ended everywhere (UTC-12).
        ("2026-01-02", datetime(2027, 1, 3, 11, 59, tzinfo=UTC), ""),
        ("2026-01-02", datetime(2027, 1, 3, 12, 0, tzinfo=UTC), "was due 2027-01-02"),
        ("2026-01-02", datetime(2026, 1, 1, 12, 0, tzinfo=UTC), ""),  # that day already in UTC+12
        ("2026-01-02", datetime(2026, 1, 1, 11, 59, tzinfo=UTC), "dated 2026-01-02, which is still to come"),
        ("2026-01-02T10:00:00+02:00", datetime(2027, 1, 2, 7, 59, tzinfo=UTC), ""),
        ("2026-01-02T10:00:00+02:00", datetime(2027, 1, 2, 8, 0, tzinfo=UTC), "was due 2027-01-02"),
        (
            "2026-01-02T10:00:00+02:00",
            datetime(2026, 1, 2, 2, 59, tzinfo=timezone(timedelta(hours=-5))),
            "dated 2026-01-02",
        ),
    ],
)
def test_a_calibration_is_out_of_date_after_its_last_day_and_before_its_first(date, now, wrong):
    (it,) = due(parse_rig(f"{TEXT}\n{GAUGE.replace('2026-01-02', date)}"), now)
    assert it.wrong.startswith(wrong)
    assert bool(it.wrong) == bool(wrong)


def test_what_check_says_of_calibrations(rig_file, typed):
    beside(rig_file, GAUGE.replace("2026-01-02", "2020-01-02"))
    ended = typed("check", str(rig_file))
    assert ended.code == 0
    assert "OUT OF DATE: was due 2021-01-01" in ended.out
    assert "no calibration: S1-upper-p, N1-p" in ended.out
    it = json.loads(typed("check", "--json", str(rig_file)).out)
    assert it["calibrations"][0]["channel"] == "S1-lower-p"
    assert it["calibrations"][0]["wrong"] == "was due 2021-01-01"
    assert it["calibrations"][0]["until"] == "2021-01-01"


def test_a_rig_without_any_says_nothing_of_calibrations(rig_file, typed):
    assert "calibrat" not in typed("check", str(rig_file)).out
    assert in_words(parse_rig(TEXT), datetime.now(UTC)) == []


def test_a_fault_beside_the_rig_file_is_told_by_check_with_its_file(rig_file, typed):
    beside(rig_file, GAUGE.replace("2 mbar", "2 mbarr"))
    it = json.loads(typed("check", "--json", str(rig_file)).out)
    assert it["faults"][0]["file"].endswith("yard.calibration.toml")
    assert it["faults"][0]["line"] == 6
