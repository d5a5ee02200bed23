"""The page as people meet it: in a browser at two widths, for a screen reader, and on paper."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from verifier.seal.page import TAIL

CHROMIUM = shutil.which("chromium")
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
USB_PRODUCT = '</script><script>document.title="ran"</script>'
TURNED = "Radio\u202egnp.exe"

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture(scope="module")
def address(sample: Any, render: Callable[..., str], tmp_path_factory: pytest.TempPathFactory) -> str:
    """A whole page with hostile texts in it, as a file."""
    record, disclosed = sample.everything()
    first, *others = record.checks
    attempt = first.attempts[0]
    take = attempt.takes[0]
    hostile = first.model_copy(
        update={
            "title": USB_PRODUCT,
            "attempts": (attempt.model_copy(update={"takes": ((*take, *take[:0]),)}),),
        }
    )
    named = others[0].model_copy(update={"title": TURNED + " " + "unbroken" * 40})
    record = record.model_copy(update={"checks": (hostile, named, *others[1:])})
    path = tmp_path_factory.mktemp("page") / "report.html"
    html = render(record, disclosed).encode() + b'<pre hidden id="page-seal">e30.e30.e30' + TAIL
    path.write_bytes(html)
    return path.as_uri()


@pytest.fixture(scope="module")
def customers_address(sample: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The page for a customer about an ordinary run of 36 checks."""
    from verifier.show.customer import render_customer

    record, _ = sample.many(36)
    path = tmp_path_factory.mktemp("page") / "customer.html"
    front = render_customer(record, {}, b"{}", fingerprint=sample.fingerprint, digest=sample.digest)
    path.write_bytes(front + b'<pre hidden id="page-seal">e30.e30.e30' + TAIL)
    return path.as_uri()


@pytest.fixture
def opened(browser: Any, address: str) -> Iterator[Callable[[int], Any]]:
    pages = []

    def at(width: int) -> Any:
        page = browser.new_page(viewport={"width": width, "height": 900})
        page.said, page.asked = [], []
        page.on("console", lambda message: page.said.append(message.text))
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.on("request", lambda request: page.asked.append(request.url))
        page.goto(address)
        pages.append(page)
        return page

    yield at
    for page in pages:
        page.close()


