"""XDR sentences: the checksum vectors, what is no data, what is refused, and an independent reader."""

import itertools
import math

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import nmea
from drivers.cutting import LONGEST
from drivers.nmea import Item, XdrDecoder


def read(*lines: bytes, required: bool = True) -> tuple[list[Item], dict[str, int]]:
    decoder = XdrDecoder(required)
    items = [item for line in lines for item in decoder.feed(line + b"\r\n")]
    return items, dict(decoder.counts)


# Sentences from real devices and public captures; every checksum was computed again (XOR of the bytes between $ and *,
# E. S. Raymond, "NMEA Revealed" v2.23).
GOOD = [
    (b"$YXXDR,A,-110.04,D,Yaw,A,0.06,D,Pitch,A,1.62,D,Roll*4A", {"Yaw": -110.04, "Pitch": 0.06, "Roll": 1.62}),
    (b"$YXXDR,A,86.0,D,PTCH,A,-85.2,D,ROLL*71", {"PTCH": 86.0, "ROLL": -85.2}),
    (b"$YXXDR,A,0.0,D,PTCH,A,1.3,D,ROLL*5F", {"PTCH": 0.0, "ROLL": 1.3}),
    (b"$YXXDR,A,0.3,D,PTCH,A,13.3,D,ROLL*6f", {"PTCH": 0.3, "ROLL": 13.3}),  # lower case is valid
]


@pytest.mark.parametrize(("line", "degrees"), GOOD)
def test_angles_of_good_sentences(line, degrees):
    items, counts = read(line)
    assert {item.id: math.degrees(item.value) for item in items} == pytest.approx(degrees)
    assert {item.quantity for item in items} == {"angle"}
    assert not counts


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b"$IIXDR,P,1.02481,B,Barometer*29", ("Barometer", "pressure", 102_481.0)),
        (b"$IIXDR,C,19.52,C,TempAir*19", ("TempAir", "temperature", 292.67)),
        (b"$RPXDR,P,1.0280,B,0*7B", ("0", "pressure", 102_800.0)),  # a name may be "0"
    ],
)
def test_pressure_and_temperature_in_si(line, expected):
    items, counts = read(line)
    assert [(i.id, i.quantity) for i in items] == [expected[:2]]
    assert items[0].value == pytest.approx(expected[2])
    assert not counts


def test_p_means_pressure_pascal_and_percent_in_one_line():
    # NMEA 0183 v4.11 XDR table: type P is pressure, unit P is pascal; H with P is humidity in percent.
    items, counts = read(b"$IIXDR,C,24.24,C,ENV_OUTSIDE_T,P,100700,P,ENV_ATMOS_P,H,64.356,P,ENV_OUTSIDE_H*37")
    assert [(i.id, i.quantity, i.value) for i in items[1:]] == [("ENV_ATMOS_P", "pressure", 100_700.0)]
    assert counts == {"mislabelled": 1}  # humidity is none of a rig's quantities


def test_an_empty_value_is_no_data_and_never_zero():
    # A weather station's captured block: two of four values are empty.
    items, counts = read(b"$YXXDR,C,,C,WCHR,C,,C,WCHT,C,28.2,C,HINX,P,1.0090,B,STNP*55")
    assert [item.id for item in items] == ["HINX", "STNP"]
    assert counts == {"empty": 2}


def test_metres_on_an_angle_are_refused_as_mislabelled():
    # A biaxial tiltmeter's form (pynmea2 1.19.0, test/test_types.py): unit M on an angle.
    items, counts = read(
        b"$YXXDR,A,-64.437,M,N,A,054.454,D,E,C,17.09,C,T-N1052*46",
        b"$YXXDR,A,-00.920,D,N,A,-00.210,D,E,C,030.045,C,T-N1212*57",
    )
    assert [item.id for item in items] == ["E", "T-N1052", "N", "E", "T-N1212"]
    assert math.degrees(items[0].value) == pytest.approx(54.454)
    assert counts == {"mislabelled": 1}


@pytest.mark.parametrize(
    "line",
    [
        # Wrong checksums found in public code; the right ones are 29, 02 and 7E.
        b"$IIXDR,P,1.02481,B,Barometer*0D",
        b"$IIXDR,P,1.012,B,PressureSensor,C,23.4,C,TemperatureSensor*45",
        b"$WIXDR,P,1.013,B,BARO,C,24.5,C,TEMP,H,65.2,P,HUMI*22",
    ],
)
def test_wrong_checksums_are_refused(line):
    assert read(line) == ([], {"bad_checksum": 1})
    assert read(line, required=False) == ([], {"bad_checksum": 1})
    right = {b"0D": b"29", b"45": b"02", b"22": b"7E"}[line[-2:]]
    assert read(line[:-2] + right)[0]


