"""The explorer in a real JupyterLab and a real browser, worked by keyboard alone."""

import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

import psutil
import pytest
from playwright.sync_api import Page, expect, sync_playwright

from kitlib.explorer.pictures import NOT_THE_AUDIT
from kitlib.words.terms import show

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
# What the console may say without a fault of ours, each with its reason; none so far.
BENIGN: tuple[tuple[str, str], ...] = ()
START = "import sys; from kitlib.runs.lab import explore; "
START += "explore(*sys.argv[1:], browser=False)"
PATIENCE = 120  # seconds: a busy machine starts JupyterLab slowly
CURVE = "wheat: wheat-S1"
ZOOM = 1.25

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module", autouse=True)
def chromium():
    if not CHROMIUM.exists() and not os.environ.get("CI"):
        pytest.skip(f"{CHROMIUM} is missing: install Debian's package chromium")


@pytest.fixture(scope="module")
def lab(demo, tmp_path_factory):
    """Start JupyterLab as the command does; yield its process, address and folder."""
    place = tmp_path_factory.mktemp("lab")
    own = {"HOME": "home", "IPYTHONDIR": "ipython"}
    own |= {f"JUPYTER_{part}_DIR": part for part in ("CONFIG", "DATA", "RUNTIME")}
    own |= {f"JUPYTERLAB_{part}_DIR": part for part in ("SETTINGS", "WORKSPACES")}
    environment = os.environ | {name: str(place / at) for name, at in own.items()}
    (place / "home").mkdir()
    settle(place, "notification", fetchNews="false", checkForUpdates=False)
    log = place / "log"
    command = [sys.executable, "-c", START, str(demo), str(place / "reports")]
    with log.open("w") as file:
        process = subprocess.Popen(
            command, stdout=file, stderr=subprocess.STDOUT, env=environment
        )
    try:
        yield process, address_in(log, process), place
    finally:
        process.terminate()
        process.wait(PATIENCE)


def settle(place, plugin, **settings):
    """Write a setting of JupyterLab as a user's click would."""
    folder = place / "SETTINGS" / "@jupyterlab" / "apputils-extension"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{plugin}.jupyterlab-settings").write_text(json.dumps(settings))


def address_in(log, process) -> str:
    """Wait for the address that is printed."""
    for _ in range(PATIENCE * 5):
        if found := re.search(r"http://\S+", log.read_text()):
            return found.group(0)
        assert process.poll() is None, log.read_text()
        time.sleep(0.2)
    raise AssertionError(f"no address after {PATIENCE} s: {log.read_text()}")


@pytest.fixture(scope="module")
def browser(chromium):
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield launched
        launched.close()


@pytest.fixture(scope="module", params=["Light", "Dark"])
def page(request, browser, lab):
    """Open the notebook at 125 % zoom in either theme, and run it."""
    _, address, place = lab
    settle(place, "themes", theme=f"JupyterLab {request.param}")
    context = browser.new_context(
        viewport={"width": int(1440 / ZOOM), "height": int(1500 / ZOOM)},
        device_scale_factor=ZOOM,
    )
    context.set_default_timeout(1000 * PATIENCE)
    opened, complaints = context.new_page(), []
    opened.on("console", lambda said: complaints.append(said))
    opened.on("pageerror", lambda error: complaints.append(error))
    opened.goto(address)
    run_all(opened)
    opened.theme = request.param.casefold()
    yield opened
    context.close()
    assert [said for said in map(in_words, complaints) if said] == []


def in_words(complaint) -> str:
    """Return what the page complained of; empty for warnings and what is benign."""
    text = getattr(complaint, "text", str(complaint))
    if getattr(complaint, "type", "error") != "error":
        return ""
    return "" if any(re.search(known, text) for known, _ in BENIGN) else text


def run_all(page: Page) -> None:
    """Run all cells and wait for the pictures."""
    page.locator(".jp-Notebook .jp-CodeCell").first.wait_for()
    page.get_by_text("Python 3 (ipykernel) | Idle").wait_for()
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_text("Run All Cells", exact=True).click()
    expect(pictures(page)).to_have_count(4, timeout=1000 * PATIENCE)


@pytest.fixture(autouse=True)
def reset(request):
    """Start every test of the page from the audit's own choice for one curve."""
    if "page" in request.fixturenames:
        page = request.getfixturevalue("page")
        panel(page).locator("select").first.select_option(CURVE)
        panel(page).get_by_role("button", name="Reset").click()
        expect(panel(page)).to_contain_text("−0.89 points were added")


def panel(page: Page):
    return page.locator(".kit-explorer")


def pictures(page: Page):
    return panel(page).locator("img[src^=blob]")


def offset_handle(page: Page):
    named = panel(page).locator(".widget-inline-hbox", has_text="Offset, points")
    return named.locator(".noUi-handle")


def row(page: Page, case: str):
    return panel(page).locator("tr", has_text=case).first


