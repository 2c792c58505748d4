"""Ask axe-core what of WCAG a page breaks. The library lies in `vendor`, so that no network is needed."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page

AXE = Path(__file__).parent / "vendor/axe.min.js"
# The tags of WCAG 2.2, level AA, and what the library counts as good practice.
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# What may differ between the light and the dark look; all else is asked of one.
BY_SCHEME = ["color-contrast"]


def violations(page: Page) -> list[str]:
    """Each rule that the page breaks, light or dark, with the elements that do; empty when it breaks none.

    Leaves the page light. Raises AssertionError when the library checked next to nothing, for then its
    silence means nothing.
    """
    page.evaluate(AXE.read_text())  # by the browser's own door, which the page's policy does not close
    page.emulate_media(color_scheme="dark")
    dark = page.evaluate(
        "rules => axe.run(document, { runOnly: { type: 'rule', values: rules } })", BY_SCHEME
    )
    page.emulate_media(color_scheme="light")
    light = page.evaluate("tags => axe.run(document, { runOnly: tags })", TAGS)
    assert dark["passes"] or dark["violations"], "axe-core found no text to check in the dark"
    assert len(light["passes"]) > 15, "axe-core found hardly anything to check"
    return [
        f"{rule['id']} in the {scheme} ({rule['help']}): {[node['html'][:160] for node in rule['nodes']]}"
        for scheme, found in (("dark", dark), ("light", light))
        for rule in found["violations"]
    ]
