"""The one layout of a sealed record: whatever is disclosed in it reads back, and no other layout does."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.seal.envelope import Envelope, NotSealedRecord, Receipt, parse
from verifier.seal.record import Disclosure

RECEIPT = Receipt(index=3, size=7, path=("ab" * 32, "01" * 32), head=f"e30.e30.{'A' * 86}")
RECORD = f"e30.e30.{'B' * 86}"
disclosed = st.dictionaries(
    st.binary(min_size=32, max_size=32).map(bytes.hex),
    st.text(st.characters(exclude_categories=("Cs",))).map(lambda value: Disclosure(salt="0f" * 16, value=value)),
    max_size=4,
)


@given(disclosed)
def test_whatever_text_is_disclosed_reads_back(values):
    envelope = Envelope(RECORD, RECEIPT, values)
    assert parse(envelope.to_bytes()) == envelope


@pytest.mark.parametrize(
    "text", ["\x00\x1f\x7f", "\u2028\u2029\ufeff", "\U0001f600", "</script>", '"\\/\b\f\n\r\t']
)
def test_characters_that_writers_of_json_treat_differently(text):
    envelope = Envelope(RECORD, RECEIPT, {"ab" * 32: Disclosure(salt="0f" * 16, value=text)})
    assert parse(envelope.to_bytes()) == envelope


def test_another_layout_of_the_same_content_is_refused():
    values = {digit * 64: Disclosure(salt="0f" * 16, value="T04") for digit in "1234"}
    data = Envelope(RECORD, RECEIPT, values).to_bytes()
    value = json.loads(data)
    receipt = value["receipt"]
    others = [
        {"record": value["record"], "receipt": receipt, "disclosed": value["disclosed"]},
        value | {"receipt": dict(reversed(receipt.items()))},
        value | {"disclosed": dict(reversed(value["disclosed"].items()))},
        value | {"disclosed": {k: dict(reversed(v.items())) for k, v in value["disclosed"].items()}},
    ]
    written = [json.dumps(other, separators=(",", ":")).encode() + b"\n" for other in others]
    written += [data[:-1], data + b"\n", data.replace(b",", b", ", 1), data.replace(b"T04", b"\\u00540\\u0034", 1)]
    assert len({*written, data}) == len(written) + 1
    for other in written:
        with pytest.raises(NotSealedRecord):
            parse(other)
