"""Make the pictures of README and docs: python docs/pictures.py DEMO_FOLDER [CHAIN_FOLDER]

The chain's is made where a chain is given. Needs the test extras and a Chromium; writes
docs/pictures/*.png.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

OUT = Path(__file__).parent / "pictures"
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync"]
SHOTS = (
    # name, page below the demo, width, height, what to bring into view
    ("front-page", "REPORT/index.html", 1100, 900, None),
    ("front-page-phone", "REPORT/index.html", 390, 844, None),
    ("lock", "REPORT/locks/bench-drawer.html", 1100, 900, ".plot"),
    ("supply", "REPORT/supplies/tower-24.html", 1100, 900, ".plot"),
    ("timing", "timing/index.html", 1100, 900, None),
    ("parts", "parts/index.html", 1100, 900, None),
)


def main() -> int:
    """Take every picture."""
    if len(sys.argv) not in (2, 3):
        print(__doc__)
        return 2
    demo = Path(sys.argv[1]).resolve()
    report = max((demo / "reports").iterdir())
    chromium = os.environ.get("REMANENCE_CHROMIUM") or shutil.which("chromium")
    OUT.mkdir(exist_ok=True)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=QUIET)
        chain = [("chain", str(Path(sys.argv[2]).resolve() / "chain" / "index.html"), 1100, 900,
                  None)] if len(sys.argv) == 3 else []
        for name, where, width, height, focus in (*SHOTS, *chain):
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto((demo / where.replace("REPORT", str(report))).as_uri())
            if focus:
                page.locator(focus).first.scroll_into_view_if_needed()
                page.evaluate(
                    "e => window.scrollTo(0, document.querySelector(e).offsetTop - 60)", focus)
            page.wait_for_timeout(1500)
            page.screenshot(path=OUT / f"{name}.png")
            page.close()
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
