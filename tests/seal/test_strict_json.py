import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.seal import strict_json
from verifier.seal.strict_json import DEEPEST, LARGEST_INTEGER, NotStrict, dumps, loads

texts = st.text(st.characters(exclude_categories=("Cs",)))
numbers = st.integers(-LARGEST_INTEGER, LARGEST_INTEGER) | st.floats(allow_nan=False, allow_infinity=False)
documents = st.recursive(
    st.none() | st.booleans() | numbers | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=25,
)


@given(documents)
def test_what_is_written_reads_back_and_is_written_the_same_again(value):
    data = dumps(value)
    assert loads(data) == value
    assert dumps(loads(data)) == data
    assert json.loads(data) == value


@given(st.binary(max_size=60) | st.text('[]{}",:\\ue19-.0', max_size=40).map(str.encode))
def test_any_bytes_are_read_or_refused_and_nothing_else_happens(data):
    try:
        value = loads(data)
    except NotStrict:
        return
    assert loads(dumps(value)) == value


@pytest.mark.parametrize(
    ("document", "why"),
    [
        (b'{"a":1,"a":1}', "twice"),
        (b'{"a":[{"b":1,"\\u0062":2}]}', "twice"),
        (b"NaN", "no number"),
        (b"[Infinity]", "no number"),
        (b"-Infinity", "no number"),
        (b"1e999", "binary64"),
        (b"-" + b"9" * 400 + b".0", "binary64"),
        (b"9007199254740993", "beyond 2"),
        (b"[-9007199254740993]", "beyond 2"),
        (b"9" * 5000, "beyond 2"),
        (b'{"a":9007199254740993}', "beyond 2"),
        (b'{"a":[1,-9007199254740993]}', "beyond 2"),
        (b'{"a":[9007199254740993,{"b":"1"}]}', "beyond 2"),
        (b'{"a":1e999}', "binary64"),
        (b'{"a":NaN}', "no number"),
        (b'"\\ud800"', "UTF-8"),
        (b'{"\\udfff":1}', "UTF-8"),
        (b'"\xff"', "UTF-8"),
        (b'\xef\xbb\xbf"a"', "no strict JSON"),
        (b'"a" "b"', "no strict JSON"),
        (b"", "no strict JSON"),
        (b"[" * 100_000, "nested"),
        (b"[" * (DEEPEST + 1) + b"]" * (DEEPEST + 1), "nested"),
        (b'{"a":' * (DEEPEST + 1) + b"1" + b"}" * (DEEPEST + 1), "nested"),
        (b'["]",' * 5000 + b"0" + b',"["]' * 5000, "nested"),
    ],
)
def test_refused(document, why):
    with pytest.raises(NotStrict, match=why):
        loads(document)


@pytest.mark.parametrize(
    ("document", "value"),
    [
        (b"9007199254740992", 2**53),
        (b"-9007199254740992", -(2**53)),
        (b'{"a":9007199254740992,"b":["9007199254740993"]}', {"a": 2**53, "b": ["9007199254740993"]}),
        (b'{"a":1e-05,"b":1e+16,"c":5e-324}', {"a": 1e-05, "b": 1e16, "c": 5e-324}),
        (b"0.30000000000000004", 0.1 + 0.2),
        (b'"\\ud83d\\ude00"', "\U0001f600"),
        (b'["' + b"[" * 200 + b'"]', ["[" * 200]),
        (b"[" * DEEPEST + b"]" * DEEPEST, None),
    ],
)
def test_read(document, value):
    assert value is None or loads(document) == value


def test_a_document_beyond_the_bound_is_refused_unread():
    with pytest.raises(NotStrict, match="at most 10"):
        loads(b'"' + b"a" * 20 + b'"', largest=10)


@pytest.mark.parametrize("value", [float("nan"), [float("inf")], {"a": "\ud800"}, {"a": {1, 2}}])
def test_what_could_not_be_read_back_is_not_written(value):
    with pytest.raises(NotStrict):
        dumps(value)


def test_the_one_layout():
    assert dumps({"b": [1, 2.5], "a": "é\u202e"}) == '{"a":"é\u202e","b":[1,2.5]}'.encode()


@given(st.dictionaries(texts, documents, min_size=1, max_size=5))
def test_the_fast_reader_gives_what_the_slow_one_gives(value):
    data = dumps(value)
    assert repr(loads(data)) == repr(loads(b" " + data)) == repr(json.loads(data))


@given(st.dictionaries(texts, st.recursive(st.floats(-1e14, 1e14) | texts, st.lists)))
def test_all_that_is_written_can_be_read_fast(value):
    """Else an audit takes more than twice the time, and nobody sees why."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(strict_json, "_DECODER", None)
        assert loads(dumps(value)) == value
        assert loads(dumps({"u": 3e-05, "far": 1e22, "least": 5e-324})) == {
            "u": 3e-05,
            "far": 1e22,
            "least": 5e-324,
        }


NAMES = st.sampled_from(["a", "b", ":", '":', " :", '\\":', "é"])
VALUES = st.recursive(st.sampled_from([1, 0.5, "x", '":', ": ", " :", "\\", None]), lambda inner: st.one_of(
    st.lists(inner, max_size=3), st.dictionaries(NAMES, inner, max_size=4)
), max_leaves=12)  # fmt: skip


@given(
    VALUES, st.sampled_from(['"a":1,', '"a" :1,', '"a"\t:1,', '":":1,', '"a":{"a":1,"b":":"},', ""]), st.booleans()
)
def test_a_member_that_stands_twice_is_found_in_a_long_document_too(value, member, spaced):
    """The members of a long document are counted; nothing that a text or white space does hides one."""
    inner = json.dumps(value, separators=(", ", " : ") if spaced else None)
    filling = f'"filling":"{"x" * 2000}"'
    once = f'{{{member}"rest":{inner},{filling}}}'
    assert loads(once.encode()) == json.loads(once)
    if member:
        twice = f'{{{member}"rest":{{{member}{member}"z":{inner}}},{filling}}}'
        with pytest.raises(NotStrict, match="stands twice"):
            loads(twice.encode())
