"""SenML against RFC 8428 and RFC 8798."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.senml import UNITS, SenmlError, pack, resolve

NOW = 1_700_000_000.0

# RFC 8428 section 5.1.3, the multiple-measurement example.
RFC_5_1_3 = """[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"""


def test_the_example_of_rfc_8428_resolves():
    records = resolve(RFC_5_1_3, NOW)
    name = "urn:dev:ow:10e2073a0108006:"
    assert [r.name for r in records] == [name + "voltage"] + [name + "current"] * 6
    assert [r.unit for r in records] == ["V"] + ["A"] * 6
    assert [r.value for r in records] == pytest.approx([120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7])
    assert [r.time_s for r in records] == pytest.approx([1276020076.001, *(1276020071.001 + i for i in range(6))])


def test_a_record_continues_the_base_and_overrides_it():
    # RFC 8428 section 4.6: u overrides bu, v is added to bv, t to bt.
    records = resolve('[{"bn":"a:","bu":"m","bv":10,"bt":1e9,"n":"x","v":1,"t":2},{"n":"y","u":"Pa","v":3}]', NOW)
    assert [(r.name, r.unit, r.value, r.time_s) for r in records] == [
        ("a:x", "m", 11.0, 1e9 + 2),
        ("a:y", "Pa", 13.0, 1e9),
    ]


@pytest.mark.parametrize(("t", "expected"), [(-5, NOW - 5), (0, NOW), (2**28 - 1, NOW + 2**28 - 1), (2**28, 2.0**28)])
def test_times_below_2_to_the_28_are_relative_to_now(t, expected):
    # RFC 8428 section 4.5.3.
    assert resolve(json.dumps([{"n": "x", "v": 1, "t": t}]), NOW)[0].time_s == expected


def test_no_time_is_no_time():
    assert resolve('[{"n":"x","v":1}]', NOW)[0].time_s is None


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        ('[{"n":"x","v":1,"new_":2}]', "must be understood"),  # section 4.4: labels ending in _ must be understood
        ('[{"bver":11,"n":"x","v":1}]', "version"),
        ('[{"bver":5,"n":"x","v":1},{"bver":6,"n":"y","v":1}]', "version"),  # all records of one version
        ('[{"n":"x"}]', "without a value"),  # a value unless there is a sum
        ('[{"n":"-x","v":1}]', "name"),  # starts with a letter or digit
        ('[{"n":"a b","v":1}]', "name"),
        ('[{"v":1}]', "name"),
        ('[{"n":"x","v":true}]', "number"),
        ('[{"n":"x","v":"1"}]', "number"),
        ('[{"n":"x","v":NaN}]', "JSON"),
        ('[{"n":"x","v":1,"vs":"a"}]', "one value"),
        ('{"n":"x","v":1}', "array"),
        ("[1]", "array"),
        ("", "JSON"),
        ('[{"n":"x","v":1e308,"bv":1e308}]', "finite"),
    ],
)
def test_what_the_standard_forbids_is_refused_with_a_sentence(payload, says):
    with pytest.raises(SenmlError, match=says):
        resolve(payload, NOW)


def test_unknown_labels_without_underscore_are_passed_over():
    assert resolve('[{"n":"x","v":1,"colour":"red"}]', NOW)[0].value == 1.0


def test_a_sum_needs_no_value_and_is_no_number_of_ours():
    assert resolve('[{"n":"x","s":5}]', NOW)[0].value is None


def test_there_is_no_bar_and_no_psi_in_the_standard():
    # RFC 8428 registry and RFC 8798: neither lists bar, kPa, psi, lbf or inch; deg is from RFC 8798.
    assert not {"bar", "kPa", "psi", "lbf", "in", "mm"} & set(UNITS)
    assert UNITS["deg"][1] == pytest.approx(0.017453292519943295, rel=1e-15)


@given(
    st.lists(
        st.tuples(
            st.from_regex(r"[A-Za-z0-9][A-Za-z0-9:./_-]{0,8}", fullmatch=True),
            st.sampled_from(sorted(UNITS)),
            st.floats(allow_nan=False, allow_infinity=False),
        ),
        max_size=5,
    )
)
def test_what_is_packed_resolves_to_the_bit(records):
    assert [(r.name, r.unit, r.value) for r in resolve(pack(records, time_s=1e9), NOW)] == records


@given(
    st.binary(max_size=200)
    | st.recursive(
        st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.sampled_from(["bn", "n", "v", "t", "bt", "bver", "u", "x_"]), inner, max_size=4)
        ),
    ).map(lambda it: json.dumps(it).encode())
)
def test_any_payload_gives_records_or_one_sentence(payload):
    try:
        records = resolve(payload, NOW)
    except SenmlError as error:
        assert "\n" not in str(error)
    else:
        assert all(r.value is None or abs(r.value) < float("inf") for r in records)
