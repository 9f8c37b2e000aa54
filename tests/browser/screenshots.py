"""Pictures of the board with the demo fleet: see the command `screenshots` beside this."""

import argparse
import os
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "clients"))

from daemon import Daemon, Database, run  # noqa: E402
from pages import DEMO  # noqa: E402
from surf import Surfer, chromium  # noqa: E402

WIDTHS = {390: 844, 820: 1100, 1440: 900}

# What the README shows: file, page, width.
SHOWN = [("coming", "/board", 1440), ("cars", "/board/cars?band=past", 820), ("car", "/board/cars/V104", 390)]

LARGEST = 150_000


def take(surfer, folder, pictures):
    key = surfer.daemon.new_key()
    for name, path, width in pictures:
        page = surfer.signed_in(key, width=width, height=WIDTHS[width], color_scheme="light", reduced_motion="reduce")
        page.goto(path)
        file = folder / f"{name}.png"
        page.screenshot(path=file)
        size = file.stat().st_size
        print(f"{file}: {size} bytes")
        if size > LARGEST:
            sys.exit(f"{file} has more than {LARGEST} bytes")
        page.context.close()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--all", type=Path, metavar="FOLDER", help="every page at every width, into this folder")
    everything = parser.parse_args().all
    folder = everything or Path(__file__).parents[2] / "demo-data" / "screens"
    folder.mkdir(parents=True, exist_ok=True)
    pictures = SHOWN
    if everything:
        name = str.maketrans("/?=", "---")
        pictures = [(f"{path.strip('/').translate(name)}-{width}", path, width) for path in DEMO for width in WIDTHS]
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        database = Database("sqlite", Path(place))
        made = run("demo", "--once", "--listen", "127.0.0.1:0", "--database", database.address, cwd=place)
        if made.returncode != 0:
            sys.exit(made.stderr)
        daemon = Daemon(database, place).start()
        alone = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(executable_path=chromium(), args=alone)
        try:
            take(Surfer(browser, daemon), folder, pictures)
        finally:
            browser.close()
            daemon.stop()


if __name__ == "__main__":
    main()