@pytest.mark.parametrize("width", [400, 1280])
def test_it_fits_asks_for_nothing_and_says_nothing_on_the_console(
    width: int, opened: Callable[[int], Any], address: str
) -> None:
    page = opened(width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.asked == [address]
    assert page.said == []


def test_hostile_texts_are_only_text(opened: Callable[[int], Any]) -> None:
    page = opened(1280)
    assert page.title().startswith("Back to rework")
    titles = page.eval_on_selector_all("h4", "all => all.map(h => h.textContent)")
    assert USB_PRODUCT in titles
    assert any(title.startswith("Radio⟨U+202E⟩gnp.exe") for title in titles)
    assert page.evaluate("document.scripts.length") == 0
    assert page.evaluate("document.querySelectorAll('#page-seal').length") == 1
    assert page.evaluate("document.querySelector('#sealed-record').parentElement.tagName") == "BODY"


@pytest.mark.parametrize("width", [400, 1280])
def test_axe_finds_nothing(width: int, opened: Callable[[int], Any]) -> None:
    """axe-core, all its rules: contrast, names, landmarks, order of headings."""
    from axe_playwright_python.sync_playwright import Axe

    page = opened(width)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()


@pytest.mark.parametrize("width", [400, 1280])
def test_the_customers_page_fits_and_axe_finds_nothing(width: int, browser: Any, customers_address: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto(customers_address)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    results = Axe().run(page)
    page.close()
    assert results.violations_count == 0, results.generate_report()


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="needs poppler-utils")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_customers_page_prints_on_one_page(
    paper: str, browser: Any, customers_address: str, tmp_path: Path
) -> None:
    page = browser.new_page()
    page.goto(customers_address)
    page.pdf(path=str(tmp_path / "customer.pdf"), format=paper, print_background=False)
    page.close()
    said = subprocess.run(
        ["pdfinfo", tmp_path / "customer.pdf"], capture_output=True, text=True, check=True
    ).stdout
    assert "Pages:           1" in said


@pytest.mark.parametrize("width", [400, 1280])
def test_names_of_readings_break_only_after_underscores(width: int, opened: Callable[[int], Any]) -> None:
    """Every line of a name but its last ends with an underscore, as the browser lays it out."""
    page = opened(width)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.evaluate("""document.querySelectorAll('.every .name, .held .name, .noted .name').forEach(n => {
        n.innerHTML = 'temperature_<wbr>of_<wbr>upper_<wbr>heat_<wbr>block_<wbr>sensor_<wbr>zone_<wbr>0'; })""")
    lines = page.evaluate("""() => [...document.querySelectorAll('.every .name, .held .name, .noted .name')]
        .filter(n => n.getClientRects().length && !n.closest('.unseen')).flatMap(n => {
        const out = []; let top = null, line = '';
        for (const text of n.childNodes) { for (let i = 0; i < (text.data || '').length; i++) {
            const range = document.createRange(); range.setStart(text, i); range.setEnd(text, i + 1);
            const y = Math.round(range.getBoundingClientRect().top);
            if (top !== null && y !== top) { out.push(line); line = ''; }
            top = y; line += text.data[i]; } }
        return out; })""")
    assert len(lines) > 10
    assert {line[-1] for line in lines} == {"_"}


def test_a_keyboard_meets_the_counts_first_and_then_each_budget_in_its_order(opened: Callable[[int], Any]) -> None:
    page = opened(1280)
    met = []
    for _ in range(12):
        page.keyboard.press("Tab")
        met.append(
            page.evaluate("document.activeElement.tagName + ' ' + document.activeElement.textContent.trim()")
        )
    kinds = [text.split()[0] for text in met]
    assert kinds[:6] == ["A"] * 6, "one link a verdict"
    assert set(kinds[6:]) == {"SUMMARY"}
    tops = page.eval_on_selector_all("summary", "all => all.map(s => s.getBoundingClientRect().top)")
    assert tops == sorted(tops)
    assert "uncertainty of" in met[6], "a screen reader hears which reading the budget is of"


def test_the_disposition_and_the_serial_number_stand_on_the_first_screen(opened: Callable[[int], Any]) -> None:
    for width in (400, 1280):
        page = opened(width)
        for selector in ("h1", ".serial dd", ".counts"):
            box = page.locator(selector).first.bounding_box()
            assert box and box["y"] + box["height"] < 900


def test_high_contrast_and_forced_colours_keep_marks_and_scales(opened: Callable[[int], Any]) -> None:
    page = opened(1280)
    page.emulate_media(forced_colors="active")
    ink = page.evaluate("getComputedStyle(document.querySelector('h1')).color")
    for selector in (".finding .mark line", ".scale .accepted"):
        assert page.evaluate(f"getComputedStyle(document.querySelector('{selector}')).stroke") == ink


@pytest.fixture(scope="module", params=["A4", "Letter"])
def printed(
    request: pytest.FixtureRequest, browser: Any, address: str, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    page = browser.new_page()
    page.goto(address)
    path = tmp_path_factory.mktemp("print") / f"{request.param}.pdf"
    page.pdf(path=str(path), format=request.param, print_background=False)
    page.close()
    return path


def pages_of(pdf: Path) -> list[str]:
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    return text.split("\f")[:-1]


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_every_printed_page_carries_serial_run_and_page(printed: Path) -> None:
    pages = pages_of(printed)
    assert 2 <= len(pages) <= 6
    for number, text in enumerate(pages, 1):
        foot = text.rstrip().splitlines()[-1]
        assert "QS-2004174" in foot
        assert "20261125T101512Z-k3v9qd" in foot
        assert f"Page {number} of {len(pages)}" in foot


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_what_is_folded_on_screen_is_printed(printed: Path) -> None:
    text = " ".join(" ".join(pages_of(printed)).split())
    assert "Uncertainty, limit by limit" in text
    assert "meter M-3, 1 year after adjustment" in text


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs poppler-utils")
def test_edge_marks_print_without_background_graphics(printed: Path) -> None:
    ppm = subprocess.run(
        ["pdftoppm", "-r", "60", "-f", "1", "-l", "1", printed], capture_output=True, check=True
    ).stdout
    _, size, _, pixels = ppm.split(b"\n", 3)
    width, height = map(int, size.split())
    left = [pixels[3 * (y * width + x) :][:3] for y in range(height) for x in range(width // 8)]
    reddish = sum(1 for r, g, b in left if r > 150 and g < 120 and b < 90)
    greenish = sum(1 for r, g, b in left if g > r + 60 and g > 90)
    assert reddish > 50  # the hatch of the fail
    assert greenish > 50  # the thin line of the passes


def test_rows_do_not_split_in_print(browser: Any, address: str) -> None:
    page = browser.new_page()
    page.goto(address)
    page.emulate_media(media="print")
    breaks = page.eval_on_selector_all(".finding", "all => all.map(f => getComputedStyle(f).breakInside)")
    page.close()
    assert set(breaks) == {"avoid"}
