from hashlib import sha256

from hypothesis import given
from hypothesis import strategies as st

from verifier.seal.personal import PersonalFields
from verifier.seal.record import Disclosure, disclosed_value


@given(st.lists(st.text()))
def test_every_value_comes_back_from_its_digest_and_only_from_what_is_disclosed(values):
    fields = PersonalFields()
    personals = [fields.add(value) for value in values]
    for value, personal in zip(values, personals, strict=True):
        text = value.encode("utf-8", "replace").decode()
        assert disclosed_value(personal, fields.disclosed) == text
        salt = bytes.fromhex(fields.disclosed[personal.sha256].salt)
        assert personal.sha256 == sha256(salt + text.encode()).hexdigest()
        assert disclosed_value(personal, {}) is None


def test_one_person_is_one_digest_within_a_record_and_another_in_the_next():
    first, second = PersonalFields(), PersonalFields()
    assert first.add("T04") == first.add("T04")
    assert first.add("T04") != first.add("T11")
    assert first.add("T04") != second.add("T04")


def test_the_salt_is_16_bytes_so_that_a_short_name_cannot_be_guessed():
    fields = PersonalFields()
    added = [fields.add(name) for name in ("T04", "T07", "T11")]
    salts = {fields.disclosed[personal.sha256].salt for personal in added}
    assert {len(bytes.fromhex(salt)) for salt in salts} == {16}
    assert len(salts) == 3
    assert Disclosure(salt=salts.pop(), value="T04")
