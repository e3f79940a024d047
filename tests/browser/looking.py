"""A real browser (Chromium) that opens a page and says what a careful reader would complain of."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome-stable")
LOOKING = (Path(__file__).parent / "looking.js").read_text(encoding="utf-8")
PHONE, DESKTOP = 390, 1280
LOOKS = ("contrast", "headings", "overflow", "clipped", "crowded", "anchors", "scripts", "colourless")


def program() -> str | None:
    """The browser of this machine; None where there is none."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    """A browser without a window. Without its sandbox: the pages are our own, and a build server runs as root."""
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program(), args=["--no-sandbox"])
        yield opened
        opened.close()


@dataclass
class Opened:
    """A page as one reader has it, everything that can be folded unfolded."""

    page: Page
    path: Path
    requests: list[str] = field(default_factory=list)
    """What it asked for besides itself."""

    def load(self) -> None:
        """Open the page, or open it again as it was."""
        self.page.goto(self.path.absolute().as_uri())
        self.page.evaluate("document.querySelectorAll('details').forEach(e => { e.open = true; })")
        self.page.evaluate(LOOKING)

    def problems(self, look: str, *arguments: float) -> list[str]:
        """What one of the functions of looking.js complains of."""
        return list(self.page.evaluate(f"looking.{look}({', '.join(map(str, arguments))})"))

    def all(self) -> dict[str, list[str]]:
        """Complaints by the function that has some, and what was fetched."""
        found = {look: self.problems(look) for look in LOOKS}
        return {look: words for look, words in {**found, "requests": self.requests}.items() if words}


@contextlib.contextmanager
def opened(browser: Browser, path: Path, *, width: int, scheme: str) -> Iterator[Opened]:
    """A page opened at a window's width in CSS pixels, `light` or `dark`."""
    context = browser.new_context(
        viewport={"width": width, "height": 844},
        color_scheme=scheme,  # type: ignore[arg-type]
        bypass_csp=True,
    )
    page = context.new_page()
    found = Opened(page=page, path=path)
    own = path.absolute().as_uri()
    page.on("request", lambda request: None if request.url == own else found.requests.append(request.url))
    found.load()
    yield found
    context.close()
