"""Django's JSON lines with times to the microsecond. Registered in SERIALIZATION_MODULES as `rows`.

Django's own encoder cuts times to the millisecond, as ECMA-262 writes them. The hashes of the decision log
cover the microseconds, so that a log put back from it would not hold.
"""

from __future__ import annotations

import datetime
from typing import Any

from django.core.serializers import jsonl
from django.core.serializers.json import DjangoJSONEncoder


class ExactEncoder(DjangoJSONEncoder):
    """Times as they are."""

    def default(self, o: Any) -> Any:
        """A date, a time or both in ISO 8601; everything else as Django does it."""
        return o.isoformat() if isinstance(o, datetime.datetime | datetime.time) else super().default(o)


class Serializer(jsonl.Serializer):
    """Rows to lines."""

    def _init_options(self) -> None:
        super()._init_options()
        self.json_kwargs["cls"] = ExactEncoder


Deserializer = jsonl.Deserializer
