"""Modbus RTU frames and registers: published frames, an independent checksum, and pymodbus's own conversion of registers."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from drivers import rtu
from drivers.registers import MOST, Span, decode, encode, joined, width

from .modbus_far import crc, framed

PUBLISHED = [
    # (bytes without checksum, checksum as on the wire, where it is published)
    ("0207", "4112", "MODBUS over Serial Line V1.02, 6.2.2 and appendix B: CRC 1241 of 02 07, low byte first"),
    # The frames of the MODBUS Application Protocol's examples (V1.1b3, 6.1 to 6.16) for station 17, as RTU; from memory
    # of the specification's older serial edition, each checksum recomputed.
    ("1103006B0003", "7687", "6.3 read holding registers 108 to 110"),
    ("110306AE4156524340", "49AD", "its answer"),
    ("110400080001", "B298", "6.4 read input register 9"),
    ("110100130025", "0E84", "6.1 read coils 20 to 56"),
    ("110200C40016", "BAA9", "6.2 read discrete inputs 197 to 218"),
    ("110500ACFF00", "4E8B", "6.5 write coil 173"),
    ("110600010003", "9A9B", "6.6 write register 2"),
    ("110F0013000A02CD01", "BF0B", "6.11 write coils 20 to 29"),
    ("1110000100020400" + "0A0102", "C6F0", "6.12 write registers 2 and 3"),
    ("0A8102", "B053", "an exception: illegal data address"),
    ("010300000001", "840A", "common practice, no source"),
    ("01030000000A", "C5CD", "common practice, no source"),
    ("010402FFFF", "B880", "common practice, no source"),
    ("018302", "C0F1", "common practice, no source"),
]


def test_the_checksum_is_that_of_the_catalogue_and_of_published_frames():
    # CRC-16/MODBUS: check value of the catalogue of parametrised CRC algorithms, as in the crc-catalog library
    assert crc(b"123456789") == bytes.fromhex("374B")
    assert rtu.FramerRTU.compute_CRC(b"123456789") == 0x374B, "pymodbus gives it as it stands on the wire"
    for data, checksum, why in PUBLISHED:
        assert crc(bytes.fromhex(data)).hex().upper() == checksum, why


def test_requests_are_the_published_ones():
    assert rtu.request(Span(17, "holding", 0x6B, 3, 1.0)) == bytes.fromhex("1103006B00037687")
    assert rtu.request(Span(17, "input", 8, 1, 1.0)) == bytes.fromhex("110400080001B298")
    assert rtu.request(Span(1, "holding", 0, 10, 1.0)) == bytes.fromhex("01030000000AC5CD")


def only(data: bytes) -> rtu.Frame:
    (frame,) = rtu.frames(data)
    return frame


def test_answers_are_read_as_published():
    asked = Span(17, "holding", 0x6B, 3, 1.0)
    answer = only(bytes.fromhex("110306AE415652434049AD"))
    assert rtu.reply(answer, asked) == rtu.Answer((0xAE41, 0x5652, 0x4340))
    assert rtu.reply(only(bytes.fromhex("018302C0F1")), Span(1, "holding", 0, 1, 1.0)) == rtu.Refusal(2)
    assert rtu.Refusal(2).reason == "illegal data address"
    assert rtu.Refusal(99).reason == "exception 99"
    assert rtu.reply(only(bytes.fromhex("010402FFFFB880")), Span(1, "input", 0, 1, 1.0)) == rtu.Answer((0xFFFF,))
    # not an answer to it: another station, another table, another length, a refusal of another function
    for other in (
        Span(18, "holding", 0x6B, 3, 1.0),
        Span(17, "input", 0x6B, 3, 1.0),
        Span(17, "holding", 0x6B, 2, 1.0),
    ):
        assert rtu.reply(answer, other) is None
    assert rtu.reply(only(bytes.fromhex("0A8102B053")), Span(10, "holding", 0, 1, 1.0)) is None


@given(st.binary(max_size=40), st.lists(st.integers(0, 65535), min_size=1, max_size=MOST), st.binary(max_size=4))
def test_a_frame_is_found_behind_any_noise_that_holds_none(noise, words, behind):
    body = bytes([17, 3, 2 * len(words)]) + struct.pack(f">{len(words)}H", *words)
    found = list(rtu.frames(noise + body + crc(body) + behind))
    if not list(rtu.frames(noise + body[:-1])):
        assert rtu.Frame(17, body[1:]) in found


@given(st.binary(max_size=300))
def test_no_bytes_raise_and_what_is_found_has_its_checksum(data):
    for frame in rtu.frames(data):
        whole = bytes([frame.station]) + frame.body
        assert whole + crc(whole) in data


@given(st.binary(min_size=1, max_size=60), st.data())
def test_one_wrong_bit_and_the_frame_is_gone(words, data):
    """A CRC of 16 bits finds every single wrong bit."""
    words = words + words
    whole = framed((bytes([5, 4, len(words)]) + words).hex())
    bit = data.draw(st.integers(0, 8 * len(whole) - 1))
    wrong = bytearray(whole)
    wrong[bit // 8] ^= 1 << bit % 8
    assert all(frame.body[1:] != words for frame in rtu.frames(bytes(wrong)))
    assert rtu.Frame(5, whole[1:-2]) not in list(rtu.frames(bytes(wrong)))


TYPES = ModbusClientMixin.DATATYPE
KINDS = {
    "int16": (TYPES.INT16, st.integers(-(2**15), 2**15 - 1)),
    "uint16": (TYPES.UINT16, st.integers(0, 2**16 - 1)),
    "int32": (TYPES.INT32, st.integers(-(2**31), 2**31 - 1)),
    "uint32": (TYPES.UINT32, st.integers(0, 2**32 - 1)),
    "float32": (TYPES.FLOAT32, st.floats(width=32, allow_nan=False)),
}


@pytest.mark.parametrize("words", ["high-first", "low-first"])
@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
def test_registers_round_trip_and_read_as_another_library_reads_them(kind, words, data):
    theirs, values = KINDS[kind]
    value = data.draw(values)
    registers = encode(value, kind, words)
    assert len(registers) == width(kind)
    assert decode(registers, kind, words) == value
    order = "big" if words == "high-first" else "little"
    assert ModbusClientMixin.convert_to_registers(value, theirs, word_order=order) == registers
    assert ModbusClientMixin.convert_from_registers(registers, theirs, word_order=order) == value


@given(st.integers(0, 2**32 - 1))
def test_every_bit_pattern_of_a_float_is_a_number_or_nan(bits):
    high, low = bits >> 16, bits & 0xFFFF
    (expected,) = struct.unpack(">f", struct.pack(">I", bits))
    for found in (decode([high, low], "float32", "high-first"), decode([low, high], "float32", "low-first")):
        assert found == expected or (math.isnan(found) and math.isnan(expected))


def test_ten_in_both_orders():
    """0x41200000 is 10.0 (IEEE 754 binary32: 2^3 * 1.25): its bytes as ABCD and as CDAB."""
    assert decode([0x4120, 0x0000], "float32", "high-first") == 10.0
    assert decode([0x0000, 0x4120], "float32", "low-first") == 10.0


SPANS = st.builds(
    Span,
    st.integers(1, 3),
    st.sampled_from(["holding", "input"]),
    st.integers(0, 300),
    st.integers(1, 2),
    st.sampled_from([0.1, 1.0]),
)


@given(st.lists(SPANS, max_size=60))
def test_joined_spans_bring_all_that_is_wanted_and_nothing_else(spans):
    whole = list(joined(spans))

    def registers(some):
        return {(it.station, it.table, it.every_s, at) for it in some for at in range(it.register, it.end)}

    assert registers(whole) == registers(spans)
    assert all(1 <= it.count <= MOST for it in whole)
    assert all(any(it.within(one) and it.every_s == one.every_s for one in whole) for it in spans)
    assert len(whole) <= len(set(spans))


def test_a_long_row_of_registers_is_read_in_the_fewest_requests():
    row = [Span(1, "holding", at, 1, 0.1) for at in range(300)]
    assert [it.count for it in joined(row)] == [125, 125, 50]
