"""The pictures of the shipped suites: shown by a prompt, whole, readable without seeing them, and safe."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from verifier.declare.lint import load_suite
from verifier.gather.catalogue import load_catalogue
from verifier.shipped import shipped_suites

SUITES = {name: file.parent for name, file in shipped_suites().items()}
PICTURES = {
    f"{name}/{path.name}": path for name, folder in SUITES.items() for path in sorted(folder.glob("*.svg"))
}


@pytest.mark.parametrize("name", SUITES)
def test_every_picture_is_shown_by_a_prompt(name: str) -> None:
    suite = load_suite(SUITES[name] / "suite.toml", load_catalogue()).suite
    shown = {f"{name}/{check.picture}" for check in suite.checks if check.picture}
    assert shown == {picture for picture in PICTURES if picture.startswith(f"{name}/")}


@pytest.mark.parametrize("picture", PICTURES)
def test_a_picture_stands_alone_and_can_be_read_out(picture: str) -> None:
    text = PICTURES[picture].read_text("utf-8")
    root = ElementTree.fromstring(text)  # noqa: S314 - our own file
    kinds = {element.tag.removeprefix("{http://www.w3.org/2000/svg}") for element in root.iter()}
    assert kinds <= {"svg", "title", "desc", "rect", "circle", "path", "text"}, "shapes and words, nothing active"
    assert "href" not in text and "url(" not in text
    title, described = root[0], root[1]
    assert title.text and described.text and len(described.text) > 60
    assert len(text) < 20_000


@pytest.mark.parametrize("picture", PICTURES)
def test_nothing_is_drawn_outside_a_picture(picture: str, widths: dict[str, list[tuple[str, float]]]) -> None:
    assert [said for said, right in widths[picture] if right > 630] == []


@pytest.fixture(scope="module")
def widths() -> dict[str, list[tuple[str, float]]]:
    """For each text of each picture, where it ends, in the picture's units of 640 across."""
    from playwright.sync_api import sync_playwright

    found: dict[str, list[tuple[str, float]]] = {}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu", "--no-first-run"]
        )
        page = browser.new_page(viewport={"width": 700, "height": 500})
        for picture, path in PICTURES.items():
            page.set_content(path.read_text("utf-8"))
            found[picture] = page.evaluate(
                "[...document.querySelectorAll('text')].map(t => {"
                " const b = t.getBBox(); return [t.textContent, b.x + b.width] })"
            )
        browser.close()
    return found
