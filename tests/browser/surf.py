"""A person at a browser, and what is asked of every page that person sees."""

import json
import shutil
import subprocess
import tempfile
from io import BytesIO
from pathlib import Path

from pypdf import PdfReader

HERE = Path(__file__).parent
AXE = (HERE / "node_modules" / "axe-core" / "axe.min.js").read_text()

# WCAG 2.2 A and AA, and what axe-core's authors hold to be good practice.
AXE_RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


def chromium():
    """Debian's browser."""
    found = shutil.which("chromium")
    assert found, "chromium is not there; tests/run installs it"
    return found


class Surfer:
    """Opens windows on a daemon and gathers what their pages complain of."""

    def __init__(self, browser, daemon):
        self.browser = browser
        self.daemon = daemon
        self.windows = []
        self.complaints = []

    def window(self, width=1440, height=900, **options):
        """A page of a person of its own; `options` are those of a browser context."""
        context = self.browser.new_context(
            base_url=self.daemon.url, viewport={"width": width, "height": height}, **options
        )
        context.set_default_timeout(20_000)
        page = context.new_page()
        page.on("pageerror", lambda fault: self.complaints.append(f"{page.url}: {fault}"))
        # A page that is refused is told by its status; it is no complaint of the page's.
        page.on("console", lambda line: self._hear(page, line))
        self.windows.append(context)
        return page

    def _hear(self, page, line):
        if line.type in ("error", "warning") and "Failed to load resource" not in line.text:
            self.complaints.append(f"{page.url}: {line.text}")

    def signed_in(self, key=None, **options):
        """A window of somebody who has signed in with a key."""
        page = self.window(**options)
        page.goto("/board/sign-in")
        page.get_by_label("Key").fill(key or self.daemon.new_key())
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda url: not url.endswith("/sign-in"))
        return page

    def close(self):
        for context in self.windows:
            context.close()


def check_access(page):
    """axe-core finds nothing, in light and in dark."""
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        # By the debugger's way, so that the page's own policy stays in force.
        page.evaluate(AXE)
        found = page.evaluate("rules => axe.run(document, rules)", AXE_RULES)
        faults = [
            f"{fault['id']}: {node['html']} {node['failureSummary']}"
            for fault in found["violations"]
            for node in fault["nodes"]
        ]
        assert not faults, f"{page.url} in {scheme}:\n" + "\n".join(faults)
        assert found["passes"], "axe-core looked at something"
    page.emulate_media(color_scheme="light")


def check_html(text, name):
    """An outside validator (html-validate, rules of the HTML standard) finds no fault in what the server sent."""
    checker = HERE / "node_modules" / ".bin" / "html-validate"
    with tempfile.TemporaryDirectory() as folder:
        # By files: a pipe's end is cut off when the program exits.
        sent, found = Path(folder) / "page.html", Path(folder) / "found.json"
        sent.write_text(text)
        command = ["node", str(checker), f"--formatter=json={found}", f"--config={HERE / 'html-validate.json'}", str(sent)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
        said = json.loads(found.read_text() or "[]")
    faults = [
        f"{name}:{fault['line']}: {fault['ruleId']}: {fault['message']}"
        for part in said
        for fault in part["messages"]
    ]
    assert not faults, "\n".join(faults)
    assert done.returncode == 0, done.stderr


def check_width(page, width=320):
    """WCAG 2.2, 1.4.10 Reflow: at 320 CSS pixels nothing is to be scrolled sideways but tables that need it."""
    before = page.viewport_size
    page.set_viewport_size({"width": width, "height": 800})
    wide = page.evaluate("document.documentElement.scrollWidth")
    page.set_viewport_size(before)
    assert wide <= width, f"{page.url} is {wide} px wide at {width} px"


def check_page(page):
    """All that is asked of every page."""
    answer = page.request.get(page.url)
    assert answer.ok, f"{page.url}: {answer.status}"
    check_html(answer.text(), page.url)
    check_width(page)
    check_access(page)


def pdf(page, paper):
    """The page as it is printed: the text of each sheet."""
    sheets = PdfReader(BytesIO(page.pdf(format=paper, print_background=False))).pages
    return [sheet.extract_text() for sheet in sheets]
