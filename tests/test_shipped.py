"""Suites by path, folder or name, and where the shipped data lives."""

from __future__ import annotations

from pathlib import Path

import pytest

from verifier import shipped
from verifier.errors import InputError
from verifier.shipped import find_suite, folder, shipped_suites


def test_shipped_suites_have_one_folder_a_model() -> None:
    suites = shipped_suites()
    assert "this-computer" in suites
    assert all(
        path.is_file() and path == shipped.folder("suites") / name / "suite.toml" for name, path in suites.items()
    )


def test_by_name_by_file_and_by_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "suite.toml").write_text("")
    (tmp_path / "other.toml").write_text("")
    monkeypatch.chdir(tmp_path)
    assert find_suite("this-computer") == shipped_suites()["this-computer"]
    assert find_suite("own") == Path("own/suite.toml")
    assert find_suite(tmp_path / "own") == tmp_path / "own" / "suite.toml"
    assert find_suite("other.toml") == Path("other.toml")


def test_a_folder_of_the_same_name_does_not_stand_in_for_a_shipped_suite(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "this-computer").mkdir()
    (tmp_path / "this-computer" / "suite.toml").write_text("")
    monkeypatch.chdir(tmp_path)
    assert find_suite("this-computer") == shipped_suites()["this-computer"]
    assert find_suite("./this-computer") == Path("this-computer/suite.toml")


@pytest.mark.parametrize(
    ("given", "what", "to_do"),
    [
        ("this-computr", 'no suite "this-computr"', "Did you mean this-computer?"),
        ("mine.toml", 'no file "mine.toml"', "shipped suite: "),
        ("x" * 5000, "no suite", "this-computer"),
        ("a\0b", "no suite", "this-computer"),
        ("", "no suite", "this-computer"),
        ("\x1b[31m", "no suite", "this-computer"),
    ],
)
def test_what_is_not_there_says_what_is(given: str, what: str, to_do: str) -> None:
    with pytest.raises(InputError) as caught:
        find_suite(given)
    assert what in caught.value.what
    assert to_do in caught.value.to_do
    assert str(caught.value).replace("\n", "").isprintable()


def test_a_folder_without_a_suite_says_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"holds no suite\.toml"):
        find_suite(tmp_path)


def test_wheel_first_then_checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "verifier"
    (tmp_path / "reports").mkdir()
    package.mkdir()
    monkeypatch.setattr(shipped, "_PACKAGE", package)
    assert folder("reports") == tmp_path / "reports"
    (package / "_shipped" / "reports").mkdir(parents=True)
    assert folder("reports") == package / "_shipped" / "reports"
    with pytest.raises(FileNotFoundError, match="no suites folder"):
        shipped_suites()
