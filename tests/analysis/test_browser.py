"""The report in Chromium (marker `browser`): offline, accessible, by keyboard, at 400 %, in forced colours, printed.

Needs chromium and chromium-driver, selenium, pypdf, and axe-core (npm install in tests/oracle/browser). Screenshots go
to the folder of FHIR_BLADDER_SCREENSHOTS, else to the test's own. Our tests cover what a machine can; the pictures are
looked at by a person.
"""

from __future__ import annotations

import base64
import datetime as dt
import io
import json
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.analysis.report import gather, report
from fhir_bladder.sandbox.ward import ward

pytestmark = pytest.mark.browser
AXE = Path(__file__).parents[1] / "oracle" / "browser" / "node_modules" / "axe-core" / "axe.min.js"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
]
NOW = dt.datetime(2026, 4, 20, 12, 0, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of the invented ward, with receipts: one exam held, the others delivered."""
    folder = tmp_path_factory.mktemp("report")
    first, later = ward()
    source = folder / "ward.ndjson"
    source.write_bytes(b"".join(wire.dumps(r) + b"\n" for r in first + later))
    receipts = []
    for number, record in enumerate(first[:150]):
        key = f"{record['device']['serial']}/{record['exam_number']}"
        at = dt.datetime.fromisoformat(record["started_at"]) + dt.timedelta(minutes=9)
        state = {"state": "held", "reason": "two patients match", "held_since": at.isoformat()} if number == 5 else {}
        receipts.append({"key": key, "state": "delivered", "delivered_at": at.isoformat()} | state)
    (folder / "receipts.ndjson").write_bytes(b"".join(wire.dumps(r) + b"\n" for r in receipts))
    material = gather([source], receipt_paths=[folder / "receipts.ndjson"], now=NOW)
    report(material, folder / "report.html", at_filling=250)
    return folder / "report.html"


@pytest.fixture(scope="module")
def screenshots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the pictures go."""
    given = os.environ.get("FHIR_BLADDER_SCREENSHOTS")
    folder = Path(given) if given else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One headless Chromium with an empty profile and logs of console and network."""
    webdriver = pytest.importorskip("selenium.webdriver")
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not binary or not driver:
        pytest.skip("chromium and chromium-driver are not installed")
    options = webdriver.ChromeOptions()
    for flag in [*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"]:
        options.add_argument(flag)
    options.binary_location = binary
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
    browser.set_page_load_timeout(120)
    browser.set_script_timeout(240)
    yield browser
    browser.quit()


@pytest.fixture
def opened(chromium: Any, page: Path) -> Any:
    """The page, freshly opened at 1200 × 1000 in light colours."""
    chromium.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    chromium.set_window_size(1200, 1000)
    chromium.get(page.as_uri())
    return chromium


def picture(browser: Any, target: Path) -> None:
    browser.execute_script("document.documentElement.style.scrollBehavior = 'auto'")
    target.write_bytes(base64.b64decode(browser.get_screenshot_as_base64()))


def emulate(browser: Any, **features: str) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": k.replace("_", "-"), "value": v} for k, v in features.items()]},
    )


def test_opens_offline_without_a_word_in_the_console(opened: Any, screenshots: Path) -> None:
    picture(opened, screenshots / "ward-light.png")
    assert [entry for entry in opened.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")] == []
    asked = []
    for entry in opened.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        # not what the browser's own start page asks
        if message["method"] == "Network.requestWillBeSent" and message["params"]["documentURL"].startswith("file:"):
            asked.append(message["params"]["request"]["url"])
    assert asked, "the log of requests is empty, so it would not show one that leaves"
    assert {url.split(":")[0] for url in asked} <= {"file", "data"}


def test_a_request_that_would_leave_is_stopped_by_the_policy(opened: Any) -> None:
    """Positive control: what the page does not do, its policy would not let it do."""
    opened.get_log("browser")
    refused = opened.execute_async_script(
        "const done = arguments[0]; const i = new Image(); i.onerror = () => done(true); i.onload = () => done(false);"
        "i.src = 'http://127.0.0.1:9/x.png';"
    )
    assert refused is True
    assert any("Content Security Policy" in entry["message"] for entry in opened.get_log("browser"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_fault(scheme: str, opened: Any, screenshots: Path) -> None:
    if not AXE.is_file():
        pytest.skip(f"axe-core not found: run npm install in {AXE.parents[2]}")
    emulate(opened, prefers_color_scheme=scheme)
    # thirty patients less: axe takes long, and the sheets are alike
    opened.execute_script(
        "document.querySelectorAll('.patient').forEach((p, n) => { if (n > 11) p.remove(); });"
        "document.querySelectorAll('details').forEach((d) => { d.open = true; });"
    )
    opened.execute_script(AXE.read_text("utf-8"))
    result = opened.execute_async_script(
        "const done = arguments[0]; axe.run(document, {runOnly: {type: 'tag', values: "
        "['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}}).then(done, e => done(String(e)));"
    )
    assert isinstance(result, dict), result
    faults = [(v["id"], v["impact"], v["nodes"][0]["html"][:160], len(v["nodes"])) for v in result["violations"]]
    assert len(result["passes"]) > 20
    assert faults == []
    picture(opened, screenshots / f"ward-{scheme}-open.png")


def test_axe_finds_a_fault_that_is_put_in(opened: Any) -> None:
    """Positive control."""
    if not AXE.is_file():
        pytest.skip("axe-core not found")
    opened.execute_script(
        "document.querySelectorAll('.patient').forEach((p) => p.remove());"
        "const f = document.getElementById('find'); f && f.labels[0].remove();"
        "document.querySelector('main').insertAdjacentHTML('beforeend', '<input type=text>');"
    )
    opened.execute_script(AXE.read_text("utf-8"))
    result = opened.execute_async_script("const done = arguments[0]; axe.run(document).then(done);")
    assert "label" in {v["id"] for v in result["violations"]}


def test_by_keyboard_alone(opened: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    def press(*keys: str) -> None:
        ActionChains(opened).send_keys(*keys).perform()

    def focused() -> str:
        return str(
            opened.execute_script("return document.activeElement.id || document.activeElement.textContent.trim()")
        )

    press(Keys.TAB)
    assert focused() == "Skip to the content"
    for _ in range(60):
        if focused() == "find":
            break
        press(Keys.TAB)
    assert focused() == "find"
    outline = opened.execute_script("return getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    press("H711")
    opened.execute_async_script("setTimeout(arguments[0], 300)")
    assert opened.find_element("id", "told").text == "1 of 46 patients shown"
    press(Keys.TAB)
    press(Keys.END)  # in an episode
    opened.execute_async_script("setTimeout(arguments[0], 300)")
    assert opened.find_element("id", "told").text == "0 of 46 patients shown"
    press(Keys.HOME)  # all patients
    opened.execute_async_script("setTimeout(arguments[0], 300)")
    passed = []
    for _ in range(10):
        press(Keys.TAB)
        passed.append(focused()[:40])
        if passed[-1].startswith("Values of the plot"):
            break
    assert passed[-1].startswith("Values of the plot"), passed
    press(Keys.ENTER)
    is_open = opened.execute_script("return document.activeElement.parentElement.open")
    assert is_open is True


def test_a_link_to_a_patient_the_filter_hides_shows_it(opened: Any) -> None:
    link = opened.find_element("css selector", "#needs a[href^='#p']")
    anchor = link.get_attribute("href").split("#")[1]
    opened.find_element("id", "find").send_keys("no such patient")
    opened.execute_async_script("setTimeout(arguments[0], 300)")
    assert not opened.find_element("id", anchor).is_displayed()
    opened.execute_script("arguments[0].click()", link)
    opened.execute_async_script("setTimeout(arguments[0], 300)")
    assert opened.find_element("id", anchor).is_displayed()


def test_400_percent_zoom_reflows(opened: Any, screenshots: Path) -> None:
    """WCAG 2.2, 1.4.10: 320 CSS pixels wide is 1280 at 400 %; no scrolling in two directions."""
    opened.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 320, "height": 256, "deviceScaleFactor": 4, "mobile": False}
    )
    opened.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    width, inner = opened.execute_script("return [document.documentElement.scrollWidth, innerWidth]")
    assert width <= inner == 320
    picture(opened, screenshots / "zoom-400.png")


def test_forced_colours_keep_the_signs(opened: Any, screenshots: Path) -> None:
    emulate(opened, forced_colors="active", prefers_color_scheme="dark")
    fills = opened.execute_script(
        "const c = (s) => getComputedStyle(document.querySelector(s));"
        "const back = c('body').backgroundColor;"
        "return [back, c('svg .dot:not(.hollow) circle').fill, c('svg .dot.hollow circle').fill, c('svg .axis').stroke]"
    )
    background, full, hollow, axis = fills
    assert full != background
    assert hollow != full
    assert axis != background
    opened.execute_script("document.getElementById('patients').scrollIntoView()")
    picture(opened, screenshots / "forced-colours.png")


def test_prints_a4_with_banner_and_identity_on_every_page(opened: Any, screenshots: Path) -> None:
    pypdf = pytest.importorskip("pypdf")
    printed = opened.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False})
    data = base64.b64decode(printed["data"])
    (screenshots / "report.pdf").write_bytes(data)
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    assert {(round(float(p.mediabox.width)), round(float(p.mediabox.height))) for p in pages} <= {
        (595, 842),
        (596, 842),
    }
    texts = [p.extract_text() for p in pages]
    assert [n for n, words in enumerate(texts) if "INVENTED DATA – no real patient" not in words] == []
    started = next(n for n, words in enumerate(texts) if "MR H700" in words)
    ended = next(n for n, words in enumerate(texts) if "Residuals by ward and month" in words)
    nameless = [n for n in range(started, ended) if not re.search(r"MR H7\d\d.*born \d{4}", texts[n], re.DOTALL)]
    assert nameless == []
    assert ended - started >= 46


def test_two_thousand_exams_stay_usable(chromium: Any, tmp_path: Path) -> None:
    first, _ = ward()
    good = [
        r for r in first if r["started_at"].endswith("+01:00") and r["scans"][0].get("volume", {}).get("unit") != "ML"
    ]
    lines = []
    for number in range(2000):
        base = good[number % len(good)]
        who = {**base["patient"], "identifiers": [{"system": "https://ward-h.example/n", "value": f"H{number // 4}"}]}
        lines.append(wire.dumps({**base, "exam_number": str(number), "patient": who}) + b"\n")
    (tmp_path / "many.ndjson").write_bytes(b"".join(lines))
    material = gather([tmp_path / "many.ndjson"], now=NOW)
    assert len(material.exams) == 2000
    report(material, tmp_path / "many.html")
    chromium.get((tmp_path / "many.html").as_uri())
    assert chromium.find_element("id", "told").text == "500 of 500 patients shown"
    filtering = chromium.execute_async_script(
        "const done = arguments[0], f = document.getElementById('find');"
        "f.value = 'H499'; const start = performance.now(); f.dispatchEvent(new Event('input'));"
        "setTimeout(() => requestAnimationFrame(() => done([document.getElementById('told').textContent, "
        "performance.now() - start])), 90);"
    )
    assert filtering[0] == "1 of 500 patients shown"
    assert filtering[1] < 5000  # our own bound, wide because test machines are shared
