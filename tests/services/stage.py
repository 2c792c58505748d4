"""The inside of a site under test: reads calls of scenes, one JSON line each, and answers them likewise."""

from __future__ import annotations

import json
import sys

import django


def main() -> None:
    """Answer until the input ends."""
    django.setup()
    from tests.services import scenes

    known = scenes.by_name()
    for line in sys.stdin:
        name, arguments = json.loads(line)
        print(json.dumps(known[name](**arguments)), flush=True)


if __name__ == "__main__":
    main()
