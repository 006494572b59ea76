"""A bare number, and a number at a JSON pointer."""

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonpointer import JsonPointer, JsonPointerException

from drivers.payload import PayloadError, bare_number, document, number_at

# RFC 6901 section 5: the document and what each pointer evaluates to.
RFC_6901 = orjson.dumps(
    {"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8)],
)
def test_the_pointers_of_rfc_6901(pointer, value):
    assert number_at(JsonPointer(pointer), document(RFC_6901)) == value


@pytest.mark.parametrize("pointer", ["", "/foo", "/foo/0", "/foo/2", "/foo/-", "/nothing"])
def test_what_is_no_number_is_a_sentence(pointer):
    # "", /foo and /foo/0 are no numbers; /foo/2 is out of range (RFC 6901 section 7).
    with pytest.raises(PayloadError):
        number_at(JsonPointer(pointer), document(RFC_6901))


@pytest.mark.parametrize("token", ["01", "00", "0_1", "0x", "1\n", "2", "-", ""])
def test_what_is_no_index_finds_nothing_in_an_array_and_its_name_in_an_object(token):
    # RFC 6901 section 4: an index is 0, or digits of which the first is not 0; a member is called whatever it is called.
    with pytest.raises(PayloadError):
        number_at(JsonPointer(f"/a/{token}"), document(b'{"a": [5, 7]}'))
    assert number_at(JsonPointer(f"/a/{token}"), document(orjson.dumps({"a": {token: 7}}))) == 7


def test_tilde_1_is_read_before_tilde_0():
    assert number_at(JsonPointer("/~01"), document(b'{"~1": 4}')) == 4  # RFC 6901 section 4


def test_a_pointer_begins_with_a_slash():
    with pytest.raises(JsonPointerException):
        JsonPointer("foo")


@pytest.mark.parametrize("value", ["true", '"1.5"', "[1]", "{}"])
def test_truth_text_and_lists_are_no_numbers(value):
    with pytest.raises(PayloadError):
        number_at(JsonPointer("/x"), document(f'{{"x": {value}}}'.encode()))


def test_null_is_no_data():
    assert number_at(JsonPointer("/x"), document(b'{"x": null}')) is None
    assert bare_number(b"  ") is None


@pytest.mark.parametrize(("payload", "value"), [(b"1.5", 1.5), (b" -2 \n", -2.0), (b"+.5e3", 500.0), (b"7.", 7.0)])
def test_bare_numbers(payload, value):
    assert bare_number(payload) == value


@pytest.mark.parametrize(
    "payload", [b"nan", b"inf", b"1,5", b"0x10", b"1 2", b"one", b"1e999", b"\xff", b"9" * 100, b"1e-0400"]
)
def test_other_payloads_are_sentences(payload):
    with pytest.raises(PayloadError):
        bare_number(payload)


@given(st.binary(max_size=60))
def test_any_bytes_are_a_number_nothing_or_a_sentence(payload):
    try:
        value = bare_number(payload)
    except PayloadError:
        return
    assert value is None or abs(value) < float("inf")
