"""Reading TOML that anybody may have written: bounded, UTF-8, with places."""

from __future__ import annotations

import hashlib
import os
import pickle
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from verifier.declare.toml_file import MOST_BYTES, read_toml
from verifier.errors import InputError, InputProblems, Problem


def problem_of(path: Path) -> Problem:
    with pytest.raises(InputProblems) as caught:
        read_toml(path)
    assert len(caught.value.problems) == 1
    return caught.value.problems[0]


def test_gives_data_text_and_digest_of_the_very_bytes(tmp_path: Path) -> None:
    data = 'title = "Ω"\r\n[a.b]\r\nc = 1\r\n'.encode()
    (tmp_path / "s.toml").write_bytes(data)
    found, text, sha256 = read_toml(tmp_path / "s.toml")
    assert found == {"title": "Ω", "a": {"b": {"c": 1}}}
    assert text.encode() == data
    assert sha256 == hashlib.sha256(data).hexdigest()


def test_largest_file_is_one_mebibyte(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_bytes(b"#" * MOST_BYTES)
    assert read_toml(path)[0] == {}
    path.write_bytes(b"#" * (MOST_BYTES + 1))
    with pytest.raises(InputError, match="larger than 1 MiB"):
        read_toml(path)


@pytest.mark.parametrize(
    ("data", "place", "says"),
    [
        ("a = 1\nbéé = ".encode() + b'"\xff"', (2, 8), "byte 16 (0xff) is not UTF-8"),
        (b"\xff\xfea\x00", (1, 1), "UTF-16"),
        (b"\xef\xbb\xbfa = 1", (1, 1), "byte-order mark"),
    ],
)
def test_other_encodings_say_where(tmp_path: Path, data: bytes, place: tuple[int, int], says: str) -> None:
    (tmp_path / "s.toml").write_bytes(data)
    problem = problem_of(tmp_path / "s.toml")
    assert (problem.line, problem.column) == place
    assert says in problem.what
    assert "UTF-8" in problem.what + problem.to_do


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("a = " + "[" * 100_000, (1, 21)),
        ("x = 1\na = " + "{b = " * 5_000, (2, 85)),
        (".".join(["a"] * 5_000) + " = 1", (1, 32)),
        ("[" + ".".join(['"a"'] * 5_000) + "]", (1, 65)),
        ('a = [ """x"""", ' + "[" * 50, (1, 32)),
    ],
)
def test_depth_is_refused_before_parsing(tmp_path: Path, text: str, place: tuple[int, int]) -> None:
    (tmp_path / "s.toml").write_text(text)
    problem = problem_of(tmp_path / "s.toml")
    assert (problem.line, problem.column) == place
    assert "more than 16" in problem.what


def test_brackets_in_texts_and_remarks_are_no_depth(tmp_path: Path) -> None:
    text = (
        f"a = \"{'[' * 99}\" # {'[' * 99}\nb = \"\"\"\n{'{[' * 99}\"\"\"\nc = '{'[' * 99}'\nd = '''{'[' * 99}'''\n"
    )
    (tmp_path / "s.toml").write_text(text)
    assert sorted(read_toml(tmp_path / "s.toml")[0]) == ["a", "b", "c", "d"]


@pytest.mark.parametrize(
    ("text", "place", "says", "hint"),
    [
        ("a = 1\nb = lan\n", (2, 5), "Invalid value", "quotes"),
        ("a = 1\na = 2\n", (2, 6), "Cannot overwrite a value", "twice"),
        ("[a]\n[b]\n[a]\n", (3, 3), "Cannot declare", "twice"),
        ("a = [1, 2\nb = 3\n", (2, 1), "Unclosed array", "]"),
        ('a = "x\nb = 1\n', (1, 7), "Illegal character", "quotes"),
        ("a = 1 b = 2", (1, 7), "Expected newline or end of document", "Only one"),
        ("title\n", (1, 6), "Expected '='", "key = value"),
        ('a = "unfinished', (1, 16), "Unterminated string", ""),
        ("a = [{ t = 0,25, u = 1 }]", (1, 16), "Expected '='", "point"),
        ("a = 0,25", (1, 6), "Expected newline", "point"),
        ('a = "1,5\n', (1, 9), "Illegal character", "Close the quotes"),
        ("a = “lan”", (1, 5), "Invalid value", "straight quotes"),
        ("a = [{ is = yes }]", (1, 13), "Invalid value", "true and false"),
        ("a = True", (1, 5), "Invalid value", "small letters"),
        ('title: "x"', (1, 6), "Expected '='", "no colon"),
        ("[checks]\n[[checks]]\n", (2, 9), "Cannot overwrite", "[[checks]]"),
        ('a = "QS-\\d"', (1, 11), "Unescaped", "single quotes"),
    ],
)
def test_syntax_errors_have_place_and_hint(
    tmp_path: Path, text: str, place: tuple[int, int], says: str, hint: str
) -> None:
    (tmp_path / "s.toml").write_text(text)
    problem = problem_of(tmp_path / "s.toml")
    assert (problem.line, problem.column) == place
    assert says in problem.what
    assert hint in problem.to_do


def test_number_of_many_digits_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text("a = " + "9" * 5000)
    assert "not valid TOML" in problem_of(tmp_path / "s.toml").what


def test_what_is_no_file_says_so(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    (tmp_path / "gone").symlink_to(tmp_path / "nowhere")
    for path, says in (
        (tmp_path, "folder"),
        (tmp_path / "pipe", "pipe"),
        (Path("/dev/zero"), "device"),
        (tmp_path / "loop", "symbolic link"),
        (tmp_path / "gone", "symbolic link to a file that is not there"),
        (tmp_path / "none.toml", "no such file"),
        (tmp_path / "a\0b", "cannot be read"),
        (tmp_path / ("x" * 300), "cannot be read"),
    ):
        with pytest.raises(InputError, match=says) as caught:
            read_toml(path)
        assert caught.value.exit_code == 2


def test_file_names_are_harmless_on_a_terminal(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_toml(tmp_path / "a\x1b[31m\u202eb.toml")
    assert str(caught.value).replace("\n", "").isprintable()


def test_a_link_to_a_file_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real.toml").write_text("a = 1")
    (tmp_path / "link.toml").symlink_to("real.toml")
    assert read_toml(tmp_path / "link.toml")[0] == {"a": 1}


def test_problems_survive_pickling(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text("a = ")
    with pytest.raises(InputProblems) as caught:
        read_toml(tmp_path / "s.toml")
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)  # noqa: S301 - our own bytes


PIECES = ["[", "]", "[[", "]]", "{", "}", "=", ".", ",", "\\", "\n", " ", "#", "a", "1", "é", "true", "0x", "-inf"]
PIECES += ['"', "'", '"""', "'''", "1979-05-27", "\t", "\r\n", "\x00", "\u202e"]
TOML_LIKE = st.lists(st.sampled_from(PIECES), max_size=80).map(lambda parts: "".join(parts).encode())


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.one_of(st.binary(max_size=300), TOML_LIKE))
def test_any_bytes_give_data_or_problems_with_a_place_in_them(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "s.toml"
    path.write_bytes(data)
    try:
        _, text, _ = read_toml(path)
        assert text.encode() == data
    except InputProblems as error:
        for problem in error.problems:
            assert problem.line <= data.count(b"\n") + 1
            assert problem.sentence("s.toml").isprintable()
