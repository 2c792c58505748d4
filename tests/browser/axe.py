"""Ask axe-core what of WCAG a page breaks. The library lies in `vendor`, so that no network is needed."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page

AXE = Path(__file__).parent / "vendor/axe.min.js"
# The tags of WCAG 2.2, level AA, and what the library counts as good practice.
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def violations(page: Page) -> list[str]:
    """Each rule that the page breaks, with the elements that break it; empty when it breaks none.

    Raises AssertionError when the library checked next to nothing, for then its silence means nothing.
    """
    page.evaluate(AXE.read_text())  # by the browser's own door, which the page's policy does not close
    found = page.evaluate("tags => axe.run(document, { runOnly: tags })", TAGS)
    assert len(found["passes"]) > 15, "axe-core found hardly anything to check"
    return [
        f"{rule['id']} ({rule['help']}): {[node['html'][:160] for node in rule['nodes']]}"
        for rule in found["violations"]
    ]
