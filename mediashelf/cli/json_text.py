"""JSON as text, written while the values of long lists are being made."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from mediashelf.cli.documents import Each

_NESTING = (dict, list, tuple, Each)


def iter_json(value: Any, lead: str = "\n") -> Iterator[str]:
    """Yield what json.dumps returns with an indent of 2; lists may be made meanwhile.

    ``lead`` is what each line begins with.
    """
    if not isinstance(value, _NESTING):
        yield json.dumps(value)
        return
    inner = before = f"{lead}  "
    begin, end = "{}" if isinstance(value, dict) else "[]"
    if not isinstance(value, Each):
        values = value.values() if isinstance(value, dict) else value
        if not any(isinstance(one, _NESTING) for one in values):  # several times as quick
            text = json.dumps(value, separators=(f",{inner}", ": "))
            yield f"{begin}{inner}{text[1:-1]}{lead}{end}" if value else text
            return
    yield begin
    items = value.items() if isinstance(value, dict) else (("", item) for item in value)
    for key, item in items:
        yield f"{before}{json.dumps(key)}: " if begin == "{" else before
        yield from iter_json(item, inner)
        before = f",{inner}"
    yield end if before is inner else lead + end
