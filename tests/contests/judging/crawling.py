"""Follow everything that a signed-in person can reach, and try every address that the site has a name for."""

from __future__ import annotations

import base64
import html
import itertools
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

ADDRESS = re.compile(r"""["'=\s](/(?!/)[^"'\s<>\\]*)""")


@dataclass
class Haul:
    """All that came back: for each address its status and every byte of head and body."""

    answers: dict[str, tuple[int, bytes]] = field(default_factory=dict)

    def found(self, status: int) -> set[str]:
        """The addresses that answered so."""
        return {address for address, (found, _) in self.answers.items() if found == status}

    def holding(self, word: str) -> dict[str, str]:
        """Which addresses give a word away, and in which writing. Letters of either case count."""
        given_away = {}
        for address, (_, blob) in self.answers.items():
            low = blob.lower()
            for writing, needle in writings(word):
                if needle.lower() in low:
                    given_away[address] = writing
        return given_away


def writings(word: str) -> Iterator[tuple[str, bytes]]:
    """The ways in which a word may lie hidden in bytes."""
    plain = word.encode()
    yield "utf-8", plain
    yield "utf-16-le", word.encode("utf-16-le")
    yield "utf-16-be", word.encode("utf-16-be")
    yield "hex", plain.hex().encode()
    yield "url", "".join(f"%{byte:02x}" for byte in plain).encode()
    yield "html", "".join(f"&#{byte};" for byte in plain).encode()
    yield "backwards", plain[::-1]
    for shift in range(3):  # base64 depends on where in a group of three bytes the word begins
        text = base64.b64encode(b"\0" * shift + plain)
        yield f"base64+{shift}", text[4 if shift else 0 : -4]
        yield f"base64url+{shift}", base64.urlsafe_b64encode(b"\0" * shift + plain)[4 if shift else 0 : -4]


def body_of(response: Any) -> bytes:
    """The whole body, streamed or not."""
    return b"".join(response.streaming_content) if response.streaming else response.content


def fetch(client: Client, address: str, haul: Haul) -> bytes:
    """Get one address and keep what came."""
    response = client.get(address)
    head = "\n".join(f"{name}: {value}" for name, value in response.headers.items())
    cookies = response.cookies.output()
    body = body_of(response)
    haul.answers[address] = (response.status_code, f"{head}\n{cookies}\n".encode() + body)
    return haul.answers[address][1]


def crawl(client: Client, starts: Iterable[str], *, most: int = 400) -> Haul:
    """Follow links, forms' addresses, scripts, data and redirects from some pages on, media included."""
    haul = Haul()
    waiting = list(starts)
    while waiting:
        address = waiting.pop(0)
        if address in haul.answers:
            continue
        assert len(haul.answers) < most, "the site has no end"
        text = html.unescape(fetch(client, address, haul).decode("utf-8", "replace"))
        waiting += [found.split("#")[0] for found in ADDRESS.findall(text)]
        waiting += list(segments_in(text))
    return haul


def segments_in(page: str) -> Iterator[str]:
    """The addresses of all segments of a booth's set, and of two beyond the last."""
    match = re.search(r'<script id="booth-set" type="application/json">(.*?)</script>', page)
    if match is None:
        return
    booth = json.loads(match[1])
    count = -(-booth["frames"] // booth["segment_frames"])
    for copy in booth["copies"]:
        for index in range(count + 2):
            yield f"{copy['segments_url']}{index}"


def named_addresses(words: Iterable[str], numbers: Iterable[int]) -> Iterator[str]:
    """Every address of the site's own table, filled in with what an inquisitive person might try."""
    words, numbers = list(words), list(numbers)
    for route, kinds in _routes(get_resolver().url_patterns, "", []):
        choices = [numbers if kind == "IntConverter" else words for kind in kinds]
        for values in itertools.product(*choices):
            filled = iter(values)
            yield "/" + re.sub(r"<[^>]*>", lambda _, it=filled: str(next(it)), route)


def _routes(patterns: Iterable[Any], prefix: str, kinds: list[str]) -> Iterator[tuple[str, list[str]]]:
    for entry in patterns:
        route = str(entry.pattern)
        here = [*kinds, *(type(one).__name__ for one in entry.pattern.converters.values())]
        if isinstance(entry, URLResolver):
            yield from _routes(entry.url_patterns, prefix + route, here)
        elif isinstance(entry, URLPattern) and "(" not in route:
            yield prefix + route, here
