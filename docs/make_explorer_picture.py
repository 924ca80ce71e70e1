"""Make the picture of the explorer in README.md anew.

Run: python docs/make_explorer_picture.py. It opens the demo season's explorer as the
command does, in a headless Chromium of 1280 × 720, and takes what is seen. Wants
playwright and Debian's chromium.
"""

import re
import subprocess
import sys
from io import BytesIO
from tempfile import TemporaryDirectory

from make_pictures import HERE, keep
from PIL import Image
from playwright.sync_api import sync_playwright

START = "import sys; from kitlib.runs.lab import explore; "
START += "explore(*sys.argv[1:], browser=False)"
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"]
CURVE = "maize-S1"


def photograph(address: str) -> bytes:
    """Return what is seen once an offset is tried and its trials are looked at."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=FLAGS
        )
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        page.set_default_timeout(120_000)
        page.goto(address)
        panel = page.locator(".kit-explorer")
        panel.locator("progress[hidden]").wait_for(state="attached")
        panel.get_by_label("Crop and curve").select_option(CURVE)
        panel.get_by_role("textbox", name="Offset, points, as a number").fill("-0.6")
        page.keyboard.press("Enter")
        panel.get_by_text("−0.60 points were added").wait_for()
        panel.get_by_role("tab", name="Trials").click()
        page.wait_for_timeout(1000)
        return page.screenshot()


def main() -> None:
    """Write docs/explorer.png."""
    with TemporaryDirectory() as place:
        command = [sys.executable, "-c", START, str(HERE.parent / "demo_data"), place]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            lines = iter(process.stdout.readline, "")
            address = next(m[0] for line in lines if (m := re.search(r"http\S+", line)))
            seen = photograph(address)
        finally:
            process.terminate()
            process.wait(60)
    with Image.open(BytesIO(seen)) as drawn:
        keep(drawn, "explorer.png", colours=128)


if __name__ == "__main__":
    main()