def test_no_checksum_needs_permission():
    line = b"$IIXDR,P,1.02481,B,Barometer"
    assert read(line) == ([], {"no_checksum": 1})
    assert [item.id for item in read(line, required=False)[0]] == ["Barometer"]


def test_other_sentences_are_neither_read_nor_called_broken():
    # The two classic examples of NMEA 0183, checksums computed again.
    assert read(
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        b"$GPGLL,5300.97914,N,00259.98174,E,125926,A*28",
    ) == ([], {"other": 2})


@pytest.mark.parametrize("number", ["nan", "inf", "1_0", "0x1", "1e3", "--1", "1,2", " 1", "1.2.3"])
def test_only_plain_decimal_numbers_are_numbers(number):
    items, counts = read(nmea.sentence("II", [f"D,{number},M,H1"]))
    assert not items
    assert counts.get("malformed") == 1


def test_a_generic_number_is_no_physical_quantity():
    assert read(nmea.sentence("II", ["G,1.5,,MAGX"])) == ([], {"mislabelled": 1})


def test_a_line_without_end_is_bounded_and_the_next_line_read():
    decoder = XdrDecoder()
    for _ in range(1000):
        assert not list(decoder.feed(b"x" * 1000))
        assert decoder._cutter.held <= LONGEST
    assert list(decoder.feed(b"\n")) == []
    assert len(list(decoder.feed(nmea.sentence("II", ["D,1.0,M,H1"])))) == 1
    assert decoder.counts == {"malformed": 1}


def test_noise_before_a_sentence_on_its_line_does_not_hide_it():
    assert len(read(b"\x00\xff$garbage" + nmea.sentence("II", ["D,1.0,M,H1"]).rstrip())[0]) == 1


NAMES = st.text(
    st.characters(min_codepoint=33, max_codepoint=126, exclude_characters="$*,!\\^~"), min_size=1, max_size=10
)
QUANTITIES = st.sampled_from(sorted(nmea.WIRE))


@given(st.lists(st.tuples(NAMES, QUANTITIES, st.floats(-1e5, 1e5) | st.none()), min_size=1, max_size=6))
def test_what_is_encoded_is_read_back(values):
    words = [nmea.quadruple(*value) for value in values]
    items, counts = read(*(line.rstrip() for line in nmea.sentences("YX", words)))
    sent = [value for value in values if value[2] is not None]
    assert [(i.id, i.quantity) for i in items] == [value[:2] for value in sent]
    for item, (_, quantity, value) in zip(items, sent, strict=True):
        kind, unit, decimals = nmea.WIRE[quantity]
        step = nmea.MEANINGS[kind, unit][1] * 10.0**-decimals
        assert item.value == pytest.approx(value, abs=0.51 * step, rel=1e-12)
    assert counts.get("empty", 0) == len(values) - len(sent)


@given(st.lists(st.tuples(NAMES, st.floats(-1e4, 1e4)), min_size=1, max_size=4))
def test_an_independent_reader_agrees(values):
    words = [nmea.quadruple(name, "length", value) for name, value in values]
    line = nmea.sentence("II", words)
    theirs = pynmea2.parse(line.decode(), check=True)
    ours, _ = read(line.rstrip())
    fields = theirs.data
    assert [(fields[i + 3], float(fields[i + 1])) for i in range(0, len(fields), 4)] == [(i.id, i.value) for i in ours]


@given(st.binary(max_size=300), st.lists(st.integers(0, 300), max_size=8))
def test_any_bytes_in_any_pieces_are_data(junk, cuts):
    stream = junk + b"\n" + nmea.sentence("II", ["P,2.5,B,P1"]) + junk + b"\r\n"
    whole = XdrDecoder()
    expected = list(whole.feed(stream))
    pieces = XdrDecoder()
    marks = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    found = [item for a, b in itertools.pairwise(marks) for item in pieces.feed(stream[a:b])]
    assert found == expected
    assert pieces.counts == whole.counts
    assert Item("P1", "pressure", 250_000.0) in found


def test_sentences_keep_to_82_characters():
    lines = list(nmea.sentences("II", [nmea.quadruple(f"CH{i}", "pressure", 2e5) for i in range(20)]))
    assert len(lines) > 3
    assert all(len(line) <= 82 for line in lines)  # IEC 61162-1, from memory