def artefact(page: Page, name: str, tmp_path) -> None:
    """Keep a picture of the page."""
    folder = Path(os.environ.get("CI_ARTEFACTS", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=folder / f"explorer-{name}-{page.theme}.png")


def test_the_offset_is_moved_by_keyboard_and_the_number_follows(
    page, audited_demo, tmp_path
):
    bias = audited_demo.audits["wheat-S1"].bias.value
    expect(row(page, "what if")).to_contain_text(show(-bias, 2, sign=True))
    before = pictures(page).first.get_attribute("src")
    offset_handle(page).focus()
    page.keyboard.press("ArrowRight")
    left = show(bias - 0.8, 2, sign=True)
    expect(row(page, "what if")).to_contain_text(left)
    expect(panel(page)).to_contain_text("−0.80 points were added")
    expect(panel(page)).to_contain_text("would be −0.50 in place of +0.30")
    assert pictures(page).first.get_attribute("src") != before
    page.keyboard.press("ArrowLeft")
    expect(row(page, "what if")).to_contain_text("−0.89")
    pictures(page).first.scroll_into_view_if_needed()
    artefact(page, "offset", tmp_path)


def test_samples_are_picked_and_a_what_if_is_kept_by_keyboard(page, lab, tmp_path):
    expect(panel(page)).to_contain_text("All 40 samples: shift")
    panel(page).locator("select[multiple]").focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Shift+ArrowDown")
    expect(panel(page)).to_contain_text("Without 2 samples: shift")
    expect(row(page, "what if")).to_contain_text("38 / 5")
    artefact(page, "samples", tmp_path)
    reason = f"asked in the {page.theme} theme"
    panel(page).locator("input[placeholder^=why]").focus()
    page.keyboard.type(reason)
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(panel(page)).to_contain_text("Put on record: a row of")
    [table] = (lab[2] / "reports").glob("*/explore/what_if.csv")
    assert table.read_text(encoding="utf-8").rstrip().endswith(reason)


def test_tab_reaches_every_control(page):
    panel(page).get_by_role("button", name="Reset").focus()
    reached = set()
    for _ in range(16):
        reached.add(page.evaluate(WHERE))
        page.keyboard.press("Tab")
    wanted = {"Reset to the audit's own choice", "Crop and curve", "Offset, points"}
    wanted |= {"Correct the slope too", "Trial", "Moisture band, %", "Reason"}
    wanted |= {"Samples to leave out", "Standard moisture, %", "Put on record"}
    wanted |= {"Selected, % of entries"}
    assert wanted <= reached


WHERE = r"""() => {
  const here = document.activeElement, box = here.closest('.jupyter-widgets');
  const said = place => place?.textContent.replaceAll('\u200b', '').trim();
  return said(box?.querySelector('label')) || said(box ?? here);
}"""


def test_words_are_read_on_the_themes_ground_and_nothing_is_cut_off(page):
    """WCAG 2.1, 1.4.3: a contrast of at least 4.5 to 1 for text (from memory)."""
    expect(panel(page)).to_contain_text(NOT_THE_AUDIT)
    for contrast in page.evaluate(CONTRASTS):
        assert contrast >= 4.5
    box = panel(page).evaluate("box => [box.scrollWidth, box.clientWidth]")
    assert box[0] <= box[1]
    for width in pictures(page).evaluate_all("all => all.map(p => p.clientWidth)"):
        assert width >= 320


CONTRASTS = """() => {
  const numbers = colour => colour.match(/[\\d.]+/g).map(Number);
  const light = colour => numbers(colour).slice(0, 3).map(part => part / 255)
    .map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
    .reduce((sum, c, k) => sum + c * [0.2126, 0.7152, 0.0722][k], 0);
  const ground = place => {
    const colour = getComputedStyle(place).backgroundColor, parts = numbers(colour);
    const seen = parts.length < 4 || parts[3] > 0;
    return seen || !place.parentElement ? colour : ground(place.parentElement);
  };
  const words = '.kit-explorer :is(p, td, th, label, h3, .kit-label, button)';
  return [...document.querySelectorAll(words)].filter(w => w.offsetParent).map(w => {
    const pair = [light(getComputedStyle(w).color), light(ground(w))];
    return (Math.max(...pair) + 0.05) / (Math.min(...pair) + 0.05);
  });
}"""


def test_the_server_is_for_this_machine_and_asks_for_its_token(lab):
    process, address, _ = lab
    place, token = address.split("/lab/tree/")[0], address.split("token=")[1]
    assert place.startswith("http://127.0.0.1:") and len(token) >= 32
    served = psutil.Process(process.pid)
    listening = {
        connection.laddr.ip
        for each in [served, *served.children(recursive=True)]
        for connection in each.net_connections(kind="inet")
        if connection.status == psutil.CONN_LISTEN
    }
    assert listening == {"127.0.0.1"}
    assert not any(token in word for word in served.cmdline())
    with pytest.raises(HTTPError, match="403"):
        urlopen(f"{place}/api/contents")
    with urlopen(f"{place}/api/contents?token={token}") as answer:
        assert answer.status == 200
